"""Stops on data that cannot be what they are said to be: far from their level, or without a slope."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct

from validator import numbers
from validator.assessment.caveats.of_calibration import refitted
from validator.assessment.caveats.raising import Raised, Subject, Trigger, listed
from validator.errors import NotEstimable
from validator.evaluation.concentrations import SignalReader
from validator.evaluation.rows import independent_values, kept
from validator.study.models.trueness import RecoveryRun

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from validator.study.models.runs import Run

_OF_PRECISION = (
    "intermediate_precision",
    "reproducibility",
    "accuracy_profile",
    "uncertainty",
    "working_range",
)
_OF_BLOCK = {
    "precision": ("repeatability", *_OF_PRECISION),
    "recovery": ("recovery", "trueness", "accuracy_profile", "uncertainty", "working_range"),
    "low_level": ("detection_limit", "quantification_limit"),
}
"""Blocks with declared levels, and what is concluded from them, the usual first."""
_OF_CALIBRATION = (
    *("linearity", "lack_of_fit", "residual_pattern", "working_range", "detection_limit"),
    *("quantification_limit", "matrix_effect"),
)
"""What is concluded from the calibration itself."""
_READ_FROM_IT = {
    **_OF_BLOCK,
    "interference": ("interference", "selectivity"),
    "stability": ("stability",),
    "standard_addition": ("trueness",),
}
"""Blocks that may be written as signals, and what is concluded from their results."""


class _Level(Struct, frozen=True):
    """One declared level with the results that lie too far from it; ``middle`` is the median of all."""

    level: float
    far: tuple[float, ...]
    n: int
    middle: float

    @property
    def ratio(self) -> float:
        """The largest distance as a factor; without end for a result at or below zero."""
        return _distance(self.worst, self.level)

    @property
    def worst(self) -> float:
        """The result that lies furthest away."""
        return max(self.far, key=lambda one: _distance(one, self.level))


def _distance(found: float, level: float) -> float:
    """How far a result lies from its level, as a factor; without end at or below zero."""
    return max(level / found, found / level) if found > 0 else math.inf


def level_not_plausible(subject: Subject) -> Trigger:
    """Results further from the declared level than the factor allows, above the quantification limit.

    Where the median of a level is, the level or the unit is wrong, and nothing is shown, not even a failure.
    Where single results are, they are slips, or the method scatters that much: a failure remains one.
    """
    factor = subject.choices.defaults.slip_factor
    limit = subject.quantification_limit
    least = limit.value if limit is not None else 0.0
    for block in _OF_BLOCK:
        found = [one for one in _levels(subject, block, factor) if one.level > least]
        displaced = [one for one in found if _distance(one.middle, one.level) > factor]
        single = [one for one in found if one not in displaced]
        for name, far in (("level_not_plausible", displaced), ("single_results_not_plausible", single)):
            if far:
                yield _implausible(subject, name, block, far)


def _implausible(subject: Subject, name: str, block: str, far: Sequence[_Level]) -> Raised:
    usual, *others = _OF_BLOCK[block]
    worst = max(far, key=lambda one: one.ratio)
    return Raised(
        id=name,
        case="far_from_level",
        values={
            "block": block.replace("_", " "),
            "levels": listed([subject.level(one.level) for one in far]),
            "count": numbers.count(sum(len(one.far) for one in far)),
            "n": numbers.count(sum(one.n for one in far)),
            "found": subject.unit(worst.worst),
            "factor": numbers.as_given(subject.choices.defaults.slip_factor),
        },
        characteristic=usual,
        bars=tuple(others),
        effect=worst.ratio,
    )


def _levels(subject: Subject, block: str, factor: float) -> Iterator[_Level]:
    """The levels of *block* from which results lie further than *factor*."""
    reader = _reader(subject)
    by_level: dict[float, list[Run]] = {}
    for run in kept(subject.runs(block)):
        if getattr(run, "level_confirmed", None) or getattr(run, "level_is", "content") == "label":
            continue
        by_level.setdefault(_content(run), []).append(run)
    for level, runs in by_level.items():
        found = _found(reader, runs)
        far = tuple(one for one in found if _distance(one, level) > factor) if level > 0 else ()
        if far:
            yield _Level(level, far, len(found), float(np.median(found)))


def _content(run: Run) -> float:
    """The content that the results should show: of a spike the native one with it."""
    return run.content if isinstance(run, RecoveryRun) else float(getattr(run, "level", 0.0))


def _found(reader: SignalReader, runs: Sequence[Run]) -> list[float]:
    found = []
    for value in independent_values(runs):
        try:
            found.append(reader.concentration(value))
        except NotEstimable:
            continue
    return found


def _reader(subject: Subject) -> SignalReader:
    line = subject.calibration
    return SignalReader(None if line is None else refitted(line, line.model))


def slope_not_significant(subject: Subject) -> Trigger:
    """The interval of the slope includes zero: signals are not shown to follow levels."""
    line = subject.calibration
    if line is None:
        return
    straight = line.slope
    interval = straight.ci
    if line.model == "quadratic":  # the slope of a curve at level 0 is not that of the whole
        again = refitted(line, "linear")
        found = None if again is None else again.slope.interval
        interval = None if found is None else (found.lower, found.upper)
    lower, upper = (None, None) if interval is None else interval
    if lower is None or upper is None or not lower <= 0 <= upper:
        return
    unit = f"{subject.analyte.signal_unit}/({subject.analyte.unit})"
    bars = dict.fromkeys((*_OF_CALIBRATION, *_barred(subject)))
    yield Raised(
        id="slope_not_significant",
        case="includes_zero",
        values={
            "lower": numbers.significant(lower),
            "upper": numbers.quantity(numbers.significant(upper), unit),
        },
        characteristic="sensitivity",
        bars=tuple(bars),
    )


def _barred(subject: Subject) -> Iterator[str]:
    """What is concluded from results that are read from the calibration."""
    for block, characteristics in _READ_FROM_IT.items():
        if any(getattr(run, "axis", "concentration") == "signal" for run in kept(subject.runs(block))):
            yield from characteristics


TRIGGERS = (level_not_plausible, slope_not_significant)
