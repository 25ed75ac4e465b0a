"""Which limit decides, who said so, and what reaches the variants."""

from __future__ import annotations

import numpy as np
import pytest

from validator.evaluation.results import LimitVariant, NotAssessed
from validator.statistics.detection import VARIANTS

LEVELS = np.repeat([1.0, 2.0, 4.0, 6.0, 8.0, 10.0], 2)
SIGNALS = 0.02 + 0.1 * LEVELS + 0.004 * np.random.default_rng(8).standard_normal(LEVELS.size)
BLANKS = (0.02 + 0.003 * np.random.default_rng(9).standard_normal(12)).tolist()
SLOPE, INTERCEPT = np.polyfit(LEVELS, SIGNALS, 1)
RESIDUAL = np.sqrt(((SIGNALS - np.polyval((SLOPE, INTERCEPT), LEVELS)) ** 2).sum() / (LEVELS.size - 2))


def calibration():
    return {"runs": [{"level": float(x), "signal": float(y)} for x, y in zip(LEVELS, SIGNALS, strict=True)]}


def blanks(n=12, **more):
    return {"runs": [{"signals": BLANKS[:n], **more}]}


def declared(**limits):
    return {"analysis": {name: {"variant": variant} for name, variant in limits.items()}}


@pytest.fixture
def limits(record_of, described):
    """The limits of a study with a calibration."""

    def limits(guidance=(), **more):
        return record_of(described(guidance=guidance, calibration=calibration(), **more)).detection

    return limits


# --- which variant decides -------------------------------------------------------------------------
def test_the_declared_variants_decide(limits):
    """What the study declares decides, whatever the guidance prefers and the data allow besides."""
    found = limits(
        ["iupac-single-laboratory-2002"],
        blanks=blanks(),
        **declared(detection_limit="residual_3.3", quantification_limit="blank_3s"),
    )

    assert found.declared_by == "study"
    assert found.detection_limit.variant == "residual_3.3"
    assert found.quantification_limit.variant == "blank_3s"
    assert found.detection_limit.value == pytest.approx(3.3 * RESIDUAL / SLOPE, rel=1e-9)
    assert found.quantification_limit.value == pytest.approx(10 * np.std(BLANKS, ddof=1) / SLOPE, rel=1e-9)
    assert found.detection_limit.unit == "mg/L"


@pytest.mark.parametrize(
    "one", [{"detection_limit": "residual_3.3"}, {"quantification_limit": "residual_3.3"}]
)
def test_one_declared_limit_speaks_for_the_other(limits, one):
    """Who declares one of the two limits does not get a second default for the other."""
    found = limits(blanks=blanks(), **declared(**one))

    assert found.declared_by == "study"
    assert found.detection_limit.variant == found.quantification_limit.variant == "residual_3.3"


def test_a_quantification_limit_by_its_own_name(limits):
    """``residual_10`` is the quantification limit of ``residual_3.3``: the name that was declared is kept."""
    found = limits(**declared(detection_limit="residual_3.3", quantification_limit="residual_10"))

    assert found.quantification_limit.variant == "residual_10"
    assert found.quantification_limit.value == pytest.approx(10 * RESIDUAL / SLOPE, rel=1e-9)


def test_one_declared_limit_by_its_own_name_speaks_for_the_other(limits):
    """``residual_10`` alone: the detection limit is that of the same variant."""
    found = limits(blanks=blanks(), **declared(quantification_limit="residual_10"))

    assert found.quantification_limit.variant == "residual_10"
    assert found.detection_limit.variant == "residual_3.3"


@pytest.mark.parametrize("variant", ["hubaux_vos", "iso_11843"])
def test_a_declared_variant_that_gives_one_of_the_two_leaves_the_other_open(limits, variant):
    """No second default is taken in silence for the limit that the declared variant does not define."""
    found = limits(blanks=blanks(), **declared(detection_limit=variant))

    assert found.detection_limit.variant == variant
    assert (
        found.quantification_limit.not_assessed
        == f"no quantification limit is defined by the governing approach ({VARIANTS[variant].title})"
    )
    assert found.declared_by == "study"


def test_guidance_that_prefers_one_of_the_two_leaves_the_other_open(limits):
    """A document whose own variant gives a quantification limit only asks for no detection limit."""
    found = limits(["sante-11312-2021"], blanks=blanks())

    assert found.declared_in.startswith("SANTE")
    assert (
        found.detection_limit.not_assessed
        == "no detection limit is defined by the governing approach (Lowest validated level)"
    )


def test_one_analyte_may_declare_otherwise(judged, described):
    """An override holds for its analyte alone."""
    analytes = [
        {"id": name, "name": name, "unit": "mg/L", "signal": "s", "signal_unit": "1"} for name in ("cd", "zn")
    ]
    runs = [{**run, "analyte": name} for name in ("cd", "zn") for run in calibration()["runs"]]
    analysis = declared(detection_limit="residual_3.3")["analysis"]
    analysis["per_analyte"] = {"zn": {"detection_limit": {"variant": "intercept_3.3"}}}

    _, results = judged(described(analytes=analytes, analysis=analysis, calibration={"runs": runs}))

    decided = {
        name: record.configurations["default"].detection.detection_limit.variant
        for name, record in results.analytes.items()
    }
    assert decided == {"cd": "residual_3.3", "zn": "intercept_3.3"}


def test_the_first_profile_decides_where_nothing_is_declared(limits):
    """The guidance's own variant, with the name of the document."""
    found = limits(["ich-q2r2-2023", "iupac-single-laboratory-2002"], blanks=blanks())

    assert found.declared_in.startswith("ICH")
    assert not isinstance(found.detection_limit, NotAssessed)


@pytest.mark.parametrize(
    ("n", "variant", "by"),
    [
        (10, "blank_3s", "the default rule (at least ten independent blanks)"),
        (9, "residual_3.3", "the default rule (fewer than ten independent blanks)"),
    ],
)
def test_the_number_of_blanks_decides_where_nobody_else_does(limits, n, variant, by):
    """Ten independent blanks carry a limit from blanks; with fewer the calibration decides."""
    found = limits(blanks=blanks(n))

    assert (found.detection_limit.variant, found.declared_in) == (variant, by)


def test_repeated_readings_do_not_make_ten_blanks(limits):
    """Twelve readings of one blank solution are one blank."""
    found = limits(blanks=blanks(preparation="repeated_reading"))

    assert found.detection_limit.variant == "residual_3.3"
    assert found.variants["blank_3s"].not_assessed == "there is only one blank"


# --- what is recorded ------------------------------------------------------------------------------
def test_every_variant_is_shown_with_what_entered_it(limits):
    """All that the data allow stand side by side; the rest says what it would take."""
    found = limits(blanks=blanks())

    assert len(found.variants) >= 15
    for name, one in found.variants.items():
        if isinstance(one, LimitVariant):
            assert one.source, name
            assert one.inputs, name
        else:
            assert one.not_assessed, name
            assert one.needs, name
    assert found.variants["blank_3s"].sigma == pytest.approx(np.std(BLANKS, ddof=1))
    assert found.variants["blank_3s"].degrees_of_freedom == 11


def test_a_variant_that_defines_no_such_limit_says_so(limits):
    """A declared variant without a critical level leaves that one open, the others stand."""
    found = limits(blanks=blanks(), **declared(detection_limit="blank_3s"))

    assert found.critical_level.not_assessed == (
        "no critical value is defined by the governing approach (Blank, 3s (Eurachem))"
    )
    assert found.detection_limit.value > 0


def test_the_decided_limit_has_one_sided_bounds(limits):
    """A limit is judged on one side: its bounds at the study's confidence lie inside the interval."""
    found = limits(blanks=blanks(), **declared(detection_limit="blank_3s"))

    lower, upper = found.detection_limit.ci
    bound_lower, bound_upper = found.detection_limit.one_sided
    assert lower < bound_lower < found.detection_limit.value < bound_upper < upper


# --- what reaches the variants ---------------------------------------------------------------------
def test_blank_corrected_results_carry_the_blank_twice(limits):
    """Results with a blank subtracted scatter as sample and blank together: s₀' = s₀√(1/m + 1/n)."""
    plain = limits(blanks=blanks(), **declared(detection_limit="blank_3s")).detection_limit.value
    corrected = limits(
        blanks=blanks(blank_correction="subtracted"), **declared(detection_limit="blank_3s")
    ).detection_limit.value

    assert corrected / plain == pytest.approx(np.sqrt(1 + 1 / 12), rel=1e-9)


def test_replicates_of_the_sample_lower_the_limit(limits):
    """A routine result that is a mean of four scatters half as much."""
    analysis = {"calibration": {"replicates_for_sample": 4}, "detection_limit": {"variant": "blank_3s"}}

    single = limits(blanks=blanks(), **declared(detection_limit="blank_3s")).detection_limit.value
    mean = limits(blanks=blanks(), analysis=analysis).detection_limit.value

    assert mean == pytest.approx(single / 2, rel=1e-9)


def test_blanks_as_results_need_no_calibration(record_of, described):
    """Blanks in the unit of the analyte give limits without a calibration."""
    results = [0.01, -0.02, 0.03, 0.0, -0.01, 0.02, 0.01, -0.03, 0.02, 0.0]

    found = record_of(described(blanks={"runs": [{"concentrations": results}]})).detection

    assert found.detection_limit.value == pytest.approx(3 * np.std(results, ddof=1), rel=1e-9)


def test_excluded_blanks_do_not_count(limits):
    """A blank that is left out with a cause enters no limit."""
    with_spike = {"runs": [{"signals": BLANKS}, {"signals": [9.9], "excluded": "contaminated"}]}

    assert limits(blanks=with_spike).variants == limits(blanks=blanks()).variants


def test_low_level_samples_on_signals_are_read_from_the_line(limits):
    """Low-level signals become concentrations by the calibration of the study."""
    signals = [0.12, 0.125, 0.118, 0.131, 0.122, 0.127, 0.119, 0.124]
    runs = [{"level": 1, "signals": signals, "series": "a"}]

    variant = limits(low_level={"runs": runs}).variants["low_level_3s"]

    assert variant.detection_limit.value == pytest.approx(3 * np.std(signals, ddof=1) / SLOPE, rel=1e-9)


def test_noise_gives_the_signal_to_noise_limit(limits):
    """Height 30, peak-to-peak noise 2 at level 5: S/N = 2H/h = 30, limit 3·5/30."""
    runs = [{"level": 5, "signal_height": 30, "noise": 2, "noise_kind": "peak_to_peak"}]

    variant = limits(noise={"runs": runs}).variants["signal_to_noise"]

    assert variant.detection_limit.value == pytest.approx(0.5)
    assert variant.quantification_limit.value == pytest.approx(5 / 3)


def test_censored_blanks_count_for_the_design_of_the_method_detection_limit(limits):
    """Blanks below reporting are blanks: seven of them over three batches satisfy the method's design."""
    days = ["a", "b", "c"]
    found = limits(
        blanks={
            "runs": [{"series": days[i % 3], "concentrations": ["<0.1"]} for i in range(6)]
            + [{"series": "a", "concentrations": [0.05]}]
        },
        low_level={
            "runs": [
                {"level": 0.5, "series": days[i % 3], "concentrations": [0.5 + 0.01 * i]} for i in range(7)
            ]
        },
        **declared(detection_limit="epa_mdl"),
    )

    assert found.detection_limit.variant == "epa_mdl"
    assert found.variants["epa_mdl"].inputs["blanks_censored"] == 6
    assert found.detection_limit.value == pytest.approx(
        3.1426684 * np.std([0.5 + 0.01 * i for i in range(7)], ddof=1), rel=1e-6
    )


# --- what is not there, and why --------------------------------------------------------------------
def test_a_calibration_that_cannot_be_fitted_gives_its_reason(record_of, described):
    """Blank signals beside a flat calibration: the limits say why it is no calibration, not that none is."""
    flat = {"runs": [{"level": x, "signals": [1.0, 1.0]} for x in (1, 2, 4)]}
    results = [0.01, -0.02, 0.03, 0.0, -0.01, 0.02, 0.01, -0.03, 0.02, 0.0]
    low = {"runs": [{"level": 1, "signals": [0.1, 0.12, 0.11]}]}

    found = record_of(
        described(calibration=flat, blanks={"runs": [{"concentrations": results}]}, low_level=low)
    ).detection.variants

    why = "the signal is the same at every level"
    assert found["residual_3.3"].not_assessed == f"the calibration cannot be fitted: {why}"
    assert found["low_level_3s"].not_assessed.endswith(why)
    assert found["low_level_3s"].not_assessed.startswith(
        "no results of the low-level samples are available: "
    )


def test_blanks_that_are_all_below_a_limit_are_not_missing(limits):
    """Ten blanks without a value: their number is named, and values are asked for."""
    found = limits(blanks={"runs": [{"signals": ["<0.01"] * 10}]})

    for name in ("blank_3s", "blank_mean_3s", "currie", "din_32645_blank"):
        assert found.variants[name].not_assessed == "10 of 10 blanks are reported only as less than a limit"
        assert "the measured values of all blanks" in found.variants[name].needs
    assert found.detection_limit.variant == "residual_3.3"


def test_the_number_of_blanks_in_a_routine_correction_is_declared(limits):
    """One blank subtracted: s_0·√2 instead of s_0·√(1 + 1/12); the note names an assumed number only."""
    many, one = (
        limits(blanks={**blanks(blank_correction="subtracted"), **key})
        for key in ({}, {"blanks_per_correction": 1})
    )

    for name in ("blank_3s", "currie"):
        ratio = one.variants[name].detection_limit.value / many.variants[name].detection_limit.value
        assert ratio == pytest.approx((2 / (1 + 1 / 12)) ** 0.5)
        assert "is not stated" in many.variants[name].note
        assert "is not stated" not in one.variants[name].note


def test_the_mean_blank_counts_where_blanks_are_results(limits):
    """Blanks given as concentrations need no line: x̄ + 3 s and x̄ + 10 s."""
    values = [0.30, 0.41, 0.36, 0.28, 0.35, 0.44, 0.33, 0.39, 0.31, 0.37]

    found = limits(blanks={"runs": [{"concentrations": values}]}).variants["blank_mean_3s"]

    mean, sd = np.mean(values), np.std(values, ddof=1)
    assert found.detection_limit.value == pytest.approx(mean + 3 * sd)
    assert found.quantification_limit.value == pytest.approx(mean + 10 * sd)
    assert found.detection_limit.ci[0] < mean + 3 * sd < found.detection_limit.ci[1]


@pytest.mark.parametrize("variant", ["low_level_3s", "lob_lod"])
def test_low_level_results_below_a_limit_are_not_left_out_in_silence(limits, variant):
    """What is left after censoring scatters too little: no limit is made of it."""
    runs = [{"level": 1, "concentrations": [0.9, 1.1, 1.0, "<0.5", "<0.5", 1.2]}]

    found = limits(blanks=blanks(), low_level={"runs": runs}).variants[variant]

    assert found.not_assessed.startswith(
        "2 of 6 results of the low-level sample at level 1 are reported only as less than"
    )


# --- what decides a validated level ----------------------------------------------------------------
RECOVERY = {
    "runs": [
        {"level": 1, "found": [0.60, 1.21, 0.82, 1.14, 0.71]},
        {"level": 2, "found": [1.9, 2.0, 1.8, 1.95, 1.85]},
        {"level": 5, "found": [4.9, 5.1, 5.0, 4.8, 5.0]},
    ]
}


def own(characteristic, **limit):
    return {"characteristic": characteristic, **limit}


@pytest.mark.parametrize(
    ("criteria", "lowest"),
    [
        ([own("recovery", min=70, max=120)], 1),
        ([own("recovery", min=70, max=120), own("repeatability", rsd_max=20)], 2),
        ([own("recovery", min=70, max=120), own("intermediate_precision", rsd_max=20)], 2),
        ([own("recovery", min=96)], 5),
        # a criterion for all levels decides at every one; another for one level adds to it
        ([own("recovery", min=96), own("recovery", min=70, at=1), own("recovery", min=70, at=2)], 5),
        ([own("recovery", min=70), own("recovery", min=96, at=2), own("repeatability", rsd_max=20)], 5),
        (
            [
                own("recovery", min=70),
                own("repeatability", rsd_max=20),
                own("repeatability", at=1, rsd_max=30),
            ],
            2,
        ),
    ],
)
def test_recovery_and_scatter_of_a_level_decide(record_of, described, criteria, lowest):
    """The lowest level that meets every criterion of the study on recovery and RSD that speaks of it."""
    found = record_of(described(recovery=RECOVERY, criteria=criteria)).detection

    assert found.variants["lowest_validated_level"].quantification_limit.value == lowest


FOUND_OVER_DAYS = [1.45, 1.65, 1.40, 1.60, 1.50, 1.40]
"""Found of 1 added to 0.5, one a day: mean 1.5, standard deviation 0.105, RSD 7.0 % (by hand)."""


@pytest.mark.parametrize(
    ("series", "limit_met"), [(["A"] * 6, "repeatability"), (list("ABCDEF"), "intermediate_precision")]
)
def test_recoveries_are_held_against_the_precision_of_their_conditions(
    record_of, described, series, limit_met
):
    """Days vary as intermediate precision, one series as repeatability: ISO 5725-3's conditions (memory)."""
    other = {"repeatability", "intermediate_precision"} - {limit_met}
    runs = [
        {"native": 0.5, "added": 1, "series": one, "found": found}
        for one, found in zip(series, FOUND_OVER_DAYS, strict=True)
    ]
    criteria = [own("recovery", min=70), own(limit_met, rsd_max=8), own(other.pop(), rsd_max=2)]

    found = record_of(described(recovery={"runs": runs}, criteria=criteria))

    variant = found.detection.variants["lowest_validated_level"]
    assert variant.quantification_limit.value == 1.5, "the content, not what was added to it"
    assert variant.inputs["rsd_max_percent"] == 8
    (entry,) = found.recovery
    assert entry.total_content == 1.5
    expected = 100 * np.std(FOUND_OVER_DAYS, ddof=1) / np.mean(FOUND_OVER_DAYS)
    assert entry.found_rsd_percent == pytest.approx(expected, rel=1e-12)
    assert variant.inputs["rsd_percent"] == entry.found_rsd_percent


@pytest.mark.parametrize(("kind", "lowest"), [(None, 2), ("screening", 2)])
def test_the_criteria_of_the_guidance_decide_where_the_study_has_none(record_of, described, kind, lowest):
    """SANTE/11312/2021 (from memory): recovery 70 to 120 %, RSD at most 20 %; level 1 scatters by 28 %."""
    study = described(guidance=["sante-11312-2021"], unit="mg/kg", recovery=RECOVERY)
    if kind:
        study["method"]["kind"] = kind

    found = record_of(study).detection

    assert found.quantification_limit.variant == "lowest_validated_level"
    assert found.quantification_limit.value == lowest
    assert found.variants["lowest_validated_level"].inputs["rsd_max_percent"] == 20


def test_limits_of_guidance_that_depend_on_the_mass_fraction(record_of, described):
    """EU 2021/808 (seen): a bias of -50 to +20 % up to 1 µg/kg, of -20 to +20 % from 10 µg/kg."""
    runs = [
        {"level": level, "found": [round(level * f, 6) for f in (0.74, 0.76, 0.78, 0.72)]}
        for level in (0.5, 20.0)
    ]

    found = record_of(
        described(guidance=["eu-2021-808"], unit="µg/kg", recovery={"runs": runs})
    ).detection.variants["lowest_validated_level"]

    assert found.quantification_limit.value == 0.5
    assert found.inputs["recovery_min_percent"] == 50
    assert found.cautions == ("higher_level_fails",)
    assert "The level 20 above it does not meet the criteria." in found.note


def test_a_blank_level_is_no_quantification_limit(record_of, described):
    """A linear range that begins with level 0 has its lowest reportable level above it."""
    levels = [0.0, 1.0, 2.0, 4.0, 6.0, 8.0]
    runs = [{"level": x, "signals": [0.02 + 0.1 * x + d for d in (0.001, -0.001)]} for x in levels]

    record = record_of(described(calibration={"runs": runs}))

    assert record.calibration.linear_range.lower == 0
    assert record.detection.variants["lower_linear_limit"].quantification_limit.value == 1
