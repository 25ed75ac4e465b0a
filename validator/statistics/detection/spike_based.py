"""Limits from samples with little analyte: Eurachem, and the method detection limit of 40 CFR 136."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from msgspec.structs import replace

from validator.errors import NotEstimable
from validator.sources import Source
from validator.statistics.detection.intervals import doubt_of, proportional, sigma_draws, simulated
from validator.statistics.detection.multiples import EURACHEM, multiples_of_sigma, result_of
from validator.statistics.detection.result import DESIGN_NOT_MET, LEVEL_FAR_FROM_LIMIT, ONE_SERIES
from validator.statistics.detection.scatter import (
    BLANKS,
    LOW_LEVEL,
    Scatter,
    blank_results,
    low_level_samples,
    lowest_sample,
    refuse_censored,
    scattered,
)
from validator.statistics.distributions import t_quantile
from validator.statistics.interval import Estimate
from validator.statistics.sample import summarise

if TYPE_CHECKING:
    from collections.abc import Hashable, Sequence

    from validator.statistics.detection.inputs import DetectionInputs, LowLevelSample
    from validator.statistics.detection.result import LimitResult

CFR_136 = Source("40 CFR Part 136, Appendix B, Revision 2 (2017), section II(2)(d)", "memory")
MDL_CONFIDENCE = 0.99
MDL_RESULTS = 7
MDL_BATCHES = 3
MANY_BLANKS = 100
MINIMUM_LEVEL = 3.18
"""Quantification limit over method detection limit: 10 s for seven results, 10/3.143 (common practice)."""
LEVEL_OVER_LIMIT = (1.0, 10.0)


def low_level_3s(inputs: DetectionInputs) -> LimitResult:
    r"""Three and ten standard deviations of a routine result of a sample with little analyte.

    .. math:: x_D = 3 s_0', \quad x_Q = 10 s_0', \qquad
              s_0' = s_0 \sqrt{1/m + 1/n_b} \text{ or } s_0/\sqrt m

    with s_0 from the results of the lowest sample; the first form where routine results are blank-corrected.

    Raises:
        NotEstimable: no low-level sample, fewer than two results, results all equal or some censored;
            blank-corrected results with no number of blanks.

    References:
        Eurachem Guide, The Fitness for Purpose of Analytical Methods, 2nd ed. 2014, 6.2.
    """
    lowest = lowest_sample(inputs)
    single = _scatter(lowest)
    factor = 1.0 / inputs.replicates_for_sample
    numbers = {
        "single_sd": single.sd,
        "level": lowest.level,
        "replicates_for_sample": float(inputs.replicates_for_sample),
    }
    if inputs.blanks_blank_corrected:
        n_blanks = inputs.blanks_per_correction or blank_results(inputs).size
        if not n_blanks:
            raise NotEstimable("the number of blanks used for blank correction is not known", "blanks")
        factor += 1.0 / n_blanks
        numbers["blanks_per_correction"] = float(n_blanks)
    limit = 3.0 * single.sd * math.sqrt(factor)
    result = multiples_of_sigma(
        inputs,
        single.scaled(math.sqrt(factor)),
        detection=3.0,
        quantification=10.0,
        source=EURACHEM,
        notes=("Sigma is that of a routine result of the sample with the least analyte.",),
        numbers={**numbers, "variance_factor": factor, "level_over_limit": lowest.level / limit},
    )
    return _with_level_caution(result, lowest.level / limit)


class _BlankPart(NamedTuple):
    """Method detection limit from blanks, by which rule, with what is known of its scatter."""

    value: float | None
    rule: str
    scatter: Scatter | None = None
    k: float | None = None


def epa_mdl(inputs: DetectionInputs) -> LimitResult:
    r"""Method detection limit: the larger of the one from spiked samples and the one from method blanks.

    .. math:: MDL_S = t_{0.99,\,n-1}\, s_S, \qquad MDL_B = \max(\bar x_B, 0) + t_{0.99,\,n_B-1}\, s_B

    Blanks without any numerical result give no MDL_B; when some are numerical MDL_B is the highest of them,
    or with more than 100 blanks the result of rank round(0.99 n_B).  The value is a critical level: a true
    concentration equal to it is missed half the time.

    The document asks for 7 spiked samples and 7 method blanks, each over 3 batches.  Without blanks, or with
    fewer batches, the limit that the data give is computed with a caution: it is not that of the document.

    Raises:
        NotEstimable: fewer than 7 spiked samples, one of them without a result above zero, or all equal.

    References:
        40 CFR Part 136, Appendix B, Revision 2 (2017), II(2)(d); χ² limits as in revision 1.11.
    """
    spikes = _spikes(inputs)
    scatter = _scatter(spikes)
    t = t_quantile(MDL_CONFIDENCE, scatter.degrees_of_freedom)
    mdl_spikes = t * scatter.sd
    blanks = _blank_part(inputs)
    if blanks.value is not None and blanks.value > mdl_spikes:
        decided = "Determined by the blanks."
        limit, scatter, k = _from_blanks(inputs, blanks, blanks.value), blanks.scatter or scatter, blanks.k
    else:
        decided = "Determined by the spiked samples."
        doubt = doubt_of(scatter, inputs.confidence, inputs.seed)
        limit, k = proportional(mdl_spikes, doubt, scatter.degrees_of_freedom), t
    numbers = {
        "n_spikes": float(spikes.n),
        "level": spikes.level,
        "t_spikes": t,
        "mdl_spikes": mdl_spikes,
        "n_blanks": float(blank_results(inputs).size + inputs.blanks_censored),
        "blanks_censored": float(inputs.blanks_censored),
        "level_over_limit": spikes.level / limit.value,
    }
    if blanks.value is not None:
        numbers["mdl_blanks"] = blanks.value
    numbers["batches_of_spikes"] = float(_batches(spikes.series))
    numbers["batches_of_blanks"] = float(_batches(inputs.blank_series))
    missing = _missing(inputs, spikes)
    result = result_of(
        scatter,
        detection_limit=limit,
        quantification_limit=limit.scaled(MINIMUM_LEVEL),
        k=k,
        quantification_k=None if k is None else MINIMUM_LEVEL * k,
        source=CFR_136,
        notes=(
            decided,
            blanks.rule,
            *((f"The design does not meet the requirements of the document: {missing}.",) if missing else ()),
            "An analyte content equal to this limit remains undetected with a probability of about 50 %.",
            "The quantification limit is 3.18 times the detection limit (common practice).",
        ),
        numbers=numbers,
        cautions=(DESIGN_NOT_MET,) if missing else (),
    )
    return _with_level_caution(result, spikes.level / limit.value)


def _spikes(inputs: DetectionInputs) -> LowLevelSample:
    """The lowest spiked sample with enough results, checked against the design the document asks for."""
    needs = f"at least {MDL_RESULTS} spiked samples in at least {MDL_BATCHES} batches"
    samples = low_level_samples(inputs, needs)
    enough = [s for s in samples if s.n >= MDL_RESULTS]
    spikes = min(enough, key=lambda s: s.level) if enough else lowest_sample(inputs)
    if spikes.n < MDL_RESULTS:
        raise NotEstimable(f"only {spikes.n} results of spiked samples are available", needs)
    if spikes.censored or not (spikes.concentrations > 0).all():
        raise NotEstimable(
            "a spiked sample gave a result of zero or below", "spiked samples at a higher level"
        )
    return spikes


def _missing(inputs: DetectionInputs, spikes: LowLevelSample) -> str:
    """What the design lacks beside that of the document; empty where it lacks nothing."""
    n_blanks = blank_results(inputs).size + inputs.blanks_censored
    parts = [_batches_missing(spikes.series, "spiked sample")]
    if n_blanks:
        parts.append(f"there are {n_blanks} method blanks" if n_blanks < MDL_RESULTS else "")
        parts.append(_batches_missing(inputs.blank_series, "method blank"))
    else:
        parts.append("there are no method blanks")
    return ", ".join(part for part in parts if part)


def _batches_missing(series: Sequence[Hashable] | None, what: str) -> str:
    if series is None:
        return f"the batch of each {what} is not recorded"
    batches = _batches(series)
    if batches >= MDL_BATCHES:
        return ""
    return f"the {what}s come from {batches} batch{'es' if batches > 1 else ''}"


def _batches(series: Sequence[Hashable] | None) -> int:
    """Number of batches; 0 where they are not recorded."""
    return 0 if series is None else len(set(series))


def _blank_part(inputs: DetectionInputs) -> _BlankPart:
    numerical = np.sort(blank_results(inputs))
    censored = inputs.blanks_censored
    n = numerical.size + censored
    if numerical.size == 0:
        return _BlankPart(None, ("No blank gave a numerical result, so no limit can be derived from blanks."))
    if n == 1:
        return _BlankPart(None, "A single blank has no standard deviation, so there is no limit from blanks.")
    if censored and n > MANY_BLANKS:
        rank = math.floor(0.99 * n + 0.5) - censored
        if rank < 1:
            return _BlankPart(None, "The 99th percentile of the blanks is not a numerical result.")
        rule = "Some blanks gave no numerical result: the limit from blanks is their 99th percentile."
        return _BlankPart(float(numerical[rank - 1]), rule)
    if censored:
        rule = "Some blanks gave no numerical result: the limit from blanks is the highest result."
        return _BlankPart(float(numerical[-1]), rule)
    sample = summarise(numerical)
    t = t_quantile(MDL_CONFIDENCE, sample.degrees_of_freedom)
    sd = sample.sd or 0.0
    scatter = Scatter(
        sd=sd,
        degrees_of_freedom=sample.degrees_of_freedom,
        n=sample.n,
        mean=sample.mean,
        unit="concentration",
        source=BLANKS,
    )
    rule = "All blanks gave numerical results: the limit from blanks is their mean (not below zero) plus t·s."
    return _BlankPart(max(sample.mean, 0.0) + t * sd, rule, scatter if sd else None, t)


def _from_blanks(inputs: DetectionInputs, blanks: _BlankPart, value: float) -> Estimate:
    """MDL_B with an interval where a standard deviation carries it."""
    scatter, k = blanks.scatter, blanks.k
    if scatter is None or k is None:
        return Estimate(value=value)
    generator = np.random.default_rng(inputs.seed)
    sigma = scatter.sd * sigma_draws(scatter.degrees_of_freedom, generator)
    mean = scatter.mean + sigma * generator.standard_normal(sigma.size) / math.sqrt(scatter.n)
    draws = np.maximum(mean, 0.0) + k * sigma
    return simulated(value, draws, inputs.confidence, scatter.degrees_of_freedom)


def _scatter(sample: LowLevelSample) -> Scatter:
    refuse_censored(sample)
    found = scattered(sample.concentrations, "low-level result", "at least 10 independent low-level results")
    return Scatter(
        sd=found.sd or 0.0,
        degrees_of_freedom=found.degrees_of_freedom,
        n=found.n,
        mean=found.mean,
        unit="concentration",
        source=LOW_LEVEL,
        cautions=(ONE_SERIES,) if sample.series is not None and len(set(sample.series)) == 1 else (),
    )


def _with_level_caution(result: LimitResult, level_over_limit: float) -> LimitResult:
    lowest, highest = LEVEL_OVER_LIMIT
    if lowest <= level_over_limit <= highest:
        return result
    return replace(result, cautions=(*result.cautions, LEVEL_FAR_FROM_LIMIT))
