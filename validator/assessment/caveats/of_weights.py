"""Caveats on the weights of the calibration: how they were chosen, and what they change."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

from validator.assessment.caveats.raising import Raised, Subject, Trigger
from validator.dossier import numbers
from validator.errors import NotEstimable
from validator.evaluation.results import LimitVariant
from validator.statistics.detection import VARIANTS
from validator.statistics.regression import fit

if TYPE_CHECKING:
    from validator.evaluation.results import CalibrationRecord
    from validator.statistics.regression import Model

MISLEADING = 2.0
"""Ratio of the limits by an unweighted and a weighted line from which it is told (customary)."""
RESIDUAL = "residual_3.3"
BY_RULE = "auto"


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


def unweighted_limits_mislead(subject: Subject) -> Trigger:
    """The limit from unweighted residuals is more than twice the weighted one."""
    line, detection = subject.calibration, subject.detection
    variant = detection.variants.get(RESIDUAL) if detection is not None else None
    if line is None or line.weighting == "none" or not isinstance(variant, LimitVariant):
        return
    weighted, unweighted = variant.detection_limit, _unweighted(line)
    if weighted is None or unweighted is None or not subject.limits_are_claimed:
        return
    if unweighted > MISLEADING * weighted.value > 0:
        yield Raised(
            id="unweighted_limits_mislead",
            case="proportional",
            values={
                "unweighted": numbers.limit(unweighted),
                "weighted": numbers.limit(weighted.value),
                "unit": subject.analyte.unit,
                "variant": VARIANTS[RESIDUAL].title,
                "factor": numbers.significant(unweighted / weighted.value, 2, apart_from=(MISLEADING,)),
            },
        )


def _unweighted(line: CalibrationRecord) -> float | None:
    """The limit 3.3 s/b of the same points without weights."""
    try:
        ordinary = fit(
            [point.level for point in line.points],
            [point.signal for point in line.points],
            model=cast("Model", line.model),
        )
    except NotEstimable:
        return None
    slope = ordinary.slope.value
    return 3.3 * ordinary.residual_standard_deviation / abs(slope) if slope else None


TRIGGERS = (weights_weakly_founded, unweighted_limits_mislead)
