"""Caveats on the calibration as it was made: intercept, scatter, standards, order."""

from __future__ import annotations

from collections import Counter as Tally
from itertools import pairwise
from typing import TYPE_CHECKING, cast

import numpy as np

from validator import numbers
from validator.assessment.caveats.raising import Raised, Subject, Trigger
from validator.assessment.guidance_figures import level_errors
from validator.errors import NotEstimable
from validator.evaluation.results import NotAssessed, TestRecord
from validator.evaluation.rows import group_label, kept
from validator.guidance import Counter
from validator.statistics.distributions import t_two_sided_p
from validator.statistics.precision import single_series
from validator.statistics.regression import CalibrationFit, fit
from validator.statistics.residuals import influence

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from validator.evaluation.results import CalibrationRecord
    from validator.statistics.interval import Estimate
    from validator.statistics.regression import Model
    from validator.study.models.runs import Axis

SIGNIFICANCE = 0.05
OUTLIER = 0.01
"""Bonferroni-adjusted significance from which one reading is told (customary)."""
LOWEST_TOLERANCE, TOLERANCE = 20.0, 15.0
"""Back-calculation errors that are tolerated, percent (ICH M10:2022, 3.2.4; from memory)."""
RATIO_OF_SD = 3.0
"""Ratio of known standard deviations from which equal weights are wrong (customary)."""
NEGLIGIBLE_OF_LIMIT = 1 / 3
"""Share of the quantification limit below which a constant is negligible (customary)."""
NEGLIGIBLE_OF_LOWEST = 0.05
"""Share of the lowest standard below which it is, where no limit matters (customary)."""
FEWEST_TO_MIX = 3
"""Levels from which the order of measurement can be mixed."""
CARRIES_THE_LINE = 0.9
"""Leverage of one level from which the line hangs on it (customary; 1 is the whole line)."""
_LEVELS = (Counter.LEVELS, Counter.LEVELS_ABOVE_ZERO)


def calibration_series_differ(subject: Subject) -> Trigger:
    """Series that were pooled do not share a line."""
    found = None if subject.calibration is None else subject.calibration.series
    if found is None:
        return
    values = {"n": numbers.count(len(found.lines))}
    if found.slopes is not None and found.slopes.p < SIGNIFICANCE:
        values |= {
            "p": numbers.p_text(found.slopes.p),
            "rsd": numbers.significant(found.slope_rsd_percent, 2),
        }
        yield Raised(id="calibration_series_differ", case="slopes", values=values)
    elif found.intercepts is not None and found.intercepts.p < SIGNIFICANCE:
        unit = subject.analyte.signal_unit
        values |= {
            "p": numbers.p_text(found.intercepts.p),
            "sd": numbers.significant(found.intercept_sd, 2, unit),
        }
        yield Raised(id="calibration_series_differ", case="intercepts", values=values)


def intercept_differs_from_zero(subject: Subject) -> Trigger:
    """The intercept is significant, not negligible, and not what the blanks show."""
    line = subject.calibration
    if line is None or isinstance(line.intercept_test, NotAssessed) or line.intercept_test.p >= SIGNIFICANCE:
        return
    intercept, slope = line.intercept.value, line.slope.value
    if intercept is None or not slope or not _matters(subject, intercept / slope):
        return
    blank = blank_mean(subject)
    if blank is not None and _agree(intercept, line.intercept.standard_error, blank):
        return  # the blanks tell where the intercept comes from, and the line holds it
    values = {
        "concentration": numbers.significant(intercept / slope, 2),
        "unit": subject.analyte.unit,
        "t": numbers.significant(line.intercept_test.t),
        "p": numbers.p_text(line.intercept_test.p),
    }
    if blank is None:
        yield Raised(id="intercept_differs_from_zero", case="significant", values=values)
        return
    yield Raised(
        id="intercept_differs_from_zero",
        case="unlike_blanks",
        values={**values, "blank": numbers.significant(blank.value / slope, 2)},
    )


def _matters(subject: Subject, concentration: float) -> bool:
    """True when a constant of that size would be seen in a low result."""
    limit, lowest = subject.quantification_limit, subject.lowest_standard
    if limit is not None and limit.value > 0:
        return abs(concentration) > NEGLIGIBLE_OF_LIMIT * limit.value
    return lowest is None or abs(concentration) > NEGLIGIBLE_OF_LOWEST * lowest


def _agree(intercept: float, error: float | None, blank: Estimate) -> bool:
    spread = np.hypot(error or 0.0, blank.standard_error or 0.0)
    return bool(abs(intercept - blank.value) <= 2 * spread)


def calibration_outlier(subject: Subject) -> Trigger:
    """One reading lies off the function of all others by more than chance explains."""
    line = subject.calibration
    again = None if line is None else refitted(line, line.model)
    if again is None:
        return
    try:
        found = influence(again)
    except NotEstimable:
        return
    at = found.most_deviant
    p = float(found.bonferroni_p[at])
    if p >= OUTLIER:
        return
    rest = np.arange(again.n) != at
    shift = _slope_shift(again, rest)
    yield Raised(
        id="calibration_outlier",
        case="far_off",
        values={
            "level": subject.level(float(again.x[at])),
            "signal": numbers.quantity(numbers.as_given(float(again.y[at])), subject.analyte.signal_unit),
            "p": numbers.p_text(p),
        },
        effect=None if shift is None else 100 * shift / subject.allowed_bias,
    )


def _slope_shift(line: CalibrationFit, rest: NDArray[np.bool_]) -> float | None:
    """Relative change of the slope when only the points of *rest* are fitted."""
    try:
        without = fit(line.x[rest], line.y[rest], model=line.model, weights=line.weights[rest])
    except NotEstimable:
        return None
    return abs(without.slope.value / line.slope.value - 1) if line.slope.value else None


def line_forced_through_zero(subject: Subject) -> Trigger:
    """Through the origin although a free intercept, or the blank, says otherwise."""
    line = subject.calibration
    if line is None or line.model != "linear_through_origin" or not line.slope.value:
        return
    free = refitted(line, "linear")
    if free is not None and free.intercept.standard_error:
        t = free.intercept.value / free.intercept.standard_error
        p = t_two_sided_p(t, free.degrees_of_freedom)
        if p < SIGNIFICANCE and _matters(subject, free.intercept.value / line.slope.value):
            yield Raised(
                id="line_forced_through_zero",
                case="free_intercept",
                values={"t": numbers.significant(t), "p": numbers.p_text(p)},
            )
    blank = blank_mean(subject)
    if blank is None or blank.interval is None or 0.0 in blank.interval:
        return
    if _matters(subject, blank.value / line.slope.value):
        yield Raised(
            id="line_forced_through_zero",
            case="blank_mean",
            values={
                "blank": numbers.quantity(numbers.significant(blank.value, 2), subject.analyte.signal_unit),
                "concentration": subject.unit(blank.value / line.slope.value, 2),
            },
        )


def blank_mean(subject: Subject, axis: Axis = "signal") -> Estimate | None:
    """Mean of the blanks on one axis, as they were read."""
    runs = kept(subject.runs("blanks"))
    if any(getattr(run, "blank_correction", None) == "subtracted" for run in runs):
        return None
    on_axis = [value for value in subject.values("blanks") if getattr(value.run, "axis", "") == axis]
    try:
        return single_series([value.value for value in on_axis]).mean
    except NotEstimable:
        return None


def unequal_scatter_ignored(subject: Subject) -> Trigger:
    """No weights although a test of equal variances, or the standard deviations given, speak for them."""
    line = subject.calibration
    if line is None or line.weighting != "none":
        return
    named = (
        ("F test of the variances at the highest and lowest level", line.homoscedasticity.variance_ratio),
        ("Cochran", line.homoscedasticity.cochran),
        ("Brown–Forsythe", line.homoscedasticity.brown_forsythe),
    )
    tests = [(test.p, name) for name, test in named if isinstance(test, TestRecord) and test.p is not None]
    if tests:
        p, name = min(tests)
        if p < SIGNIFICANCE / len(tests):  # Bonferroni: three looks at the same scatter
            yield Raised(
                id="unequal_scatter_ignored",
                case="test",
                values={"test": name, "p": numbers.p_text(p)},
                characteristic="residual_pattern",
            )
            return
    given = [
        sd for run in kept(subject.runs("calibration")) if (sd := getattr(run, "signal_sd", None)) is not None
    ]
    if given and max(given) > RATIO_OF_SD * min(given):
        yield Raised(
            id="unequal_scatter_ignored",
            case="given",
            values={"ratio": numbers.significant(max(given) / min(given), 2, apart_from=(RATIO_OF_SD,))},
            characteristic="residual_pattern",
        )


def low_standards_misread(subject: Subject) -> Trigger:
    """Back-calculated level means off by more than 20 % at the lowest, 15 % elsewhere."""
    line = subject.calibration
    errors = level_errors(line) if line is not None else {}
    if not errors:
        return
    lowest = min(errors)
    worst = max(
        (level for level in errors if level != lowest), key=lambda level: abs(errors[level]), default=None
    )
    for level, case, tolerance in ((lowest, "lowest", LOWEST_TOLERANCE), (worst, "other", TOLERANCE)):
        if level is not None and abs(errors[level]) > tolerance:
            size = numbers.significant(abs(errors[level]), 2, apart_from=(tolerance,))
            yield Raised(
                id="low_standards_misread",
                case=case,
                values={
                    "error": f"{size} % too {'low' if errors[level] < 0 else 'high'}",
                    "level": numbers.as_given(level),
                    "unit": subject.analyte.unit,
                },
                effect=abs(errors[level]) / tolerance,
            )


def too_few_or_badly_spread_levels(subject: Subject) -> Trigger:
    """Fewer levels than a chosen profile asks; or one level carries the line."""
    line = subject.calibration
    if line is None:
        return
    short = [
        one
        for one in subject.demands
        if one.is_short and one.characteristic == "linearity" and one.counter in _LEVELS
    ]
    if short:
        demand = max(short, key=lambda one: float(one.strictest.required))
        where = " above zero" if demand.counter == Counter.LEVELS_ABOVE_ZERO else ""
        yield Raised(
            id="too_few_or_badly_spread_levels",
            case="few",
            values={
                "document": demand.strictest.source,
                "levels": f"{numbers.as_given(float(demand.provided or 0))} levels{where}",
                "required": numbers.as_given(float(demand.strictest.required)),
            },
        )
    leverages = _leverages(line)
    level = max(leverages, key=lambda one: leverages[one], default=None)
    if level is not None and leverages[level] > CARRIES_THE_LINE:
        yield Raised(
            id="too_few_or_badly_spread_levels",
            case="leverage",
            values={
                "level": numbers.as_given(level),
                "leverage": numbers.significant(leverages[level], 2),
                "unit": subject.analyte.unit,
            },
        )


def _leverages(line: CalibrationRecord) -> dict[float, float]:
    """Leverage of each level, its points together; weights answer for a wide spacing, so not with weights."""
    again = None if line.model == "quadratic" or line.weighting != "none" else refitted(line, line.model)
    summed: dict[float, float] = {}
    if again is not None:
        for x, leverage in zip(again.x.tolist(), again.leverage.tolist(), strict=True):
            summed[x] = summed.get(x, 0.0) + leverage
    return summed


def refitted(line: CalibrationRecord, model: str) -> CalibrationFit | None:
    """The points of *line* fitted by another function, with the same weights."""
    weights = np.array([point.weight for point in line.points])
    try:
        return fit(
            [point.level for point in line.points],
            [point.signal for point in line.points],
            model=cast("Model", model),
            weights=None if np.ptp(weights) == 0 else weights,
        )
    except NotEstimable:
        return None


def no_replicate_standards(subject: Subject) -> Trigger:
    """No level has more than one independent preparation."""
    line = subject.calibration
    if line is not None and line.n == line.levels:
        yield Raised(
            id="no_replicate_standards", case="single", values={"levels": numbers.count(line.levels)}
        )


def drift_with_run_order(subject: Subject) -> Trigger:
    """Residuals follow the order of measurement, or the order was never mixed."""
    line = subject.calibration
    if line is None:
        return
    test = line.durbin_watson
    # below 2 neighbours are alike; above, they alternate, which no drift does
    if isinstance(test, TestRecord) and test.p is not None and test.p < SIGNIFICANCE and test.statistic < 2:
        yield Raised(
            id="drift_with_run_order",
            case="drift",
            values={"test": "Durbin–Watson", "p": numbers.p_text(test.p)},
        )
    direction = _one_way(subject)
    if direction is not None:
        yield Raised(id="drift_with_run_order", case="one_way", values={"direction": direction})


def _one_way(subject: Subject) -> str | None:
    """``rising`` or ``falling`` where the levels of every series were measured in that order only."""
    series: dict[str | None, set[tuple[int, float]]] = {}
    for run in kept(subject.runs("calibration")):
        if run.order is None:
            return None
        series.setdefault(group_label(run), set()).add((run.order, float(getattr(run, "level", 0.0))))
    directions: set[str | None] = set()
    for members in series.values():
        levels = [level for _, level in sorted(members)]
        steps = [after - before for before, after in pairwise(levels)]
        if len(set(levels)) < FEWEST_TO_MIX or len({order for order, _ in members}) < len(members):
            return None
        rising, falling = all(step >= 0 for step in steps), all(step <= 0 for step in steps)
        directions.add("rising" if rising else "falling" if falling else None)
    return directions.pop() if len(directions) == 1 else None


BY_RULE = "auto"
BY_LEVEL = "1/s^2"
FEWEST = 10
"""Replicates of a level below which its variance is no weight (customary)."""


def weights_weakly_founded(subject: Subject) -> Trigger:
    """The rule chose the weights, with a test that could hardly see, or without the forms that grow."""
    line = subject.calibration
    if line is None or subject.choices.calibration.weighting != BY_RULE:
        return
    if line.n == line.levels:
        yield Raised(
            id="weights_weakly_founded",
            case="no_replicates",
            values={
                "test": line.weighting_path[0].test,
                "levels": numbers.count(line.levels),
                "weighting": _named(line),
            },
        )
    alike = _zero_points_alike(line)
    if alike and any(step.kind == "excluded" for step in line.weighting_path):
        yield Raised(
            id="weights_weakly_founded",
            case="zeros_alike",
            values={"zeros": numbers.count(alike), "weighting": _named(line)},
        )


def _named(line: CalibrationRecord) -> str:
    return "no weights" if line.weighting == "none" else f"the weights {line.weighting}"


def _zero_points_alike(line: CalibrationRecord) -> int:
    """Number of preparations at level 0 that all gave the same signal, else 0."""
    signals = [point.signal for point in line.points if point.level == 0]
    return len(signals) if len(signals) > 1 and len(set(signals)) == 1 else 0


def weights_from_few_replicates(subject: Subject) -> Trigger:
    """Each level is weighted by its own variance, and that comes from few replicates."""
    line = subject.calibration
    if line is None or line.weighting != BY_LEVEL or subject.choices.calibration.weighting != BY_LEVEL:
        return
    fewest = min(Tally(point.level for point in line.points).values())
    if fewest < FEWEST:
        yield Raised(id="weights_from_few_replicates", case="declared", values={"n": numbers.count(fewest)})


TRIGGERS = (
    calibration_series_differ,
    intercept_differs_from_zero,
    calibration_outlier,
    line_forced_through_zero,
    unequal_scatter_ignored,
    low_standards_misread,
    too_few_or_badly_spread_levels,
    no_replicate_standards,
    drift_with_run_order,
    weights_weakly_founded,
    weights_from_few_replicates,
)
