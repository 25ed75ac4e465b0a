"""Limits from low-level samples, and the method detection limit."""

import math

import numpy as np
import pytest
from msgspec.structs import replace
from scipy import stats

from validator.errors import NotEstimable
from validator.statistics.detection import VARIANTS, DetectionInputs, LowLevelSample

SPIKES = np.array([2.1, 1.8, 2.4, 2.0, 1.7, 2.3, 2.2])
BATCHES = ("a", "a", "a", "b", "b", "c", "c")
CLEAN_BLANKS = np.array([0.02, -0.03, 0.05, 0.01, -0.02, 0.03, 0.00])


@pytest.fixture
def spiked():
    """Seven spikes at 2 and seven clean blanks over three batches."""
    return DetectionInputs(
        low_level=(LowLevelSample(level=2.0, concentrations=SPIKES, series=BATCHES),),
        blank_concentrations=CLEAN_BLANKS,
        blank_series=BATCHES,
    )


def limits(variant, inputs):
    return VARIANTS[variant].limits(inputs)


@pytest.mark.parametrize(("corrected", "m", "factor"), [(False, 2, 1 / 2), (True, 2, 1 / 2 + 1 / 7)])
def test_low_level_sample(spiked, corrected, m, factor):
    """Three and ten times s0' of the lowest sample."""
    result = limits(
        "low_level_3s", replace(spiked, replicates_for_sample=m, blanks_blank_corrected=corrected)
    )
    s = np.std(SPIKES, ddof=1) * math.sqrt(factor)

    assert result.detection_limit.value == pytest.approx(3 * s)
    assert result.quantification_limit.value == pytest.approx(10 * s)


def test_the_lowest_sample_is_used(spiked):
    """With several low-level samples the one with the least analyte gives the limit."""
    high = LowLevelSample(level=5.0, concentrations=10 * SPIKES)
    result = limits("low_level_3s", replace(spiked, low_level=(high, *spiked.low_level)))

    assert result.inputs["level"] == 2.0
    assert result.sigma == pytest.approx(np.std(SPIKES, ddof=1))


def test_correction_with_an_unknown_number_of_blanks(spiked):
    """A blank-corrected result needs to know with how many blanks."""
    inputs = replace(spiked, blanks_blank_corrected=True, blank_concentrations=None)
    with pytest.raises(NotEstimable, match=("the number of blanks used for blank correction is not known")):
        limits("low_level_3s", inputs)


def test_sample_far_above_the_limit_is_flagged(spiked):
    """A level more than ten times the limit says little about the scatter at the limit."""
    far = replace(spiked.low_level[0], level=100.0)

    assert "level_far_from_limit" in limits("low_level_3s", replace(spiked, low_level=(far,))).cautions
    assert "level_far_from_limit" not in limits("low_level_3s", spiked).cautions


def test_mdl_from_spikes(spiked):
    """Clean blanks leave the decision to the spikes: t(0.99, n−1)·s, with chi-squared limits."""
    result = limits("epa_mdl", spiked)
    s = np.std(SPIKES, ddof=1)
    mdl = stats.t.ppf(0.99, 6) * s

    assert result.detection_limit.value == pytest.approx(mdl)
    assert result.quantification_limit.value == pytest.approx(3.18 * mdl)
    assert result.detection_limit.interval.lower == pytest.approx(
        mdl * math.sqrt(6 / stats.chi2.ppf(0.975, 6))
    )
    assert result.detection_limit.interval.upper == pytest.approx(
        mdl * math.sqrt(6 / stats.chi2.ppf(0.025, 6))
    )
    assert result.inputs["level_over_limit"] == pytest.approx(2.0 / mdl)
    assert result.note.startswith("Determined by the spiked samples.")


def test_mdl_from_blanks_with_results(spiked):
    """Blanks that all have results give their mean plus t·s, and decide when that is larger."""
    blanks = CLEAN_BLANKS + 3
    result = limits("epa_mdl", replace(spiked, blank_concentrations=blanks))
    expected = blanks.mean() + stats.t.ppf(0.99, 6) * np.std(blanks, ddof=1)

    assert result.detection_limit.value == pytest.approx(expected)
    assert result.detection_limit.value in result.detection_limit.interval
    assert result.sigma == pytest.approx(np.std(blanks, ddof=1))
    assert result.note.startswith("Determined by the blanks.")


def test_negative_mean_of_blanks_counts_as_zero(spiked):
    """A negative mean does not lower the limit from blanks."""
    blanks = 20 * CLEAN_BLANKS - 5
    result = limits("epa_mdl", replace(spiked, blank_concentrations=blanks))

    assert result.inputs["mdl_blanks"] == pytest.approx(stats.t.ppf(0.99, 6) * np.std(blanks, ddof=1))


def test_interval_of_blanks_with_a_negative_mean(spiked):
    """A mean far below zero leaves the chi-squared interval of t·s alone."""
    blanks = 200 * CLEAN_BLANKS - 50
    limit = limits("epa_mdl", replace(spiked, blank_concentrations=blanks)).detection_limit
    assert limit.value == pytest.approx(stats.t.ppf(0.99, 6) * np.std(blanks, ddof=1))

    assert limit.interval.lower == pytest.approx(
        limit.value * math.sqrt(6 / stats.chi2.ppf(0.975, 6)), rel=0.02
    )
    assert limit.interval.upper == pytest.approx(
        limit.value * math.sqrt(6 / stats.chi2.ppf(0.025, 6)), rel=0.05
    )


def test_no_blank_with_a_result(spiked):
    """Blanks without any numerical result give no limit: the spikes decide alone."""
    inputs = replace(spiked, blank_concentrations=np.empty(0), blanks_censored=7)
    result = limits("epa_mdl", inputs)

    assert "mdl_blanks" not in result.inputs
    assert result.detection_limit.value == pytest.approx(stats.t.ppf(0.99, 6) * np.std(SPIKES, ddof=1))


def test_some_blanks_with_results(spiked):
    """When some blanks have results the highest of them is the limit from blanks."""
    inputs = replace(
        spiked,
        blank_concentrations=np.array([0.4, 6.1, 0.2]),
        blanks_censored=5,
        blank_series=(*BATCHES, "c"),
    )
    result = limits("epa_mdl", inputs)

    assert result.inputs["mdl_blanks"] == 6.1
    assert result.detection_limit.value == 6.1
    assert result.detection_limit.interval is None
    assert result.k is None


def test_percentile_among_blanks_without_results(spiked):
    """With very few results among many blanks the 99th percentile has no value and gives no limit."""
    inputs = replace(
        spiked,
        blank_concentrations=np.array([9.0]),
        blanks_censored=299,
        blank_series=tuple("abc" * 100),
    )

    assert "mdl_blanks" not in limits("epa_mdl", inputs).inputs


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"low_level": ()}, "no low-level samples are available"),
        (
            {"low_level": (LowLevelSample(level=2.0, concentrations=SPIKES[:6], series=BATCHES[:6]),)},
            "only 6 results of spiked samples are available",
        ),
        (
            {"low_level": (LowLevelSample(level=2.0, concentrations=SPIKES - 1.7, series=BATCHES),)},
            "a spiked sample gave a result of zero or below",
        ),
        (
            {"low_level": (LowLevelSample(level=2.0, concentrations=np.full(7, 2.0), series=BATCHES),)},
            "all low-level result values are identical",
        ),
    ],
)
def test_spikes_that_carry_no_limit(spiked, change, reason):
    """Fewer than seven spiked samples, or spikes without a result, give no limit."""
    with pytest.raises(NotEstimable, match=reason):
        limits("epa_mdl", replace(spiked, **change))


@pytest.mark.parametrize(
    ("change", "missing"),
    [
        (
            {"low_level": (LowLevelSample(level=2.0, concentrations=SPIKES),)},
            "the batch of each spiked sample is not recorded",
        ),
        (
            {
                "low_level": (
                    LowLevelSample(level=2.0, concentrations=SPIKES, series=("a",) * 4 + ("b",) * 3),
                )
            },
            "the spiked samples come from 2 batches",
        ),
        (
            {"blank_concentrations": CLEAN_BLANKS[:5], "blank_series": BATCHES[:5]},
            "there are 5 method blanks",
        ),
        ({"blank_concentrations": None, "blank_series": None}, "there are no method blanks"),
        ({"blank_series": None}, "the batch of each method blank is not recorded"),
        ({"blank_series": ("a",) * 7}, "the method blanks come from 1 batch"),
    ],
)
def test_a_smaller_design_than_that_of_the_document_is_flagged(spiked, change, missing):
    """The limit of the spikes stands with a caution where blanks or batches are missing."""
    full, smaller = limits("epa_mdl", spiked), limits("epa_mdl", replace(spiked, **change))

    assert "design_below_document" not in full.cautions
    assert "design_below_document" in smaller.cautions
    assert f"The design does not meet the requirements of the document: {missing}" in smaller.note
    assert smaller.detection_limit.value == pytest.approx(stats.t.ppf(0.99, 6) * np.std(SPIKES, ddof=1))


def test_few_blanks_still_raise_the_limit(spiked):
    """Blanks that show contamination count, however few: three of about 2 outweigh the spikes."""
    blanks = np.array([1.8, 2.0, 2.3])
    result = limits("epa_mdl", replace(spiked, blank_concentrations=blanks, blank_series=BATCHES[:3]))

    expected = blanks.mean() + stats.t.ppf(0.99, 2) * np.std(blanks, ddof=1)
    assert result.detection_limit.value == pytest.approx(expected)
    assert "design_below_document" in result.cautions


def test_a_single_blank_gives_no_limit_of_its_own(spiked):
    """One blank has no standard deviation; the spikes decide, with the caution."""
    result = limits(
        "epa_mdl", replace(spiked, blank_concentrations=CLEAN_BLANKS[:1], blank_series=BATCHES[:1])
    )

    assert "mdl_blanks" not in result.inputs
    assert "A single blank" in result.note


def test_blank_signals_become_results(study):
    """Blanks on the signal axis are read on the calibration."""
    assert limits("epa_mdl", study).inputs["n_blanks"] == 10


def test_spike_within_ten_times_the_limit(spiked):
    """A spike above ten times the limit found, or below it, is flagged."""
    for level, flagged in ((2.0, False), (0.2, True), (20.0, True)):
        sample = replace(spiked.low_level[0], level=level)
        result = limits("epa_mdl", replace(spiked, low_level=(sample,)))
        assert ("level_far_from_limit" in result.cautions) is flagged


@pytest.mark.parametrize("variant", ["low_level_3s", "lob_lod"])
def test_censored_low_level_results_carry_no_standard_deviation(spiked, variant):
    """The standard deviation of what is left after censoring would be too small: none is given."""
    sample = replace(spiked.low_level[0], censored=3)
    with pytest.raises(
        NotEstimable,
        match=("3 of 10 results of the low-level sample at level 2 are reported only as less than a limit"),
    ):
        limits(variant, replace(spiked, low_level=(sample,)))


def test_censored_spike_is_no_result_above_zero(spiked):
    """40 CFR 136, App. B, II(2)(c): a spiked sample without a numerical result asks for a higher level."""
    sample = replace(spiked.low_level[0], censored=1, series=(*BATCHES, "c"))
    with pytest.raises(NotEstimable, match="a spiked sample gave a result of zero or below"):
        limits("epa_mdl", replace(spiked, low_level=(sample,)))


@pytest.mark.parametrize("variant", ["low_level_3s", "epa_mdl", "lob_lod"])
def test_signals_that_cannot_be_read_say_why(spiked, variant):
    """Low-level samples on the signal axis without a calibration are there: the reason is the calibration."""
    refusal = NotEstimable("the signal is the same at every level", "a signal that changes")
    inputs = replace(spiked, low_level=(), low_level_refusal=refusal)
    with pytest.raises(
        NotEstimable,
        match="no results of the low-level samples are available: the signal is the same at every level",
    ) as found:
        limits(variant, inputs)
    assert found.value.needs == "a signal that changes"
