r"""Variance components: a one-way layout by sums of squares, several factors by tables or by likelihood.

All work is done on differences from one of the readings, so that a large common value
(1000000.4, 1000000.3, ...) costs no digits.

Likelihood: restricted maximum likelihood (REML), one mean as the only fixed effect.

.. math:: y = 1\mu + \sum_k Z_k u_k + e, \qquad u_k \sim N(0, \sigma_k^2 I), \quad e \sim N(0, \sigma_r^2 I)

References:
    H.D. Patterson, R. Thompson, Biometrika 58 (1971) 545; S.R. Searle, G. Casella, C.E. McCulloch,
    Variance Components (1992), ch. 6 (both from memory; checked against an independent implementation
    in the tests).
"""

from __future__ import annotations

import itertools
import math
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray
from scipy import linalg

from validator.errors import NotEstimable
from validator.statistics.precision_intervals import MeanSquareTerm
from validator.statistics.roots import crossing

if TYPE_CHECKING:
    from collections.abc import Sequence


FloatArray: TypeAlias = NDArray[np.float64]


class OneWayLayout(Struct, frozen=True, kw_only=True):
    """The sums of a one-way layout.

    Attributes:
        n: number of readings N.
        counts: readings in each group n_i, shape (groups,).
        group_means: mean of each group, shape (groups,).
        centred_means: group means less the grand mean, computed from differences, shape (groups,).
        variance_of_means: variance of the group means, each counting once; NaN with one group.
        harmonic_mean: of the counts.
        mean: arithmetic mean of all readings.
        ss_between, ss_within: sums of squares.
        df_between, df_within: their degrees of freedom, groups - 1 and N - groups.
        n0: readings per group in the expectation of the between mean square,
            n0 = (N - Σ n_i²/N) / (groups - 1); None with one group.
    """

    n: int
    counts: FloatArray
    group_means: FloatArray
    centred_means: FloatArray
    variance_of_means: float
    harmonic_mean: float
    mean: float
    ss_between: float
    ss_within: float
    df_between: int
    df_within: int
    n0: float | None

    @property
    def groups(self) -> int:
        """Number of groups."""
        return len(self.counts)

    @property
    def is_balanced(self) -> bool:
        """True when every group holds the same number of readings."""
        return bool(np.all(self.counts == self.counts[0]))

    @property
    def ms_between(self) -> float | None:
        """Mean square between groups; None with one group."""
        return self.ss_between / self.df_between if self.df_between else None

    @property
    def ms_within(self) -> float | None:
        """Mean square within groups; None when no group holds two readings."""
        return self.ss_within / self.df_within if self.df_within else None


def checked_readings(values: Sequence[float] | FloatArray) -> FloatArray:
    """The readings as a one-dimensional array of finite doubles.

    Raises:
        NotEstimable: a reading is not a finite number.
    """
    readings = np.asarray(values, dtype=np.float64).ravel()
    if not np.isfinite(readings).all():
        raise NotEstimable("a reading is not a finite number", "finite readings only")
    return readings


def differences_from_one(readings: FloatArray) -> tuple[FloatArray, float]:
    """Differences from the middle reading, and that reading; exact where readings share leading digits."""
    origin = float(np.sort(readings)[len(readings) // 2])
    return readings - origin, origin


def one_way_layout(groups: Sequence[Sequence[float] | FloatArray]) -> OneWayLayout:
    r"""Sums of squares of a one-way layout, balanced or not; empty groups are left out.

    .. math::
        SS_W = \sum_i \sum_j (y_{ij} - \bar y_i)^2, \qquad SS_B = \sum_i n_i (\bar y_i - \bar y)^2

    Raises:
        NotEstimable: fewer than two readings, or one that is not finite.
    """
    arrays = [array for array in map(checked_readings, groups) if len(array)]
    if sum(map(len, arrays)) < 2:
        raise NotEstimable("fewer than 2 readings", "at least 2 readings")
    counts = np.array([len(array) for array in arrays], dtype=np.float64)
    differences, origin = differences_from_one(np.concatenate(arrays))
    code = np.repeat(np.arange(len(arrays)), counts.astype(np.intp))
    n = len(differences)
    shifted_means = np.bincount(code, differences) / counts
    residuals = differences - shifted_means[code]
    correction = np.bincount(code, residuals) / counts  # what rounding left in the group means
    shifted_means, residuals = shifted_means + correction, residuals - correction[code]
    constant = np.array([array.min() == array.max() for array in arrays])
    residuals[constant[code]] = 0.0  # equal readings have no scatter, whatever rounding says
    shifted_mean = float(np.dot(counts, shifted_means)) / n
    centred = shifted_means - shifted_mean
    return OneWayLayout(
        n=n,
        counts=counts,
        group_means=origin + shifted_means,
        centred_means=centred,
        variance_of_means=float(np.var(centred, ddof=1)) if len(arrays) > 1 else math.nan,
        harmonic_mean=len(arrays) / float(np.sum(1 / counts)),
        mean=origin + shifted_mean,
        ss_between=float(np.dot(counts, centred**2)),
        ss_within=float(np.dot(residuals, residuals)),
        df_between=len(arrays) - 1,
        df_within=n - len(arrays),
        n0=None if len(arrays) < 2 else (n - float(np.dot(counts, counts)) / n) / (len(arrays) - 1),
    )


CodeArray: TypeAlias = NDArray[np.intp]
"""For each reading the number 0, 1, 2 ... of its level of a factor, shape (N,)."""

MOST_LEVELS = 600
"""Levels of all factors together for which the likelihood is solved in a second: a step costs their cube."""

_ITERATIONS = 200
_RELATIVE_STEP = 1e-10
_LAST_STEP = 1e-6
"""Scoring may close in slowly along a flat ridge: when the steps are out, one as small as this is the end."""


class RemlResult(Struct, frozen=True, kw_only=True):
    """Restricted maximum likelihood estimates.

    Attributes:
        components: σ_k² of each factor, in the order given, shape (K,); zero on the boundary.
        residual: σ_r².
        covariance: asymptotic covariance matrix of (σ_1² ... σ_K², σ_r²), shape (K + 1, K + 1), the inverse
            of the expected information; rows of components on the boundary are zero.
    """

    components: FloatArray
    residual: float
    covariance: FloatArray


def one_way_reml(layout: OneWayLayout) -> tuple[float, float]:
    r"""Within and between variance of a one-way layout by restricted maximum likelihood.

    With :math:`\rho = \sigma_b^2/\sigma_r^2`, :math:`w_i = n_i/(1 + n_i\rho)`,
    :math:`\hat\mu = \sum w_i\bar y_i/\sum w_i` and
    :math:`Q(\rho) = SS_W + \sum w_i(\bar y_i - \hat\mu)^2` the profile deviance is

    .. math:: d(\rho) = (N-1)\ln Q + \sum\ln(1+n_i\rho) + \ln\sum w_i,
        \qquad \hat\sigma_r^2 = Q(\hat\rho)/(N-1), \quad \hat\sigma_b^2 = \hat\rho\,\hat\sigma_r^2

    minimised over :math:`\rho \ge 0`. For a balanced layout it equals the analysis of variance with
    negative components set to zero and the sums pooled.

    Returns:
        (σ_r², σ_b²), squared unit of the data.

    Raises:
        NotEstimable: the readings within the groups are identical, so the ratio has no finite maximum.

    References:
        H.D. Patterson, R. Thompson, Biometrika 58 (1971) 545; S.R. Searle, G. Casella, C.E. McCulloch,
        Variance Components (1992), ch. 6 (from memory; checked against an independent REML in the tests).
    """
    if layout.df_within < 1 or layout.ss_within <= 0:
        raise NotEstimable(
            "the readings within the groups are identical", "groups with two or more differing readings"
        )
    counts, means, n = layout.counts, layout.centred_means, layout.n

    def weighted(rho: float) -> tuple[FloatArray, FloatArray, float]:
        w = counts / (1 + counts * rho)
        deviations = means - np.dot(w, means) / w.sum()
        return w, deviations, layout.ss_within + float(np.dot(w, deviations**2))

    def deviance(rho: float) -> float:
        w, _, Q = weighted(rho)
        return float((n - 1) * np.log(Q) + np.log1p(counts * rho).sum() + np.log(w.sum()))

    def slopes(rhos: FloatArray) -> FloatArray:
        w = counts / (1 + np.multiply.outer(rhos, counts))
        total = w.sum(axis=1)
        deviations = means - ((w @ means) / total)[:, None]
        Q = layout.ss_within + (w * deviations**2).sum(axis=1)
        slope: FloatArray = (
            total - (w**2).sum(axis=1) / total - (n - 1) * (w**2 * deviations**2).sum(axis=1) / Q
        )
        return slope

    # The deviance may have several stationary points: scan, then close in on each root of its slope.
    largest = 1e3 * max(1.0, layout.ss_between / layout.ss_within * n)
    scan = np.concatenate(([0.0], np.geomspace(1e-9, largest, 200)))
    at_scan = slopes(scan)
    turns = np.flatnonzero((at_scan[:-1] < 0) & (at_scan[1:] >= 0))
    candidates = [0.0] + [crossing(slopes, float(scan[i]), float(scan[i + 1])) for i in turns]
    rho = min(candidates, key=deviance)
    sigma_r2 = weighted(rho)[2] / (n - 1)
    return sigma_r2, rho * sigma_r2


def reml(values: FloatArray, factors: Sequence[CodeArray]) -> RemlResult:
    r"""REML estimates for any set of random factors, nested or crossed, balanced or not.

    With :math:`\gamma_k = \sigma_k^2/\sigma_r^2`, :math:`H = I + \sum\gamma_k Z_kZ_k^T` and
    :math:`P = H^{-1} - H^{-1}1(1^TH^{-1}1)^{-1}1^TH^{-1}` the profile deviance is

    .. math:: d(\gamma) = (N-1)\ln y^TPy + \ln|H| + \ln 1^TH^{-1}1

    minimised over :math:`\gamma \ge 0` by Fisher scoring with step halving; a step that turns back on the one
    before is halved too, lest the two swing about the minimum. Only matrices of the size of the number of
    levels are formed.

    Raises:
        NotEstimable: no residual scatter, no convergence, or more than ``MOST_LEVELS`` levels.
    """
    levels = sum(int(code.max()) + 1 for code in factors)
    if levels > MOST_LEVELS:
        raise NotEstimable(
            (
                f"the factors have {levels} levels in total, which is too many for maximum "
                "likelihood estimation"
            ),
            f"at most {MOST_LEVELS}, or a balanced design, which is analysed in closed form",
        )
    problem = _Problem(values, factors)
    gamma = np.ones(len(factors))
    state, last = problem.at(gamma), np.zeros_like(gamma)
    for _ in range(_ITERATIONS):
        proposal = _scored(problem, gamma, state, last)
        if proposal is None:
            break
        last = proposal.gamma - gamma
        moved = np.abs(last).max()
        gamma, state = proposal.gamma, proposal
        if moved <= _RELATIVE_STEP * max(1.0, gamma.max()):
            break
    else:
        if np.abs(last).max() > _LAST_STEP * max(1.0, gamma.max()):
            raise NotEstimable(
                "the restricted likelihood has no unique maximum",
                "more levels of each factor, with replicates",
            )
    return problem.result(state)


class _State(Struct, frozen=True, kw_only=True):
    """Deviance and what its derivatives need at one γ."""

    gamma: FloatArray
    deviance: float
    rss: float
    gradient: FloatArray
    traces: FloatArray  # tr(Z_k' P Z_k)
    cross: FloatArray  # ||Z_k' P Z_l||², squared Frobenius norms


class _Problem:
    """The sums that do not depend on γ: counts, contingencies and totals of the factor levels."""

    def __init__(self, values: FloatArray, factors: Sequence[CodeArray]) -> None:
        y, _ = differences_from_one(values)
        self.y = y - y.mean()
        self.n = len(y)
        sizes = [int(code.max()) + 1 for code in factors]
        ends = np.cumsum([0, *sizes])
        self.blocks = [slice(start, end) for start, end in itertools.pairwise(ends)]
        self.factor_of_level = np.repeat(np.arange(len(sizes)), sizes)
        columns = [code + start for code, start in zip(factors, ends[:-1], strict=True)]
        q = int(ends[-1])
        pairs = [(a * q + b) for a in columns for b in columns]
        self.ZtZ = np.bincount(np.concatenate(pairs), minlength=q * q).reshape(q, q).astype(np.float64)
        self.Zty = np.concatenate([np.bincount(c, self.y, s) for c, s in zip(factors, sizes, strict=True)])
        self.Zt1 = np.diagonal(self.ZtZ).copy()

    def at(self, gamma: FloatArray) -> _State:
        S = np.sqrt(gamma)[self.factor_of_level]
        M = np.eye(len(S)) + S[:, None] * self.ZtZ * S
        lower = linalg.cholesky(M, lower=True)
        half_Z = linalg.solve_triangular(lower, S[:, None] * self.ZtZ, lower=True)
        half_1 = linalg.solve_triangular(lower, S * self.Zt1, lower=True)
        half_y = linalg.solve_triangular(lower, S * self.Zty, lower=True)
        one_H_one = self.n - half_1 @ half_1
        one_H_y = -(half_1 @ half_y)  # y is centred, so 1'y is zero
        y_H_y = self.y @ self.y - half_y @ half_y
        mu = one_H_y / one_H_one
        rss = float(y_H_y - mu * one_H_y)
        if rss <= 1e-14 * float(self.y @ self.y):
            raise NotEstimable("the replicates within the cells are identical", "replicates that differ")
        Z_H_one = self.Zt1 - half_Z.T @ half_1
        Z_P_y = self.Zty - half_Z.T @ half_y - Z_H_one * mu
        Z_P_Z = self.ZtZ - half_Z.T @ half_Z - np.outer(Z_H_one, Z_H_one) / one_H_one
        traces = np.array([np.trace(Z_P_Z[b, b]) for b in self.blocks])
        explained = np.array([float(Z_P_y[b] @ Z_P_y[b]) for b in self.blocks])
        return _State(
            gamma=gamma,
            deviance=float(
                (self.n - 1) * math.log(rss) + 2 * np.log(np.diagonal(lower)).sum() + math.log(one_H_one)
            ),
            rss=rss,
            gradient=traces - (self.n - 1) * explained / rss,
            traces=traces,
            cross=np.array([[float((Z_P_Z[a, b] ** 2).sum()) for b in self.blocks] for a in self.blocks]),
        )

    def result(self, state: _State) -> RemlResult:
        r"""Back to variances; information ½·tr(P V_k P V_l)/σ_r⁴ with PP from PHP = P."""
        gamma, K = state.gamma, len(state.gamma)
        residual = state.rss / (self.n - 1)
        with_residual = state.traces - state.cross @ gamma  # tr(P Z_k Z_k' P)
        information = np.empty((K + 1, K + 1))
        information[:K, :K] = state.cross
        information[:K, K] = information[K, :K] = with_residual
        information[K, K] = self.n - 1 - gamma @ state.traces - gamma @ with_residual
        information /= 2 * residual**2
        free = np.flatnonzero(np.append(gamma > 0, True))
        covariance = np.zeros((K + 1, K + 1))
        covariance[np.ix_(free, free)] = linalg.inv(information[np.ix_(free, free)])
        return RemlResult(components=gamma * residual, residual=residual, covariance=covariance)


def _scored(problem: _Problem, gamma: FloatArray, state: _State, last: FloatArray) -> _State | None:
    """One Fisher-scoring step kept inside γ >= 0; None when no step lowers the deviance any more."""
    free = np.flatnonzero((gamma > 0) | (state.gradient < 0))
    if not len(free):
        return None
    information = state.cross - np.outer(state.traces, state.traces) / (problem.n - 1)
    step = np.zeros_like(gamma)
    step[free] = -linalg.lstsq(information[np.ix_(free, free)], state.gradient[free])[0]
    if step @ last < 0:
        step /= 2
    slack = 1e-12 * (1 + abs(state.deviance))  # near the minimum the deviance is flat to rounding
    for halvings in range(40):
        proposal = problem.at(np.maximum(0.0, gamma + step / 2**halvings))
        if proposal.deviance <= state.deviance + slack:
            return proposal
    return None


class Stage(Struct, frozen=True, kw_only=True):
    """A factor or interaction: its name and, for each reading, the number of its level."""

    name: str
    codes: CodeArray

    @property
    def counts(self) -> FloatArray:
        """Readings at each level."""
        return np.bincount(self.codes).astype(np.float64)

    @property
    def levels(self) -> int:
        """Number of levels."""
        return int(self.codes.max()) + 1

    @property
    def is_balanced(self) -> bool:
        """True when every level holds as many readings."""
        return bool(np.ptp(self.counts) == 0)

    def means(self, y: FloatArray) -> FloatArray:
        """For each reading the mean of its level."""
        level_means: FloatArray = np.bincount(self.codes, y) / self.counts
        return level_means[self.codes]


class MeanSquareLine(Struct, frozen=True, kw_only=True):
    """A line of an analysis of variance.

    Attributes:
        name, levels: of the factor.
        mean_square, degrees_of_freedom: of the line.
        per_level: readings at each level, what divides the component.
        error: index of the line whose mean square has the same expectation but for this component.
    """

    name: str
    levels: int
    mean_square: float
    degrees_of_freedom: int
    per_level: float
    error: int


def coded(labels: Sequence[object]) -> CodeArray:
    """Labels of any kind as 0, 1, 2 ... in order of first occurrence."""
    numbers: dict[object, int] = {}
    return np.array([numbers.setdefault(label, len(numbers)) for label in labels], dtype=np.intp)


def paired(a: CodeArray, b: CodeArray) -> CodeArray:
    """Codes of the combinations of two factors that occur."""
    return coded(list(zip(a.tolist(), b.tolist(), strict=True)))


def joined(stages: Sequence[Stage], name: str) -> Stage:
    """The cells: combinations of all stages that occur."""
    codes = stages[0].codes
    for stage in stages[1:]:
        codes = paired(codes, stage.codes)
    return Stage(name=name, codes=codes)


def nested_table(y: FloatArray, stages: Sequence[Stage], last: str) -> list[MeanSquareLine]:
    """Analysis of variance of a balanced nested layout; the residual line carries the name *last*."""
    differences, _ = differences_from_one(y)
    fitted = np.full(len(y), differences.mean())
    lines, above = [], 1
    for k, stage in enumerate(stages):
        means = stage.means(differences)
        df = stage.levels - above
        lines.append(_line(stage, means - fitted, df, error=k + 1))
        fitted, above = means, stage.levels
    return [*lines, _residual_line(last, differences - fitted, len(y) - above, above, len(lines))]


def crossed_table(y: FloatArray, a: Stage, b: Stage, cells: Stage, last: str) -> list[MeanSquareLine]:
    """Analysis of variance of a balanced crossed layout; with single readings the interaction is *last*."""
    differences, _ = differences_from_one(y)
    differences = differences - differences.mean()
    means_a, means_b = a.means(differences), b.means(differences)
    additive = means_a + means_b
    df_cells = (a.levels - 1) * (b.levels - 1)
    lines = [_line(a, means_a, a.levels - 1, error=2), _line(b, means_b, b.levels - 1, error=2)]
    if cells.levels == len(y):
        return [*lines, _residual_line(last, differences - additive, df_cells, cells.levels, 2)]
    means_cells = cells.means(differences)
    lines.append(_line(cells, means_cells - additive, df_cells, error=3))
    return [*lines, _residual_line(last, differences - means_cells, len(y) - cells.levels, cells.levels, 3)]


def _line(stage: Stage, effects: FloatArray, df: int, error: int) -> MeanSquareLine:
    return MeanSquareLine(
        name=stage.name,
        levels=stage.levels,
        mean_square=float(effects @ effects) / df,
        degrees_of_freedom=df,
        per_level=float(stage.counts[0]),
        error=error,
    )


def _residual_line(name: str, residuals: FloatArray, df: int, levels: int, index: int) -> MeanSquareLine:
    return MeanSquareLine(
        name=name,
        levels=levels,
        mean_square=float(residuals @ residuals) / df,
        degrees_of_freedom=df,
        per_level=1.0,
        error=index,
    )


def total_terms(table: Sequence[MeanSquareLine]) -> list[MeanSquareTerm]:
    """The sum of all components as mean squares: each adds 1/m_k and takes 1/m_k off its error line."""
    coefficients = [1 / line.per_level for line in table]
    for line in table[:-1]:
        coefficients[line.error] -= 1 / line.per_level
    return [
        MeanSquareTerm(
            coefficient=max(0.0, coefficient),  # 2 x 2 crossed: zero but for rounding
            mean_square=line.mean_square,
            degrees_of_freedom=line.degrees_of_freedom,
        )
        for coefficient, line in zip(coefficients, table, strict=True)
    ]
