"""Weights of the calibration points, what they become at any other level, and which are chosen."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.records import Record, finite
from validator.statistics.distributions import chi2_upper_tail
from validator.statistics.interval import SignificanceTest
from validator.statistics.inverse_prediction import back_calculation
from validator.statistics.levels import by_level
from validator.statistics.regression import Model, fit
from validator.statistics.residuals import SMALLEST_GROUP, breusch_pagan, brown_forsythe
from validator.statistics.sample import Vector, vector
from validator.statistics.variance_function import (
    Form,
    FormComparison,
    VarianceFunction,
    compare_forms,
    fit_variance_function,
)

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from validator.statistics.regression import CalibrationFit


Scheme = Literal["none", "1/x", "1/x^2", "1/s^2", "1/s^2 smoothed"]

SCHEMES: tuple[Scheme, ...] = ("none", "1/x", "1/x^2", "1/s^2", "1/s^2 smoothed")

FEWEST_REPLICATED = 3
"""Levels with replicates from which their variances tell whether the scatter grows."""

# Declared standard deviations weigh alike, as if each came from ten signals.  The fitted function does not
# depend on this number; only the strictness of the comparison of its forms does.
_DECLARED_FREEDOM = 9.0


class Weighting(Struct, frozen=True, kw_only=True, eq=False):
    """Weights of a calibration and what they become at any other level.

    Attributes:
        scheme: how the weights depend on the level.
        weights: (n,) normalised, Σw = n.
        normalisation: K in w = K / v(x), v the variance up to a factor.
        variance_function: of the smoothed scheme.
        levels, level_variances: (k,) of the scheme 1/s²; empty otherwise.
        degrees_of_freedom: ν of the estimated variance at level 0 (that of the lowest level for 1/s², and
            where the variance vanishes at 0); None where the weights are known.
    """

    scheme: Scheme
    weights: NDArray[np.float64]
    normalisation: float
    variance_function: VarianceFunction | None
    levels: NDArray[np.float64]
    level_variances: NDArray[np.float64]
    degrees_of_freedom: float | None = None

    def relative_variance(self, x: ArrayLike) -> NDArray[np.float64]:
        """1/w at the levels *x*, any shape: variance there over the variance at w = 1.

        With 1/s² per level the variance is interpolated linearly between the levels and held constant
        beyond; with 1/x and 1/x² it is 0 at level 0.
        """
        return self.variance(x) / self.normalisation

    def variance(self, x: ArrayLike) -> NDArray[np.float64]:
        """Variance of a single signal at the levels *x*; up to a factor where the weights are known."""
        return np.asarray(self._variance(np.asarray(x, dtype=np.float64)))

    def _variance(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        if self.variance_function is not None:
            return self.variance_function.variance(x)
        match self.scheme:
            case "none":
                return np.ones_like(x)
            case "1/x":
                return np.maximum(x, 0.0)
            case "1/x^2":
                return x * x
            case _:
                return np.asarray(np.interp(x, self.levels, self.level_variances))


def weights_for(
    x: ArrayLike,
    y: ArrayLike,
    scheme: Scheme,
    *,
    signal_sd: ArrayLike | None = None,
    model: Model = "linear",
) -> Weighting:
    """Weights of a declared scheme.

    Args:
        x: (n,) levels of independent preparations.
        y: (n,) signals.
        scheme: "none", "1/x", "1/x^2", "1/s^2" (level variances or *signal_sd*), "1/s^2 smoothed" (by the
            variance function s0² + (θx)² fitted to them).
        signal_sd: (n,) declared standard deviation of the signal at each point, instead of replicates.
        model: of the calibration; residuals about it stand in for replicates where these are lacking.

    Raises:
        NotEstimable: a level of 0 with 1/x or 1/x²; no scatter known at some level with 1/s².
        ValueError: unknown scheme, or arrays that do not match.
    """
    if scheme not in SCHEMES:
        message = f"unknown weighting '{scheme}'"
        raise ValueError(message)
    levels, signals = vector(x, "x"), vector(y, "y", size=np.size(x))
    if levels.size == 0:
        raise NotEstimable("no points", "calibration points")
    match scheme:
        case "none":
            return _weighting(scheme, np.ones(levels.size))
        case "1/x" | "1/x^2":
            if (levels <= 0).any():
                raise NotEstimable(
                    f"weights {scheme} are not defined at level 0",
                    "a calibration without level 0, or weights '1/s^2 smoothed', '1/s^2' or 'none'",
                )
            return _weighting(scheme, levels if scheme == "1/x" else levels**2)
        case "1/s^2":
            return _per_level(levels, signals, signal_sd)
        case "1/s^2 smoothed":
            data = level_variances_of(levels, signals, signal_sd, model)
            return smoothed(levels, fit_variance_function(*data), estimated=signal_sd is None)


def _weighting(
    scheme: Scheme,
    variance: NDArray[np.float64],
    *,
    function: VarianceFunction | None = None,
    levels: NDArray[np.float64] | None = None,
    level_variances: NDArray[np.float64] | None = None,
    degrees_of_freedom: float | None = None,
) -> Weighting:
    """Normalise w = K/v; relative to the smallest variance first, so that nothing overflows."""
    smallest = float(variance.min())
    raw = smallest / variance
    factor = variance.size / float(raw.sum())
    empty = np.zeros(0)
    return Weighting(
        scheme=scheme,
        weights=raw * factor,
        normalisation=smallest * factor,
        variance_function=function,
        levels=empty if levels is None else levels,
        level_variances=empty if level_variances is None else level_variances,
        degrees_of_freedom=degrees_of_freedom,
    )


def _per_level(x: NDArray[np.float64], y: NDArray[np.float64], signal_sd: ArrayLike | None) -> Weighting:
    levels = by_level(x, y)
    if signal_sd is not None:
        s2 = vector(signal_sd, "signal_sd", size=x.size) ** 2
        at_level = np.bincount(levels.index, weights=s2) / levels.n
    else:
        if (levels.n < 2).any():
            single = float(levels.level[levels.n < 2][0])
            raise NotEstimable(
                f"level {single:g} was not measured in replicate",
                "at least 2 independent preparations at every level, or declared standard deviations",
            )
        at_level = levels.variance
    if not (at_level > 0).all():
        raise NotEstimable(
            f"the signals at level {float(levels.level[at_level <= 0][0]):g} are identical",
            "signals recorded with sufficient resolution, or weights '1/s^2 smoothed'",
        )
    return _weighting(
        "1/s^2",
        at_level[levels.index],
        levels=levels.level,
        level_variances=at_level,
        degrees_of_freedom=float(levels.n[0] - 1) if signal_sd is None else None,
    )


def smoothed(x: NDArray[np.float64], function: VarianceFunction, *, estimated: bool = True) -> Weighting:
    """Weights 1/s² by a variance function at the levels *x*, (n,), of signals or of declared scatter."""
    variance = function.variance(x)
    if not (variance > 0).all():
        raise NotEstimable("the variance function is zero at level 0", "replicates at level 0")
    # a scatter that vanishes at level 0 is taken from the lowest level, with what is known of it there
    at = 0.0 if float(function.variance(0.0)) > 0 else float(x.min())
    freedom = function.degrees_of_freedom_at(at) if estimated else None
    return _weighting("1/s^2 smoothed", variance, function=function, degrees_of_freedom=freedom)


def level_variances_of(
    x: NDArray[np.float64], y: NDArray[np.float64], signal_sd: ArrayLike | None, model: Model
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Levels, variances and their degrees of freedom: declared, else from replicates, else from residuals."""
    levels = by_level(x, y)
    if signal_sd is not None:
        s2 = vector(signal_sd, "signal_sd", size=x.size) ** 2
        declared = np.bincount(levels.index, weights=s2) / levels.n
        return levels.level, declared, np.full(levels.k, _DECLARED_FREEDOM)
    nu = levels.degrees_of_freedom.astype(np.float64)
    blank_is_silent = bool((nu[levels.level == 0] == 0).any())
    if (nu > 0).sum() >= min(3, levels.k) and not blank_is_silent:
        return levels.level, levels.variance, nu
    ordinary = fit(x, y, model=model)
    # A point that determines its own fitted value says nothing of the scatter.
    free = np.maximum(1.0 - ordinary.leverage, 0.0)
    told = free > 1e-9
    s2 = np.where(told, ordinary.residuals**2 / np.where(told, free, 1.0), 0.0)
    return x, s2, told.astype(np.float64)


SCHEME_OF_FORM: dict[Form, Scheme] = {"constant": "none", "proportional": "1/x^2", "both": "1/s^2 smoothed"}


class WeightingStep(Record, frozen=True, kw_only=True):
    """One step on the path to the weights.

    Attributes:
        kind: a test, a likelihood that is compared, weights that are excluded, the weights taken, or a
            scheme as it would have been.
        test: what was asked, by its usual name.
        statistic, p: None where the step is no test.
        decision: what followed from it.
    """

    kind: Literal["test", "likelihood", "excluded", "weights", "candidate"]
    test: str
    statistic: float | None = None
    p: float | None = None
    decision: str


class WeightingCandidate(Struct, frozen=True, kw_only=True):
    """A scheme as it would have been: shown, it decides nothing.

    Attributes:
        scheme: the weights.
        sum_of_relative_errors: Σ |relative back-calculation error| in percent; None if not estimable.
        reason: why not, else empty.
    """

    scheme: Scheme
    sum_of_relative_errors: float | None
    reason: str


class WeightingChoice(Struct, frozen=True, kw_only=True, eq=False):
    """Outcome of the rule for automatic weights.

    Attributes:
        weighting: the weights.
        path: the steps that led there, in order.
        candidates: every scheme with its sum of relative errors.
        forms: the variance functions compared; None when homoscedasticity was kept.
    """

    weighting: Weighting
    path: tuple[WeightingStep, ...]
    candidates: tuple[WeightingCandidate, ...]
    forms: FormComparison | None


def choose_weighting(
    x: ArrayLike,
    y: ArrayLike,
    *,
    model: Model = "linear",
    signal_sd: ArrayLike | None = None,
    alpha: float = 0.05,
) -> WeightingChoice:
    """Choose the weights by a rule fixed beforehand.

    1. Homoscedasticity is tested at *alpha*: Brown–Forsythe where every level has at least six replicates;
       with fewer at three levels or more, the likelihood ratio of the variance function s0² + (θx)² against
       a constant, on the variances of the levels (½χ²₁, θ² being on the border of its domain); without
       replicates Breusch–Pagan in Koenker's form about the ordinary fit, which a bend disturbs.
    2. If it is kept, no weights.
    3. If not, the variance function of highest likelihood decides (the two-part form has to improve on
       the better one-part form significantly at *alpha*): constant → none, proportional → 1/x²,
       both → 1/s² smoothed.

    The sum of relative back-calculation errors of every candidate is reported beside and decides nothing.

    Raises:
        NotEstimable: too few points for the ordinary fit.
    """
    levels, signals = vector(x, "x"), vector(y, "y", size=np.size(x))
    ordinary = fit(levels, signals, model=model)
    step, kept = _test_homoscedasticity(ordinary, alpha)
    path = [step]
    forms = None
    weighting = weights_for(levels, signals, "none")
    if not kept:
        forms = compare_forms(*level_variances_of(levels, signals, signal_sd, model), alpha=alpha)
        path += _form_steps(forms)
        scheme = SCHEME_OF_FORM[forms.best.form]
        try:
            weighting = (
                smoothed(levels, forms.best, estimated=signal_sd is None)
                if scheme == "1/s^2 smoothed"
                else weights_for(levels, signals, scheme)
            )
        except NotEstimable as no:
            path.append(
                WeightingStep(kind="test", test="weights", decision=f"{scheme} excluded: {no.reason}")
            )
    path.append(WeightingStep(kind="weights", test="weights", decision=weighting.scheme))
    candidates = tuple(_candidate(levels, signals, scheme, signal_sd, model) for scheme in SCHEMES)
    return WeightingChoice(weighting=weighting, path=tuple(path), candidates=candidates, forms=forms)


def growing_variance(
    levels: ArrayLike, variances: ArrayLike, degrees_of_freedom: ArrayLike
) -> SignificanceTest:
    """Likelihood ratio of a variance that grows with the level against a constant one; p of ½χ²₁.

    Raises:
        NotEstimable: too few variances, or no scatter.
    """
    constant, both = (
        fit_variance_function(levels, variances, degrees_of_freedom, form=form)
        for form in ("constant", "both")
    )
    ratio = max(2 * (both.log_likelihood - constant.log_likelihood), 0.0)
    return SignificanceTest(
        name="growing variance", statistic=ratio, df=(1,), p=0.5 * chi2_upper_tail(ratio, 1) if ratio else 1.0
    )


def _test_homoscedasticity(ordinary: CalibrationFit, alpha: float) -> tuple[WeightingStep, bool]:
    """The test that the design allows, and whether homoscedasticity is kept."""
    levels = by_level(ordinary.x, ordinary.y)
    silent_blanks = bool((levels.variance[levels.level == 0] == 0).any())
    by_replicates = int((levels.n > 1).sum()) >= FEWEST_REPLICATED and not silent_blanks
    name = (
        "Brown–Forsythe"
        if levels.n.min() >= SMALLEST_GROUP
        else "likelihood ratio on level variances"
        if by_replicates
        else "Breusch–Pagan, Koenker"
    )
    try:
        if levels.n.min() >= SMALLEST_GROUP:
            test = brown_forsythe(ordinary.x, ordinary.y)
        elif by_replicates:
            test = growing_variance(levels.level, levels.variance, levels.degrees_of_freedom)
        else:
            test = breusch_pagan(ordinary)
    except NotEstimable as no:
        # What cannot be tested gives no ground for weights.
        return WeightingStep(kind="test", test=name, decision=f"not tested: {no.reason}"), True
    kept = test.p is None or test.p >= alpha
    decision = "homogeneity of variances not rejected" if kept else "homogeneity of variances rejected"
    return WeightingStep(
        kind="test", test=name, statistic=finite(test.statistic), p=test.p, decision=decision
    ), kept


def _form_steps(forms: FormComparison) -> list[WeightingStep]:
    one_part = [form for form in (forms.constant, forms.proportional) if form is not None]
    better = max(one_part, key=lambda form: form.log_likelihood)
    steps = [
        WeightingStep(
            kind="likelihood",
            test=f"log likelihood, {form.form} standard deviation",
            statistic=form.log_likelihood,
            decision="higher of the one-component models"
            if form is better
            else "lower of the one-component models",
        )
        for form in one_part
    ]
    steps += [
        WeightingStep(
            kind="excluded",
            test=f"log likelihood, {form} standard deviation",
            decision=f"excluded: {why}",
        )
        for form, why in forms.excluded
    ]
    if forms.likelihood_ratio is not None:
        steps.append(
            WeightingStep(
                kind="test",
                test="likelihood ratio, two-component against one-component variance model",
                statistic=forms.likelihood_ratio,
                p=forms.p,
                decision=f"variance form: {forms.best.form}",
            )
        )
    return steps


def _candidate(
    x: Vector, y: Vector, scheme: Scheme, signal_sd: ArrayLike | None, model: Model
) -> WeightingCandidate:
    try:
        weights = weights_for(x, y, scheme, signal_sd=signal_sd, model=model).weights
        found = back_calculation(fit(x, y, model=model, weights=weights))
    except NotEstimable as no:
        return WeightingCandidate(scheme=scheme, sum_of_relative_errors=None, reason=no.reason)
    return WeightingCandidate(
        scheme=scheme, sum_of_relative_errors=found.sum_of_absolute_relative_errors, reason=""
    )
