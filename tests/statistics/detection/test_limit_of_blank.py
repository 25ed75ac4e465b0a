"""Limit of blank and limit of detection."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from scipy import stats

from validator.errors import NotEstimable
from validator.statistics.detection import VARIANTS, DetectionInputs, LowLevelSample
from validator.statistics.detection.limit_of_blank import rank_quantile, unbiased_factor

GENERATOR = np.random.default_rng(4)
NORMAL = GENERATOR.normal(0.1, 0.05, 60)
SKEWED = np.exp(GENERATOR.normal(-3, 1, 60))
LOW = tuple(
    LowLevelSample(level=level, concentrations=GENERATOR.normal(level, 0.06, 12)) for level in (0.2, 0.3, 0.4)
)
DAYS = tuple("abc" * 20)


def limits(inputs):
    return VARIANTS["lob_lod"].limits(inputs)


def study_with(blanks, **changes):
    return DetectionInputs(blank_concentrations=blanks, blank_series=DAYS, low_level=LOW, **changes)


def test_normal_blanks():
    """LoB = mean + c·s of the blanks, LoD = LoB + c·s pooled over the low-level samples."""
    result = limits(study_with(NORMAL))
    pooled = np.sqrt(np.mean([np.var(sample.concentrations, ddof=1) for sample in LOW]))
    lob = NORMAL.mean() + 1.645 / (1 - 1 / (4 * 59)) * np.std(NORMAL, ddof=1)

    assert result.critical_level.value == pytest.approx(lob, rel=1e-12)
    assert result.detection_limit.value == pytest.approx(lob + 1.645 / (1 - 1 / (4 * 33)) * pooled, rel=1e-12)
    assert result.degrees_of_freedom == 33
    assert result.critical_level.value in result.critical_level.interval
    assert result.detection_limit.value in result.detection_limit.interval


@pytest.mark.parametrize("nu", [5, 10, 30, 100])
def test_factor_undoes_the_bias_of_the_standard_deviation(nu):
    """1/(1 − 1/(4ν)) is 1/c4 to three digits."""
    c4 = stats.chi.mean(nu) / np.sqrt(nu)

    assert unbiased_factor(0.95, nu) * c4 == pytest.approx(stats.norm.ppf(0.95), rel=2e-3)


def test_skewed_blanks_go_by_rank():
    """Where normality is rejected LoB is the blank of rank 0.5 + 0.95·60 = 57.5."""
    assert stats.shapiro(SKEWED).pvalue < 0.05
    result = limits(study_with(SKEWED))
    ordered = np.sort(SKEWED)

    assert result.critical_level.value == pytest.approx((ordered[56] + ordered[57]) / 2)
    assert result.inputs["rank"] == pytest.approx(57.5)
    assert "blanks_not_normal" in result.cautions


def test_upper_limit_is_open_where_the_blanks_cannot_bound_it():
    """Sixty blanks do not bound their 95th percentile with 97.5 %; two hundred do."""
    few, many = study_with(SKEWED), study_with(np.exp(np.random.default_rng(5).normal(-3, 1, 200)))

    assert np.isinf(limits(few).critical_level.interval.upper)
    assert np.isfinite(limits(few).critical_level.interval.lower)
    assert np.isfinite(limits(many).critical_level.interval.upper)


def test_censored_blanks_count_as_the_lowest():
    """Blanks without a value take the lowest ranks."""
    numerical = np.sort(NORMAL)[40:]
    result = limits(study_with(numerical, blanks_censored=40))
    ordered = np.sort(NORMAL)

    assert result.critical_level.value == pytest.approx((ordered[56] + ordered[57]) / 2)
    assert result.inputs["n_blanks"] == 60


def test_limit_of_blank_among_censored_blanks():
    """When the rank falls among blanks without a value there is no limit."""
    with pytest.raises(
        NotEstimable,
        match=("the percentile used for the limit of blank is a blank without a numerical value"),
    ):
        limits(study_with(np.array([0.3, 0.4]), blanks_censored=58))


def test_too_few_blanks_for_a_rank():
    """Nine skewed blanks hold no rank 9.05; ten do."""
    with pytest.raises(NotEstimable, match="9 blanks are too few") as refusal:
        rank_quantile(np.arange(9.0), 0.95)
    assert refusal.value.needs == "at least 10 blanks"
    assert rank_quantile(np.arange(10.0), 0.95) == pytest.approx(9.0)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(-1e6, 1e6), min_size=10, max_size=200))
def test_rank_agrees_with_the_hazen_percentile(values):
    """Rank 0.5 + p·n is Hazen's plotting position, as numpy computes it."""
    ordered = np.sort(values)

    assert rank_quantile(ordered, 0.95) == pytest.approx(
        float(np.quantile(ordered, 0.95, method="hazen")), rel=1e-9, abs=1e-6
    )


def test_signals_bring_the_doubt_of_the_slope(study):
    """Blanks read on a calibration have wider limits than the same values given as results."""
    from validator.statistics.detection.scatter import blank_results

    steep = replace(study, low_level=LOW)
    as_results = replace(steep, blank_concentrations=blank_results(steep))
    by_signal, by_result = limits(steep), limits(as_results)

    assert by_signal.critical_level.value == pytest.approx(by_result.critical_level.value)
    assert by_signal.critical_level.interval.lower < by_result.critical_level.interval.lower


def test_skewed_signals(study):
    """Open limits of skewed blanks survive the way through the calibration."""
    signals = 0.01 + 0.5 * SKEWED
    result = limits(replace(study, blank_signals=signals, low_level=LOW))

    assert np.isinf(result.critical_level.interval.upper)
    assert np.isfinite(result.detection_limit.value)


@pytest.mark.parametrize(
    ("inputs", "reason"),
    [
        (DetectionInputs(low_level=LOW), "no blanks are available"),
        (DetectionInputs(blank_concentrations=NORMAL), "no low-level samples are available"),
        (
            DetectionInputs(blank_concentrations=np.full(20, 0.1), low_level=LOW),
            "all blank values are identical",
        ),
        (
            DetectionInputs(
                blank_concentrations=NORMAL,
                low_level=(LowLevelSample(level=0.2, concentrations=np.full(5, 0.2)),),
            ),
            "all results of each low-level sample are identical",
        ),
    ],
)
def test_data_that_carry_no_limit(inputs, reason):
    """Missing or motionless data give a reason."""
    with pytest.raises(NotEstimable, match=reason):
        limits(inputs)


def test_one_day_is_flagged():
    """Blanks without days, or from one day, miss the scatter between days."""
    assert "one_series" in limits(replace(study_with(NORMAL), blank_series=None)).cautions
    assert "one_series" in limits(replace(study_with(NORMAL), blank_series=("a",) * 60)).cautions
    assert "one_series" not in limits(study_with(NORMAL)).cautions


def test_more_blanks_than_the_normality_test_holds():
    """Beyond 5000 blanks the rank is used, whatever their distribution."""
    blanks = np.random.default_rng(6).normal(0.0, 1.0, 6000)
    result = limits(replace(study_with(blanks), blank_series=None))

    assert result.critical_level.value == pytest.approx(1.645, abs=0.1)
    assert "rank" in result.inputs
