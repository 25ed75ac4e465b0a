"""Intervals of limits: what they cover, and when the slope enters."""

import math

import numpy as np
import pytest
from msgspec.structs import replace
from scipy import stats

from validator.errors import NotEstimable
from validator.statistics.detection import VARIANTS, DetectionInputs, LowLevelSample
from validator.statistics.detection.intervals import (
    Doubt,
    coefficient_draws,
    factor_draws,
    increasing,
    percentiles,
    simulated,
)
from validator.statistics.detection.scatter import Scatter
from validator.statistics.interval import Interval
from validator.statistics.regression import fit

RUNS = 400
# Three binomial standard errors of a coverage of 95 % in 400 experiments.
TOLERANCE = 3 * math.sqrt(0.95 * 0.05 / RUNS)
LEVELS = np.array([0.0, 0.0, 1.0, 1.0, 2.0, 2.0, 3.0, 3.0])
SIGMA, SLOPE, INTERCEPT = 0.2, 1.0, 0.5


def calibration(generator):
    return fit(LEVELS, INTERCEPT + SLOPE * LEVELS + generator.normal(0, SIGMA, LEVELS.size))


def coverage(experiment):
    """Share of experiments whose interval holds the true limit."""
    generator = np.random.default_rng(20260325)
    hits = [true in interval for true, interval in (experiment(generator) for _ in range(RUNS))]
    return sum(hits) / RUNS


def test_chi_squared_alone_when_the_slope_is_known():
    """A slope with a relative standard error up to 2 % leaves the chi-squared interval of sigma."""
    x = np.repeat([0.0, 1.0, 2.0, 3.0], 2)
    line = fit(x, x + 0.01 * np.tile([1.0, -1.0], 4))
    blanks = np.random.default_rng(1).normal(0, 0.01, 12)
    assert line.slope.standard_error / line.slope.value < 0.02
    limit = VARIANTS["blank_3s"].limits(DetectionInputs(fit=line, blank_signals=blanks)).detection_limit

    assert limit.interval.method == "chi-squared"
    assert limit.interval.lower == pytest.approx(limit.value * math.sqrt(11 / stats.chi2.ppf(0.975, 11)))
    assert limit.interval.upper == pytest.approx(limit.value * math.sqrt(11 / stats.chi2.ppf(0.025, 11)))


def test_simulation_when_the_slope_is_in_doubt():
    """Above 2 % the interval comes from draws of sigma and slope, the same at every call."""
    inputs = DetectionInputs(fit=calibration(np.random.default_rng(2)))
    first = VARIANTS["residual_3.3"].limits(inputs).detection_limit
    again = VARIANTS["residual_3.3"].limits(inputs).detection_limit
    other = VARIANTS["residual_3.3"].limits(replace(inputs, seed=1)).detection_limit

    assert first.interval.method == "Monte Carlo of sigma and slope"
    assert first == again
    assert first.interval != other.interval
    assert first.interval.lower == pytest.approx(other.interval.lower, rel=0.02)


def test_interval_from_residuals_covers():
    """3.3 s/b covers 3.3 σ/β in 95 % of experiments though the slope is known to a few percent only."""

    def experiment(generator):
        result = VARIANTS["residual_3.3"].limits(DetectionInputs(fit=calibration(generator)))
        return 3.3 * SIGMA / SLOPE, result.detection_limit.interval

    assert coverage(experiment) == pytest.approx(0.95, abs=TOLERANCE)


S0, THETA = 0.1, 0.06
WEIGHTED_LEVELS = np.repeat([0.0, 0.5, 1.0, 2.0, 4.0], 3)
GROWING = np.hypot(S0, THETA * WEIGHTED_LEVELS)


class Growing:
    """The variance of the simulated signals."""

    def variance(self, level):
        return S0**2 + (THETA * np.asarray(level, dtype=float)) ** 2


def weighted_calibration(generator):
    noise = GROWING * generator.standard_normal(WEIGHTED_LEVELS.size)
    return fit(WEIGHTED_LEVELS, INTERCEPT + SLOPE * WEIGHTED_LEVELS + noise, weights=GROWING**-2)


def coverage_of_weighted(variant, runs):
    """Share of weighted calibrations whose interval holds the limit at the true scatter and slope."""
    residual = np.tile([1.0, -1.0, 0.0], 5) * GROWING
    line = fit(WEIGHTED_LEVELS, SLOPE * WEIGHTED_LEVELS + residual, weights=GROWING**-2)
    # the scatter at weight 1: that of level 0 times √w there
    scale = S0 * math.sqrt(line.weights[0]) / line.residual_standard_deviation
    exact = fit(WEIGHTED_LEVELS, SLOPE * WEIGHTED_LEVELS + scale * line.residuals, weights=GROWING**-2)
    inputs = DetectionInputs(fit=exact, variance_function=Growing())
    true = VARIANTS[variant].limits(inputs).detection_limit.value
    generator = np.random.default_rng(20260325)
    hits = 0
    for _ in range(runs):
        study = replace(inputs, fit=weighted_calibration(generator))
        hits += true in VARIANTS[variant].limits(study).detection_limit.interval
    return hits / runs


WEIGHTED_VARIANTS = ("residual_3.3", "intercept_3.3", "iso_11843", "hubaux_vos")


@pytest.mark.parametrize("variant", WEIGHTED_VARIANTS)
def test_interval_from_weighted_residuals_covers(variant):
    """Limits of a weighted line cover those at the true scatter of level 0 and the true slope."""
    assert coverage_of_weighted(variant, RUNS) == pytest.approx(0.95, abs=TOLERANCE)


@pytest.mark.slow
@pytest.mark.parametrize("variant", WEIGHTED_VARIANTS)
def test_interval_from_weighted_residuals_covers_to_the_percent(variant):
    """The same in 10 000 calibrations: 94 to 96 %."""
    assert coverage_of_weighted(variant, 10_000) == pytest.approx(0.95, abs=0.01)


def test_the_true_limit_of_a_weighted_line_is_known():
    """What the coverage is counted against: 3.3 σ0/β with the scatter of level 0."""
    line = weighted_calibration(np.random.default_rng(1))
    result = VARIANTS["residual_3.3"].limits(DetectionInputs(fit=line, variance_function=Growing()))
    at_zero = line.residual_standard_deviation / math.sqrt(line.weights[0])

    assert result.detection_limit.value == pytest.approx(3.3 * at_zero / line.slope.value)


def test_interval_from_blanks_covers():
    """The limit of Currie covers its true value with blanks and slope of their own."""
    true = None

    def experiment(generator):
        nonlocal true
        blanks = generator.normal(INTERCEPT, SIGMA, 8)
        result = VARIANTS["currie"].limits(DetectionInputs(fit=calibration(generator), blank_signals=blanks))
        true = true or SIGMA / SLOPE * result.detection_limit.value / result.sigma_concentration
        return true, result.detection_limit.interval

    assert coverage(experiment) == pytest.approx(0.95, abs=TOLERANCE)


def test_interval_of_the_mean_blank_form_covers():
    """(ȳ_B + 3 s_B − a)/b covers (μ_B + 3 σ_B − α)/β."""

    def experiment(generator):
        blanks = generator.normal(INTERCEPT + 0.1, SIGMA, 8)
        inputs = DetectionInputs(fit=calibration(generator), blank_signals=blanks)
        return (0.1 + 3 * SIGMA) / SLOPE, VARIANTS["blank_mean_3s"].limits(inputs).detection_limit.interval

    assert coverage(experiment) == pytest.approx(0.95, abs=TOLERANCE)


def test_interval_of_the_limit_of_detection_covers():
    """LoD covers μ_B + 1.645 σ_B + 1.645 σ_L."""

    def experiment(generator):
        low = LowLevelSample(level=0.5, concentrations=generator.normal(0.5, 0.3, 12))
        inputs = DetectionInputs(blank_concentrations=generator.normal(0.1, 0.2, 20), low_level=(low,))
        return 0.1 + stats.norm.ppf(0.95) * 0.5, VARIANTS["lob_lod"].limits(inputs).detection_limit.interval

    assert coverage(experiment) == pytest.approx(0.95, abs=TOLERANCE)


@pytest.mark.parametrize("variant", ["hubaux_vos", "din_32645_calibration"])
def test_interval_of_a_limit_that_is_no_multiple_covers(variant):
    """Limits that are roots of an equation in s/b cover the root at σ/β."""
    residual = np.tile([1.0, -1.0], 4)
    exact = fit(LEVELS, INTERCEPT + SLOPE * LEVELS + residual * SIGMA * math.sqrt(6 / 8))
    assert exact.residual_standard_deviation == pytest.approx(SIGMA)
    assert exact.slope.value == pytest.approx(SLOPE)
    field = "detection_limit" if variant == "hubaux_vos" else "quantification_limit"
    inputs = DetectionInputs(fit=exact, alpha_declared=True, alpha=0.2, beta=0.2)
    true = getattr(VARIANTS[variant].limits(inputs), field).value

    def experiment(generator):
        limit = getattr(VARIANTS[variant].limits(replace(inputs, fit=calibration(generator))), field)
        return true, limit.interval

    assert coverage(experiment) == pytest.approx(0.95, abs=TOLERANCE)


def test_infinite_draws_leave_the_limit_open_above():
    """Draws without a limit, as when the slope changes sign, make the upper end infinite."""
    draws = np.concatenate([np.full(10, np.inf), np.arange(1.0, 91.0)])

    assert percentiles(draws, 0.95) == (3.0, math.inf)
    estimate = simulated(45.0, draws, 0.8)
    assert estimate.interval.upper == 90.0
    assert estimate.standard_error == pytest.approx((75 - 25) / 1.349)


def test_slope_draws_of_the_other_sign_are_infinite():
    """A slope known to half its value gives limits without bound in some draws."""
    scatter = Scatter(
        sd=1.0,
        degrees_of_freedom=10,
        n=11,
        unit="signal",
        source="blanks",
        slope=1.0,
        slope_standard_error=0.5,
        slope_degrees_of_freedom=10,
    )
    draws = factor_draws(scatter, np.random.default_rng(1))

    assert np.mean(np.isinf(draws)) == pytest.approx(stats.t.cdf(-2, 10), abs=0.005)
    assert (draws > 0).all()


def test_limit_that_ceases_to_exist_is_open_above():
    """An increasing limit without a value at the upper factor is reported as unbounded."""

    def limit(factor):
        if factor > 1.5:
            raise NotEstimable("too wide", "more data")
        return 2 * factor

    doubt = Doubt(0.3, Interval(0.5, 2.0, 0.95, "test"))
    estimate = increasing(limit, doubt, 5)

    assert estimate.value == 2.0
    assert estimate.interval.lower == 1.0
    assert estimate.interval.upper == math.inf
    assert estimate.standard_error == pytest.approx(0.6)


def test_drawn_coefficients_have_the_covariance_of_the_fit(study):
    """Their covariance is that of the fit times ν/(ν − 2), as for a multivariate t."""
    line = study.fit
    a, b, c = coefficient_draws(line, np.random.default_rng(0), 200_000)
    drawn = np.cov(a, b)

    assert drawn == pytest.approx(line.covariance[:2, :2] * 8 / 6, rel=0.05)
    assert not c.any()


def test_drawn_coefficients_of_a_curve_have_its_covariance():
    """The covariance of all three coefficients comes back, with levels far from zero."""
    x = np.repeat([10.0, 11.0, 12.0, 13.0, 14.0, 15.0], 2)
    curve = fit(x, 1 + 0.5 * x - 0.01 * x**2 + 0.05 * np.tile([1.0, -1.0, 0.5, -0.2], 3), model="quadratic")
    drawn = np.cov(np.stack(coefficient_draws(curve, np.random.default_rng(0), 200_000)))

    assert drawn == pytest.approx(curve.covariance * 9 / 7, rel=0.05)


def test_standard_error_holds_sigma_and_slope():
    """The relative standard error is [1/(2ν) + (s_b/b)²]^½, near the spread of repeated limits."""
    limit = VARIANTS["residual_3.3"].limits(DetectionInputs(fit=calibration(np.random.default_rng(2))))
    line = calibration(np.random.default_rng(2))
    relative = math.hypot(math.sqrt(0.5 / 6), line.slope.standard_error / line.slope.value)
    assert limit.detection_limit.standard_error == pytest.approx(limit.detection_limit.value * relative)

    generator = np.random.default_rng(4)
    found = [
        VARIANTS["residual_3.3"].limits(DetectionInputs(fit=calibration(generator))).detection_limit.value
        for _ in range(RUNS)
    ]
    expected = 3.3 * SIGMA * math.hypot(math.sqrt(0.5 / 6), SIGMA / math.sqrt(10.0))
    assert np.std(found) == pytest.approx(expected, rel=0.15)


@pytest.mark.parametrize("variant", ["blank_3s", "residual_3.3", "currie", "lob_lod", "hubaux_vos"])
def test_level_of_confidence_is_that_asked_for(study, variant):
    """Intervals carry the level of the study and widen with it."""
    narrow = VARIANTS[variant].limits(replace(study, confidence=0.8)).detection_limit.interval
    wide = VARIANTS[variant].limits(replace(study, confidence=0.99)).detection_limit.interval

    assert (narrow.level, wide.level) == (0.8, 0.99)
    assert wide.lower < narrow.lower < narrow.upper < wide.upper


@pytest.mark.parametrize("size", [1, 2, 7, 40, 20_000])
@pytest.mark.parametrize("level", [0.5, 0.8, 0.9, 0.95, 0.999999])
def test_percentiles_are_those_of_numpy(size, level):
    """The order statistics are numpy's quantiles by the inverted distribution function."""
    draws = np.random.default_rng(size).standard_normal(size)
    expected = np.quantile(draws, [(1 - level) / 2, (1 + level) / 2], method="inverted_cdf")

    assert percentiles(draws, level) == tuple(expected)
