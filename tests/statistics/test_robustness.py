"""Effects of screening designs, and of settings changed one at a time."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.regression.linear_model import OLS
from statsmodels.tools import add_constant

from validator.characteristics.robustness.statistic import (
    factor_effects,
    lenth_pseudo_standard_error,
    one_at_a_time,
    plackett_burman,
    youden,
)
from validator.errors import NotEstimable

NAMES = list("ABCDEFG")
RESULTS = np.array([101.2, 99.8, 100.4, 100.1, 98.9, 99.7, 100.9, 100.2])


def by_name(result):
    return {effect.factor: effect for effect in result.effects}


def test_effects_are_differences_of_means():
    """Mean of four with the setting high less mean of four with it low."""
    x = youden()
    result = factor_effects(x, RESULTS, NAMES)

    for k, effect in enumerate(result.effects):
        expected = RESULTS[x[:, k] == 1].mean() - RESULTS[x[:, k] == -1].mean()
        assert effect.effect.value == pytest.approx(expected, abs=1e-12)
    assert result.mean == pytest.approx(RESULTS.mean())


def test_unbalanced_runs_agree_with_statsmodels():
    """With a run missing the effects are least squares, as statsmodels OLS has them."""
    x = plackett_burman(12)[1:, :4]
    y = np.array([10.3, 9.8, 10.1, 10.6, 9.7, 10.0, 10.2, 9.9, 10.4, 10.1, 9.6])

    ours = factor_effects(x, y, NAMES[:4])
    theirs = OLS(y, add_constant(x)).fit()

    assert [e.effect.value for e in ours.effects] == pytest.approx(list(2 * theirs.params[1:]), rel=1e-9)
    assert [e.t for e in ours.effects] == pytest.approx(list(theirs.tvalues[1:]), rel=1e-9)
    assert not ours.orthogonal
    assert ours.error_source == "dummies"


def test_free_columns_give_the_standard_error_of_regression():
    """Root mean square of the effects of free columns is twice the standard error of statsmodels OLS."""
    x = plackett_burman(12)[:, :5]
    y = np.array([10.3, 9.8, 10.1, 10.6, 9.7, 10.0, 10.2, 9.9, 10.4, 10.1, 9.6, 10.5])

    ours = factor_effects(x, y, NAMES[:5])
    theirs = OLS(y, add_constant(x)).fit()

    assert (ours.error_source, ours.degrees_of_freedom) == ("dummies", 6)
    assert ours.standard_error == pytest.approx(2 * theirs.bse[1], rel=1e-9)
    assert [e.p for e in ours.effects] == pytest.approx(list(theirs.pvalues[1:]), rel=1e-7)


def test_declared_dummies_are_the_free_columns():
    """A dummy named in the settings is left out of the effects and serves the standard error."""
    x = plackett_burman(12)
    y = np.array([10.3, 9.8, 10.1, 10.6, 9.7, 10.0, 10.2, 9.9, 10.4, 10.1, 9.6, 10.5])
    dummies = [f"dummy {i}" for i in range(6)]

    declared = factor_effects(x, y, NAMES[:5] + dummies, dummies=dummies)
    free = factor_effects(x[:, :5], y, NAMES[:5])

    assert [e.factor for e in declared.effects] == NAMES[:5]
    assert declared.standard_error == pytest.approx(free.standard_error, rel=1e-9)
    effects = [y[x[:, k] == 1].mean() - y[x[:, k] == -1].mean() for k in range(5, 11)]
    assert declared.standard_error == pytest.approx(math.sqrt(np.mean(np.square(effects))), rel=1e-9)


def test_replicates_come_first():
    """Each run done twice: pooled sd of the pairs, u = 2 s/√N with 8 degrees of freedom."""
    x = np.vstack([youden(), youden()])
    y = np.concatenate([RESULTS, RESULTS + np.array([0.2, -0.1, 0.3, 0.1, -0.2, 0.0, 0.1, -0.3])])

    result = factor_effects(x, y, NAMES)

    s = math.sqrt(np.square([0.2, 0.1, 0.3, 0.1, 0.2, 0.0, 0.1, 0.3]).sum() / 2 / 8)
    assert (result.error_source, result.degrees_of_freedom, result.runs, result.results) == (
        "replicates",
        8,
        8,
        16,
    )
    assert result.standard_error == pytest.approx(2 * s / math.sqrt(16), rel=1e-9)
    assert result.margin == pytest.approx(stats.t.ppf(0.975, 8) * result.standard_error, rel=1e-9)


def test_a_known_standard_deviation_serves_single_runs():
    """U = 2 s/√N with the degrees of freedom of s."""
    result = factor_effects(youden(), RESULTS, NAMES, known_sd=0.4, known_degrees_of_freedom=9)

    assert (result.error_source, result.degrees_of_freedom) == ("known", 9)
    assert result.standard_error == pytest.approx(2 * 0.4 / math.sqrt(8), rel=1e-9)


def test_significant_settings_must_be_controlled_within_a_range():
    """The range shrinks the tested one by margin/effect, so that the effect stays within the margin."""
    y = 100 + youden() @ np.array([0, 2.0, 0, 0, 0, 0, 0]) / 2 + np.array([1, -1, -1, 1, 1, -1, -1, 1]) * 0.05
    result = factor_effects(youden(), y, NAMES, known_sd=0.1, levels=[(20.0, 30.0)] * 7)

    b = by_name(result)["B"]
    assert result.to_control == ("B",)
    assert (b.controlled_range.lower, b.controlled_range.upper) == pytest.approx(
        (25 - 5 * result.margin / b.effect.value, 25 + 5 * result.margin / b.effect.value)
    )
    assert by_name(result)["A"].controlled_range is None


def test_an_allowed_effect_decides_by_size():
    """A significant effect within what is allowed needs no control; a large one does, significant or not."""
    y = 100 + youden() @ np.array([0.4, 3.0, 0, 0, 0, 0, 0]) / 2

    lenient = factor_effects(youden(), y, NAMES, known_sd=0.01, allowed_effect=1.0)
    noisy = factor_effects(youden(), y, NAMES, known_sd=10.0, allowed_effect=1.0)

    assert by_name(lenient)["A"].significant
    assert lenient.to_control == ("B",)
    assert not by_name(noisy)["B"].significant
    assert noisy.to_control == ("B",)


def test_lenth_needs_five_effects_that_are_not_zero():
    """Too few effects, or half of them zero, leave no standard error: effects alone."""
    with pytest.raises(NotEstimable, match="4 effects; needs at least 5 effects"):
        lenth_pseudo_standard_error([1, 2, 3, 4])
    with pytest.raises(NotEstimable, match="at least half of the effects are zero"):
        lenth_pseudo_standard_error([0, 0, 0, 1, 2])

    x = [[1, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]]
    result = factor_effects(x, [1.0, 2.0, 4.0, 6.0], ["A", "B", "C"])
    assert (result.error_source, result.standard_error, result.margin) == ("none", None, None)
    assert result.to_control == ()
    assert [e.effect.value for e in result.effects] == pytest.approx([-3.5, -1.5, 0.5])
    assert all(e.p is None and e.significant is None for e in result.effects)


def test_two_replicates_are_better_than_nothing():
    """One run done three times among four: ν = 2 serves when there is nothing better."""
    x = [[1, 1], [1, 1], [1, 1], [1, -1], [-1, 1], [-1, -1]]
    result = factor_effects(x, [1.0, 1.1, 0.9, 2.0, 4.0, 6.0], ["A", "B"])
    known = factor_effects(x, [1.0, 1.1, 0.9, 2.0, 4.0, 6.0], ["A", "B"], known_sd=0.1)

    # The residual variance has ν = 3 and is taken; without the free column the replicates are.
    assert (result.error_source, result.degrees_of_freedom) == ("dummies", 3)
    assert known.error_source == "known"
    three = factor_effects(
        [[1, 1, 1], [1, 1, 1], [1, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]],
        [1.0, 1.1, 0.9, 2.0, 4.0, 6.0],
        ["A", "B", "C"],
    )
    assert (three.error_source, three.degrees_of_freedom) == ("replicates", 2)


def test_inseparable_settings_are_refused():
    """Two factors set alike, more factors than runs, or names that do not match."""
    x = youden()
    with pytest.raises(
        NotEstimable, match=("the settings do not allow all effects to be estimated separately")
    ):
        factor_effects(x[:, [0, 1, 0]], RESULTS, ["A", "B", "C"])
    with pytest.raises(NotEstimable, match="7 runs for 7 factors; needs at least 8 different runs"):
        factor_effects(x[:7], RESULTS[:7], NAMES)
    with pytest.raises(ValueError, match="2 names for 7 factors"):
        factor_effects(x, RESULTS, ["A", "B"])


@given(st.permutations(list(range(8))), st.sampled_from([1e-12, 1.0, 1e12]))
@settings(deadline=None, max_examples=25)
def test_order_and_unit_do_not_matter(order, scale):
    """Shuffled runs give the same effects, in whatever unit; t is free of it."""
    plain = factor_effects(youden(), RESULTS, NAMES)
    other = factor_effects(youden()[order], RESULTS[order] * scale, NAMES)

    assert [e.effect.value / scale for e in other.effects] == pytest.approx(
        [e.effect.value for e in plain.effects], abs=1e-11
    )
    assert [e.t for e in other.effects] == pytest.approx([e.t for e in plain.effects], rel=1e-8, abs=1e-8)


@pytest.mark.parametrize(("free", "low", "high"), [(6, 0.04, 0.06), (0, 0.01, 0.05)])
def test_null_effects_are_called_significant_at_their_level(free, low, high):
    """No factor matters: dummies (t, exact) call 4 to 6 % significant, Lenth (cautious) 1 to 5 %."""
    rng = np.random.default_rng(6)
    x = plackett_burman(12)[:, : 11 - free]
    names = [str(k) for k in range(11 - free)]

    called = [
        e.significant for y in rng.normal(0, 1, (1500, 12)) for e in factor_effects(x, y, names).effects
    ]

    assert low <= np.mean(called) <= high


OAT = [[0, 0], [0, 0], [0, 0], [1, 0], [1, 0], [-1, 0], [0, 1], [0, -1]]


def test_one_at_a_time_written_out():
    """Each change against the nominal mean with the pooled standard deviation."""
    y = [10.0, 10.1, 9.9, 10.4, 10.2, 10.0, 10.1, 10.9]
    r = one_at_a_time(OAT, y, ["temperature", "pH"])

    s = math.sqrt((0.02 + 0.02) / 3)
    first = r.effects[1]
    assert [(e.factor, e.setting) for e in r.effects] == [
        ("temperature", "low"),
        ("temperature", "high"),
        ("pH", "low"),
        ("pH", "high"),
    ]
    assert r.degrees_of_freedom == 3
    assert r.standard_error == pytest.approx(s * math.sqrt(1 + 1 / 3))
    assert first.effect.value == pytest.approx(0.3)
    assert first.effect.standard_error == pytest.approx(s * math.sqrt(1 / 2 + 1 / 3))
    assert first.p == pytest.approx(2 * stats.t.sf(0.3 / first.effect.standard_error, 3))
    assert first.p_adjusted == pytest.approx(min(1, 4 * first.p))
    assert r.to_control == ("pH",)


def test_one_at_a_time_without_replicates():
    """No setting run twice: effects, no test, and an allowed effect decides by size."""
    r = one_at_a_time([[0, 0], [1, 0], [0, 1]], [10.0, 10.4, 12.0], ["a", "b"], allowed_effect=1.0)

    assert (r.standard_error, r.reason, r.to_control) == (None, "no setting was run twice", ("b",))
    assert [e.effect.value for e in r.effects] == pytest.approx([0.4, 2.0])
    assert all(e.t is None for e in r.effects)


@pytest.mark.parametrize(
    ("settings_", "reason"),
    [
        ([[0, 0], [1, 1]], "more than one setting was changed in a run"),
        ([[1, 0], [-1, 0]], "no run with the nominal settings was made"),
        ([[0, 0], [0, 0]], "no setting was changed"),
    ],
)
def test_one_at_a_time_refuses(settings_, reason):
    """Two changes at once, no nominal run, or nothing changed."""
    with pytest.raises(NotEstimable, match=reason):
        one_at_a_time(settings_, [1.0, 2.0], ["a", "b"])
    with pytest.raises(ValueError, match="settings of shape"):
        one_at_a_time(settings_, [1.0, 2.0, 3.0], ["a", "b"])


def test_identical_replicates_are_no_standard_error():
    """Replicates that do not scatter say so."""
    assert one_at_a_time([[0], [0], [1]], [1.0, 1.0, 2.0], ["a"]).reason == "replicates do not scatter"
