"""Uncertainty from the study's own data, from what it states, and by its formula."""

from __future__ import annotations

import math

import numpy as np
import pytest

from validator import evaluate
from validator.errors import StudyError
from validator.evaluation.results import NotAssessed
from validator.statistics.monte_carlo import simulate_budget
from validator.statistics.uncertainty_budget import BudgetRow, combine

LEVELS = (5.0, 20.0, 50.0)
STOCK = {"name": "stock", "value": 1, "relative": True, "kind": "standard", "source": "certificate"}


def precision(levels=LEVELS, series=5):
    """Duplicates in series at each level: scatter of 2 % between and 1 % within, and a constant part."""
    runs = []
    for k, level in enumerate(levels):
        for i in range(series):
            between = (0.02 * level + 0.05) * math.sin(2.1 * i + k)
            within = (0.01 * level + 0.05) * math.cos(1.3 * i + 2 * k)
            runs.append(
                {
                    "level": level,
                    "series": f"S{i}",
                    "concentrations": [level + between + within, level + between - within],
                }
            )
    return {"runs": runs}


def spikes(*percent, level=10.0):
    return {
        "runs": [
            {
                "native": 0,
                "added": level,
                "matrix": f"water {i}",
                "found": [level * p / 100 + off for off in (-0.1, 0.1)],
            }
            for i, p in enumerate(percent)
        ]
    }


def materials(*pairs):
    return {
        "runs": [
            {
                "reference": ref,
                "reference_uncertainty": 0.01 * ref,
                "matrix": f"m{i}",
                "found": [found, found + 0.1],
            }
            for i, (ref, found) in enumerate(pairs)
        ]
    }


@pytest.fixture
def uncertainty(record_of, described):
    """The uncertainty record of a study with these blocks."""

    def uncertainty(analyte=None, **blocks):
        plain = {"id": "x", "name": "x", "unit": "mg/L", "signal": "signal", "signal_unit": "1"}
        return record_of(described(analytes=[plain | (analyte or {})], **blocks)).uncertainty

    return uncertainty


# --- top-down --------------------------------------------------------------------------------------
def test_a_study_that_says_nothing_has_its_own_uncertainty(uncertainty, record_of, described):
    """Intermediate precision and bias make the budget of each level without a word on uncertainty."""
    blocks = {"precision": precision(), "recovery": spikes(97, 102, 99)}

    found = uncertainty(**blocks)

    assert [one.level for one in found.levels] == list(LEVELS)
    assert {one.basis for one in found.levels} == {"measured"}
    measured = record_of(described(**blocks)).precision
    for one, entry in zip(found.levels, measured, strict=True):
        rms = math.sqrt((3**2 + 2**2 + 1**2) / 3)
        s = entry.intermediate_sd.value
        assert one.budget.standard_uncertainty == pytest.approx(math.hypot(s, rms / 100 * one.level))
        assert [row.name for row in one.budget.contributions] == [
            "intermediate precision",
            "root mean square bias of 3 recoveries",
        ]
    assert "uncertainty of the added amounts is not included" in found.bias.note
    assert found.simulated is None


def test_reference_materials_come_before_recoveries(uncertainty):
    """Where both are measured the certified values tell the bias, unless the study names recovery."""
    blocks = {
        "precision": precision(),
        "recovery": {"runs": spikes(90, 91)["runs"] + materials((10, 10.2), (30, 30.3))["runs"]},
    }

    usual, by_recovery = uncertainty(**blocks), uncertainty(**blocks, uncertainty={"bias": "from recovery"})

    assert usual.bias.method == "2 reference materials"
    assert by_recovery.bias.method == "2 recoveries"
    assert by_recovery.bias.standard_uncertainty > 3 * usual.bias.standard_uncertainty


def test_one_material_and_one_recovery(uncertainty):
    """A single material or recovery enters with its deviation, its scatter and its reference."""
    one = uncertainty(precision=precision(), recovery=materials((10, 10.2)))
    spike = uncertainty(precision=precision(), recovery=spikes(97))

    scatter = 0.1 / math.sqrt(2) / math.sqrt(2)
    assert one.bias.standard_uncertainty == pytest.approx(math.hypot(2.5, 10 * scatter, 1.0))
    assert spike.bias.method == "one recovery"
    assert spike.bias.standard_uncertainty == pytest.approx(math.hypot(3, 1.0))


def test_repeatability_alone_is_refused(uncertainty):
    """One series shows no scatter between series: no uncertainty can be built on it."""
    found = uncertainty(precision=precision(series=1), recovery=spikes(98, 101))

    assert isinstance(found, NotAssessed)
    assert "repeatability" in found.not_assessed
    assert "several series" in found.needs


def test_without_bias_the_record_says_so(uncertainty):
    """Scatter alone is a budget with a note, never a silent one."""
    found = uncertainty(precision=precision())

    assert isinstance(found.bias, NotAssessed)
    assert found.notes == (f"bias is not included: {found.bias.not_assessed}",)


def test_duplicates_carry_the_scatter_within_and_precision_that_between(uncertainty, record_of, described):
    """u(Rw) from duplicates of samples has the scatter between series of the precision runs added."""
    pairs = [(9.9, 10.1), (20.2, 19.8), (30.1, 30.5)]
    blocks = {
        "precision": precision(),
        "comparison": {
            "runs": [
                {"sample": f"s{i}", "this_method": list(pair), "reference_method": pair[0]}
                for i, pair in enumerate(pairs)
            ]
        },
    }

    found = uncertainty(**blocks, uncertainty={"within_laboratory": "from duplicates"})

    within = np.sqrt(np.mean([(100 * (a - b) / ((a + b) / 2)) ** 2 / 2 for a, b in pairs]))
    between = np.sqrt(
        np.mean(
            [
                (100 * entry.between_sd.value / entry.mean.value) ** 2
                for entry in record_of(described(**blocks)).precision
            ]
        )
    )
    assert found.within_laboratory.standard_uncertainty == pytest.approx(math.hypot(within, between))
    assert found.within_laboratory.note == ""


# --- levels ----------------------------------------------------------------------------------------
def test_limits_are_levels_of_their_own(uncertainty):
    """At a legal limit and a specification the scatter follows the dependence on the level."""
    found = uncertainty(
        {"legal_limit": 30, "specification": {"lower": 5, "upper": 80}},
        precision=precision(),
        recovery=spikes(99, 101),
    )

    places = {one.level: (one.at, one.basis) for one in found.levels}
    assert places == {
        5.0: (("precision", "lower specification"), "measured"),
        20.0: (("precision",), "measured"),
        30.0: (("legal limit",), "interpolated"),
        50.0: (("precision",), "measured"),
        80.0: (("upper specification",), "extrapolated"),
    }
    u = {one.level: one.budget.standard_uncertainty for one in found.levels}
    assert u[20.0] < u[30.0] < u[50.0] < u[80.0]


def test_the_function_over_levels(uncertainty):
    """u² = s0² + (s1·x)² reproduces the levels, and tells where a target is kept."""
    blocks = {"precision": precision(series=12), "recovery": spikes(99, 101)}
    found = uncertainty(**blocks, uncertainty={"target_percent": 7, "bias": "from recovery"})

    function = found.function
    for one in found.levels:
        predicted = math.hypot(function.s0, function.s1_percent / 100 * one.level)
        assert predicted == pytest.approx(one.budget.standard_uncertainty, rel=0.15)
    at = function.lowest_for_target
    k = max(one.budget.coverage_factor for one in found.levels)
    assert k * math.hypot(function.s0, function.s1_percent / 100 * at) == pytest.approx(0.07 * at)


def test_a_coverage_factor_is_kept(uncertainty):
    """A declared k is used as it is; without one it is Student's factor of the effective ν."""
    blocks = {"precision": precision(), "recovery": spikes(99, 101)}

    fixed = uncertainty(**blocks, uncertainty={"coverage_factor": 2, "bias": "from recovery"})
    usual = uncertainty(**blocks)

    assert {one.budget.coverage_factor for one in fixed.levels} == {2}
    assert all(one.budget.confidence is None for one in fixed.levels)
    assert all(one.budget.coverage_factor > 1.96 for one in usual.levels)
    assert [one.budget.standard_uncertainty for one in fixed.levels] == pytest.approx(
        [one.budget.standard_uncertainty for one in usual.levels]
    )


# --- components ------------------------------------------------------------------------------------
def test_components_are_added_to_what_the_data_show(uncertainty):
    """A stated component in percent grows with the level; one in the unit does not."""
    volume = {"name": "volume", "value": 0.3, "unit": "mg/L", "kind": "tolerance", "source": "flask"}
    blocks = {"precision": precision(), "recovery": spikes(99, 101)}

    plain = uncertainty(**blocks)
    stated = uncertainty(**blocks, uncertainty={"components": [STOCK, volume]})

    for before, after in zip(plain.levels, stated.levels, strict=True):
        more = math.hypot(0.01 * before.level, 0.3 / math.sqrt(3))
        expected = math.hypot(before.budget.standard_uncertainty, more)
        assert after.budget.standard_uncertainty == pytest.approx(expected)
        assert sum(row.share_percent for row in after.budget.contributions) == pytest.approx(100)


def test_a_component_belongs_to_its_analyte(judged, described):
    """What is stated for one analyte stays out of the budget of another."""
    plain = {"unit": "mg/L", "signal": "signal", "signal_unit": "1"}
    runs = [run | {"analyte": name} for name in ("a", "b") for run in precision()["runs"]]
    study = described(
        analytes=[plain | {"id": name, "name": name} for name in ("a", "b")],
        precision={"runs": runs},
        uncertainty={"components": [STOCK | {"analyte": "b"}]},
    )

    _, results = judged(study)

    rows = {
        name: [row.name for row in found.configurations["default"].uncertainty.levels[0].budget.contributions]
        for name, found in results.analytes.items()
    }
    assert rows == {"a": ["intermediate precision"], "b": ["intermediate precision", "stock"]}


def test_components_alone_make_a_budget_in_percent(uncertainty):
    """Without any measured scatter what is stated is combined as it stands, at no level."""
    purity = STOCK | {"name": "purity", "value": 0.8, "kind": "expanded", "k": 2}

    (only,) = uncertainty(uncertainty={"components": [STOCK, purity]}).levels

    assert (only.level, only.basis, only.budget.relative) == (None, "stated", True)
    assert only.budget.standard_uncertainty == pytest.approx(math.hypot(1, 0.4))
    assert only.budget.expanded_percent == only.budget.expanded_uncertainty


def test_mixed_components_need_a_level(uncertainty):
    """Relative and absolute figures cannot be added without a level; target levels give some."""
    volume = {"name": "volume", "value": 0.3, "unit": "mg/L", "kind": "standard", "source": "flask"}
    block = {"components": [STOCK, volume]}

    without = uncertainty(uncertainty=block)
    with_target = uncertainty({"target_levels": [10, 40]}, uncertainty=block)

    assert isinstance(without, NotAssessed)
    assert "no level is specified" in without.not_assessed
    assert [one.at for one in with_target.levels] == [("target",), ("target",)]
    assert [one.budget.standard_uncertainty for one in with_target.levels] == pytest.approx(
        [math.hypot(0.1, 0.3), math.hypot(0.4, 0.3)]
    )


# --- the calibration -------------------------------------------------------------------------------
CALIBRATION = {
    "runs": [
        {"level": level, "signals": [0.02 + 0.05 * level + off for off in (-0.02, 0.0, 0.025)]}
        for level in (0, 10, 20, 30, 40, 60)
    ]
}


def test_the_calibration_tells_its_contribution(uncertainty):
    """Height and slope of the function where precision holds the scatter; all of s_x0 where nothing does."""
    row = {"name": "calibration function", "from": "calibration"}
    with_precision = uncertainty(
        calibration=CALIBRATION, precision=precision(), uncertainty={"components": [row]}
    )
    alone = uncertainty(
        {"target_levels": [20]},
        calibration=CALIBRATION,
        uncertainty={"components": [row], "bias": "none"},
    )

    part = next(one for one in with_precision.levels if one.level == 20)
    (whole,) = alone.levels
    found = part.budget.contributions[-1]
    assert (found.name, found.degrees_of_freedom) == ("calibration function", 16)
    assert whole.budget.standard_uncertainty == pytest.approx(whole.calibration)
    assert part.calibration == pytest.approx(whole.calibration)
    # s_x0² = (s/b)²(1/m + 1/n + ...): the first term is the sample's own
    assert found.standard_uncertainty < 0.4 * whole.calibration


def test_more_replicates_of_a_sample_lower_what_the_calibration_adds(uncertainty):
    """The mean of four signals is read with less doubt than one."""

    def u(replicates):
        row = {"name": "calibration", "from": "calibration", "replicates": replicates}
        (only,) = uncertainty(
            {"target_levels": [20]}, calibration=CALIBRATION, uncertainty={"components": [row]}
        ).levels
        return only.budget.standard_uncertainty

    assert u(4) < 0.6 * u(1)


def test_without_a_calibration_there_is_nothing_to_read(uncertainty):
    """A component from a calibration that the study lacks refuses the budget with the reason."""
    found = uncertainty(
        {"target_levels": [20]},
        uncertainty={"components": [{"name": "calibration", "from": "calibration"}]},
    )

    assert isinstance(found, NotAssessed)
    assert "no calibration data were provided" in found.not_assessed


# --- simulation ------------------------------------------------------------------------------------
def test_a_budget_is_simulated_at_the_legal_limit(uncertainty):
    """The level that results are held against is simulated; seed and draws are in the record."""
    found = uncertainty(
        {"legal_limit": 20},
        analysis={"seed": 11},
        precision=precision(),
        recovery=spikes(99, 101),
        uncertainty={"components": [STOCK], "simulation": {"draws": 50_000}},
    )
    (level,) = [one for one in found.levels if one.level == 20]
    rows = [
        BudgetRow(
            name=row.name,
            standard_uncertainty=row.standard_uncertainty,
            sensitivity=row.sensitivity,
            distribution=row.distribution,
            degrees_of_freedom=row.degrees_of_freedom or math.inf,
        )
        for row in level.budget.contributions
    ]
    same = simulate_budget(combine(rows, value=20.0), seed=11, draws=50_000, significant_digits=1)

    simulation = found.simulated.simulation
    assert found.simulated.level == 20
    assert (simulation.seed, simulation.draws) == (11, 50_000)
    assert simulation.symmetric == pytest.approx((same.symmetric.lower, same.symmetric.upper))
    assert found.simulated.check.tolerance == pytest.approx(same.tolerance)


def test_the_same_seed_gives_the_same_figures(uncertainty):
    """Results can be computed again: only another seed moves a simulated figure."""

    def simulated(seed):
        block = {"components": [STOCK], "simulation": {"draws": 20_000, "seed": seed}}
        return uncertainty(precision=precision(), uncertainty=block).simulated

    assert simulated(3) == simulated(3)
    assert simulated(3) != simulated(4)


def test_a_confidence_beyond_what_the_draws_can_show(uncertainty):
    """At 99.9999 % a million draws have one outside: the simulation is refused, the budget stays."""
    found = uncertainty(
        analysis={"confidence": 0.999999},
        precision=precision(),
        uncertainty={"components": [STOCK]},
    )

    assert isinstance(found.simulated.simulation, NotAssessed)
    assert "draws" in found.simulated.simulation.needs
    assert len(found.levels) == 3


# --- a formula -------------------------------------------------------------------------------------
def test_a_formula_stands_beside_the_levels(uncertainty):
    """Both are there: what the data show, and what the formula gives for its result."""
    found = uncertainty(
        precision=precision(),
        recovery=spikes(99, 101),
        uncertainty={
            "model": "a * b",
            "quantities": [
                {"name": "a", "value": 4, "uncertainty": 0.04},
                {"name": "b", "readings": [5.0, 5.1, 4.9, 5.0]},
            ],
        },
    )

    assert len(found.levels) == 3
    budget = found.formula.budget
    u_b = np.std([5.0, 5.1, 4.9, 5.0], ddof=1) / 2
    assert budget.value == pytest.approx(20)
    assert budget.standard_uncertainty == pytest.approx(math.hypot(0.04 * 5, 4 * u_b))
    assert [row.source for row in budget.contributions] == ["", "4 readings"]
    assert found.formula.unit == "mg/L"


def test_the_formula_belongs_to_one_analyte(judged, described):
    """Of several analytes only the named one has the formula; the conformity of the others is their own."""
    plain = {"unit": "mg/L", "signal": "signal", "signal_unit": "1", "legal_limit": 25}
    study = described(
        analytes=[plain | {"id": name, "name": name} for name in ("a", "b")],
        uncertainty={
            "analyte": "b",
            "model": "y",
            "quantities": [{"name": "y", "value": 20, "uncertainty": 1}],
        },
    )

    _, results = judged(study)

    found = {name: one.configurations["default"].uncertainty for name, one in results.analytes.items()}
    assert isinstance(found["a"], NotAssessed)
    assert found["b"].conformity[0].result.outcome == "conforming"


def test_a_correlated_input_that_is_not_normal_is_named(record_of, described):
    """``a - b`` with a within ±0.2, u(b) = 0.3 and r = 0.8: u² = 0.04/3 + 0.09 - 2·0.8·0.3·0.2/√3 by both."""
    a = {"name": "a", "value": 10, "uncertainty": 0.2, "kind": "tolerance"}
    b = {"name": "b", "value": 9, "uncertainty": 0.3}
    together = {"correlations": [{"between": ["a", "b"], "coefficient": 0.8}]}

    correlated, alone = (
        record_of(described(uncertainty={"model": "a - b", "quantities": [a, b], **more})).uncertainty.formula
        for more in (together, {})
    )

    u = math.sqrt(0.04 / 3 + 0.09 - 2 * 0.8 * 0.3 * 0.2 / math.sqrt(3))
    assert correlated.simulation.taken_as_normal == ("a",)
    assert correlated.budget.standard_uncertainty == pytest.approx(u)
    assert correlated.simulation.standard_uncertainty == pytest.approx(u, rel=0.003)
    assert alone.simulation.taken_as_normal is None


@pytest.mark.parametrize(
    ("block", "field", "message"),
    [
        (
            "model: c0 * V / a\n  quantities: [{name: c0, value: 1}, {name: V, value: 2}]\n",
            "uncertainty.model",
            "a has no value; add it to quantities",
        ),
        (
            "model: c0\n  quantities: [{name: c0, value: 1}, {name: V, value: 2}]\n",
            "uncertainty.quantities[1].name",
            "V is not in the formula, which has c0",
        ),
        (
            "model: __import__('os').remove('x')\n  quantities: [{name: c0, value: 1}]\n",
            "uncertainty.model",
            "holds something other than numbers, names",
        ),
        (
            "model: x * y * z\n"
            "  quantities: [{name: x, value: 1}, {name: y, value: 1}, {name: z, value: 1}]\n"
            "  correlations:\n"
            "    - {between: [x, y], coefficient: 0.9}\n"
            "    - {between: [y, z], coefficient: 0.9}\n"
            "    - {between: [x, z], coefficient: -0.9}\n",
            "uncertainty.correlations",
            "no quantities can be correlated like that",
        ),
        (
            "model: x * y\n  quantities: [{name: x, readings: [1, 2]}, {name: y, readings: [1, 2, 3]}]\n"
            "  read_together: true\n",
            "uncertainty.read_together",
            "as many for each",
        ),
        (
            "analyte: pb\n  model: x\n  quantities: [{name: x, value: 1}]\n",
            "uncertainty.analyte",
            "unknown analyte 'pb'; valid here: x",
        ),
    ],
)
def test_a_formula_that_cannot_be_used_is_told_with_its_place(study_of, block, field, message):
    """What is wrong with a formula is an error of the study, at its line."""
    study = study_of(
        "format: validation-study/1\nstudy: {title: t}\n"
        "method: {analytes: [{id: x, name: x, unit: mg/L, signal: s, signal_unit: '1'}]}\n"
        f"uncertainty:\n  {block}"
    )

    with pytest.raises(StudyError) as caught:
        evaluate(study)

    (problem,) = [one for one in caught.value.problems if one.field == field]
    assert message in problem.message
    assert problem.line >= 4


# --- conformity ------------------------------------------------------------------------------------
def test_acceptance_limits_of_a_legal_limit(uncertainty):
    """The guard band is t(0.95, ν)·u of the level at the limit, on its side only."""
    found = uncertainty({"legal_limit": 20}, precision=precision(), recovery=spikes(99, 101))

    (level,) = [one for one in found.levels if one.level == 20]
    (conformity,) = found.conformity
    u, nu = level.budget.standard_uncertainty, level.budget.degrees_of_freedom
    assert conformity.standard_uncertainty == u
    assert conformity.degrees_of_freedom == nu
    assert conformity.acceptance[0] is None
    assert conformity.acceptance[1] == pytest.approx(20 - conformity.guard_band)
    assert conformity.guard_factor > 1.645
    assert (conformity.max_risk, conformity.rejection_below) == (0.05, None)


def test_a_specification_too_narrow_for_the_uncertainty(uncertainty):
    """Where no measured value can be accepted the record says so and keeps the rest."""
    found = uncertainty(
        {"specification": {"lower": 19.9, "upper": 20.1}}, precision=precision(), recovery=spikes(99, 101)
    )

    (conformity,) = found.conformity
    assert isinstance(conformity.acceptance, NotAssessed)
    assert "too large relative to the tolerance" in conformity.acceptance.not_assessed
    assert conformity.guard_band is None
    assert conformity.capability < 0.2


def test_bias_from_rounds_of_interlaboratory_comparisons(record_of, described):
    """Nordtest TR 537, ed. 3.1, 6.2 (from memory): RMS of the biases and the mean of s_R/√p, in percent."""
    rounds = [
        {"result": 81.0, "assigned": 76.0, "reproducibility_sd": 8.0, "laboratories": 25},
        {"result": 9.8, "assigned": 10.0, "reproducibility_sd": 1.0, "laboratories": 16},
        {"result": 152.0, "assigned": 150.0, "reproducibility_sd": 9.0, "laboratories": 9, "robust": True},
    ]
    found = record_of(
        described(
            uncertainty={
                "within_laboratory": {"limits": 4, "relative": True},
                "bias": {"rounds": rounds, "source": "three rounds"},
                "coverage_factor": 2,
            }
        )
    ).uncertainty

    biases = [100 * 5 / 76, 100 * -0.2 / 10, 100 * 2 / 150]
    u_ref = np.mean([100 * 8 / 76 / 5, 100 * 1 / 10 / 4, 1.25 * 100 * 9 / 150 / 3])
    expected = np.hypot(np.sqrt(np.mean(np.square(biases))), u_ref)
    assert found.bias.standard_uncertainty == pytest.approx(expected, rel=1e-9)
    assert (found.bias.n, found.bias.relative) == (3, True)
    (level,) = found.levels
    assert level.budget.standard_uncertainty == pytest.approx(np.hypot(2, expected), rel=1e-9)
    assert level.budget.expanded_uncertainty == pytest.approx(2 * np.hypot(2, expected), rel=1e-9)


def test_one_round_says_too_little_of_bias(record_of, described):
    """A single round is no root mean square; the budget says that bias is not included."""
    one = {"result": 81, "assigned": 76, "reproducibility_sd": 8, "laboratories": 25}
    found = record_of(
        described(
            uncertainty={"within_laboratory": {"limits": 4, "relative": True}, "bias": {"rounds": [one]}}
        )
    ).uncertainty

    assert "fewer than 2 interlaboratory rounds" in found.bias.not_assessed
    assert any("bias is not included" in note for note in found.notes)
