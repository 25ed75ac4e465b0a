"""Precision over laboratories, expectation from the mass fraction, dependence on the level, outlier tests."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import yaml

from validator.evaluation.results import NotAssessed

PUBLISHED = Path(__file__).parents[1] / "published" / "data"
LEVELS = [0.7, 1.2, 1.7, 3.3]


def book(name):
    return yaml.safe_load((PUBLISHED / f"{name}.yaml").read_text(encoding="utf-8"))


def coal():
    """Sulfur in coal, ISO 5725-2:1994, Annex B.1 (from memory): eight laboratories, four levels."""
    return [
        {"laboratory": laboratory, "level": level, "concentrations": cell}
        for laboratory, cells in book("prec_iso5725_coal_sulfur")["inputs"]["cells"].items()
        for level, cell in zip(LEVELS, cells, strict=True)
    ]


@pytest.fixture
def found(record_of, described):
    """What is found for the only analyte of a study with these precision runs."""

    def found(runs, **more):
        return record_of(described(precision={"runs": runs}, **more))

    return found


def test_consistency_of_the_coal_laboratories(found):
    """ISO 5725-2:1994, B.1.4 (from memory): h marks laboratory 6 at level 2, k laboratory 8 at level 1."""
    first, second, *_ = (record.consistency for record in found(coal(), unit="g/100 g").precision)

    h = {lab.laboratory: lab.h for lab in second.laboratories}
    k = {lab.laboratory: lab.k for lab in first.laboratories}
    assert max(h, key=lambda name: abs(h[name])) == "lab6"
    assert abs(h["lab6"]) > second.h_critical[0]
    assert max(k, key=k.get) == "lab8"


def test_points_of_h_and_k(found):
    """ISO 5725-2:1994, tables 6 and 7 (from memory): h for eight laboratories, k for three results."""
    runs = [
        {"laboratory": f"L{i}", "level": 5, "concentrations": [5 + 0.1 * i, 5.1 + 0.1 * i, 4.9 + 0.11 * i]}
        for i in range(8)
    ]

    consistency = found(runs).precision[0].consistency

    assert consistency.h_critical == pytest.approx((1.75, 2.06), abs=0.005)
    assert consistency.laboratories[0].k_critical == pytest.approx((1.67, 1.95), abs=0.02)


def test_reproducibility_stands_in_place_of_intermediate_precision(found):
    """Where the groups are laboratories no intermediate precision is claimed; limits are 2.8 s."""
    for record in found(coal(), unit="g/100 g").precision:
        assert record.factor == "laboratory"
        assert record.intermediate_sd is None
        assert record.intermediate_rsd is None
        assert record.reproducibility_limit == pytest.approx(2.8 * record.reproducibility_sd.value, rel=1e-12)
        assert record.repeatability_limit == pytest.approx(2.8 * record.repeatability_sd.value, rel=1e-12)
        low, high = record.reproducibility_sd.one_sided
        assert record.reproducibility_sd.ci[0] < low < high < record.reproducibility_sd.ci[1]


def test_one_laboratory_that_names_itself_is_no_interlaboratory_study(found):
    """With a single laboratory the days make the groups."""
    runs = [
        {"laboratory": "ours", "series": f"P{i}", "level": 5, "concentrations": some}
        for i, some in enumerate([[5.0, 5.1], [5.3, 5.2], [4.9, 5.0]])
    ]

    (record,) = found(runs).precision

    assert record.factor == "series"
    assert record.consistency is None
    assert record.intermediate_sd.value is not None


def test_a_straggler_is_graded_and_stays(found):
    """Beyond the 5 % point of Grubbs' test a mean is a straggler, beyond the 1 % point an outlier."""

    def grade(mean):
        cells = [5.00, 5.02, 4.98, 5.01, 4.97, 5.03, 4.99, mean]
        runs = [
            {"laboratory": f"L{i}", "level": 5, "concentrations": [one - 0.01, one + 0.01, one]}
            for i, one in enumerate(cells)
        ]
        (record,) = found(runs).precision
        test = next(one for one in record.outlier_tests if one.test.startswith("Grubbs (B"))
        assert record.n == 24
        return test.grade, test.suspect_group, test.flagged

    assert grade(5.05) == (None, "L7", False)
    assert grade(5.11) == ("straggler", "L7", True)
    assert grade(5.30) == ("outlier", "L7", True)


def test_outlying_laboratories_and_the_figures_without_them(found):
    """Mean of L6 and scatter of L7 are beyond 1 %: both are named, the figures without them stand beside."""
    quiet = {f"L{i}": [5 + 0.02 * (i - 3) + d for d in (-0.01, 0.0, 0.01)] for i in range(6)}
    cells = quiet | {"L6": [5.49, 5.50, 5.51], "L7": [4.7, 5.0, 5.3]}

    def first(cells):
        runs = [{"laboratory": name, "level": 5, "concentrations": some} for name, some in cells.items()]
        return found(runs).precision[0]

    record, left = first(cells), first(quiet)
    consistency = record.consistency
    assert {one.laboratory: one.outlying for one in consistency.laboratories if one.outlying} == {
        "L6": ("grubbs", "h"),
        "L7": ("cochran", "k"),
    }
    assert consistency.without.n == 18
    for name in ("repeatability_sd", "reproducibility_sd", "repeatability_rsd", "reproducibility_rsd"):
        assert getattr(consistency.without, name) == pytest.approx(getattr(left, name).value, rel=1e-12)
    assert record.n == 24
    assert left.consistency.without is None


@pytest.mark.parametrize(
    ("level", "unit", "thompson", "horwitz"),
    [(1, "µg/kg", 22.0, 45.25), (90, "g/100 g", 1.0541, 2.0320), (1, "mg/kg", 16.0, 16.0)],
)
def test_both_ratios_to_the_prediction(found, level, unit, thompson, horwitz):
    """2^(1 - 0.5 lg C) and Thompson's ends by hand; one and the same at 1 mg/kg."""
    runs = [
        {"laboratory": f"L{i}", "level": level, "concentrations": [level * (one + d) for d in (-0.05, 0.05)]}
        for i, one in enumerate((0.8, 1.0, 1.2, 1.0))
    ]

    (record,) = found(runs, unit=unit).precision

    between, within = record.reproducibility_rsd.value, record.repeatability_rsd.value
    assert record.horrat == pytest.approx(between / thompson, rel=1e-3)
    assert record.horrat_horwitz == pytest.approx(between / horwitz, rel=1e-3)
    assert record.horrat_repeatability == pytest.approx(within / (0.5 * thompson), rel=1e-3)
    assert record.horrat_repeatability_horwitz == pytest.approx(within / (0.5 * horwitz), rel=1e-3)


def test_robust_figures_stand_beside(found):
    """One wild laboratory moves the usual reproducibility far more than the robust one."""
    calm = [5.00, 5.02, 4.98, 5.01, 4.97, 5.03, 4.99]
    runs = [
        {"laboratory": f"L{i}", "level": 5, "concentrations": [one - 0.01, one + 0.012]}
        for i, one in enumerate([*calm, 5.9])
    ]

    (record,) = found(runs).precision

    assert record.robust.mean == pytest.approx(5.0, abs=0.03)
    assert record.robust.reproducibility_sd < record.reproducibility_sd.value / 4


def test_an_excluded_reading_of_a_laboratory(found):
    """The cell is smaller for it, the reading is listed, and the figures with it stand beside."""
    spoilt = {"laboratory": "lab1", "level": 0.7, "concentrations": [1.5], "excluded": "spilt"}

    plain, marked = found(coal()).precision[0], found([*coal(), spoilt]).precision[0]

    assert marked.reproducibility_sd == plain.reproducibility_sd
    assert [(one.value, one.cause) for one in marked.excluded] == [(1.5, "spilt")]
    assert marked.with_excluded.reproducibility_sd.value > plain.reproducibility_sd.value


@pytest.mark.parametrize(
    ("fraction", "printed"), [(0.1, "2.8"), (0.01, "4.0"), (0.001, "5.7"), (1e-6, "16.0")]
)
def test_expected_precision_from_the_mass_fraction(found, fraction, printed):
    """Horwitz, Anal. Chem. 54 (1982) 67A (from memory): 2 to the power 1 - 0.5 lg C, in percent."""
    level = fraction * 100
    runs = [
        {"laboratory": f"L{i}", "level": level, "concentrations": [level * one, level * (one + 0.01)]}
        for i, one in enumerate((1.0, 1.03, 0.97, 1.01))
    ]

    (record,) = found(runs, unit="g/100 g").precision

    assert f"{record.horwitz_rsd:.1f}" == printed
    assert record.mass_fraction == pytest.approx(fraction, rel=1e-12)
    assert record.mass_fraction_assumption is None
    assert record.horrat == pytest.approx(record.reproducibility_rsd.value / record.thompson_rsd, rel=1e-12)
    assert record.horrat_repeatability == pytest.approx(
        record.repeatability_rsd.value / (0.5 * record.thompson_rsd), rel=1e-12
    )


def test_what_was_assumed_for_the_mass_fraction_is_said(found):
    """A level per volume is taken as in water; a molar unit needs the molar mass for any expectation."""
    runs = [{"level": 10, "concentrations": [9.8, 10.1, 10.3]}]
    molar = {"id": "x", "name": "analyte x", "unit": "µmol/L", "signal": "signal", "signal_unit": "1"}

    (volume,) = found(runs, unit="mg/L").precision
    (unknown,) = found(runs, analytes=[molar]).precision
    (known,) = found(runs, analytes=[{**molar, "molar_mass": 100}]).precision

    assert volume.mass_fraction == pytest.approx(1e-5, rel=1e-12)
    assert "1 kg/L" in volume.mass_fraction_assumption
    assert volume.horrat is None
    assert unknown.horwitz_rsd is None
    assert unknown.mass_fraction.needs == "the molar mass of the analyte"
    assert unknown.horrat_repeatability is None
    assert known.mass_fraction == pytest.approx(1e-6, rel=1e-12)


def test_dependence_on_the_level(found):
    """ISO 5725-2: I is the mean of s/m, III the line of lg s on lg m; fewer than three levels give none."""
    record = found(coal(), unit="g/100 g")
    m = np.array([one.mean.value for one in record.precision])
    s = np.array([one.reproducibility_sd.value for one in record.precision])

    forms = {form.form: form for form in record.level_dependence.total}
    assert record.level_dependence.total_of == "reproducibility"
    assert forms["proportional"].slope == pytest.approx(np.mean(s / m), rel=1e-9)
    slope, intercept = np.polyfit(np.log10(m), np.log10(s), 1)
    assert (forms["power"].slope, forms["power"].intercept) == pytest.approx((slope, intercept), rel=1e-7)
    two = [run for run in coal() if run["level"] < 1.5]
    assert found(two).level_dependence is None


def test_dependence_needs_a_standard_deviation_at_every_level_used(found):
    """Levels without scatter do not count; with fewer than three left the form is refused."""
    runs = [{"level": level, "concentrations": [level, level * 1.02, level * 0.99]} for level in (1, 2)]
    runs.append({"level": 3, "concentrations": [3, 3, 3]})

    dependence = found(runs).level_dependence

    assert isinstance(dependence.repeatability, NotAssessed)
    assert isinstance(dependence.total, NotAssessed)
    assert dependence.total_of == "intermediate"


def test_outlier_tests_of_series(found):
    """Single values within their series, Grubbs on the means of the series, Cochran over the series."""
    runs = [
        {"level": 5, "series": name, "concentrations": some}
        for name, some in {"P1": [5.0, 5.1], "P2": [5.2, 5.1], "P3": [4.9, 5.0], "P4": [5.1, 7.9]}.items()
    ]

    tests = {one.test: one for one in found(runs).precision[0].outlier_tests}

    within = "studentised residual within groups (Bonferroni), single values"
    assert list(tests) == [within, "Grubbs (Bonferroni), group means", "Cochran (Bonferroni), groups"]
    assert {one.suspect_group for one in tests.values()} == {"P4"}
    assert tests[within].flagged
    assert tests["Cochran (Bonferroni), groups"].flagged
    assert tests["Cochran (Bonferroni), groups"].suspect == pytest.approx(
        np.std([5.1, 7.9], ddof=1), rel=1e-9
    )
    assert all(one.grade is None for one in tests.values())


def test_one_series_has_tests_of_its_values_only(found):
    """Without groups there are no groups to name or to test."""
    (record,) = found([{"level": 5, "concentrations": [5.0, 5.1, 5.2, 4.9, 9.0]}]).precision

    assert [one.test for one in record.outlier_tests] == [
        "Grubbs (Bonferroni), single values",
        "Grubbs, two largest, single values",
        "Grubbs, two smallest, single values",
        "Dixon Q (r10), single values",
    ]
    assert {one.suspect_group for one in record.outlier_tests} == {None}
    assert {one.suspect for one in record.outlier_tests if one.flagged} == {9.0}


def test_dixon_stops_where_its_tables_do(found):
    """More than thirty values are not tested by Dixon's ratio."""
    values = [5 + 0.01 * ((7 * i) % 31) for i in range(31)]

    (record,) = found([{"level": 5, "concentrations": values}]).precision

    assert not any(one.test.startswith("Dixon") for one in record.outlier_tests)


def test_the_figures_without_a_flagged_laboratory_stand_beside(found):
    """What a test flags stays in; the same estimators without that laboratory say what it does to them."""
    cells = {f"L{i}": [10 + 0.1 * i, 10.05 + 0.1 * i] for i in range(7)} | {"L7": [15.0, 15.1]}

    (entry,) = found(
        [{"level": 10, "laboratory": name, "concentrations": some} for name, some in cells.items()]
    ).precision
    (left,) = found(
        [
            {"level": 10, "laboratory": name, "concentrations": some}
            for name, some in cells.items()
            if name != "L7"
        ]
    ).precision

    flagged = next(one for one in entry.outlier_tests if one.test.startswith("Grubbs (B"))
    assert (flagged.grade, flagged.suspect_group) == ("outlier", "L7")
    assert (entry.groups, entry.n) == (8, 16)
    assert flagged.without.removed == (15.0, 15.1)
    assert flagged.without.reproducibility_sd == pytest.approx(left.reproducibility_sd.value, rel=1e-12)
    assert flagged.without.mean == pytest.approx(left.mean.value, rel=1e-12)
