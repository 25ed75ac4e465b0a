"""Propagation of distributions by simulation."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from validator.errors import NotEstimable
from validator.statistics.input_draws import InputDraws
from validator.statistics.interval import Interval

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

    from validator.statistics.input_quantity import InputQuantity

FloatArray: TypeAlias = NDArray[np.float64]
Model: TypeAlias = Callable[[Mapping[str, FloatArray]], FloatArray]
"""Results for arrays of inputs, all of one length; a :class:`MeasurementModel` is one."""

MAX_DRAWS = 10_000_000

# With two batches, which the adaptive procedure allows, the doubt itself is known to a factor of ten only.
_LEAST_BATCHES = 5

_TOO_LARGE = 1e150  # beyond it variances overflow


class NumericalDoubt(Struct, frozen=True, kw_only=True):
    """Twice the standard deviation of each figure of a simulation, from its batches."""

    value: float
    standard_uncertainty: float
    lower: float
    upper: float

    @property
    def largest(self) -> float:
        """The largest of the four."""
        return max(self.value, self.standard_uncertainty, self.lower, self.upper)


class MonteCarlo(Struct, frozen=True, kw_only=True):
    """A result whose inputs were drawn from their distributions.

    Attributes:
        value: mean of the simulated results.
        standard_uncertainty: their standard deviation; None where that of an input does not exist (a t
            distribution with ν ≤ 2), so that only the intervals have a meaning.
        symmetric: probabilistically symmetric coverage interval.
        shortest: shortest coverage interval.
        draws: number of simulated results M.
        batches: number of batches of equal size they were drawn in.
        seed: that gives the same figures again.
        doubt: numerical doubt of mean, standard deviation and the limits of the symmetric interval; None
            for a single batch.
        tolerance: δ, half a unit of the last of ``significant_digits`` of the standard uncertainty.
        significant_digits: asked for.
        stable: every doubt is within δ.
    """

    value: float
    standard_uncertainty: float | None
    symmetric: Interval
    shortest: Interval
    draws: int
    batches: int
    seed: int
    doubt: NumericalDoubt | None
    tolerance: float
    significant_digits: int
    stable: bool


def monte_carlo(
    model: Model,
    quantities: Sequence[InputQuantity],
    *,
    seed: int,
    draws: int = 1_000_000,
    adaptive: bool = False,
    correlation: ArrayLike | None = None,
    level: float = 0.95,
    significant_digits: int = 2,
) -> MonteCarlo:
    r"""Distribution of a result from the distributions of its inputs.

    Normal inputs with finite ν are drawn as :math:`x + u\,t_\nu`.  The draws are made in batches of
    max(100/(1 − p), 10⁴), so that the inputs never need more memory than one batch; with h batches the
    doubt of a figure z is :math:`2 s(z)/\sqrt h`, and the figure is stable when that is within δ.

    Args:
        model: the measurement model.
        quantities: one for each name in the model.
        seed: of the random numbers.
        draws: number M, rounded up to whole batches.
        adaptive: stop as soon as five batches or more are stable; *draws* is then the most that is spent.
        correlation: (quantities, quantities) correlations of the inputs.
        level: coverage probability p.
        significant_digits: of the standard uncertainty, for δ.

    Raises:
        NotEstimable: the model gives no usable number for some draws, all draws are equal, or correlated
            inputs whose joint distribution is not known.
        ValueError: quantities that do not match the model, too many draws, a level outside (0, 1).

    References:
        JCGM 101:2008, 6.4 (distributions), 7.5 to 7.7 (estimates, intervals), 5.3.4 (shortest interval),
        7.9 (adaptive procedure) (from memory).
    """
    if not 0 < level < 1 or not 1 <= draws <= MAX_DRAWS:
        message = f"the level lies between 0 and 1, and draws between 1 and {MAX_DRAWS}"
        raise ValueError(message)
    # Rounding keeps 100/(1 − 0.95) from becoming 2001.
    size = max(math.ceil(round(100 / (1 - level), 6)), 10_000)
    inputs = InputDraws(quantities, correlation, seed)
    samples: list[FloatArray] = []
    figures: list[tuple[float, float, float, float]] = []
    for _ in range(math.ceil(draws / size)):
        samples.append(_batch(model, inputs, size))
        figures.append(_figures(samples[-1], level))
        if adaptive and len(samples) >= _LEAST_BATCHES and _is_stable(figures, significant_digits):
            break
    results = np.sort(np.concatenate(samples))
    u = float(results.std(ddof=1))
    if results[0] == results[-1] or u == 0:
        raise NotEstimable("all simulated results are identical", "input quantities with an uncertainty")
    doubt = _doubt(figures)
    tolerance = numerical_tolerance(u, significant_digits)
    return MonteCarlo(
        value=float(results.mean()),
        standard_uncertainty=u if inputs.have_variances else None,
        symmetric=_symmetric(results, level),
        shortest=_shortest(results, level),
        draws=results.size,
        batches=len(samples),
        seed=seed,
        doubt=doubt,
        tolerance=tolerance,
        significant_digits=significant_digits,
        stable=doubt is not None and doubt.largest <= tolerance,
    )


def numerical_tolerance(u: float, significant_digits: int) -> float:
    r"""Half a unit of the last significant digit of *u*.

    .. math:: u \approx c \times 10^{\ell}, \quad c \text{ an integer of } n_{dig} \text{ digits}, \qquad
        \delta = \tfrac12\,10^{\ell}

    Raises:
        ValueError: u that is not positive and finite, fewer than one digit.

    References:
        JCGM 101:2008, 7.9.2 (from memory).
    """
    if not (math.isfinite(u) and u > 0) or significant_digits < 1:
        message = "u must be positive and finite, and have at least one significant digit"
        raise ValueError(message)
    # Scientific notation rounds before the exponent is read, so that 0.0996 counts as 0.10.
    exponent = int(f"{u:.{significant_digits - 1}e}".partition("e")[2])
    return 0.5 * 10.0 ** (exponent - significant_digits + 1)


def _batch(model: Model, inputs: InputDraws, size: int) -> FloatArray:
    with np.errstate(all="ignore"):
        results = np.asarray(model(inputs.next(size)), dtype=np.float64)
        lost = results.size - int(np.count_nonzero(np.abs(results) < _TOO_LARGE))
    if lost:
        raise NotEstimable(
            f"the model cannot be evaluated for {lost} of {size} trials",
            "input distributions within the domain of the model",
        )
    return np.broadcast_to(results, (size,))


def _figures(results: FloatArray, level: float) -> tuple[float, float, float, float]:
    ordered = np.sort(results)
    interval = _symmetric(ordered, level)
    return float(results.mean()), float(results.std(ddof=1)), interval.lower, interval.upper


def _is_stable(figures: list[tuple[float, float, float, float]], digits: int) -> bool:
    doubt, u = _doubt(figures), float(np.mean([figure[1] for figure in figures]))
    return doubt is not None and u > 0 and doubt.largest <= numerical_tolerance(u, digits)


def _doubt(figures: list[tuple[float, float, float, float]]) -> NumericalDoubt | None:
    if len(figures) < 2:
        return None
    table = np.array(figures)
    value, u, lower, upper = 2 * (table - table[0]).std(axis=0, ddof=1) / math.sqrt(len(table))
    return NumericalDoubt(
        value=float(value), standard_uncertainty=float(u), lower=float(lower), upper=float(upper)
    )


def _held(m: int, level: float) -> int:
    """Number of steps q between the limits: pM, or the integer part of pM + 1/2."""
    return min(math.floor(level * m + 0.5), m - 1)


def _symmetric(ordered: FloatArray, level: float) -> Interval:
    m = ordered.size
    q = _held(m, level)
    r = (m - q + 1) // 2 - 1
    return Interval(float(ordered[r]), float(ordered[r + q]), level, "Monte Carlo, symmetric")


def _shortest(ordered: FloatArray, level: float) -> Interval:
    q = _held(ordered.size, level)
    r = int(np.argmin(ordered[q:] - ordered[:-q])) if q else 0
    return Interval(float(ordered[r]), float(ordered[r + q]), level, "Monte Carlo, shortest")
