"""Propagation of distributions by simulation, and the check of a budget by it (JCGM 101:2008, 8)."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from validator.errors import NotEstimable
from validator.records import Record
from validator.statistics.input_quantity import DIVISORS, Distribution, InputQuantity, checked_correlation
from validator.statistics.interval import Interval
from validator.statistics.measurement_model import FloatArray, normal_form

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

    from validator.statistics.uncertainty_budget import UncertaintyBudget


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
        seed: that gives the same figures again.
        doubt: numerical doubt of mean, standard deviation and the limits of the symmetric interval; None
            for a single batch.
        tolerance: δ, half a unit of the last of ``significant_digits`` of the standard uncertainty.
        significant_digits: asked for.
        stable: every doubt is within δ.
        results: (M,) the simulated results in ascending order.
        taken_as_normal: correlated inputs of another distribution, which were drawn as normal.
    """

    value: float
    standard_uncertainty: float | None
    symmetric: Interval
    shortest: Interval
    draws: int
    seed: int
    doubt: NumericalDoubt | None
    tolerance: float
    significant_digits: int
    stable: bool
    results: FloatArray
    taken_as_normal: tuple[str, ...] = ()

    def share_within(self, lower: float, upper: float) -> float:
        """Share of the simulated results from *lower* to *upper*."""
        first, last = np.searchsorted(self.results, lower), np.searchsorted(self.results, upper, "right")
        return float(last - first) / self.results.size

    def margin(self, value: float, risk: float, lower: float, upper: float) -> float:
        """Distance from *value* beyond which a result lies with probability *risk*, on sides with a limit."""
        sides = []
        if math.isfinite(upper):
            sides.append(float(np.quantile(self.results, 1 - risk)) - value)
        if math.isfinite(lower):
            sides.append(value - float(np.quantile(self.results, risk)))
        return max(sides)


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
            inputs with different degrees of freedom.
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
        seed=seed,
        doubt=doubt,
        tolerance=tolerance,
        significant_digits=significant_digits,
        stable=doubt is not None and doubt.largest <= tolerance,
        results=results,
        taken_as_normal=inputs.taken_as_normal,
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


class InputDraws:
    """Draws of all inputs together; each input has a stream of its own, so batches of any size agree.

    Correlated inputs are drawn from a multivariate normal distribution, or, when all of them have the same
    finite ν, from the multivariate t distribution of means of quantities read together. A correlation
    coefficient with a rectangular, triangular or U-shaped distribution determines no joint distribution:
    such an input is taken as normal with its u, and named.

    References:
        JCGM 101:2008, 6.4.2 (rectangular), 6.4.5 (triangular), 6.4.6 (U-shaped), 6.4.7 and 6.4.8 (normal),
        6.4.9 (t); JCGM 102:2011, 5.3.2 (multivariate t) (all from memory).
    """

    def __init__(self, quantities: Sequence[InputQuantity], correlation: ArrayLike | None, seed: int) -> None:
        r = checked_correlation(correlation, len(quantities))
        self._together = np.flatnonzero((r - np.eye(len(r))).any(axis=1))
        other = [i for i in self._together.tolist() if quantities[i].distribution != "normal"]
        self.taken_as_normal = tuple(quantities[i].name for i in other)
        self._quantities = tuple(
            replace(quantity, distribution="normal") if i in other else quantity
            for i, quantity in enumerate(quantities)
        )
        self._names = [normal_form(quantity.name) for quantity in self._quantities]
        self._root = _root(r[np.ix_(self._together, self._together)])
        self._nu = self._common_freedom()
        self._freedoms = [self._freedom_of(i) for i in range(len(self._quantities))]
        streams = np.random.SeedSequence(seed).spawn(len(self._quantities) + 1)
        *self._streams, self._shared_stream = map(np.random.default_rng, streams)

    @property
    def have_variances(self) -> bool:
        """False when a drawn t distribution has ν ≤ 2 and with that no variance."""
        return all(
            quantity.degrees_of_freedom > 2 or quantity.distribution != "normal"
            for quantity in self._quantities
            if quantity.standard_uncertainty > 0
        )

    def next(self, size: int) -> dict[str, FloatArray]:
        """*size* draws of every input, by name."""
        standard = [
            _standard_draws(stream, quantity.distribution, nu, size)
            for stream, quantity, nu in zip(self._streams, self._quantities, self._freedoms, strict=True)
        ]
        if self._together.size:
            mixed = self._root @ np.stack([standard[i] for i in self._together])
            if math.isfinite(self._nu):
                mixed /= np.sqrt(self._shared_stream.chisquare(self._nu, size) / self._nu)
            for place, i in enumerate(self._together):
                standard[i] = mixed[place]
        for quantity, draws in zip(self._quantities, standard, strict=True):
            draws *= quantity.standard_uncertainty
            draws += quantity.value
        return dict(zip(self._names, standard, strict=True))

    def _freedom_of(self, i: int) -> float:
        """ν of the t distribution an input is drawn from by itself; the correlated ones share theirs."""
        return math.inf if i in self._together else self._quantities[i].degrees_of_freedom

    def _common_freedom(self) -> float:
        freedoms = {self._quantities[i].degrees_of_freedom for i in self._together}
        if len(freedoms) > 1:
            raise NotEstimable(
                ("correlated input quantities with different degrees of freedom cannot be simulated jointly"),
                "correlated input quantities observed simultaneously",
            )
        return freedoms.pop() if freedoms else math.inf


def _standard_draws(
    stream: np.random.Generator, distribution: Distribution, nu: float, size: int
) -> FloatArray:
    """Draws about 0 with standard deviation 1, or of Student's t where ν is finite."""
    if distribution == "normal":
        return stream.standard_t(nu, size) if math.isfinite(nu) else stream.standard_normal(size)
    a = DIVISORS[distribution]
    if distribution == "triangular":
        return stream.triangular(-a, 0.0, a, size)
    if distribution == "u_shaped":
        return a * np.sin(2 * math.pi * stream.random(size))
    return stream.uniform(-a, a, size)


def _root(r: FloatArray) -> FloatArray:
    """A matrix whose product with its transpose is *r*; unlike Cholesky's it exists for |r| = 1 too."""
    eigenvalues, vectors = np.linalg.eigh(r)
    return np.asarray(vectors * np.sqrt(np.maximum(eigenvalues, 0.0)))


class SimulationCheck(Record, frozen=True, kw_only=True):
    """A first-order budget against a simulation, in the unit of the result.

    Attributes:
        tolerance: δ, half a unit of the last significant digit of u.
        d_low: |y − U − y_low|.
        d_high: |y + U − y_high|.
        valid: both are within δ.
        resolved: the numerical doubt of the simulation is less than what either difference is away from δ.
        expanded_uncertainty: U of the budget.
    """

    tolerance: float
    d_low: float
    d_high: float
    valid: bool
    resolved: bool
    expanded_uncertainty: float

    @property
    def refutes(self) -> bool:
        """The budget is shown to differ from the simulation, which then decides (JCGM 101:2008, 8.2)."""
        return self.resolved and not self.valid


def validate(
    budget: UncertaintyBudget, simulation: MonteCarlo, *, significant_digits: int | None = None
) -> SimulationCheck:
    r"""Do the limits y ± U of a first-order budget agree with those of a simulation?

    .. math:: d_{low} = |y - U - y_{low}|, \quad d_{high} = |y + U - y_{high}|, \quad
        \text{valid: both} \le \delta

    Args:
        budget: with a value and a coverage probability.
        simulation: of the same result at the same level; its symmetric interval is compared.
        significant_digits: of u(y) that count, those of the simulation by default.

    Raises:
        NotEstimable: the budget provides no coverage interval, or another level than the simulation.

    References:
        JCGM 101:2008, 8.1 and 8.2 (from memory).
    """
    if budget.interval is None:
        raise NotEstimable("the budget provides no coverage interval", "a value and a coverage probability")
    if budget.interval.level != simulation.symmetric.level:
        raise NotEstimable(
            "the budget and the simulation have different coverage probabilities",
            "the same coverage probability for both",
        )
    u = budget.standard_uncertainty * _per_unit(budget)
    delta = numerical_tolerance(u, significant_digits or simulation.significant_digits)
    d_low = abs(budget.interval.lower - simulation.symmetric.lower)
    d_high = abs(budget.interval.upper - simulation.symmetric.upper)
    doubt = simulation.doubt
    known = doubt is not None and (
        (abs(d_low - delta) >= doubt.lower and abs(d_high - delta) >= doubt.upper)
        or d_low - delta >= doubt.lower
        or d_high - delta >= doubt.upper
    )
    return SimulationCheck(
        tolerance=delta,
        d_low=d_low,
        d_high=d_high,
        valid=d_low <= delta and d_high <= delta,
        resolved=known,
        expanded_uncertainty=budget.expanded_uncertainty,
    )


def simulate_budget(
    budget: UncertaintyBudget,
    *,
    seed: int,
    draws: int = 1_000_000,
    correlation: ArrayLike | None = None,
    level: float = 0.95,
    significant_digits: int = 2,
) -> MonteCarlo:
    r"""Simulate a budget that has rows but no formula.

    .. math:: y + \sum_i c_i\,e_i

    with the error e_i of each row drawn from its distribution about 0.  The result is linear: what the
    simulation adds to the budget is the shape of the distributions, not the curvature of a model.

    Args:
        budget: its value, or 0 where it has none, is the centre; relative rows are turned into its unit.
        seed: of the random numbers.
        draws: number of simulated results.
        correlation: (rows, rows) correlations of the inputs.
        level: coverage probability.
        significant_digits: of the standard uncertainty, for the numerical tolerance.

    Raises:
        NotEstimable: correlated inputs with different degrees of freedom.
        ValueError: too many draws, a level outside (0, 1).

    References:
        JCGM 101:2008, 9.2 (additive model; from memory).
    """
    centre, per_unit = budget.value or 0.0, _per_unit(budget)
    names = [f"e{i}" for i in range(len(budget.rows))]
    slopes = [row.sensitivity * per_unit for row in budget.rows]

    def total(errors: Mapping[str, FloatArray]) -> FloatArray:
        # one row after the other: a table of all rows would be written and read again for nothing
        found = slopes[0] * errors[names[0]]
        for c, name in zip(slopes[1:], names[1:], strict=True):
            found += c * errors[name]
        found += centre
        return found

    return monte_carlo(
        total,
        [
            InputQuantity(
                name=name,
                value=0.0,
                standard_uncertainty=row.standard_uncertainty,
                distribution=row.distribution,
                degrees_of_freedom=row.degrees_of_freedom,
            )
            for name, row in zip(names, budget.rows, strict=True)
        ],
        seed=seed,
        draws=draws,
        correlation=correlation,
        level=level,
        significant_digits=significant_digits,
    )


def _per_unit(budget: UncertaintyBudget) -> float:
    """Factor from the form of the budget to the unit of its value."""
    return abs(budget.value) / 100 if budget.relative and budget.value is not None else 1.0
