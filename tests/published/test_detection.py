"""Detection limits against published tables, factors and worked examples; the source stands beside each."""

import math

import numpy as np
import pytest
from scipy import stats

from validator.statistics.decision_limits import FIVE_PERCENT, ONE_PERCENT
from validator.statistics.detection import VARIANTS, DetectionInputs, LowLevelSample, NoiseReading
from validator.statistics.detection.signal_to_noise import ratio
from validator.statistics.regression import fit


def limits(variant, inputs):
    return VARIANTS[variant].limits(inputs)


def mdl_study(spikes, level, blanks=None, censored=0):
    """Spikes and blanks that meet the design of the method; clean blanks unless given."""
    n = len(spikes)
    numerical = np.zeros(7) if blanks is None else np.asarray(blanks)
    return DetectionInputs(
        low_level=(
            LowLevelSample(
                level=level, concentrations=np.asarray(spikes), series=tuple(i % 3 for i in range(n))
            ),
        ),
        blank_concentrations=numerical,
        blanks_censored=censored,
        blank_series=tuple(i % 3 for i in range(numerical.size + censored)),
    )


def blanks_with(n, sd=1.0):
    """*n* results with standard deviation *sd* and mean 0."""
    z = np.arange(n) - (n - 1) / 2
    return sd * z / np.std(z, ddof=1)


@pytest.mark.parametrize(
    ("n", "t"),
    [
        (7, 3.143),
        (8, 2.998),
        (9, 2.896),
        (10, 2.821),
        (11, 2.764),
        (16, 2.602),
        (21, 2.528),
        (26, 2.485),
        (31, 2.457),
        (32, 2.453),
        (48, 2.408),
        (50, 2.405),
        (61, 2.390),
        (64, 2.387),
        (80, 2.374),
        (96, 2.366),
        (100, 2.365),
    ],
)
def test_student_values_of_the_method_detection_limit(n, t):
    """40 CFR Part 136, Appendix B, Revision 2 (2017), Table 1: t(n − 1, 0.99), to its last digit."""
    result = limits("epa_mdl", mdl_study(10 + blanks_with(n), 10.0))

    assert result.k == pytest.approx(t, abs=0.0005)
    assert result.detection_limit.value == pytest.approx(t, abs=0.0005)


@pytest.mark.parametrize(
    ("n", "lower", "upper"),
    [
        # Seven aliquots, 6 degrees of freedom (from memory).
        (7, 0.64, 2.20),
        # Fourteen aliquots in two sets, 12 degrees of freedom (seen in a state regulation).
        (13, 0.72, 1.65),
    ],
)
def test_confidence_factors_of_the_method_detection_limit(n, lower, upper):
    """40 CFR Part 136, Appendix B, Revision 1.11: 95 % limits of the MDL as multiples of it."""
    limit = limits("epa_mdl", mdl_study(10 + blanks_with(n), 10.0)).detection_limit

    assert limit.interval.lower / limit.value == pytest.approx(lower, abs=0.005)
    assert limit.interval.upper / limit.value == pytest.approx(upper, abs=0.005)


def test_worked_example_of_a_method_detection_limit():
    """Manual of a portable colorimeter, chemical analysis information, p. 45: iron, eight portions.

    Printed: mean 0.010, s = 0.0009, MDL = 2.998 × 0.0009 = 0.003 mg/L (text seen).
    """
    portions = [0.009, 0.010, 0.009, 0.010, 0.008, 0.011, 0.010, 0.009]
    result = limits("epa_mdl", mdl_study(portions, 0.010))

    # the mean is 0.0095, which the manual rounds up
    assert np.mean(portions) == pytest.approx(0.010, abs=0.000501)
    assert result.sigma == pytest.approx(0.0009, abs=0.00005)
    assert result.k == pytest.approx(2.998, abs=0.0005)
    assert result.detection_limit.value == pytest.approx(0.003, abs=0.0005)


def test_percentile_of_many_blanks():
    """40 CFR Part 136, Appendix B, Revision 2, II(2)(d)(iii)(B) (from memory).

    164 blanks whose highest results are … 1.5, 1.7, 1.9, 5.0, 10: 164 × 0.99 = 162.36 and the 162nd is 1.9.
    """
    numerical = [0.5, 1.5, 1.7, 1.9, 5.0, 10.0]
    study = mdl_study(10 + blanks_with(7, sd=0.1), 1.0, blanks=numerical, censored=164 - len(numerical))
    result = limits("epa_mdl", study)

    assert result.inputs["mdl_blanks"] == 1.9
    assert result.detection_limit.value == 1.9


def test_fluorescein():
    """J. N. Miller, J. C. Miller, Statistics and Chemometrics for Analytical Chemistry, ch. 5, fluorescein.

    Data seen; the limit of detection 3·s_y/x/b = 0.67 pg/mL from memory.
    """
    x = [0.0, 2.0, 4.0, 6.0, 8.0, 10.0, 12.0]
    y = [2.1, 5.0, 9.0, 12.6, 17.3, 21.0, 24.7]
    result = limits("residual_3.3", DetectionInputs(fit=fit(x, y)))

    assert 3 * result.sigma_concentration == pytest.approx(0.67, abs=0.005)
    assert result.sigma == pytest.approx(0.4329, abs=0.0001)
    assert result.inputs["slope"] == pytest.approx(1.93, abs=0.005)
    # 3·s_a/b, from the book's s_a = 0.2950 (tolerance for its rounded sums)
    assert limits("intercept_3.3", DetectionInputs(fit=fit(x, y))).sigma == pytest.approx(0.2950, abs=0.0003)


@pytest.mark.parametrize(
    ("nu", "delta"),
    [
        (2, 5.516),
        (3, 4.456),
        (4, 4.067),
        (5, 3.870),
        (6, 3.752),
        (7, 3.673),
        (8, 3.617),
        (9, 3.575),
        (10, 3.543),
    ],
)
def test_noncentrality_for_five_percent(nu, delta):
    """ISO 11843-2:2000, table of δ(ν, 0.05, 0.05); for ν = 4 the 4.07 of IUPAC 1995 (both from memory)."""
    n = nu + 1
    result = limits("currie", DetectionInputs(blank_concentrations=blanks_with(n)))

    assert result.detection_limit.value / math.sqrt(1 + 1 / n) == pytest.approx(delta, abs=0.0006)


@pytest.mark.parametrize("nu", [5, 6, 10, 20, 50])
def test_approximation_of_the_noncentrality(nu):
    """L. A. Currie, Pure Appl. Chem. 67 (1995) 1699: δ ≈ 2 t·4ν/(4ν + 1) (from memory), here within 1 %."""
    n = nu + 1
    result = limits("currie", DetectionInputs(blank_concentrations=blanks_with(n)))
    delta = result.detection_limit.value / math.sqrt(1 + 1 / n)

    assert 2 * stats.t.ppf(0.95, nu) * 4 * nu / (4 * nu + 1) == pytest.approx(delta, rel=0.01)


def test_paired_blanks_with_known_scatter():
    """L. A. Currie, Anal. Chem. 40 (1968) 586: L_C = 2.33 σ_B, L_D = 4.65 σ_B, L_Q = 14.1 σ_B when paired.

    (4.65 σ_B seen in public texts; 2.33 and 14.1 from memory.)  Known scatter is the limit of very many
    blanks, a single one of which is subtracted.
    """
    study = DetectionInputs(blank_concentrations=blanks_with(100_000), blanks_per_correction=1)
    result = limits("currie", study)

    assert result.critical_level.value == pytest.approx(2.33, abs=0.005)
    assert result.detection_limit.value == pytest.approx(4.65, abs=0.005)
    assert result.quantification_limit.value == pytest.approx(14.1, abs=0.05)


def test_well_known_blank_with_known_scatter():
    """L. A. Currie, Pure Appl. Chem. 67 (1995) 1699: L_C = 1.645 σ_0, L_D = 3.29 σ_0, L_Q = 10 σ_Q.

    (From memory.)
    """
    result = limits("currie", DetectionInputs(blank_concentrations=blanks_with(100_000)))

    assert result.critical_level.value == pytest.approx(1.645, abs=0.0005)
    assert result.detection_limit.value == pytest.approx(3.29, abs=0.005)
    assert result.quantification_limit.value == pytest.approx(10.0, abs=0.001)


@pytest.mark.parametrize(
    ("n", "factor"),
    [(4, 5.1), (5, 4.1), (6, 3.6), (7, 3.4), (8, 3.2), (9, 3.1), (10, 3.0), (12, 2.8), (20, 2.6)],
)
def test_rapid_estimate_of_the_decision_limit(n, factor):
    """DIN 32645, rapid estimate: x_NG = Φ(n, α = 0.01)·s_L/b from n blanks, one analysis (from memory)."""
    x = np.repeat([0.0, 1.0, 2.0, 3.0], 2)
    line = fit(x, x + 0.01 * np.tile([1.0, -1.0], 4))
    result = limits("din_32645_blank", DetectionInputs(fit=line, blank_signals=blanks_with(n, sd=0.01)))

    assert result.critical_level.value / result.sigma_concentration == pytest.approx(factor, abs=0.05)


def test_plain_factors_of_the_limit_of_blank():
    """D. A. Armbruster, T. Pry, Clin. Biochem. Rev. 29 (2008) S49: LoB = mean + 1.645 SD, LoD likewise.

    (Formulas seen in a reprint.)  From 60 results on the small-sample factor is within half a percent.
    """
    generator = np.random.default_rng(60)
    blanks, low = generator.normal(0.1, 0.02, 60), generator.normal(0.3, 0.03, 60)
    study = DetectionInputs(
        blank_concentrations=blanks, low_level=(LowLevelSample(level=0.3, concentrations=low),)
    )
    result = limits("lob_lod", study)
    lob = blanks.mean() + 1.645 * np.std(blanks, ddof=1)

    assert result.critical_level.value == pytest.approx(lob, rel=0.005)
    assert result.detection_limit.value == pytest.approx(lob + 1.645 * np.std(low, ddof=1), rel=0.005)


def test_signal_to_noise_ratio():
    """European Pharmacopoeia 2.2.46: S/N = 2H/h, height H and full range h of the noise (seen)."""
    assert ratio(NoiseReading(level=1.0, height=30.0, noise=6.0)) == 10.0


def test_three_and_ten_times_the_noise():
    """ICH Q2(R2), 2023, 3.2.3: ratios of 3 and 10 (from memory) reached at the limits themselves."""
    result = limits(
        "signal_to_noise", DetectionInputs(noise=(NoiseReading(level=4.0, height=60.0, noise=12.0),))
    )

    assert result.quantification_limit.value == pytest.approx(4.0)
    assert result.detection_limit.value == pytest.approx(1.2)


def test_factors_of_residue_control_are_those_of_the_errors_of_the_regulation():
    """Regulation (EU) 2021/808, Article 5(4): α at most 1 % for unauthorised substances, 5 % for others.

    (Article seen in a reprint.)  2.33 and 1.64 are the normal deviates of 1 % and 5 % to their digits.
    """
    assert stats.norm.sf(ONE_PERCENT) <= 0.01
    assert pytest.approx(stats.norm.ppf(0.99), abs=0.005) == ONE_PERCENT
    assert pytest.approx(stats.norm.ppf(0.95), abs=0.005) == FIVE_PERCENT


def test_detection_limit_from_the_bands():
    """A. Hubaux, G. Vos, Anal. Chem. 42 (1970) 849, as told in public texts (seen).

    The limit is the x at which the lower prediction limit has the y of the upper one at x = 0; with a limit
    far below the range both bands are parallel there and x_D = 2·t·(s/b)·h(0).
    """
    x = np.linspace(0.0, 1000.0, 21)
    line = fit(x, x + np.tile([1.0, -1.0, 0.5], 7))
    result = limits("hubaux_vos", DetectionInputs(fit=line))
    h0 = math.sqrt(1 + 1 / line.n + line.mean_x**2 / line.s_xx)
    parallel = 2 * stats.t.ppf(0.95, 19) * line.residual_standard_deviation / line.slope.value * h0

    assert result.detection_limit.value == pytest.approx(parallel, rel=0.002)
    assert result.detection_limit.value < parallel
