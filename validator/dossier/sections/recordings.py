"""Recordings: how raw curves became signals, all of them drawn, and how well that repeats itself."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from validator import numbers
from validator.dossier.document import (
    Block,
    BulletList,
    Column,
    DefinitionList,
    Figure,
    Paragraph,
    Row,
    Section,
    Table,
)
from validator.dossier.figures.curves import DrawnCurve, curves_figure
from validator.dossier.figures.parts import AxisText
from validator.dossier.sections.context import section_of
from validator.dossier.sections.pictures import picture
from validator.evaluation.recordings import Reduction, points_of, reductions
from validator.statistics.peaks import CLEAR

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.dossier.inline import Content
    from validator.dossier.sections.context import Context, Item
    from validator.evaluation.results import (
        MaximaRecord,
        NoiseRecord,
        OtherBaselineRecord,
        RecordingsRecord,
        ReducedCurve,
        ReductionSettings,
    )
    from validator.study.curves import Curve

_LONGEST_BESIDE = 16
_DIGITS_OF_POSITION = 4
MOST_LISTED = 200
"""Curves beyond this many are in the results file only: nobody reads them on paper."""


def recordings(context: Context) -> Section | None:
    """One subsection for each analyte and configuration with curves."""
    return section_of(context, "recordings", lambda item: item.configuration.recordings, _item)


def _item(context: Context, item: Item, record: RecordingsRecord) -> tuple[Block, ...]:
    say = context.say
    found = reductions(context.study, item.cell)
    curve = context.study.curve(found[0].run)
    x_unit, unit = curve.x_unit or "", signal_unit(item)
    blocks: list[Block] = [
        DefinitionList(_settings(context, record, x_unit, unit)),
        Paragraph(_scatter(context, record, unit)),
        _figure(context, item, record, found, curve),
    ]
    if len(record.curves) <= MOST_LISTED:
        blocks.append(_table(context, item, record, x_unit))
    else:
        blocks.append(say.paragraph("recordings.many", count=len(record.curves)))
    blocks.extend(_own_settings(context, record, x_unit))
    return tuple(blocks)


def _own_settings(context: Context, record: RecordingsRecord, unit: str) -> tuple[Block, ...]:
    """The curves that are read by settings of their own, with the reason for each."""
    own = [one for one in record.curves if one.settings]
    items = tuple(
        context.say(
            "recordings.own_settings",
            curve=curve_name(one, alone=True),
            settings=", ".join(
                f"{name} {numbers.as_given(value, unit) if isinstance(value, float) else value}"
                for name, value in (one.settings or {}).items()
            ),
            reason=one.reason or "",
        )
        for one in own
    )
    return (Paragraph(context.say("recordings.own", count=len(own))), BulletList(items)) if own else ()


def signal_unit(item: Item) -> str:
    """The unit of the signal, empty where it is a plain number."""
    return "" if item.analyte.signal_unit == "1" else item.analyte.signal_unit


def _settings(
    context: Context, record: RecordingsRecord, unit: str, signal_unit: str
) -> tuple[tuple[Content, Content], ...]:
    say, settings = context.say, record.settings
    baseline = settings.baseline
    drawn = say(
        f"recordings.baseline.{baseline.method}",
        windows=_windows(baseline.feet or baseline.through or (), unit),
        degree=baseline.degree or 0,
        decay=numbers.as_given(baseline.decay, unit),
        smoothness=numbers.as_given(baseline.smoothness),
        asymmetry=numbers.as_given(baseline.asymmetry),
        touching=" and ".join(
            numbers.quantity(numbers.significant(one, _DIGITS_OF_POSITION), unit)
            for one in baseline.touching or ()
        ),
    )
    read = say(
        f"recordings.read.{_way(settings)}",
        window=_windows(((settings.lower, settings.upper),), unit),
        at=numbers.as_given(settings.at, unit),
    )
    items: list[tuple[Content, Content]] = [
        (say("recordings.measure"), say(f"recordings.{settings.measure}_{settings.direction}")),
        (say("recordings.reading"), read),
    ]
    if record.maxima is not None:
        items.append((say("recordings.maxima"), _maxima(context, record.maxima, unit)))
    if settings.measure == "height":
        summit = (
            say("recordings.highest")
            if settings.summit is None
            else say("recordings.parabola", width=numbers.as_given(settings.summit, unit))
        )
        items.append((say("recordings.summit"), summit))
    if settings.smoothing_width is not None:
        way = "second_derivative" if settings.second_derivative else "smoothed"
        width = numbers.as_given(settings.smoothing_width, unit)
        text = say(f"recordings.{way}", width=width, degree=settings.smoothing_degree or 0)
        items.append((say("recordings.smoothing"), text))
    items.append((say("recordings.drawn"), drawn))
    if record.other_baseline is not None:
        items.append((say("recordings.other"), _other(context, record.other_baseline, signal_unit)))
    items.append((say("recordings.noise"), _noise(context, record.noise, unit)))
    return tuple(items)


def _other(context: Context, other: OtherBaselineRecord, unit: str) -> Content:
    baseline = other.baseline
    return context.say(
        "recordings.effect",
        kind=context.say.text(f"recordings.other_kind.{baseline.method}", degree=baseline.degree or 0),
        offset=numbers.quantity(numbers.with_uncertainty(other.offset, other.offset_error), unit),
        percent=numbers.percent(other.percent, 2),
        scatter=numbers.significant(other.scatter, 2, unit),
        uncertainty=numbers.significant(other.uncertainty, 2, unit),
    )


def _noise(context: Context, noise: NoiseRecord, unit: str) -> Content:
    if not noise.windows:
        return context.say("recordings.noise_neighbours")
    return context.say(
        "recordings.noise_line" if noise.degree == 1 else "recordings.noise_cubic",
        windows=_windows(noise.windows, unit),
        correlation=context.say.text(
            "recordings.correlated" if noise.correlated_over else "recordings.uncorrelated",
            lags=noise.correlated_over,
        ),
    )


def _maxima(context: Context, maxima: MaximaRecord, unit: str) -> Content:
    mean, lowest, highest = (
        numbers.significant(one, _DIGITS_OF_POSITION) for one in (maxima.mean, maxima.lowest, maxima.highest)
    )
    return context.say(
        "recordings.found",
        n=maxima.n,
        mean=numbers.quantity(mean, unit),
        extent=numbers.quantity(f"{lowest} {numbers.TO} {highest}", unit),
    )


def _way(settings: ReductionSettings) -> str:
    if settings.measure == "area":
        return "area"
    return "sought" if settings.at is None else "fixed"


def _windows(windows: Sequence[Sequence[float]], unit: str) -> str:
    ends = (numbers.span(low, high) for low, high in windows)
    return " and ".join(numbers.quantity(one, unit) for one in ends)


def _scatter(context: Context, record: RecordingsRecord, unit: str) -> Content:
    relative = record.repeatability_percent
    return context.say(
        "recordings.scatter" if relative is not None else "recordings.scatter_no_percent",
        n=record.n,
        noise=numbers.significant(record.noise_sd, 2, unit),
        error=numbers.significant(record.standard_error, 2, unit),
        repeatability=numbers.significant(record.repeatability, 2, unit),
        percent=numbers.percent(relative or 0.0, 2),
        clear=CLEAR,
    )


def _figure(
    context: Context, item: Item, record: RecordingsRecord, found: Sequence[Reduction], curve: Curve
) -> Figure:
    say = context.say
    drawn = curves_figure(
        [drawn_curve(context, one) for one in found],
        x=AxisText(curve.x_name or say.text(f"recordings.abscissa.{record.kind}"), curve.x_unit or ""),
        y=AxisText(say.text("recordings.ordinate"), curve.y_unit or signal_unit(item)),
        window=(record.settings.lower, record.settings.upper),
        at=record.settings.at,
        language=say.language,
    )
    return picture(context, item, "figure-recordings", "recordings.figure", drawn, count=len(found))


def drawn_curve(context: Context, one: Reduction) -> DrawnCurve:
    """The curve with its baseline, by the block that it goes into."""
    x, y = points_of(context.study, one.run)
    low, high = _shown(one)
    shown = (x >= low) & (x <= high)
    return DrawnCurve(
        group=context.say.text(f"design.block.{one.run.into}"),
        x=x,
        y=y,
        baseline_x=x[shown],
        baseline_y=one.result.baseline[shown],
        excluded=one.run.excluded is not None,
    )


def _shown(one: Reduction) -> tuple[float, float]:
    """Where the baseline is drawn: over the peak and the windows that carry it."""
    baseline = one.peak.baseline
    windows = [(one.peak.start, one.peak.end), *baseline.feet, *baseline.through]
    return min(window[0] for window in windows), max(window[1] for window in windows)


def _table(context: Context, item: Item, record: RecordingsRecord, x_unit: str) -> Table:
    """Every curve with its figures; short rows stand two beside each other, what they share above them."""
    say, unit = context.say, signal_unit(item)
    has_position = record.maxima is not None
    groups: dict[str, list[ReducedCurve]] = {}
    for one in record.curves:
        groups.setdefault(one.into, []).append(one)
    names = {
        id(one): curve_name(one, alone=_file(members) is None)
        for members in groups.values()
        for one in members
    }
    panels = 1 if max(map(len, names.values())) > _LONGEST_BESIDE or has_position else 2
    columns = tuple(
        column
        for panel in range(panels)
        for column in (
            Column(say.text("recordings.curve"), starts_panel=panel > 0),
            Column(say.text("recordings.level"), unit=item.analyte.unit, align="decimal"),
            *(
                [Column(say.text("recordings.position"), unit=x_unit, align="decimal")]
                if has_position
                else []
            ),
            Column(say.text("recordings.signal"), unit=unit, align="decimal"),
            Column(say.text("recordings.from_noise"), unit=unit, align="decimal"),
            Column(say.text("recordings.from_settings"), unit=unit, align="decimal"),
        )
    )
    rows: list[Row] = []
    for into, members in groups.items():
        heading = ", ".join(part for part in (say.text(f"design.block.{into}"), _file(members)) if part)
        rows.append(_filled([heading], len(columns), "group"))
        cells = [(_cells(one, names[id(one)], has_position), one.excluded) for one in members]
        counted = [found for found, excluded in cells if not excluded]
        for first in range(0, len(counted), panels):
            beside = [cell for found in counted[first : first + panels] for cell in found]
            rows.append(_filled(beside, len(columns), "plain"))
        rows.extend(_filled(found, len(columns), "struck") for found, excluded in cells if excluded)
    notes = [say.text("recordings.note")]
    if has_position:
        notes.insert(0, say.text("recordings.position_note"))
    if any(one.excluded for one in record.curves):
        notes.append(say.text("recordings.struck_note"))
    return Table(
        id=item.id("recordings-table"),
        caption=say("recordings.table", name=item.name),
        columns=columns,
        rows=tuple(rows),
        note=" ".join(notes),
        size="small",
    )


def _file(curves: Sequence[ReducedCurve]) -> str | None:
    """The file that all *curves* stand in, None where each has its own."""
    (first, *others) = {one.recording for one in curves}
    return None if others or any(one.column is None for one in curves) else first


def curve_name(one: ReducedCurve, *, alone: bool) -> str:
    """Its file or its column, both where it stands *alone* among curves of other files."""
    if one.column is None:
        return one.recording
    return f"{one.recording}, {one.column}" if alone else one.column


def _cells(one: ReducedCurve, name: str, has_position: bool) -> list[Content]:
    return [
        name,
        numbers.MISSING if one.level is None else numbers.as_given(one.level),
        *([numbers.significant(one.maximum, _DIGITS_OF_POSITION)] if has_position else []),
        numbers.value_only(one.signal, one.standard_error),
        numbers.significant(one.standard_error, 2),
        numbers.significant(one.settings_uncertainty, 2),
    ]


def _filled(cells: Sequence[Content], width: int, kind: Literal["plain", "struck", "group"]) -> Row:
    """The cells and empty ones after them."""
    return Row((*cells, *[""] * (width - len(cells))), kind)
