"""What the plan will show: assumptions, widths, probabilities, power."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.dossier import numbers
from validator.dossier.document import Block, Column, Paragraph, Section, Table, identifier
from validator.dossier.protocol.parts import level_text, percent, percent_interval, share
from validator.dossier.sections.context import percent_level, row

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
    return Table(
        id=identifier("widths", prediction.analyte),
        caption=say("planning.expected.widths", name=analyte.name, level=percent_level(confidence)),
        columns=(
            Column(say.text("planning.expected.figure"), width=20),
            Column(say.text("planning.expected.at"), width=20),
            Column(say.text("planning.expected.unit"), width=10),
            Column(say.text("planning.expected.typical"), align="decimal"),
            Column(say.text("planning.expected.half")),
            Column(say.text("planning.expected.range")),
            Column(say.text("planning.expected.closed"), align="decimal", width=9),
        ),
        rows=tuple(_width_row(parts, prediction, one) for one in prediction.widths),
        note=say("planning.expected.widths_note"),
        size="small",
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
    return Table(
        id=identifier("chances", prediction.analyte),
        caption=say("planning.expected.chances", name=parts.analyte(prediction.analyte).name),
        columns=(
            Column(say.text("planning.expected.criterion")),
            Column(say.text("planning.expected.at"), width=21),
            Column(say.text("planning.expected.meets"), align="decimal", width=9),
            Column(say.text("planning.expected.open"), align="decimal", width=11),
            Column(say.text("planning.expected.fails"), align="decimal", width=9),
            Column(say.text("planning.expected.simulation"), width=15),
        ),
        rows=tuple(_chance_rows(parts, prediction)),
        note=say("planning.expected.chances_note", count=numbers.count(prediction.simulations)),
        size="small",
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
    return Table(
        id=identifier("powers", prediction.analyte),
        caption=say("planning.expected.powers", name=parts.analyte(prediction.analyte).name),
        columns=(
            Column(say.text("planning.expected.test"), width=26),
            Column(say.text("planning.expected.at"), width=20),
            Column(say.text("planning.expected.departure"), width=16),
            Column(say.text("planning.expected.false_alarms")),
            Column(say.text("planning.expected.power")),
        ),
        rows=tuple(_power_row(parts, prediction, one) for one in prediction.powers),
        note=say("planning.expected.powers_note", alpha=numbers.as_given(prediction.powers[0].alpha)),
        size="small",
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
