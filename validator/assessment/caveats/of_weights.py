"""Caveats on the weights of the calibration: how they were chosen, and what they change."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from validator import numbers
from validator.assessment.caveats.raising import Raised, Subject, Trigger

if TYPE_CHECKING:
    from validator.evaluation.results import CalibrationRecord

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
    fewest = min(Counter(point.level for point in line.points).values())
    if fewest < FEWEST:
        yield Raised(id="weights_from_few_replicates", case="declared", values={"n": numbers.count(fewest)})


TRIGGERS = (weights_weakly_founded, weights_from_few_replicates)
