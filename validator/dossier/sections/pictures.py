"""From records to figures: what is drawn, its caption and what a reader who cannot see it must know."""

from __future__ import annotations

from functools import wraps
from typing import TYPE_CHECKING, Any, Concatenate, Literal, ParamSpec

import numpy as np

from validator import numbers
from validator.dossier import figures
from validator.dossier.document import Figure, FigurePair
from validator.dossier.figure_style import WIDTHS_MM
from validator.dossier.figures import AxisText, Measured
from validator.dossier.sections.context import Context, Item, percent_level, slope_unit
from validator.evaluation.results import (
    CalibrationRecord,
    DetectionRecord,
    EstimateRecord,
    InterferenceRecord,
    LimitValue,
    LimitVariant,
    NotAssessed,
    PrecisionRecord,
    RecoveryRecord,
)
from validator.statistics.detection import VARIANTS, resolve_detection, resolve_quantification
from validator.statistics.linearity import response_factors

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from matplotlib.figure import Figure as Drawing

    from validator.dossier.figure_style import Width
    from validator.dossier.inline import Content
    from validator.dossier.sections.context import Context, Item


Given = ParamSpec("Given")
HALF_MM = WIDTHS_MM["half"]


def not_of_many(
    draw: Callable[Concatenate[Context, Given], tuple[Any, ...]],
) -> Callable[Concatenate[Context, Given], tuple[Any, ...]]:
    """*draw* for few analytes; no picture where a dossier of many would hold hundreds."""

    @wraps(draw)
    def drawn(context: Context, /, *given: Given.args, **more: Given.kwargs) -> tuple[Any, ...]:
        return () if context.is_compact else draw(context, *given, **more)

    return drawn


def picture(
    context: Context,
    item: Item | None,
    id: str | tuple[str, ...],
    key: str,
    drawn: Drawing,
    *,
    width: Width = "text",
    **values: Content | int,
) -> Figure:
    """*drawn* with its caption under *key* and its alternative text under ``<key>_alt`` of the catalogue.

    Both may name *values* and, of an *item*, its name and level of confidence.
    """
    parts = (id,) if isinstance(id, str) else id
    if item is not None:
        values = {"name": item.name, "level": percent_level(item.record.confidence)} | values
    return Figure(
        id=item.id(*parts) if item is not None else "--".join(parts),
        svg=figures.to_svg(drawn),
        caption=context.say(key, **values),
        alternative_text=context.say.text(f"{key}_alt", **values),
        width_mm=WIDTHS_MM[width],
    )


def widths(count: int) -> tuple[Width, ...]:
    """Widths of *count* figures of one kind: in pairs, the odd last one over the whole text."""
    in_pairs: list[Width] = ["half"] * (count - count % 2)
    return (*in_pairs, "text") if count % 2 else tuple(in_pairs)


def paired(figures: Iterable[Figure]) -> tuple[Figure | FigurePair, ...]:
    """*figures* in order, neighbours of half the width side by side."""
    found: list[Figure | FigurePair] = []
    for figure in figures:
        before = found[-1] if found else None
        if isinstance(before, Figure) and before.width_mm == figure.width_mm == HALF_MM:
            found[-1] = FigurePair(before, figure)
        else:
            found.append(figure)
    return tuple(found)


CURVE_POINTS = 80
MOST_GROUPS_IN_HALF = 24
"""Groups of single results that half the width of a page shows apart."""
NARROW = 0.3
"""A lowest level above this share of the highest is a narrow range: the origin is not drawn."""


def measured(estimate: EstimateRecord | LimitValue | NotAssessed | None) -> Measured | None:
    """An estimate as a figure draws it."""
    if estimate is None or isinstance(estimate, NotAssessed) or estimate.value is None:
        return None
    lower, upper = estimate.ci or (None, None)
    return Measured(estimate.value, lower, upper)


def level_axis(context: Context, item: Item) -> AxisText:
    """Axis of levels."""
    return AxisText(context.say.text("pictures.level", analyte=item.analyte.name), item.analyte.unit)


def signal_axis(item: Item) -> AxisText:
    """Axis of signals."""
    unit = item.analyte.signal_unit
    return AxisText(item.analyte.signal, "" if unit == "1" else unit)


def calibration_line(item: Item, record: CalibrationRecord) -> figures.Line:
    """The recorded function with its bands: from zero, unless the levels lie narrowly about a target."""
    function = record.function_at(item.record.confidence)
    low, high = float(function.x.min()), float(function.x.max())
    start = 0.0 if low < NARROW * high else max(0.0, low - 0.1 * (high - low))
    grid = np.linspace(start, high, CURVE_POINTS)
    return figures.Line(
        x=grid,
        y=function.predict(grid),
        confidence=function.band(grid),
        prediction=function.band(grid, kind="prediction"),
        band_level=percent_level(item.record.confidence),
    )


def draw_calibration(
    context: Context, item: Item, record: CalibrationRecord, *, width: Width = "text"
) -> Drawing:
    """The calibration line with its bands, every preparation, the linear range."""
    found = record.linear_range
    excluded = [(one.level or 0.0, one.signal or 0.0) for one in record.excluded]
    return figures.calibration_figure(
        [point.level for point in record.points],
        [point.signal for point in record.points],
        calibration_line(item, record),
        x=level_axis(context, item),
        y=signal_axis(item),
        excluded=([one[0] for one in excluded], [one[1] for one in excluded]) if excluded else None,
        linear_range=None if isinstance(found, NotAssessed) else (found.lower, found.upper),
        width=width,
        language=context.say.language,
    )


def calibration_and_residuals(context: Context, item: Item, record: CalibrationRecord) -> Figure:
    """Both in one drawing: what stands with each of many analytes."""
    say = context.say
    drawn = figures.calibration_and_residuals_figure(
        [point.level for point in record.points],
        [point.signal for point in record.points],
        [point.standardised_residual or 0.0 for point in record.points],
        calibration_line(item, record),
        x=level_axis(context, item),
        y=signal_axis(item),
        language=say.language,
    )
    return picture(
        context, item, "figure-calibration", "overview.picture", drawn, n=record.n, levels=record.levels
    )


@not_of_many
def calibration_figures(
    context: Context, item: Item, record: CalibrationRecord
) -> tuple[Figure | FigurePair, ...]:
    """Line with bands, residuals; for the validated configuration response factors too."""
    response: list[Figure] = []
    if item.cell.configuration == context.study.validated_configuration:
        response = _response(context, item, record)
    width: Width = "text" if response else "half"
    return paired((_calibration(context, item, record, width), _residuals(context, item, record), *response))


def _calibration(context: Context, item: Item, record: CalibrationRecord, width: Width) -> Figure:
    return picture(
        context,
        item,
        "figure-calibration",
        "pictures.calibration",
        draw_calibration(context, item, record, width=width),
        width=width,
        n=record.n,
        levels=record.levels,
    )


def _residuals(context: Context, item: Item, record: CalibrationRecord) -> Figure:
    say = context.say
    drawn = figures.residual_figure(
        [point.level for point in record.points],
        [point.standardised_residual or 0.0 for point in record.points],
        x=level_axis(context, item),
        width="half",
        language=say.language,
    )
    return picture(context, item, "figure-residuals", "pictures.residuals", drawn, width="half")


def _response(context: Context, item: Item, record: CalibrationRecord) -> list[Figure]:
    say, slope = context.say, record.slope.value
    levels, factors = response_factors(
        np.array([point.level for point in record.points]),
        np.array([point.signal for point in record.points]),
        record.intercept.value or 0.0,
    )
    if record.model == "quadratic" or not slope or not levels.size:  # no constant response factor
        return []
    drawn = figures.response_factor_figure(
        levels,
        factors,
        slope,
        x=level_axis(context, item),
        y=AxisText(say.text("pictures.response_factor"), slope_unit(item)),
        width="half",
        language=say.language,
    )
    return [picture(context, item, "figure-response", "pictures.response", drawn, width="half")]


def deciding_ids(record: DetectionRecord) -> set[str]:
    """Registry ids of the variants that decide."""
    found = set()
    if not isinstance(record.detection_limit, NotAssessed):
        found.add(resolve_detection(record.detection_limit.variant).id)
    if not isinstance(record.quantification_limit, NotAssessed):
        found.add(resolve_quantification(record.quantification_limit.variant).id)
    return found


def draw_limits(context: Context, item: Item, record: DetectionRecord, *, width: Width = "text") -> Drawing:
    """Every variant that gives a limit, a row each, on a logarithmic axis."""
    declared = deciding_ids(record)
    rows = [
        figures.LimitRow(
            label=VARIANTS[name].title,
            critical_level=measured(one.critical_level),
            detection_limit=measured(one.detection_limit),
            quantification_limit=measured(one.quantification_limit),
            declared=name in declared,
        )
        for name, one in record.variants.items()
        if isinstance(one, LimitVariant)
    ]
    calibration = item.configuration.calibration
    above = (
        [] if isinstance(calibration, NotAssessed) else [p.level for p in calibration.points if p.level > 0]
    )
    return figures.limits_figure(
        rows,
        x=level_axis(context, item),
        lowest_calibrator=min(above, default=None),
        legal_limit=item.analyte.legal_limit,
        legal_label=context.say.text("pictures.legal_limit"),
        width=width,
        language=context.say.language,
    )


@not_of_many
def limits_figure(context: Context, item: Item, record: DetectionRecord) -> tuple[Figure, ...]:
    """All variants side by side on a logarithmic axis."""
    count = sum(isinstance(one, LimitVariant) for one in record.variants.values())
    return (
        picture(
            context, item, "figure-limits", "pictures.limits", draw_limits(context, item, record), count=count
        ),
    )


def level_label(item: Item, level: float | None) -> str:
    """A level with its unit."""
    return numbers.as_given(level, item.analyte.unit)


@not_of_many
def precision_figures(
    context: Context,
    item: Item,
    records: Sequence[PrecisionRecord],
    groups: Sequence[Sequence[Sequence[float]]],
) -> tuple[Figure | FigurePair, ...]:
    """Single results by group, and the components of precision by level."""
    say = context.say
    few = sum(len(one) for one in groups) <= MOST_GROUPS_IN_HALF
    width: Width = "half" if few and any(_has_components(record) for record in records) else "text"
    over_laboratories = any(record.factor == "laboratory" for record in records)
    groups_are: Literal["series", "laboratory"] = "laboratory" if over_laboratories else "series"
    result = []
    shown = [
        figures.PrecisionLevel(
            label=level_label(item, record.level),
            mean=record.mean.value,
            series=tuple(np.array(one) for one in series),
        )
        for record, series in zip(records, groups, strict=True)
        if record.mean.value
    ]
    if shown:
        result.append(
            picture(
                context,
                item,
                "figure-precision",
                f"pictures.precision_{groups_are}",
                figures.precision_figure(shown, groups=groups_are, width=width, language=say.language),
                width=width,
                levels=len(shown),
            )
        )
    parts = [
        figures.PrecisionComponents(
            label=level_label(item, record.level),
            repeatability=measured(record.repeatability_rsd),
            between=_relative(record),
            intermediate=measured(record.intermediate_rsd),
            reproducibility=measured(record.reproducibility_rsd),
        )
        for record in records
    ]
    if any(_has_components(record) for record in records):
        result.append(
            picture(
                context,
                item,
                "figure-components",
                "pictures.components",
                figures.precision_components_figure(
                    parts, groups=groups_are, width=width, language=say.language
                ),
                width=width,
            )
        )
    return paired(result)


def _has_components(record: PrecisionRecord) -> bool:
    return any(
        measured(one)
        for one in (record.repeatability_rsd, record.intermediate_rsd, record.reproducibility_rsd)
    )


def _relative(record: PrecisionRecord) -> Measured | None:
    between, mean = record.between_sd, record.mean.value
    if isinstance(between, NotAssessed) or between.value is None or not mean or mean <= 0:
        return None
    factor = 100 / mean
    lower, upper = between.ci or (None, None)
    return Measured(
        between.value * factor,
        None if lower is None else lower * factor,
        None if upper is None else upper * factor,
    )


def draw_recovery(
    context: Context,
    item: Item,
    records: Sequence[RecoveryRecord],
    acceptance: tuple[float, float] | None,
    *,
    width: Width = "text",
) -> Drawing | None:
    """Single recoveries, mean and interval by level; None where there is no mean."""
    rows = [
        figures.RecoveryLevel(
            label=recovery_label(context, item, record),
            values=np.array(record.values),
            mean=mean,
            acceptance=acceptance,
        )
        for record in records
        if (mean := measured(record.mean_recovery)) is not None
    ]
    if not rows:
        return None
    level = percent_level(item.record.confidence)
    return figures.recovery_figure(rows, interval_level=level, width=width, language=context.say.language)


@not_of_many
def recovery_figure(
    context: Context,
    item: Item,
    records: Sequence[RecoveryRecord],
    acceptance: tuple[float, float] | None,
) -> tuple[Figure, ...]:
    """Single recoveries, mean and interval by level."""
    drawn = draw_recovery(context, item, records, acceptance)
    if drawn is None:
        return ()
    count = sum(record.mean_recovery.value is not None for record in records)
    return (picture(context, item, "figure-recovery", "pictures.recovery", drawn, count=count),)


def recovery_label(context: Context, item: Item, record: RecoveryRecord) -> str:
    """Kind, level and matrix of a recovery."""
    kind = context.say.text(f"trueness.kind.{record.kind}")
    matrix = f", {record.matrix}" if record.matrix else ""
    return f"{kind} {level_label(item, record.level)}{matrix}"


def draw_interference(
    context: Context,
    item: Item,
    records: Sequence[InterferenceRecord],
    limit: float,
    *,
    width: Width = "text",
) -> Drawing | None:
    """Relative change per interferent and ratio against the limit; None where there is no change."""
    rows = [
        figures.InterferenceRow(label=interferent_label(record), change=change, side=_side(record))
        for record in records
        if (change := _change(record)) is not None
    ]
    if not rows:
        return None
    return figures.interference_figure(
        rows,
        limit_percent=limit,
        interval_level=percent_level(item.record.confidence),
        width=width,
        language=context.say.language,
    )


@not_of_many
def interference_figure(
    context: Context, item: Item, records: Sequence[InterferenceRecord], limit: float
) -> tuple[Figure, ...]:
    """Relative change per interferent and ratio against the limit."""
    drawn = draw_interference(context, item, records, limit)
    if drawn is None:
        return ()
    count = sum(_change(record) is not None for record in records)
    return (
        picture(
            context,
            item,
            "figure-interference",
            "pictures.interference",
            drawn,
            limit=numbers.percent(limit, 2),
            count=count,
        ),
    )


def _change(record: InterferenceRecord) -> Measured | None:
    if record.relative_change_percent is None:
        return None
    lower, upper = record.ci or (None, None)
    return Measured(record.relative_change_percent, lower, upper)


def _side(record: InterferenceRecord) -> figures.rows.Side:
    match record.interferes_guarded:
        case "no":
            return "inside"
        case "yes":
            return "outside"
        case _:
            return "undecided"


def amount_text(record: InterferenceRecord) -> str:
    """How much interferent: a ratio or a level."""
    if record.ratio is not None:
        return f"{numbers.as_given(record.ratio)}:1"
    return numbers.as_given(record.interferent_level, record.interferent_unit or "")


def interferent_label(record: InterferenceRecord) -> str:
    """Interferent and amount."""
    return f"{record.interferent} {amount_text(record)}"
