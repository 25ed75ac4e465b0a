"""Limit of blank and limit of detection, the pair used in clinical laboratories."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from validator.errors import NotEstimable
from validator.sources import Source
from validator.statistics.detection.intervals import (
    DRAWS,
    coefficient_draws,
    level_draws,
    sigma_draws,
    simulated,
)
from validator.statistics.detection.multiples import result_of
from validator.statistics.detection.result import BLANKS_NOT_NORMAL, ONE_SERIES
from validator.statistics.detection.scatter import (
    LOW_LEVEL,
    Scatter,
    blank_results,
    calibration,
    low_level_samples,
    refuse_censored,
    scattered,
)
from validator.statistics.distributions import normal_quantile
from validator.statistics.residuals import shapiro_wilk

if TYPE_CHECKING:
    from validator.statistics.detection.inputs import Array, DetectionInputs
    from validator.statistics.detection.result import LimitResult
    from validator.statistics.sample import Sample

LOB_LOD = Source("D. A. Armbruster, T. Pry, Clin. Biochem. Rev. 29 Suppl. 1 (2008) S49-S52", "memory")
NORMALITY_LEVEL = 0.05
DECIMALS = 3
"""Of z, as the document prints it: 1.645."""


class _LimitOfBlank(NamedTuple):
    """LoB with draws of it, and how it was found."""

    value: float
    draws: Array
    note: str
    numbers: dict[str, float]
    cautions: tuple[str, ...]


def lob_lod(inputs: DetectionInputs) -> LimitResult:
    r"""Limit of blank and limit of detection.

    .. math:: LoB = \bar x_B + c_B s_B, \qquad LoD = LoB + c_L s_L, \qquad c = \frac{z}{1 - 1/(4\nu)}

    with z = z(1−α) for the blank and z(1−β) for the low-level samples, to three decimals as the document
    prints it (1.645 at 5 %).  The standard deviations of the low-level samples are pooled with ν = L − J
    (results minus samples).  1/(1 − 1/(4ν)) undoes the bias of s.  Where blanks are censored, or Shapiro–Wilk
    rejects normality at 5 %, LoB is the blank of rank 0.5 + (1−α) n_B, interpolated; censored blanks count as
    lower than every numerical one.

    Raises:
        NotEstimable: no blanks or no low-level samples with replicates; results all equal, or low-level ones
            censored; too few numerical blanks for the rank.

    References:
        D. A. Armbruster, T. Pry, Clin. Biochem. Rev. 29 Suppl. 1 (2008) S49.
    """
    low = _pooled(inputs)
    generator = np.random.default_rng(inputs.seed)
    blank = _limit_of_blank(inputs, generator)
    c_low = unbiased_factor(1 - inputs.beta, low.degrees_of_freedom)
    lod = blank.value + c_low * low.sd
    draws = blank.draws + c_low * low.sd * sigma_draws(low.degrees_of_freedom, generator)
    return result_of(
        low,
        critical_level=simulated(blank.value, blank.draws, inputs.confidence, blank.numbers["n_blanks"] - 1),
        detection_limit=simulated(lod, draws, inputs.confidence, low.degrees_of_freedom),
        k=c_low,
        source=LOB_LOD,
        notes=(blank.note,),
        numbers={"alpha": inputs.alpha, "beta": inputs.beta, "c_low": c_low, **blank.numbers},
        cautions=blank.cautions,
    )


def unbiased_factor(probability: float, nu: float) -> float:
    """z(probability)/(1 − 1/(4ν)): multiple of s that estimates the quantile of a normal distribution."""
    return round(normal_quantile(probability), DECIMALS) / (1.0 - 1.0 / (4.0 * nu))


def rank_quantile(ordered: Array, probability: float) -> float:
    """Value of rank 0.5 + probability·n in *ordered* values, interpolated between neighbours.

    Raises:
        NotEstimable: the rank lies outside 1 … n.
    """
    n = ordered.size
    rank = 0.5 + probability * n
    # Products like 0.95·10 come out a few bits above the whole number they stand for.
    if not 1.0 <= rank <= n * (1 + 1e-12):
        needed = math.ceil(0.5 / (1 - probability) - 1e-9)
        raise NotEstimable(
            f"{n} blanks are too few for a non-parametric limit of blank", f"at least {needed} blanks"
        )
    below = min(int(rank), n)
    above = min(below + 1, n)
    return float(ordered[below - 1] + (rank - below) * (ordered[above - 1] - ordered[below - 1]))


def _limit_of_blank(inputs: DetectionInputs, generator: np.random.Generator) -> _LimitOfBlank:
    results = np.sort(blank_results(inputs))
    if results.size + inputs.blanks_censored == 0:
        raise NotEstimable("no blanks are available", "at least 20, preferably 60, blanks on several days")
    limit = _from_results(inputs, results, generator)
    return limit if inputs.blank_concentrations is not None else _read_again(inputs, limit, generator)


def _from_results(inputs: DetectionInputs, results: Array, generator: np.random.Generator) -> _LimitOfBlank:
    if inputs.blanks_censored:
        return _by_rank(inputs, results, generator)
    sample = scattered(results, "blank", "at least 20, preferably 60, blanks on several days")
    if _is_normal(results):
        return _by_moments(inputs, sample, generator)
    return _by_rank(inputs, results, generator)


def _read_again(
    inputs: DetectionInputs, limit: _LimitOfBlank, generator: np.random.Generator
) -> _LimitOfBlank:
    """Draws of a limit that was read from signals, read again on drawn calibration functions."""
    fit = calibration(inputs)
    bounded = np.isfinite(limit.draws)
    draws = limit.draws.copy()
    signals = fit.predict(limit.draws[bounded])
    draws[bounded] = level_draws(fit, signals, coefficient_draws(fit, generator, signals.size))
    return limit._replace(draws=draws)


def _by_moments(inputs: DetectionInputs, sample: Sample, generator: np.random.Generator) -> _LimitOfBlank:
    s, nu = sample.sd or 0.0, sample.degrees_of_freedom
    c = unbiased_factor(1 - inputs.alpha, nu)
    sigma = s * sigma_draws(nu, generator)
    mean = sample.mean + sigma * generator.standard_normal(sigma.size) / math.sqrt(sample.n)
    return _LimitOfBlank(
        value=sample.mean + c * s,
        draws=mean + c * sigma,
        note="The limit of blank is the mean of the blanks plus c times their standard deviation.",
        numbers={"n_blanks": float(sample.n), "mean_blank": sample.mean, "sd_blank": s, "c_blank": c},
        cautions=_series_caution(inputs),
    )


def _by_rank(inputs: DetectionInputs, numerical: Array, generator: np.random.Generator) -> _LimitOfBlank:
    """LoB by rank.

    The number of blanks below the quantile is binomial: a draw of it puts the quantile between two
    neighbours, and outside of all values when none or all lie below.
    """
    censored = inputs.blanks_censored
    ordered = np.concatenate([np.full(censored, -np.inf), numerical])
    rank = 0.5 + (1 - inputs.alpha) * ordered.size
    if int(rank) <= censored:
        raise NotEstimable(
            "the percentile used for the limit of blank is a blank without a numerical value",
            "the measured values of all blanks, including negative values",
        )
    value = rank_quantile(ordered, 1 - inputs.alpha)
    n = ordered.size
    below = generator.binomial(n, 1 - inputs.alpha, DRAWS)
    draws = np.where(below < n, -np.inf, np.inf)
    between = (below > censored) & (below < n)
    lower, upper = ordered[below[between] - 1], ordered[below[between]]
    draws[between] = lower + generator.random(lower.size) * (upper - lower)
    return _LimitOfBlank(
        value=value,
        draws=draws,
        note=(
            "The limit of blank was determined by rank because the blanks are not normally "
            "distributed or some gave no value."
        ),
        numbers={
            "n_blanks": float(n),
            "blanks_censored": float(censored),
            "rank": rank,
        },
        cautions=(*_series_caution(inputs), BLANKS_NOT_NORMAL),
    )


def _is_normal(results: Array) -> bool:
    """Shapiro–Wilk does not reject normality; fewer than 3 results pass, more than 5000 go by rank."""
    try:
        p = shapiro_wilk(results).p
    except NotEstimable:
        return results.size < 3
    return p is None or p >= NORMALITY_LEVEL


def _pooled(inputs: DetectionInputs) -> Scatter:
    r"""Pooled standard deviation of the low-level samples, :math:`s_L^2 = \sum \nu_i s_i^2/\sum \nu_i`."""
    needs = "at least 20 results of low-level samples over several days"
    found = low_level_samples(inputs, needs)
    for sample in found:
        refuse_censored(sample)
    samples = [sample.concentrations for sample in found if sample.n > 1]
    if not samples:
        raise NotEstimable("no replicates of a low-level sample are available", needs)
    nu = sum(values.size - 1 for values in samples)
    squares = [float(((values - values.mean()) ** 2).sum()) for values in samples if np.ptp(values) > 0]
    if not squares:
        raise NotEstimable(
            "all results of each low-level sample are identical",
            "results recorded with their full resolution",
        )
    return Scatter(
        sd=math.sqrt(sum(squares) / nu),
        degrees_of_freedom=nu,
        n=sum(values.size for values in samples),
        unit="concentration",
        source=LOW_LEVEL,
    )


def _series_caution(inputs: DetectionInputs) -> tuple[str, ...]:
    return () if inputs.blank_series is not None and len(set(inputs.blank_series)) > 1 else (ONE_SERIES,)
