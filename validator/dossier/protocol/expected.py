"""What the plan will show: assumptions, widths, probabilities, power."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.dossier import numbers
from validator.dossier.document import Block, Column, Paragraph, Section, Table, identifier
from validator.dossier.protocol.parts import level_text, percent, percent_interval, share
from validator.dossier.sections.context import percent_level, row
from validator.dossier.wording import Col, Num, table_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from validator.dossier.document import Row
    from validator.dossier.protocol.parts import Parts
    from validator.planning import Prediction
    from validator.planning.power import Power
    from validator.planning.widths import Width


def expected(parts: Parts) -> Section:
    """The assumptions, and for each analyte what follows from them."""
    say = parts.say
    blocks: list[Block | Section] = [_assumed(parts)]
    for prediction in parts.protocol.predictions:
        name = parts.analyte(prediction.analyte).name
        inner: list[Block | Section] = [_widths(parts, prediction)]
        if prediction.chances:
            inner.append(_chances(parts, prediction))
        if prediction.all_met is not None:
            inner.append(Paragraph(say("planning.expected.all_met", probability=percent(prediction.all_met))))
        inner.extend(
            Paragraph(say("planning.expected.stop", share=percent(stop.share), title=stop.title))
            for stop in prediction.stops
        )
        if prediction.powers:
            inner.append(_powers(parts, prediction))
        blocks.append(
            Section(
                id=identifier("expected", prediction.analyte),
                title=say("planning.expected.of_analyte", name=name),
                blocks=tuple(inner),
            )
        )
    return Section(id="expected", title=say("planning.expected.title"), blocks=tuple(blocks))


def _assumed(parts: Parts) -> Table:
    say = parts.say
    rows = []
    for prediction in parts.protocol.predictions:
        analyte, assumed = parts.analyte(prediction.analyte), prediction.assumed
        rows.append(
            row(
                analyte.name,
                numbers.quantity(numbers.as_given(assumed.slope), _per(analyte.signal_unit, analyte.unit)),
                numbers.quantity(numbers.as_given(assumed.intercept), analyte.signal_unit),
                numbers.quantity(numbers.as_given(assumed.signal_sd), analyte.signal_unit),
                numbers.quantity(numbers.as_given(assumed.signal_rsd_percent), "%"),
                numbers.quantity(numbers.as_given(assumed.between_series_rsd_percent), "%"),
                numbers.quantity(numbers.as_given(assumed.recovery_percent), "%"),
            )
        )
    names = ("analyte", "slope", "intercept", "signal_sd", "signal_rsd", "between", "recovery")
    return Table(
        id="assumed",
        caption=say("planning.expected.assumed"),
        columns=tuple(Column(say(f"planning.expected.{name}")) for name in names),
        rows=tuple(rows),
        note=say("planning.expected.assumed_note"),
        size="small",
    )


def _per(signal: str, level: str) -> str:
    return f"{signal}/({level})" if "/" in level else f"{signal}/{level}"


def _widths(parts: Parts, prediction: Prediction) -> Table:
    say = parts.say
    analyte = parts.analyte(prediction.analyte)
    confidence = parts.protocol.study.analysis_for(prediction.analyte).confidence
    return table_of(
        say,
        "planning.expected.widths",
        (_width_row(parts, prediction, one) for one in prediction.widths),
        Col("figure", width=20),
        Col("at", width=20),
        Col("unit", width=10),
        Num("typical"),
        Col("half"),
        Col("range"),
        Num("closed", width=9),
        id=identifier("widths", prediction.analyte),
        name=analyte.name,
        level=percent_level(confidence),
        note=say("planning.expected.widths_note"),
    )


def _width_row(parts: Parts, prediction: Prediction, width: Width) -> Row:
    analyte = parts.analyte(prediction.analyte)
    units = {
        "slope": _per(analyte.signal_unit, analyte.unit),
        "intercept": analyte.signal_unit,
        "detection_limit": analyte.unit,
        "quantification_limit": analyte.unit,
    }
    half = width.half_width
    shown = numbers.MISSING
    if half is not None:
        ends = (half.interval.lower, half.interval.upper) if half.interval else (None, None)
        shown = numbers.with_interval(half.value, *ends)
    return row(
        parts.say.text(f"planning.expected.name.{width.key.figure}"),
        level_text(width.key.level, width.key.what, analyte.unit),
        units.get(width.key.figure, "%"),
        numbers.significant(width.typical),
        shown,
        numbers.MISSING
        if width.low is None
        else f"{numbers.significant(width.low, 2)} {numbers.TO} {numbers.significant(width.high, 2)}",
        share(width.closed, width.n),
    )


def _chances(parts: Parts, prediction: Prediction) -> Table:
    say = parts.say
    return table_of(
        say,
        "planning.expected.chances",
        _chance_rows(parts, prediction),
        Col("criterion"),
        Col("at", width=21),
        Num("meets", width=9),
        Num("open", width=11),
        Num("fails", width=9),
        Col("simulation", width=15),
        id=identifier("chances", prediction.analyte),
        name=parts.analyte(prediction.analyte).name,
        note=say("planning.expected.chances_note", count=numbers.count(prediction.simulations)),
    )


def _chance_rows(parts: Parts, prediction: Prediction) -> Iterator[Row]:
    for chance in prediction.chances:
        yield row(
            parts.criterion(chance),
            parts.at(chance, prediction.analyte),
            share(chance.meets, chance.n),
            share(chance.open + chance.unanswered, chance.n),
            share(chance.fails, chance.n),
            percent_interval(chance.probability),
        )


def _powers(parts: Parts, prediction: Prediction) -> Table:
    say = parts.say
    return table_of(
        say,
        "planning.expected.powers",
        (_power_row(parts, prediction, one) for one in prediction.powers),
        Col("test", width=26),
        Col("at", width=20),
        Col("departure", width=16),
        Col("false_alarms"),
        Col("power"),
        id=identifier("powers", prediction.analyte),
        name=parts.analyte(prediction.analyte).name,
        note=say("planning.expected.powers_note", alpha=numbers.as_given(prediction.powers[0].alpha)),
    )


def _power_row(parts: Parts, prediction: Prediction, one: Power) -> Row:
    kind = "bias" if one.test == "bias" else "curvature"
    departure = numbers.quantity(numbers.as_given(one.departure_percent), "%")
    return row(
        parts.say.text(f"planning.expected.test_name.{one.test}"),
        level_text(one.level, one.what, parts.analyte(prediction.analyte).unit),
        parts.say.text(f"planning.expected.{kind}", percent=departure),
        percent(one.false_alarms),
        percent(one.power),
    )
