"""Recovery, robustness and method comparison against published examples."""

import math

import numpy as np
import pytest

from validator.characteristics.robustness.statistic import (
    factor_effects,
    lenth_pseudo_standard_error,
    plackett_burman,
)
from validator.statistics.comparison import bland_altman, paired_difference
from validator.statistics.equivalence import welch_difference
from validator.statistics.errors_in_variables import deming
from validator.statistics.found_on_added import correction_advised
from validator.statistics.interval import Estimate


def test_recovery_of_quam_example_a4():
    """Eurachem/CITAC CG 4 (QUAM), 3rd ed. (2012), example A4 (from memory): pesticides in bread.

    Mean recovery 90 %, s = 28 % from 42 results: u = 4.32 %, t = 2.315, significant at 95 %.
    """
    mean = Estimate(value=90.0, standard_error=28 / math.sqrt(42), degrees_of_freedom=41)

    advice = correction_advised(mean)

    assert round(mean.standard_error, 2) == 4.32
    assert advice.t == pytest.approx(2.315, abs=5e-4)
    assert advice.advised


def test_two_processes_of_the_nist_handbook():
    """NIST/SEMATECH e-Handbook of Statistical Methods, 7.3.1 (from memory): assembly times, two devices.

    Means 36.0909 and 32.2222, unequal variances: t = 2.269 with 15.5 degrees of freedom.
    """
    old = [32, 37, 35, 28, 41, 44, 35, 31, 34, 38, 42]
    new = [36, 31, 30, 31, 34, 36, 29, 32, 31]

    r = welch_difference(old, new)

    assert r.value == pytest.approx(36.0909 - 32.2222, abs=1e-4)
    assert r.t == pytest.approx(2.269, abs=5e-4)
    assert r.degrees_of_freedom == pytest.approx(15.5, abs=0.05)


def test_paired_t_of_miller_and_miller():
    """J. N. and J. C. Miller, Statistics and Chemometrics for Analytical Chemistry, ch. 3 (from memory).

    Paracetamol in ten batches by ultraviolet and near-infrared assay: d̄ = 0.159, s_d = 0.570, t = 0.88.
    """
    ultraviolet = [84.63, 84.38, 84.08, 84.41, 83.82, 83.55, 83.92, 83.69, 84.06, 84.03]
    near_infrared = [83.15, 83.72, 83.84, 84.20, 83.92, 84.16, 84.02, 83.60, 84.13, 84.24]

    r = paired_difference(ultraviolet, near_infrared)

    assert r.mean_difference.value == pytest.approx(0.159, abs=1e-9)
    assert r.sd == pytest.approx(0.570, abs=5e-4)
    assert r.test.statistic == pytest.approx(0.88, abs=5e-3)
    assert r.test.df == (9,)


WRIGHT = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI_WRIGHT = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]


def test_peak_flow_of_bland_and_altman():
    """J. M. Bland and D. G. Altman, Lancet i (1986) 307–310 (from memory): first readings of 17 subjects.

    Mean difference −2.1 l/min, s = 38.8; the paper's limits, mean ± 2 s, are −79.7 and 75.5; the interval
    of the mean is −22.0 to 17.8.
    """
    r = bland_altman(WRIGHT, MINI_WRIGHT)

    assert (round(r.bias.value, 1), round(r.sd, 1)) == (-2.1, 38.8)
    assert round(round(r.bias.value, 1) - 2 * round(r.sd, 1), 1) == -79.7
    assert round(round(r.bias.value, 1) + 2 * round(r.sd, 1), 1) == 75.5
    assert round(r.bias.interval.lower, 1) == -22.0
    assert round(r.bias.interval.upper, 1) == 17.8
    assert r.lower.value == pytest.approx(r.bias.value - 1.959964 * r.sd, rel=1e-6)


def test_approximate_interval_of_the_limits_lies_inside_the_exact_one_outwards():
    """The same paper: standard error of a limit √(3/n)·s = 16.3, so −114.3 to −45.1 for the lower one.

    The exact interval is known to reach farther out and less far in (Carkeet 2015, abstract: the two
    differ considerably for small n).
    """
    r = bland_altman(WRIGHT, MINI_WRIGHT)

    assert r.sd * math.sqrt(3 / 17) == pytest.approx(16.3, abs=0.05)
    assert r.lower.interval.lower < -114.3
    assert r.lower.interval.upper < -45.1


@pytest.mark.parametrize(
    ("n", "content", "confidence", "factor"),
    [
        # ISO 16269-6:2014, one-sided normal tolerance factors (from memory).
        (5, 0.95, 0.95, 4.203),
        (10, 0.95, 0.95, 2.911),
        (20, 0.95, 0.95, 2.396),
        # NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3: 1.8740 by noncentral t (from memory); its
        # approximate formula gives 1.8752.
        (43, 0.90, 0.99, 1.8740),
    ],
)
def test_outer_end_of_a_limit_is_a_tolerance_factor(n, content, confidence, factor):
    """The outer end of the exact interval of a percentile is the one-sided tolerance limit."""
    differences = np.arange(n, dtype=float)
    r = bland_altman(
        100 + differences, np.full(n, 100.0), coverage=2 * content - 1, confidence=2 * confidence - 1
    )

    assert (r.upper.interval.upper - r.bias.value) / r.sd == pytest.approx(factor, abs=1e-3)


def test_line_of_closest_fit_of_pearson():
    """K. Pearson, Phil. Mag. 2 (1901) 559–572 (from memory): slope −0.5456, intercept 5.784."""
    x = [0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4]
    y = [5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5]

    r = deming(y, x)

    assert r.slope.value == pytest.approx(-0.5456, abs=5e-5)
    assert r.intercept.value == pytest.approx(5.784, abs=5e-4)


def _signs(rows):
    return np.array([[1 if sign == "+" else -1 for sign in row] for row in rows])


def test_plackett_burman_for_eleven_factors():
    """Plackett and Burman's 12 runs as printed in R. Plasun, dissertation, TU Wien (1999), table 3.6."""
    printed = _signs(
        [
            "++-+++---+-",
            "-++-+++---+",
            "+-++-+++---",
            "-+-++-+++--",
            "--+-++-+++-",
            "---+-++-+++",
            "+---+-++-++",
            "++---+-++-+",
            "+++---+-++-",
            "-+++---+-++",
            "+-+++---+-+",
            "-----------",
        ]
    )

    assert (plackett_burman(12) == printed).all()


def test_plackett_burman_of_iupac_is_the_same_design():
    """IUPAC Recommendations 2016, Pure Appl. Chem. 88 (2016) 407–443, p. 416 (Gold Book, term 10080).

    Printed with the columns in reverse order and high and low exchanged; the set of runs is ours.
    """
    printed = _signs(
        [
            "+++++++++++",
            "-+-+++---+-",
            "--+-+++---+",
            "+--+-+++---",
            "-+--+-+++--",
            "--+--+-+++-",
            "---+--+-+++",
            "+---+--+-++",
            "++---+--+-+",
            "+++---+--+-",
            "-+++---+--+",
            "+-+++---+--",
        ]
    )

    ours = {tuple(run) for run in plackett_burman(12).tolist()}
    assert {tuple(run) for run in (-printed[:, ::-1]).tolist()} == ours


def test_filtration_rate_of_montgomery():
    """D. C. Montgomery, Design and Analysis of Experiments (from memory): 2⁴ factorial, filtration rate.

    Effects A 21.625, C 9.875, D 14.625, AC −18.125, AD 16.625; Lenth's PSE 2.625, margin 6.748 at ν = 5.
    """
    rate = np.array([45, 71, 48, 65, 68, 60, 80, 65, 43, 100, 45, 104, 75, 86, 70, 96], dtype=float)
    a, b, c, d = (np.array([1 if run >> k & 1 else -1 for run in range(16)]) for k in range(4))
    columns = {
        "A": a, "B": b, "C": c, "D": d,
        "AB": a * b, "AC": a * c, "AD": a * d, "BC": b * c, "BD": b * d, "CD": c * d,
        "ABC": a * b * c, "ABD": a * b * d, "ACD": a * c * d, "BCD": b * c * d, "ABCD": a * b * c * d,
    }  # fmt: skip

    r = factor_effects(np.column_stack(list(columns.values())), rate, list(columns))

    effects = {e.factor: e.effect.value for e in r.effects}
    printed = {"A": 21.625, "B": 3.125, "C": 9.875, "D": 14.625, "AC": -18.125, "AD": 16.625, "ABCD": 1.375}
    assert {name: effects[name] for name in printed} == pytest.approx(printed)
    assert r.error_source == "lenth"
    assert lenth_pseudo_standard_error(list(effects.values())) == pytest.approx((2.625, 5.0))
    assert r.margin == pytest.approx(6.748, abs=1e-3)
    assert r.to_control == ("A", "C", "D", "AC", "AD")
