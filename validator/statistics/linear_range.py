"""Over which levels is the calibration a line: a search by a fixed rule, with its path."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.statistics.inverse_prediction import back_calculate
from validator.statistics.levels import by_level
from validator.statistics.linearity import lack_of_fit, mandel
from validator.statistics.regression import fit
from validator.statistics.sample import Vector, vector

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import ArrayLike

    from validator.statistics.regression import CalibrationFit


FEWEST_SETS, MOST_SETS, MOST_POINTS = 10, 1_000, 2_000_000
"""Ranges that are tried: all of them up to 47 levels; of more, as many as are fitted in seconds.

There are about k²/2 ranges of k levels, and each fit goes over all their points.
"""


class LinearRangeStep(Struct, frozen=True, kw_only=True):
    """One set of levels that was tried.

    Attributes:
        lower, upper: its lowest and highest level.
        levels: number of levels in it.
        mandel_p: of the curvature test.
        lack_of_fit_p: None without replicates.
        worst_relative_error_percent: back-calculated level mean that lies off most, beside its tolerance.
        worst_level: where.
        failed: what spoke against the set; empty when it was accepted.
    """

    lower: float
    upper: float
    levels: int
    mandel_p: float
    lack_of_fit_p: float | None
    worst_relative_error_percent: float
    worst_level: float
    failed: tuple[str, ...]

    @property
    def accepted(self) -> bool:
        """Nothing spoke against the set."""
        return not self.failed


class LinearRange(Struct, frozen=True, kw_only=True, eq=False):
    """Outcome of the search.

    Attributes:
        lower, upper: ends of the linear range; None when no set was accepted.
        fit: the line over it; None likewise.
        steps: every set tried, in order; the tests were repeated that often.
        alpha: significance level of each single test.
        tolerance, lowest_tolerance: allowed relative error, as fractions.
        minimum_levels: levels that had to stay.
    """

    lower: float | None
    upper: float | None
    fit: CalibrationFit | None
    steps: tuple[LinearRangeStep, ...]
    alpha: float
    tolerance: float
    lowest_tolerance: float
    minimum_levels: int

    @property
    def found(self) -> bool:
        """A set was accepted."""
        return self.fit is not None


def linear_range(
    x: ArrayLike,
    y: ArrayLike,
    *,
    weights: ArrayLike | None = None,
    alpha: float = 0.05,
    tolerance: float = 0.15,
    lowest_tolerance: float = 0.20,
    minimum_levels: int = 5,
    confidence: float = 0.95,
) -> LinearRange:
    """Search the levels over which the calibration is a line.

    Starting with all levels, the highest is dropped, again and again, until neither Mandel's test nor lack
    of fit (where there are replicates) is significant at *alpha* and every back-calculated level mean lies
    within *tolerance* (*lowest_tolerance* at the lowest level above 0; level 0 has no relative error).  When
    this fails down to *minimum_levels*, the lowest level is dropped and the search from the top starts anew.
    The tests are repeated at every step, so the stated significance holds for each and not for the search.

    Args:
        x: (n,) levels of independent preparations.
        y: (n,) signals.
        weights: (n,) weights of the points, kept for every set.
        alpha: significance level of each test.
        tolerance: allowed relative error as a fraction.
        lowest_tolerance: the same at the lowest level.
        minimum_levels: levels that have to stay.
        confidence: of the resulting fit.

    Returns:
        The range with its path; ``found`` is False when every set was rejected.

    Raises:
        NotEstimable: fewer than *minimum_levels* levels, or so many that the search was given up.
        ValueError: arrays that do not match, or *minimum_levels* below 4.

    References:
        Curvature: ISO 8466-1:1990, clause 4.1.3.  The tolerances follow bioanalytical guidance: ICH M10
        (2022), section 3.2.5.2 (both from memory); the search itself is a rule of this package.
    """
    if minimum_levels < 4:
        message = "minimum_levels must be at least 4"
        raise ValueError(message)
    levels = by_level(x, y)
    if levels.k < minimum_levels:
        raise NotEstimable(f"only {levels.k} levels", f"at least {minimum_levels} levels")
    at, signals = vector(x, "x"), vector(y, "y")
    w = np.ones(at.size) if weights is None else vector(weights, "weights", size=at.size)
    steps: list[LinearRangeStep] = []
    accepted: CalibrationFit | None = None
    most = max(FEWEST_SETS, min(MOST_SETS, MOST_POINTS // at.size))
    for tried, (low, high) in enumerate(_sets(levels.k, minimum_levels)):
        if tried == most:
            raise NotEstimable(
                f"none of the {most} widest subsets of the {levels.k} levels is linear",
                "fewer levels with replicates, or a second-order calibration function",
            )
        kept = (levels.index >= low) & (levels.index <= high)
        line = fit(at[kept], signals[kept], weights=w[kept], confidence=confidence)
        steps.append(_judge(line, alpha, tolerance, lowest_tolerance))
        if steps[-1].accepted:
            accepted = line
            break
    return LinearRange(
        lower=None if accepted is None else steps[-1].lower,
        upper=None if accepted is None else steps[-1].upper,
        fit=accepted,
        steps=tuple(steps),
        alpha=alpha,
        tolerance=tolerance,
        lowest_tolerance=lowest_tolerance,
        minimum_levels=minimum_levels,
    )


def _sets(k: int, minimum: int) -> Iterator[tuple[int, int]]:
    """First and last level of each set, in the order of the search."""
    for low in range(k - minimum + 1):
        for high in range(k - 1, low + minimum - 2, -1):
            yield low, high


def _judge(line: CalibrationFit, alpha: float, tolerance: float, lowest_tolerance: float) -> LinearRangeStep:
    levels = by_level(line.x, line.y)
    curvature = mandel(line).p
    mandel_p = 1.0 if curvature is None else curvature
    try:
        lack_p = None if line.residual_standard_deviation == 0 else lack_of_fit(line).p
    except NotEstimable:
        lack_p = None
    error = _relative_errors(line, levels.level, levels.mean)
    allowed = np.full(levels.k, 100.0 * tolerance)
    allowed[int(np.argmax(levels.level > 0))] = 100.0 * lowest_tolerance
    worst = int(np.argmax(np.abs(error) / allowed))
    failed = (
        *(("Mandel",) if mandel_p < alpha else ()),
        *(("lack of fit",) if lack_p is not None and lack_p < alpha else ()),
        *(("back-calculation",) if abs(error[worst]) > allowed[worst] else ()),
    )
    return LinearRangeStep(
        lower=float(levels.level[0]),
        upper=float(levels.level[-1]),
        levels=levels.k,
        mandel_p=mandel_p,
        lack_of_fit_p=lack_p,
        worst_relative_error_percent=float(error[worst]),
        worst_level=float(levels.level[worst]),
        failed=failed,
    )


def _relative_errors(line: CalibrationFit, level: Vector, mean: Vector) -> Vector:
    """Relative errors in percent; 0 at level 0, which has none, infinite where the line has no slope."""
    try:
        error = back_calculate(line, level, mean).relative_error_percent
    except NotEstimable:
        return np.full(level.size, math.inf)
    return np.where(level == 0, 0.0, error)
