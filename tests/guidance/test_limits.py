"""From an acceptance as written to the limit that holds at one mass fraction or for one analyte."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from validator.errors import NotEstimable
from validator.guidance import Acceptance, limit_for

PLAIN = Acceptance.model_validate({"figure": "repeatability_rsd_percent", "rsd_max": 5})
POINTS = Acceptance.model_validate(
    {
        "figure": "repeatability_rsd_percent",
        "by_mass_fraction": {
            "unit": "mg/kg",
            "between": "log_interpolation",
            "points": [{"at": 1, "rsd_max": 16}, {"at": 100, "rsd_max": 8}, {"at": 1000, "rsd_max": 6}],
        },
    }
)
BANDS = Acceptance.model_validate(
    {
        "figure": "mean_recovery_percent",
        "by_mass_fraction": {
            "unit": "ug/kg",
            "bands": [
                {"to": 1, "within": [50, 120]},
                {"above": 1, "below": 10, "within": [60, 120]},
                {"from": 10, "to": 1000, "within": [70, 110]},
            ],
        },
    }
)


def _predicted(model, factor):
    prediction = {"model": model, "factor": factor}
    return Acceptance.model_validate({"figure": "reproducibility_rsd_percent", "predicted_rsd": prediction})


@pytest.mark.parametrize(
    ("written", "lower", "upper"),
    [({"max": 5}, None, 5), ({"min": 90}, 90, None), ({"within": [90, 110]}, 90, 110)],
)
def test_a_plain_limit_needs_nothing_else(written, lower, upper):
    """A number or a range holds whatever the level and the analyte."""
    limit = limit_for(Acceptance.model_validate({"figure": "remaining_response_percent", **written}))

    assert (limit.lower, limit.upper) == (lower, upper)


@pytest.mark.parametrize(
    ("mass_fraction", "expected"),
    [(1e-6, 16), (1e-5, 12), (1e-4, 8), (10**-3.5, 7), (1e-3, 6)],
)
def test_between_two_points_the_limit_runs_over_the_logarithm(mass_fraction, expected):
    """Half way in orders of magnitude is half way in the limit."""
    assert limit_for(POINTS, mass_fraction=mass_fraction).upper == pytest.approx(expected, rel=1e-12)


@given(st.floats(1e-6, 1e-3), st.floats(1.0, 10.0))
@settings(deadline=None, max_examples=60)
def test_interpolation_never_leaves_its_neighbours_nor_turns(mass_fraction, factor):
    """The limit falls with the mass fraction and stays between the ends of the table."""
    here = limit_for(POINTS, mass_fraction=mass_fraction).upper
    there = limit_for(POINTS, mass_fraction=min(mass_fraction * factor, 1e-3)).upper

    assert 6 <= there <= here <= 16


@pytest.mark.parametrize(
    ("micrograms", "lower"),
    [(1e-6, 50), (1, 50), (1 + 1e-9, 60), (9.999999, 60), (10, 70), (1000, 70)],
)
def test_a_band_owns_the_ends_it_says_it_owns(micrograms, lower):
    """'to' and 'from' include the end, 'above' and 'below' do not."""
    assert limit_for(BANDS, mass_fraction=micrograms / 1e9).lower == lower


def test_rounding_of_a_unit_never_moves_a_level_into_the_next_band():
    """10 ug/kg counts as 10 ug/kg however it was converted."""
    by_way_of_grams = 10 * 1e-6 / 1e3
    one_milligram = 1000 * 1e-9

    assert by_way_of_grams < 1e-8 < one_milligram
    assert by_way_of_grams * 1e9 < 10
    assert limit_for(BANDS, mass_fraction=by_way_of_grams).lower == 70
    assert one_milligram > 1e-6
    assert limit_for(BANDS, mass_fraction=one_milligram).lower == 70


@pytest.mark.parametrize(("acceptance", "beyond"), [(BANDS, 2e-6), (POINTS, 2e-3), (POINTS, 9e-7)])
def test_beyond_the_table_there_is_no_limit(acceptance, beyond):
    """A table is never extrapolated."""
    with pytest.raises(NotEstimable) as caught:
        limit_for(acceptance, mass_fraction=beyond)

    assert str(caught.value) == (
        f"the table of limits does not cover a mass fraction of {beyond:g}; "
        "needs a criterion of the study for this level"
    )


@pytest.mark.parametrize("acceptance", [BANDS, POINTS, _predicted("horwitz", 1), _predicted("thompson", 1)])
@pytest.mark.parametrize("mass_fraction", [None, 0.0, -1e-6, 1.5, float("nan")])
def test_without_a_mass_fraction_such_a_limit_is_refused(acceptance, mass_fraction):
    """An unknown or impossible mass fraction ends in a sentence that says what it would take."""
    with pytest.raises(NotEstimable) as caught:
        limit_for(acceptance, mass_fraction=mass_fraction)

    assert str(caught.value) == (
        "the limit depends on the mass fraction of the analyte, which cannot be calculated; needs a "
        "unit of mass fraction (mg/kg, %), or the density of the matrix where the unit is per volume"
    )


@pytest.mark.parametrize(
    ("mass_fraction", "table"),
    [
        (1.0, 2),
        (1e-1, 3),
        (1e-2, 4),
        (1e-3, 6),
        (1e-4, 8),
        (1e-5, 11),
        (1e-6, 16),
        (1e-7, 22),
        (1e-8, 32),
        (1e-9, 45),
    ],
)
def test_horwitz_agrees_with_aoac_table_a6(mass_fraction, table):
    """AOAC Appendix F (2012), table A6; printed to whole percents, and 22.6 is printed as 22 there.

    The table is computed with the exponent 0.15, Horwitz' own is 0.1505: hence one unit of the last digit.
    """
    upper = limit_for(_predicted("horwitz", 1.0), mass_fraction=mass_fraction).upper

    assert upper == pytest.approx(table, abs=1.0)
    assert limit_for(_predicted("horwitz", 0.5), mass_fraction=mass_fraction).upper == upper / 2


@pytest.mark.parametrize(
    ("mass_fraction", "expected"),
    [(1e-9, 22.0), (1e-7, 22.0), (1e-6, 16.0), (0.25, 2.0), (1.0, 1.0)],
)
def test_thompson_bends_at_both_ends(mass_fraction, expected):
    """Thompson, Analyst 125 (2000) 385 (from memory): 22 % below 1.2e-7, 1/sqrt(C) above 0.138."""
    upper = limit_for(_predicted("thompson", 1.0), mass_fraction=mass_fraction).upper

    assert upper == pytest.approx(expected, rel=2e-3)


def test_ends_belong_to_what_is_allowed():
    """A limit is kept by the value that equals it, and decided at full precision."""
    limit = limit_for(PLAIN)

    assert limit.admits(5.0)
    assert not limit.admits(5.000000000000001)
    assert limit.admits(-1e300)
