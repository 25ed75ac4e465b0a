"""Caveats on the shape of the calibration: bends, misfits, ranges."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from validator import numbers
from validator.assessment.caveats.of_calibration import refitted
from validator.assessment.caveats.raising import Raised, Subject, Trigger
from validator.assessment.guidance_figures import level_errors
from validator.evaluation.results import FTest, NotAssessed, RunsTest

if TYPE_CHECKING:
    from validator.evaluation.results import CalibrationRecord

SIGNIFICANCE, BEND_SIGNIFICANCE = 0.05, 0.01
CURVED_R_SQUARED = 0.99
"""A coefficient that is often called proof of linearity (customary)."""
SMALL_SHARE = 1 / 3
"""Share of what the recovery may be off below which a misfit is small (customary)."""
SMALL_ERROR = 5.0
"""The same in percent, where no limit of the recovery is stated (customary)."""
NEAR_ENOUGH = 0.2
"""Relative distance within which a level counts as tested (customary)."""


def correlation_offered_as_linearity(subject: Subject) -> Trigger:
    """A high r squared beside a misfit; or correlation as the only criterion."""
    line = subject.calibration
    if line is None:
        return
    named = (
        ("the lack-of-fit test", line.lack_of_fit),
        ("Mandel's test", line.quadratic_test),
        ("the runs test", line.runs_test),
    )
    misfits = [
        (test.p, name) for name, test in named if isinstance(test, FTest | RunsTest) and test.p < SIGNIFICANCE
    ]
    if misfits and line.r_squared >= CURVED_R_SQUARED and not _misfit_is_small(subject, line):
        p, name = min(misfits)
        yield Raised(
            id="correlation_offered_as_linearity",
            case="curved_all_the_same",
            values={
                "p": numbers.p_text(p),
                "r_squared": numbers.value_only(line.r_squared, 1 - line.r_squared),
                "test": name,
            },
        )
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
            values={"criterion": f"a correlation coefficient of at least {numbers.as_given(own[0].min)}"},
        )


def calibration_curve_bends(subject: Subject) -> Trigger:
    """Mandel significant at 1 %, else lack of fit at 5 %, and the misfit is not small."""
    line = subject.calibration
    if line is None or line.model == "quadratic" or _misfit_is_small(subject, line):
        return
    for case, test, alpha, characteristic in (
        ("mandel", line.quadratic_test, BEND_SIGNIFICANCE, "linearity"),
        ("lack_of_fit", line.lack_of_fit, SIGNIFICANCE, "lack_of_fit"),
    ):
        if isinstance(test, FTest) and test.p < alpha:
            yield Raised(
                id="calibration_curve_bends",
                case=case,
                values={"f": numbers.significant(test.f), "p": numbers.p_text(test.p)},
                characteristic=characteristic,
                effect=(_largest_error(line) or 0.0) / subject.allowed_bias,
            )
            return  # the second test would say the same of the same bend


def misfit_significant_but_small(subject: Subject) -> Trigger:
    """Lack of fit significant while every level is read back well inside what the use allows."""
    line = subject.calibration
    if line is None or isinstance(line.lack_of_fit, NotAssessed) or line.lack_of_fit.p >= SIGNIFICANCE:
        return
    if _misfit_is_small(subject, line):
        allowed = _small(subject)
        yield Raised(
            id="misfit_significant_but_small",
            case="small",
            values={
                "p": numbers.p_text(line.lack_of_fit.p),
                "error": numbers.significant(_largest_error(line), 2, apart_from=(allowed,)),
                "limit": numbers.significant(allowed, 2),
            },
        )


def _misfit_is_small(subject: Subject, line: CalibrationRecord) -> bool:
    error = _largest_error(line)
    return error is not None and error <= _small(subject)


def _largest_error(line: CalibrationRecord) -> float | None:
    """Largest absolute error of a level mean read back, percent."""
    return max((abs(error) for error in level_errors(line).values()), default=None)


def _small(subject: Subject) -> float:
    """Error of a level mean, in percent, that the use would not notice."""
    limits = subject.recovery_limits
    if limits is None:
        return SMALL_ERROR
    return SMALL_SHARE * min(abs(100 - limits[0]), abs(limits[1] - 100))


def second_order_describes_better(subject: Subject) -> Trigger:
    """Mandel's test is significant: what a second-order function would change."""
    line = subject.calibration
    if line is None or line.alternative_quadratic is None or not line.slope.value:
        return
    straight, curve = refitted(line, "linear"), refitted(line, "quadratic")
    if straight is None or curve is None:
        return
    levels = np.unique(straight.x[straight.x > 0])
    read = (curve.predict(levels) - straight.intercept.value) / straight.slope.value
    errors = 100 * (read / levels - 1)
    worst = int(np.abs(errors).argmax())
    yield Raised(
        id="second_order_describes_better",
        case="slightly" if abs(float(errors[worst])) <= _small(subject) else "offered",
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
        effect=abs(float(errors[worst])) / subject.allowed_bias,
    )


def linear_parts_chosen_afterwards(subject: Subject) -> Trigger:
    """The linear range was found by dropping levels."""
    line = subject.calibration
    if line is None or isinstance(line.linear_range, NotAssessed):
        return
    found = line.linear_range
    levels = sorted({point.level for point in line.points})
    dropped = [level for level in levels if not found.lower <= level <= found.upper]
    if dropped:
        yield Raised(
            id="linear_parts_chosen_afterwards",
            case="searched",
            values={
                "dropped": numbers.count(len(dropped)),
                "levels": numbers.count(len(levels)),
            },
        )


def range_wider_than_tested(subject: Subject) -> Trigger:
    """A claimed end of the range lies beyond every level at which results were tested."""
    tested = [
        *(record.level for record in subject.recovery if record.n > 0),
        *(record.level for record in subject.precision if record.level),
    ]
    lower, upper = _claimed(subject)
    if not tested:
        return
    ends = (
        ("lower_end", lower, min(tested), lower is not None and lower < min(tested) * (1 - NEAR_ENOUGH)),
        ("upper_end", upper, max(tested), upper is not None and upper > max(tested) * (1 + NEAR_ENOUGH)),
    )
    for case, claimed, end, is_beyond in ends:
        if is_beyond:
            yield Raised(
                id="range_wider_than_tested",
                case=case,
                values={
                    "claimed": numbers.as_given(claimed),
                    "tested": numbers.as_given(end),
                    "unit": subject.analyte.unit,
                },
            )


def _claimed(subject: Subject) -> tuple[float | None, float | None]:
    """Ends of the range that the study says it works over: its criterion, else its target levels."""
    lower = upper = None
    for one in subject.study.criteria:
        if one.characteristic == "working_range" and one.analyte in (None, subject.cell.analyte):
            lower, upper = one.min, one.max
    targets = subject.analyte.target_levels
    if lower is None and upper is None and targets:
        return min(targets), max(targets)
    return lower, upper


TRIGGERS = (
    correlation_offered_as_linearity,
    calibration_curve_bends,
    misfit_significant_but_small,
    second_order_describes_better,
    linear_parts_chosen_afterwards,
    range_wider_than_tested,
)
