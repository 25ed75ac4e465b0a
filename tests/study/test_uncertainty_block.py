"""The block ``uncertainty`` and the key ``accuracy_profile``: accepted forms, what is said of others."""

from __future__ import annotations

import pytest


def test_a_formula_with_its_quantities(study_of):
    """A formula, quantities in their three forms, correlations, and how the result is simulated."""
    block = study_of(
        """\
uncertainty:
  model: c0 * V / a
  result_unit: mg/dm2
  quantities:
    - {name: c0, value: 0.26, from: calibration, replicates: 2}
    - {name: V, value: 0.332, uncertainty: 1, relative: true, kind: tolerance, distribution: triangular}
    - {name: a, readings: [2.36, 2.38, 2.37], source: ruler}
  correlations: [{between: [c0, V], coefficient: -0.2}]
  simulation: {draws: 20000, seed: 4, digits: 1}
  coverage_factor: 2
  target_percent: 15
"""
    ).uncertainty

    c0, volume, area = block.quantities
    assert (c0.origin, c0.value, c0.replicates) == ("calibration", 0.26, 2)
    assert (volume.uncertainty, volume.relative, volume.distribution) == (1, True, "triangular")
    assert area.readings == (2.36, 2.38, 2.37)
    assert block.correlations[0].between == ("c0", "V")
    assert (block.simulation.draws, block.simulation.seed, block.simulation.digits) == (20000, 4, 1)
    assert (block.coverage_factor, block.target_percent, block.result_unit) == (2, 15, "mg/dm2")


def test_where_the_parts_come_from(study_of):
    """Within-laboratory reproducibility and bias name their source, or are stated."""
    data = study_of("uncertainty: {within_laboratory: from duplicates, bias: from recovery}\n").uncertainty
    stated = study_of(
        """\
uncertainty:
  within_laboratory: {limits: 3.34, factor: 2, relative: true, source: control chart}
  bias: none
  components: [{name: calibration, from: calibration}]
  conformity: {max_risk: 0.01, item_mean: 20, item_sd: 2}
"""
    ).uncertainty

    assert (data.within_laboratory.origin, data.bias.origin) == ("duplicates", "recovery")
    assert (stated.within_laboratory.origin, stated.within_laboratory.limits) == ("control limits", 3.34)
    assert stated.bias.origin == "none"
    assert stated.components[0].origin == "calibration"
    assert (stated.conformity.max_risk, stated.conformity.item_sd) == (0.01, 2)
    assert stated.simulation.draws == 1_000_000


def test_rounds_of_interlaboratory_comparisons_are_a_source_of_bias(study_of):
    """Result, assigned value, spread and number of the laboratories of each round."""
    block = study_of(
        """\
uncertainty:
  within_laboratory: {limits: 4, relative: true}
  bias:
    rounds:
      - {result: 81, assigned: 76, reproducibility_sd: 8, laboratories: 25}
      - {result: 9.8, assigned: 10, reproducibility_sd: 1, laboratories: 16, robust: true}
"""
    ).uncertainty

    assert [one.assigned for one in block.bias.rounds] == [76, 10]
    assert [one.robust for one in block.bias.rounds] == [False, True]


def test_an_accuracy_profile_is_declared_before_the_numbers(study_of):
    """The allowed error is the study's, or one analyte's own."""
    study = study_of(
        """\
analysis:
  accuracy_profile: {acceptance_percent: 20, beta: 0.9, data: recovery}
  per_analyte: {zn: {accuracy_profile: {acceptance_percent: 30}}}
"""
    )

    general, own = study.analysis.accuracy_profile, study.analysis_for("zn").accuracy_profile
    assert (general.acceptance_percent, general.beta, general.data) == (20, 0.9, "recovery")
    assert (own.acceptance_percent, own.beta, own.decided_by) == (30, 0.9, "expectation")


@pytest.mark.parametrize(
    ("more", "field", "message"),
    [
        (
            "uncertainty: {quantities: [{name: a, value: 1}]}",
            "uncertainty.quantities",
            "applies to a formula only; give model",
        ),
        ("uncertainty: {model: a}", "uncertainty.model", "a model requires quantities"),
        (
            "uncertainty: {model: a, quantities: [{name: a}]}",
            "uncertainty.quantities[0]",
            "give value, with its uncertainty, or readings",
        ),
        (
            "uncertainty: {model: a, quantities: [{name: a, value: 1, readings: [1, 2]}]}",
            "uncertainty.quantities[0].value",
            "the readings tell this themselves; leave it out or drop them",
        ),
        (
            "uncertainty: {model: a, quantities: [{name: a, value: 1, uncertainty: 1, from: calibration}]}",
            "uncertainty.quantities[0].uncertainty",
            "the calibration tells this itself; leave it out or drop from",
        ),
        (
            "uncertainty: {model: a, quantities: [{name: a, value: 1, replicates: 2}]}",
            "uncertainty.quantities[0].replicates",
            "replicates applies to quantities with from: calibration only",
        ),
        (
            "uncertainty: {model: a, quantities: [{name: 2a, value: 1}]}",
            "uncertainty.quantities[0].name",
            "a name in a formula consists of letters, digits and _ and begins with a letter",
        ),
        (
            "uncertainty: {model: a, quantities: [{name: a, value: 1, uncertainty: 1, kind: expanded}]}",
            "uncertainty.quantities[0].kind",
            "an expanded uncertainty requires its coverage factor k",
        ),
        (
            "uncertainty: {model: a, quantities: [{name: a, value: 1}, {name: a, value: 2}]}",
            "uncertainty.quantities[1].name",
            "the name 'a' is taken by quantities[0]",
        ),
        (
            "uncertainty: {model: a, quantities: [{name: a, value: 1, sd: 2}]}",
            "uncertainty.quantities[0].sd",
            "unknown key",
        ),
        (
            "uncertainty: {model: a, quantities: [{name: a, value: 1}], "
            "correlations: [{between: [a, b], coefficient: 1}]}",
            "uncertainty.correlations[0].between",
            "unknown quantity 'b'; valid here: a",
        ),
        (
            "uncertainty: {model: a, quantities: [{name: a, value: 1}], "
            "correlations: [{between: [a, a], coefficient: 1}]}",
            "uncertainty.correlations[0].between",
            "name two different quantities",
        ),
        (
            "uncertainty: {model: a, quantities: [{name: a, value: 1}], "
            "correlations: [{between: [a, b], coefficient: 1.2}]}",
            "uncertainty.correlations[0].coefficient",
            "must be between -1 and 1",
        ),
        (
            "uncertainty: {simulation: {draws: 100}}",
            "uncertainty.simulation.draws",
            "must be between 10000 and 10000000",
        ),
        (
            "uncertainty: {simulation: {digits: 5}}",
            "uncertainty.simulation.digits",
            "must be 1, 2 or 3",
        ),
        (
            "uncertainty: {components: [{name: a, from: calibration, value: 1}]}",
            "uncertainty.components[0].value",
            "the calibration tells this itself; leave it out or drop from",
        ),
        (
            "uncertainty: {within_laboratory: from hearsay}",
            "uncertainty.within_laboratory",
            "write from precision, from duplicates, none, or a table",
        ),
        (
            "uncertainty: {within_laboratory: {relative: true}}",
            "uncertainty.within_laboratory",
            "control limits require their distance from the centre line; give limits",
        ),
        (
            "uncertainty: {within_laboratory: {origin: precision, limits: 3}}",
            "uncertainty.within_laboratory.limits",
            "limits applies to origin: control limits only",
        ),
        (
            "uncertainty: {bias: {value: 1, standard_uncertainty: 1, addition_uncertainty_percent: 1}}",
            "uncertainty.bias.addition_uncertainty_percent",
            "the uncertainty of an addition belongs to origin: recovery",
        ),
        (
            "uncertainty: {conformity: {max_risk: 0.7}}",
            "uncertainty.conformity.max_risk",
            "must be between 0 and 0.5",
        ),
        (
            "uncertainty: {conformity: {item_mean: 3}}",
            "uncertainty.conformity",
            "item_mean and item_sd must be given together",
        ),
        (
            "analysis: {accuracy_profile: {beta: 0.9}}",
            "analysis.accuracy_profile.acceptance_percent",
            "missing; add this key",
        ),
        (
            "analysis: {accuracy_profile: {acceptance_percent: 10, gamma: 0.3}}",
            "analysis.accuracy_profile.gamma",
            "must be above 0.5",
        ),
    ],
)
def test_what_does_not_fit_is_told_at_its_field(problems_of, more, field, message):
    """Each slip is one problem, at the field that is wrong."""
    (problem,) = problems_of(f"{more}\n")

    assert problem.startswith(f"study.yaml:5: {field}: {message}")
