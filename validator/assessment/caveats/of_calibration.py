"""Caveats that the calibration raises."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from validator.assessment.caveats.raising import Raised, Subject, Trigger, p_text
from validator.assessment.guidance_figures import level_errors
from validator.dossier import numbers
from validator.errors import NotEstimable
from validator.evaluation.results import CalibrationRecord, LimitVariant, NotAssessed
from validator.statistics.detection import VARIANTS
from validator.statistics.distributions import t_two_sided_p
from validator.statistics.regression import CalibrationFit, Model, fit

if TYPE_CHECKING:
    from validator.statistics.interval import Estimate

LOWEST_TOLERANCE, TOLERANCE = 20.0, 15.0
CURVED_R_SQUARED = 0.99
RATIO_OF_SD = 3.0
MISLEADING = 2.0
RESIDUAL = "residual_3.3"


def _significant(test: object, alpha: float) -> float | None:
    p = None if isinstance(test, NotAssessed) else getattr(test, "p", None)
    return p if p is not None and p < alpha else None


def correlation_offered_as_linearity(subject: Subject) -> Trigger:
    """A high r squared beside a misfit; or correlation as the only criterion."""
    line = subject.calibration
    if line is None:
        return
    named = (
        ("lack of fit", line.lack_of_fit),
        ("Mandel's test", line.quadratic_test),
        ("the runs test", line.runs_test),
    )
    for name, test in named:
        p = _significant(test, 0.05)
        if p is not None and line.r_squared >= CURVED_R_SQUARED:
            yield Raised(
                id="correlation_offered_as_linearity",
                case="curved_all_the_same",
                values={
                    "p": p_text(p),
                    "r_squared": numbers.value_only(line.r_squared, 1 - line.r_squared),
                    "test": name,
                },
            )
            break
    own = [
        one
        for one in subject.study.criteria
        if one.characteristic in ("linearity", "lack_of_fit", "residual_pattern")
        and one.analyte in (None, subject.cell.analyte)
    ]
    if own and all(one.min is not None and one.p_min is None for one in own):
        yield Raised(
            id="correlation_offered_as_linearity",
            case="only_criterion",
            values={"criterion": f"a correlation coefficient of at least {own[0].min:g}"},
        )


def intercept_differs_from_zero(subject: Subject) -> Trigger:
    """The intercept test is significant at 5 %."""
    line = subject.calibration
    if line is None or isinstance(line.intercept_test, NotAssessed) or line.intercept_test.p >= 0.05:
        return
    intercept, slope = line.intercept.value, line.slope.value
    if intercept is None or not slope:
        return
    yield Raised(
        id="intercept_differs_from_zero",
        case="significant",
        values={
            "concentration": numbers.significant(intercept / slope, 2),
            "unit": subject.analyte.unit,
            "t": numbers.significant(line.intercept_test.t),
            "p": p_text(line.intercept_test.p),
        },
    )


def line_forced_through_zero(subject: Subject) -> Trigger:
    """Through the origin although a free intercept, or the blank, says otherwise."""
    line = subject.calibration
    if line is None or line.model != "linear_through_origin":
        return
    free = _weighted(line, "linear")
    if free is not None:
        error = free.intercept.standard_error or 0.0
        if error > 0:
            t = free.intercept.value / error
            p = t_two_sided_p(t, free.degrees_of_freedom)
            if p < 0.05:
                yield Raised(
                    id="line_forced_through_zero",
                    case="free_intercept",
                    values={"t": numbers.significant(t), "p": p_text(p)},
                )
    blanks = [value.value for value in subject.values("blanks") if getattr(value.run, "axis", "") == "signal"]
    mean = _mean(blanks)
    if mean is not None and mean.interval is not None and 0.0 not in mean.interval:
        yield Raised(
            id="line_forced_through_zero",
            case="blank_mean",
            values={
                "blank": numbers.significant(mean.value, 2),
                "signal_unit": subject.analyte.signal_unit,
            },
        )


def _mean(values: list[float]) -> Estimate | None:
    from validator.statistics.precision import single_series

    try:
        return single_series(values).mean
    except NotEstimable:
        return None


def unequal_scatter_ignored(subject: Subject) -> Trigger:
    """No weights although a test of equal variances is significant, or sd's differ threefold."""
    line = subject.calibration
    if line is None or line.weighting != "none":
        return
    tests = (
        ("F of highest against lowest level", line.homoscedasticity.variance_ratio),
        ("Cochran", line.homoscedasticity.cochran),
        ("Brown–Forsythe", line.homoscedasticity.brown_forsythe),
    )
    for name, test in tests:
        p = _significant(test, 0.05)
        if p is not None:
            yield Raised(
                id="unequal_scatter_ignored",
                case="test",
                values={"test": name, "p": p_text(p)},
                characteristic="residual_pattern",
            )
            return
    if not all(isinstance(test, NotAssessed) for _, test in tests):
        return  # a test says more than a bare ratio, which three replicates make large by chance
    by_level: dict[float, list[float]] = {}
    for point in line.points:
        by_level.setdefault(point.level, []).append(point.signal)
    sds = [float(np.std(some, ddof=1)) for some in by_level.values() if len(some) >= 3]
    if len(sds) > 1 and min(sds) > 0 and max(sds) / min(sds) > RATIO_OF_SD:
        yield Raised(
            id="unequal_scatter_ignored",
            case="ratio",
            values={"ratio": numbers.significant(max(sds) / min(sds), 2)},
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
            yield Raised(
                id="low_standards_misread",
                case=case,
                values={
                    "error": numbers.significant(abs(errors[level]), 2),
                    "level": numbers.as_given(level),
                    "unit": subject.analyte.unit,
                },
            )


def too_few_or_badly_spread_levels(subject: Subject) -> Trigger:
    """Fewer levels than a chosen profile asks; or one level carries the line."""
    line = subject.calibration
    if line is None:
        return
    for one in subject.design:
        if (
            one.characteristic == "linearity"
            and one.analyte == subject.cell.analyte
            and one.requirement.endswith(": levels (required)")
            and one.outcome == "does not meet"
        ):
            yield Raised(
                id="too_few_or_badly_spread_levels",
                case="few",
                values={
                    "document": one.source,
                    "levels": numbers.count(line.levels),
                    "required": numbers.as_given(float(one.required)),
                },
            )
            break
    leverages = _leverages(line)
    parameters = line.n - line.degrees_of_freedom
    if leverages and max(leverages.values()) > 3 * parameters / line.n:
        level = max(leverages, key=lambda one: leverages[one])
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
    again = None if line.model == "quadratic" else _weighted(line, line.model)  # type: ignore[arg-type]
    return {} if again is None else dict(zip(again.x.tolist(), again.leverage.tolist(), strict=True))


def no_replicate_standards(subject: Subject) -> Trigger:
    """No level has more than one independent preparation."""
    line = subject.calibration
    if line is not None and line.n == line.levels:
        yield Raised(
            id="no_replicate_standards", case="single", values={"levels": numbers.count(line.levels)}
        )


def calibration_curve_bends(subject: Subject) -> Trigger:
    """Mandel significant at 1 %, or lack of fit at 5 %."""
    line = subject.calibration
    if line is None or line.model == "quadratic":
        return
    for case, test, alpha in (
        ("mandel", line.quadratic_test, 0.01),
        ("lack_of_fit", line.lack_of_fit, 0.05),
    ):
        if not isinstance(test, NotAssessed) and test.p < alpha:
            yield Raised(
                id="calibration_curve_bends",
                case=case,
                values={"f": numbers.significant(test.f), "p": p_text(test.p)},
                characteristic="linearity" if case == "mandel" else "lack_of_fit",
            )


def misfit_significant_but_small(subject: Subject) -> Trigger:
    """Lack of fit significant while every level is read back within its limit."""
    line = subject.calibration
    if line is None or isinstance(line.lack_of_fit, NotAssessed) or line.lack_of_fit.p >= 0.05:
        return
    errors = level_errors(line)
    if errors and max(abs(error) for error in errors.values()) <= TOLERANCE:
        yield Raised(
            id="misfit_significant_but_small",
            case="small",
            values={
                "p": p_text(line.lack_of_fit.p),
                "error": numbers.significant(max(abs(error) for error in errors.values()), 2),
                "limit": numbers.as_given(TOLERANCE),
            },
        )


def linear_parts_chosen_afterwards(subject: Subject) -> Trigger:
    """The linear range was found by dropping levels."""
    line = subject.calibration
    if line is None or isinstance(line.linear_range, NotAssessed):
        return
    found = line.linear_range
    levels = sorted({point.level for point in line.points})
    kept = [level for level in levels if found.lower <= level <= found.upper]
    if len(kept) < len(levels):
        yield Raised(
            id="linear_parts_chosen_afterwards",
            case="searched",
            values={
                "dropped": numbers.count(len(levels) - len(kept)),
                "levels": numbers.count(len(levels)),
            },
        )


def drift_with_run_order(subject: Subject) -> Trigger:
    """Residuals follow the order of measurement, or the order was never mixed."""
    line = subject.calibration
    if line is None:
        return
    p = _significant(line.durbin_watson, 0.05)
    if p is not None:
        yield Raised(
            id="drift_with_run_order",
            case="drift",
            values={"test": "Durbin–Watson", "p": p_text(p)},
        )
    ordered = [
        (value.run.order, getattr(value.run, "level", 0.0))
        for value in subject.values("calibration")
        if value.run.order is not None
    ]
    if len(ordered) == line.n and len({order for order, _ in ordered}) == line.n:
        levels = [level for _, level in sorted(ordered)]
        if levels == sorted(levels):
            yield Raised(id="drift_with_run_order", case="rising_order")


def unweighted_limits_mislead(subject: Subject) -> Trigger:
    """The limit from unweighted residuals is more than twice the weighted one."""
    line = subject.calibration
    detection = subject.detection
    variant = detection.variants.get(RESIDUAL) if detection is not None else None
    if line is None or line.weighting == "none" or not isinstance(variant, LimitVariant):
        return
    weighted = variant.detection_limit
    ordinary = _ordinary(line)
    if weighted is None or ordinary is None or not ordinary.slope.value:
        return
    unweighted = 3.3 * ordinary.residual_standard_deviation / abs(ordinary.slope.value)
    if unweighted > MISLEADING * weighted.value > 0:
        yield Raised(
            id="unweighted_limits_mislead",
            case="proportional",
            values={
                "unweighted": numbers.limit(unweighted),
                "weighted": numbers.limit(weighted.value),
                "unit": subject.analyte.unit,
                "variant": VARIANTS[RESIDUAL].title,
                "factor": numbers.significant(unweighted / weighted.value, 2),
            },
        )


def _ordinary(line: CalibrationRecord, model: Model | None = None) -> CalibrationFit | None:
    try:
        return fit(
            [point.level for point in line.points],
            [point.signal for point in line.points],
            model=model or line.model,  # type: ignore[arg-type]
        )
    except NotEstimable:
        return None


def second_order_describes_better(subject: Subject) -> Trigger:
    """Mandel's test is significant: what a second-order function would change."""
    line = subject.calibration
    if line is None or line.alternative_quadratic is None or not line.slope.value:
        return
    straight, curve = _weighted(line, "linear"), _weighted(line, "quadratic")
    if straight is None or curve is None:
        return
    levels = np.unique(straight.x[straight.x > 0])
    read = (curve.predict(levels) - straight.intercept.value) / straight.slope.value
    errors = 100 * (read / levels - 1)
    worst = int(np.abs(errors).argmax())
    yield Raised(
        id="second_order_describes_better",
        case="offered",
        values={
            "line": numbers.significant(line.residual_standard_deviation, 2),
            "curve": numbers.quantity(
                numbers.significant(line.alternative_quadratic.residual_standard_deviation, 2),
                subject.analyte.signal_unit,
            ),
            "level": numbers.as_given(float(levels[worst])),
            "unit": subject.analyte.unit,
            "difference": numbers.significant(float(errors[worst]), 2),
        },
    )


def _weighted(line: CalibrationRecord, model: Model) -> CalibrationFit | None:
    weights = np.array([point.weight for point in line.points])
    try:
        return fit(
            [point.level for point in line.points],
            [point.signal for point in line.points],
            model=model,
            weights=None if np.ptp(weights) == 0 else weights,
        )
    except NotEstimable:
        return None


TRIGGERS = (
    correlation_offered_as_linearity,
    intercept_differs_from_zero,
    line_forced_through_zero,
    unequal_scatter_ignored,
    low_standards_misread,
    too_few_or_badly_spread_levels,
    no_replicate_standards,
    calibration_curve_bends,
    misfit_significant_but_small,
    linear_parts_chosen_afterwards,
    drift_with_run_order,
    unweighted_limits_mislead,
    second_order_describes_better,
)
