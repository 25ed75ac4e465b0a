"""How the standard deviation of a signal grows with the level: s²(x) = s0² + (θx)²."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

import numpy as np
from msgspec import Struct
from scipy import special

from validator.errors import NotEstimable
from validator.statistics.distributions import chi2_upper_tail
from validator.statistics.sample import Vector, vector

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

Form = Literal["constant", "proportional", "both"]

# Logit of the growing part's share, from none of it to all of it, fine enough to bracket every optimum.
_LOGITS = np.linspace(-80.0, 80.0, 161)


class VarianceFunction(Struct, frozen=True, kw_only=True, eq=False):
    """The characteristic function of a measurement.

    Attributes:
        form: "constant" (θ = 0), "proportional" (s0 = 0) or "both".
        s0: standard deviation at level 0.
        theta: relative standard deviation at high levels, in signal unit per level unit.
        levels: (k,) levels it was fitted to.
        degrees_of_freedom: (k,) ν of each s².
        log_likelihood: at the optimum.
        covariance: (2, 2) of (s0², θ²) from the expected information; zeros where a part is absent.
    """

    form: Form
    s0: float
    theta: float
    levels: NDArray[np.float64]
    degrees_of_freedom: NDArray[np.float64]
    log_likelihood: float
    covariance: NDArray[np.float64]

    @property
    def parameters(self) -> int:
        """Number of fitted parameters."""
        return 2 if self.form == "both" else 1

    def variance(self, x: ArrayLike) -> NDArray[np.float64]:
        """s² at the levels *x*."""
        return np.asarray(self.sd(x) ** 2)

    def sd(self, x: ArrayLike) -> NDArray[np.float64]:
        """Standard deviation s at the levels *x*."""
        return np.asarray(np.hypot(self.s0, self.theta * np.asarray(x, dtype=np.float64)))

    def degrees_of_freedom_at(self, x: float) -> float:
        r"""Effective degrees of freedom of s at the level *x*, :math:`2 s^4 / \operatorname{var}(s^2)`."""
        unit = float(np.abs(self.levels).max()) or 1.0
        g = np.array([1.0, (x / unit) ** 2])
        scaled = self.covariance * np.outer([1.0, unit**2], [1.0, unit**2])
        doubt = float(g @ scaled @ g)
        return 2.0 * float(self.variance(x)) ** 2 / doubt if doubt > 0 else math.inf


class FormComparison(Struct, frozen=True, kw_only=True):
    """The three forms fitted to the same variances.

    Attributes:
        constant, proportional, both: the fits; None for a form that the data exclude.
        excluded: the forms that the data exclude, each with the reason.
        best: the form that stands.
        likelihood_ratio: 2 (log L of both − log L of the better one-parameter form).
        p: of the likelihood ratio.
        alpha: significance level that the second parameter has to reach.
    """

    constant: VarianceFunction
    proportional: VarianceFunction | None
    both: VarianceFunction | None
    excluded: tuple[tuple[Form, str], ...]
    best: VarianceFunction
    likelihood_ratio: float | None
    p: float | None
    alpha: float


def fit_variance_function(
    levels: ArrayLike, variances: ArrayLike, degrees_of_freedom: ArrayLike, *, form: Form = "both"
) -> VarianceFunction:
    r"""Fit s²(x) = s0² + (θx)² to level variances by maximum likelihood.

    Each s_i² with ν_i degrees of freedom is taken as σ_i² χ²(ν_i)/ν_i (normal signals), so that

    .. math:: -2 \log L = \sum ν_i\,[\log σ^2(x_i) + s_i^2/σ^2(x_i)] + \text{const}.

    Args:
        levels: (k,) levels ≥ 0.
        variances: (k,) s² ≥ 0 of independent preparations at each.
        degrees_of_freedom: (k,) ν, one number for all allowed; entries with ν = 0 are left out.
        form: which parts the function has.

    Raises:
        NotEstimable: too few variances, no scatter at all, or a level 0 that the form cannot hold.
        ValueError: arrays that do not match, negative variances or levels.

    References:
        The form: Eurachem/CITAC Guide CG 4, 3rd ed. 2012, Appendix E.5.  Gamma likelihood of sample
        variances: R. J. Carroll, D. Ruppert, Transformation and Weighting in Regression, 1988, chapter 3
        (both from memory).
    """
    x, s2, nu = _checked(levels, variances, degrees_of_freedom)
    distinct = np.unique(x).size
    if form == "both" and distinct < 2:
        raise NotEstimable("only 1 level with replicates", "replicates at 2 or more levels")
    if form != "constant" and not (s2[x == 0] > 0).all():
        raise NotEstimable(
            "the replicates at level 0 are identical",
            "signals at level 0 recorded with sufficient resolution",
        )
    if form == "proportional" and (x == 0).any():
        raise NotEstimable(
            "a standard deviation proportional to the level is zero at level 0", "levels above 0 only"
        )
    unit = float(x.max()) or 1.0
    z = (x / unit) ** 2
    logit = {"constant": -math.inf, "proportional": math.inf}.get(form)
    if logit is None:
        logit = _best_logit(z, s2, nu)
    # Both shares from the logit: 1 − τ would round a small constant part away.
    constant, growing = float(special.expit(-logit)), float(special.expit(logit))
    shape = constant + growing * z
    total = float((nu * s2 / shape).sum() / nu.sum())
    return VarianceFunction(
        form=form,
        s0=math.sqrt(total * constant),
        theta=math.sqrt(total * growing) / unit,
        levels=x,
        degrees_of_freedom=nu,
        log_likelihood=_log_likelihood(s2, nu, total * shape),
        covariance=_covariance(x / unit, nu, total * shape, unit, form),
    )


def compare_forms(
    levels: ArrayLike, variances: ArrayLike, degrees_of_freedom: ArrayLike, *, alpha: float = 0.05
) -> FormComparison:
    r"""Which form do the variances ask for?

    Of the two one-parameter forms the one of higher likelihood stands, unless adding the other part
    improves the likelihood significantly: the ratio
    :math:`Λ = 2(\log L_{both} - \log L_{one})` is compared with the equal mixture of χ²(0) and χ²(1) that
    holds when the added parameter lies on its boundary under the hypothesis, p = P(χ²(1) > Λ)/2.

    Raises:
        NotEstimable: as ``fit_variance_function`` for the constant form.

    References:
        S. G. Self, K.-Y. Liang, J. Am. Stat. Assoc. 82 (1987) 605–610, case 5 (from memory).
    """
    data = (levels, variances, degrees_of_freedom)
    constant = fit_variance_function(*data, form="constant")
    proportional, why_not_proportional = _attempt(*data, form="proportional")
    both, why_not_both = _attempt(*data, form="both")
    best = constant
    if proportional is not None and proportional.log_likelihood > constant.log_likelihood:
        best = proportional
    ratio = p = None
    if both is not None:
        ratio = max(0.0, 2.0 * (both.log_likelihood - best.log_likelihood))
        p = 0.5 * chi2_upper_tail(ratio, 1) if ratio > 0 else 1.0
        if p < alpha:
            best = both
    return FormComparison(
        constant=constant,
        proportional=proportional,
        both=both,
        excluded=(*why_not_proportional, *why_not_both),
        best=best,
        likelihood_ratio=ratio,
        p=p,
        alpha=alpha,
    )


def _attempt(
    levels: ArrayLike, variances: ArrayLike, nu: ArrayLike, *, form: Form
) -> tuple[VarianceFunction | None, tuple[tuple[Form, str], ...]]:
    """The fit, or the reason why there is none."""
    try:
        return fit_variance_function(levels, variances, nu, form=form), ()
    except NotEstimable as no:
        return None, ((form, no.reason),)


def _checked(levels: ArrayLike, variances: ArrayLike, nu: ArrayLike) -> tuple[Vector, Vector, Vector]:
    """The entries that have degrees of freedom, refused when they hold no scatter."""
    x = vector(levels, "levels")
    s2 = vector(variances, "variances", size=x.size)
    freedom = vector(nu, "degrees_of_freedom", size=x.size)
    if (x < 0).any() or (s2 < 0).any() or (freedom < 0).any():
        message = "levels, variances and degrees of freedom must not be negative"
        raise ValueError(message)
    used = freedom > 0
    if not used.any():
        raise NotEstimable(
            "no level was measured in replicate", "at least 2 independent preparations at some level"
        )
    if not s2[used].any():
        raise NotEstimable("the replicates show no variation", "signals recorded with sufficient resolution")
    return x[used], s2[used], freedom[used]


def _best_logit(z: Vector, s2: Vector, nu: Vector) -> float:
    """Logit of the share τ of the growing part in (1 − τ) + τ z, z = (x/x_max)²; the scale is profiled out.

    The deviance may have several minima in τ, so a grid finds the lowest and bisection of the derivative
    sharpens it.
    """
    tau = special.expit(_LOGITS)[:, None]
    rest = special.expit(-_LOGITS)[:, None]
    shape = rest + tau * z
    deviance = nu.sum() * np.log((nu * s2 / shape).sum(axis=1)) + (nu * np.log(shape)).sum(axis=1)
    at = int(deviance.argmin())
    # Towards an end the deviance is flat: a part that does not lower it there is absent.
    flat = deviance[at] + 1e-12 * max(1.0, abs(float(deviance[at])))
    if deviance[0] <= flat:
        return -math.inf
    if deviance[-1] <= flat:
        return math.inf if z.all() else float(_LOGITS[-1])

    def falls(logit: float) -> bool:
        h = special.expit(-logit) + special.expit(logit) * z
        weight = nu * s2 / h
        growth = (z - 1.0) / h
        return float((nu * growth).sum() / nu.sum()) < float((weight * growth).sum() / weight.sum())

    low, high = float(_LOGITS[at - 1]), float(_LOGITS[at + 1])
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if falls(middle) else (low, middle)
    return 0.5 * (low + high)


def _log_likelihood(s2: Vector, nu: Vector, sigma2: Vector) -> float:
    """Logarithm of the gamma density without its factors in s² alone: they are the same for every form."""
    half = nu / 2
    z = s2 / sigma2
    return float((half * np.log(half) - special.gammaln(half) - half * np.log(sigma2) - half * z).sum())


def _covariance(x: Vector, nu: Vector, sigma2: Vector, unit: float, form: Form) -> NDArray[np.float64]:
    """Inverse expected information of (s0², θ²); x in units of the largest level."""
    half = nu / 2 / sigma2**2
    a, b, c = float(half.sum()), float(half @ x**2), float(half @ x**4)
    covariance = np.zeros((2, 2))
    if form == "constant":
        covariance[0, 0] = 1.0 / a
    elif form == "proportional":
        covariance[1, 1] = 1.0 / c
    else:
        # One minus the squared correlation; all but 0 when a single level carries all the information.
        independent = max(1.0 - (b / a) * (b / c), float(np.finfo(np.float64).eps))
        covariance[:] = np.array([[1.0 / a, -b / a / c], [-b / a / c, 1.0 / c]]) / independent
    back = np.array([1.0, 1.0 / unit**2])
    return covariance * np.outer(back, back)
