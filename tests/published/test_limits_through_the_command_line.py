"""Every variant of a limit through the command, against published figures or an independent computation.

The source stands beside each check; "computed" means by scipy from the formula of the document, not by this
package. What is read are the keys of the results file.
"""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from scipy import optimize, stats

LEVELS = np.repeat([0.0, 1.0, 2.0, 4.0, 8.0], 2)
SIGNALS = np.array([0.011, 0.016, 0.118, 0.109, 0.214, 0.222, 0.418, 0.409, 0.822, 0.811])


@pytest.fixture
def found(folder_with, command, described, tmp_path):
    """Limits that the command finds for the only analyte."""

    def found(**blocks):
        file = tmp_path / "results.json"
        done = command("evaluate", folder_with(described(**blocks)), "--results", file, "--always-succeed")
        assert done.status == 0, done.err
        record = json.loads(file.read_text(encoding="utf-8"))["analytes"]["x"]["configurations"]["default"]
        return record["detection"]

    return found


def calibration(x=LEVELS, y=SIGNALS):
    return {"runs": [{"level": float(a), "signal": float(b)} for a, b in zip(x, y, strict=True)]}


def scattered(n, *, mean=0.0, sd=1.0):
    """*n* values with exactly that mean and standard deviation."""
    z = np.arange(n) - (n - 1) / 2
    return (mean + sd * z / np.std(z, ddof=1)).tolist()


def results(values, **more):
    return {"runs": [{"concentrations": list(values), **more}]}


def in_batches(values, **more):
    return {
        "runs": [{"series": f"B{i % 3}", "concentrations": [value], **more} for i, value in enumerate(values)]
    }


def value(limits, variant, limit="detection_limit"):
    return limits["variants"][variant][limit]["value"]


class Line:
    """The line of LEVELS and SIGNALS by numpy and scipy alone."""

    b, a = np.polyfit(LEVELS, SIGNALS, 1)
    n = LEVELS.size
    nu = n - 2
    s = math.sqrt(((SIGNALS - a - b * LEVELS) ** 2).sum() / nu)
    mean_x = LEVELS.mean()
    s_xx = ((LEVELS - mean_x) ** 2).sum()

    @classmethod
    def h(cls, x, m):
        return math.sqrt(1 / m + 1 / cls.n + (x - cls.mean_x) ** 2 / cls.s_xx)


# --- blanks ----------------------------------------------------------------------------------------
@pytest.mark.parametrize(("corrected", "m", "factor"), [(False, 1, 1.0), (False, 4, 0.5), (True, 2, None)])
def test_eurachem(found, corrected, m, factor):
    """Eurachem Guide 2014, 6.2: 3 s0' and 10 s0', s0' = s0/√m, or s0·√(1/m + 1/n_b) when blank-corrected."""
    more = {"blank_correction": "subtracted"} if corrected else {}

    limits = found(
        blanks=results(scattered(10, sd=0.2), **more),
        analysis={"calibration": {"replicates_for_sample": m}},
    )

    expected = 0.2 * (factor if factor is not None else math.sqrt(1 / m + 1 / 10))
    assert value(limits, "blank_3s") == pytest.approx(3 * expected)
    assert value(limits, "blank_3s", "quantification_limit") == pytest.approx(10 * expected)


def test_iupac_1976_and_ich(found):
    """IUPAC 1976: (ȳ_B + 3 s_B − a)/b; ICH Q2(R2), 3.2.3: 3.3 σ/slope of blanks, residuals and intercept."""
    blanks = scattered(12, mean=0.02, sd=0.004)

    limits = found(calibration=calibration(), blanks={"runs": [{"signals": blanks}]})

    for k, name in ((3, "detection_limit"), (10, "quantification_limit")):
        expected = (0.02 + k * 0.004 - Line.a) / Line.b
        assert value(limits, "blank_mean_3s", name) == pytest.approx(expected)
    sigmas = {
        "blank_3.3": 0.004,
        "residual_3.3": Line.s,
        "intercept_3.3": Line.s * math.sqrt(1 / Line.n + Line.mean_x**2 / Line.s_xx),
    }
    for variant, sigma in sigmas.items():
        assert value(limits, variant) == pytest.approx(3.3 * sigma / Line.b)
        assert value(limits, variant, "quantification_limit") == pytest.approx(10 * sigma / Line.b)


@pytest.mark.parametrize(
    ("nu", "delta"),
    [(2, 5.516), (3, 4.456), (4, 4.067), (5, 3.870), (6, 3.752), (8, 3.617), (10, 3.543)],
)
def test_currie_by_the_printed_noncentrality(found, nu, delta):
    """ISO 11843-2:2000, δ(ν; 0.05; 0.05); for ν = 4 the 4.07 of IUPAC 1995 (both from memory)."""
    n = nu + 1

    limits = found(blanks=results(scattered(n)))

    assert value(limits, "currie") / math.sqrt(1 + 1 / n) == pytest.approx(delta, abs=0.0006)
    critical = stats.t.ppf(0.95, nu) * math.sqrt(1 + 1 / n)
    assert value(limits, "currie", "critical_level") == pytest.approx(critical)
    assert value(limits, "currie", "quantification_limit") == pytest.approx(10 * math.sqrt(1 + 1 / n))


@pytest.mark.parametrize(
    ("n", "factor"), [(4, 5.1), (5, 4.1), (6, 3.6), (7, 3.4), (8, 3.2), (9, 3.1), (10, 3.0), (20, 2.6)]
)
def test_din_32645_by_the_printed_rapid_factors(found, n, factor):
    """DIN 32645, rapid estimate: x_NG = Φ(n; 0.01)·s_L/b of n blanks, one analysis (from memory)."""
    blanks = {"runs": [{"signals": scattered(n, mean=0.02, sd=0.004)}]}

    limits = found(calibration=calibration(), blanks=blanks)

    critical = value(limits, "din_32645_blank", "critical_level")
    assert critical * Line.b / 0.004 == pytest.approx(factor, abs=0.05)
    assert value(limits, "din_32645_blank") == pytest.approx(2 * critical)


@pytest.mark.parametrize("m", [1, 3])
def test_din_32645_from_the_calibration(found, m):
    """DIN 32645:2008, 6.3 (from memory), computed: x_NG, x_EG = 2 x_NG, and the iteration for x_BG, k = 3."""
    limits = found(calibration=calibration(), analysis={"calibration": {"replicates_for_sample": m}})

    q = Line.s / Line.b
    critical = stats.t.ppf(0.99, Line.nu) * q * Line.h(0, m)
    x = 10 * critical
    for _ in range(200):
        x = 3 * stats.t.ppf(0.995, Line.nu) * q * Line.h(x, m)
    assert value(limits, "din_32645_calibration", "critical_level") == pytest.approx(critical)
    assert value(limits, "din_32645_calibration") == pytest.approx(2 * critical)
    assert value(limits, "din_32645_calibration", "quantification_limit") == pytest.approx(x)


# --- calibration -----------------------------------------------------------------------------------
@pytest.mark.parametrize(("alpha", "beta", "m"), [(0.05, 0.05, 1), (0.01, 0.1, 3)])
def test_iso_11843(found, alpha, beta, m):
    """ISO 11843-2:2000, 5.2 (from memory), computed with the noncentral t of scipy."""
    limits = found(
        calibration=calibration(),
        analysis={"alpha": alpha, "beta": beta, "calibration": {"replicates_for_sample": m}},
    )

    t = stats.t.ppf(1 - alpha, Line.nu)
    delta = optimize.brentq(lambda d: stats.nct.cdf(t, Line.nu, d) - beta, 0.1, 20)
    unit = Line.s / Line.b * Line.h(0, m)
    assert value(limits, "iso_11843", "critical_level") == pytest.approx(t * unit)
    assert value(limits, "iso_11843") == pytest.approx(delta * unit, rel=1e-6)


@pytest.mark.parametrize("m", [1, 3])
def test_hubaux_vos(found, m):
    """Hubaux & Vos (1970, from memory), computed: where the lower band reaches the upper one at level 0."""
    limits = found(calibration=calibration(), analysis={"calibration": {"replicates_for_sample": m}})

    t = stats.t.ppf(0.95, Line.nu)
    y_c = Line.a + t * Line.s * Line.h(0, m)
    x_d = optimize.brentq(lambda x: Line.a + Line.b * x - t * Line.s * Line.h(x, m) - y_c, 0, 8)
    assert value(limits, "hubaux_vos", "critical_level") == pytest.approx((y_c - Line.a) / Line.b)
    assert value(limits, "hubaux_vos") == pytest.approx(x_d, rel=1e-9)


def test_the_lower_end_of_the_linear_range(found):
    """Common practice: the lowest standard above zero of a line that passes its tests."""
    limits = found(calibration=calibration())

    assert value(limits, "lower_linear_limit", "quantification_limit") == 1


# --- low-level samples -----------------------------------------------------------------------------
def test_eurachem_from_a_low_level_sample(found):
    """Eurachem Guide 2014, 6.2: 3 s0' and 10 s0' of replicates of a sample with little analyte."""
    limits = found(low_level=results(scattered(10, mean=1.0, sd=0.1), level=1.0))

    assert value(limits, "low_level_3s") == pytest.approx(0.3)
    assert value(limits, "low_level_3s", "quantification_limit") == pytest.approx(1.0)


def test_a_printed_method_detection_limit(found):
    """Manual of a portable colorimeter, p. 45 (text seen): iron, eight portions, 2.998 · 0.0009 = 0.003 mg/L.

    The manual has spiked portions alone, as revision 1.11 had; the limit is shown with a stop.
    """
    portions = [0.009, 0.010, 0.009, 0.010, 0.008, 0.011, 0.010, 0.009]

    limits = found(low_level=results(portions, level=0.010))

    variant = limits["variants"]["epa_mdl"]
    assert variant["k"] == pytest.approx(2.998, abs=0.0005)
    assert variant["sigma"] == pytest.approx(0.0009, abs=0.00005)
    assert variant["detection_limit"]["value"] == pytest.approx(0.003, abs=0.0005)
    assert "design_below_document" in variant["cautions"]


def test_the_percentile_of_many_blanks(found):
    """40 CFR 136, App. B, rev. 2, II(2)(d)(iii)(B) (from memory): of 164 blanks … 1.9, 5.0, 10 it is 1.9."""
    numerical = [0.5, 1.5, 1.7, 1.9, 5.0, 10.0]
    blanks = in_batches([*numerical, *["<0.5"] * (164 - len(numerical))])

    limits = found(blanks=blanks, low_level=in_batches(scattered(7, mean=10.0, sd=0.1), level=1.0))

    assert value(limits, "epa_mdl") == 1.9


def test_blanks_that_decide_the_method_detection_limit(found):
    """The same, (iii)(C) (from memory): mean of the blanks, not below zero, and t·s."""
    blanks = scattered(8, mean=0.5, sd=0.1)
    spikes = in_batches(scattered(7, mean=2.0, sd=0.1), level=2.0)

    raised = found(blanks=in_batches(blanks), low_level=spikes)
    below = found(blanks=in_batches([one - 1 for one in blanks]), low_level=spikes)

    assert value(raised, "epa_mdl") == pytest.approx(0.5 + stats.t.ppf(0.99, 7) * 0.1)
    assert value(below, "epa_mdl") == pytest.approx(stats.t.ppf(0.99, 6) * 0.1)


def test_limit_of_blank_and_of_detection(found):
    """Armbruster & Pry (2008), text seen: LoB = mean + 1.645 SD, LoD = LoB + 1.645 SD.

    The factor for few results, 1.645/(1 − 1/(4ν)), is from memory.
    """
    low = scattered(20, mean=0.3, sd=0.03)
    normal = stats.norm.ppf((np.arange(1, 61) - 0.375) / 60.25)
    blanks = (0.1 + 0.02 * normal / normal.std(ddof=1)).tolist()

    limits = found(blanks=in_batches(blanks), low_level=in_batches(low, level=0.3))

    lob = 0.1 + 1.645 / (1 - 1 / (4 * 59)) * 0.02
    assert value(limits, "lob_lod", "critical_level") == pytest.approx(lob, rel=1e-4)
    assert value(limits, "lob_lod") == pytest.approx(lob + 1.645 / (1 - 1 / (4 * 19)) * 0.03, rel=1e-4)


def test_the_rank_of_the_limit_of_blank(found):
    """The rule by rank (from memory): of 60 blanks that are not normal, rank 0.5 + 0.95·60 = 57.5."""
    blanks = [round(1.15**i, 4) for i in range(60)]
    low = in_batches(scattered(20, mean=3.0, sd=0.3), level=3.0)

    limits = found(blanks=in_batches(blanks), low_level=low)

    assert value(limits, "lob_lod", "critical_level") == pytest.approx((blanks[56] + blanks[57]) / 2)


# --- noise, profiles, legal limits -----------------------------------------------------------------
@pytest.mark.parametrize(("kind", "ratio"), [("peak_to_peak", 10.0), ("rms", 5.0)])
def test_signal_to_noise(found, kind, ratio):
    """European Pharmacopoeia 2.2.46: S/N = 2H/h (seen); limits at 3 and 10 (ICH Q2, from memory)."""
    noise = {"level": 2.0, "signal_height": 30.0, "noise": 6.0, "noise_kind": kind}

    limits = found(noise={"runs": [noise]})

    assert value(limits, "signal_to_noise") == pytest.approx(3 * 2.0 / ratio)
    assert value(limits, "signal_to_noise", "quantification_limit") == pytest.approx(10 * 2.0 / ratio)


def test_the_level_of_ten_percent(found):
    """Eurachem/CITAC CG 4, E.5 (form from memory): s² = s0² + (θx)² gives s0/√(0.1² − θ²) at RSD 10 %."""
    s0, theta = 0.3, 0.05
    runs = [
        {"level": x, "concentrations": scattered(8, mean=x, sd=math.hypot(s0, theta * x))}
        for x in (1.0, 3.0, 10.0, 30.0)
    ]

    limits = found(precision={"runs": runs})

    expected = s0 / math.sqrt(0.1**2 - theta**2)
    assert value(limits, "precision_profile", "quantification_limit") == pytest.approx(expected, rel=1e-6)
    assert limits["variants"]["precision_profile"]["inputs"]["level_at_20_percent"] == pytest.approx(
        s0 / math.sqrt(0.2**2 - theta**2), rel=1e-6
    )


def test_the_lowest_validated_level(found):
    """SANTE/11312/2021 (from memory): the lowest level with 70 to 120 % recovered and an RSD up to 20 %."""
    runs = [
        {"level": level, "found": scattered(5, mean=mean * level, sd=rsd * mean * level)}
        for level, mean, rsd in ((0.01, 0.95, 0.25), (0.02, 0.65, 0.05), (0.05, 0.92, 0.19), (0.1, 1.0, 0.05))
    ]

    limits = found(unit="mg/kg", guidance=["sante-11312-2021"], recovery={"runs": runs})

    assert limits["quantification_limit"]["variant"] == "lowest_validated_level"
    assert limits["quantification_limit"]["value"] == 0.05


def test_the_accuracy_profile(found):
    """Hubert et al. (2004, from memory), computed: Mee's interval against ±15 %, lowest level inside."""
    runs = []
    for level, s_r, s_b in ((1.0, 0.10, 0.05), (5.0, 0.10, 0.05), (20.0, 0.30, 0.10)):
        for day, shift in enumerate((-1.0, 0.0, 1.0)):
            series = scattered(4, mean=level + s_b * shift, sd=s_r)
            runs.append({"level": level, "day": f"day {day}", "concentrations": series})

    limits = found(
        precision={"runs": runs},
        analysis={"accuracy_profile": {"acceptance_percent": 15, "data": "precision"}},
    )

    bounds = [mee(level, s_r, s_b) for level, s_r, s_b in ((1.0, 0.10, 0.05), (5.0, 0.10, 0.05))]
    assert bounds[0] > 15 > bounds[1]
    # between the two levels the bound runs straight
    crossing = 1.0 + 4.0 * (bounds[0] - 15) / (bounds[0] - bounds[1])
    assert value(limits, "accuracy_profile", "quantification_limit") == pytest.approx(crossing, rel=1e-6)


def mee(level, s_r, s_b, p=3, n=4):
    """Half width of Mee's 95 % β-expectation interval in percent of *level*, for series at −s_b, 0, +s_b.

    R. W. Mee, Technometrics 26 (1984) 251 (from memory).
    """
    between = max(s_b**2 - s_r**2 / n, 0.0)
    ratio = between / s_r**2
    b = math.sqrt((ratio + 1) / (n * ratio + 1))
    nu = (ratio + 1) ** 2 / ((ratio + 1 / n) ** 2 / (p - 1) + (1 - 1 / n) / (p * n))
    s_i = math.sqrt(s_r**2 + between)
    return 100 * stats.t.ppf(0.975, nu) * s_i * math.sqrt(1 + 1 / (p * n * b**2)) / level
