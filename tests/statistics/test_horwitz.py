"""Predicted precision."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from validator.errors import NotEstimable
from validator.statistics.horwitz import horwitz_rsd, thompson_rsd


@given(st.floats(1.3e-7, 0.137))
def test_thompson_follows_horwitz_between_its_limbs(mass_fraction):
    """From 120 µg/kg to 13.8 % the two agree to 1 %: exponents -0.1505 and -0.5·lg 2."""
    assert thompson_rsd(mass_fraction) == pytest.approx(horwitz_rsd(mass_fraction), rel=0.01)


@given(st.floats(1e-15, 0.5))
def test_horwitz_halves_for_every_hundredfold(mass_fraction):
    """The rule of thumb: RSD_R doubles when the mass fraction falls by a factor 100."""
    assert horwitz_rsd(mass_fraction / 100) == pytest.approx(2 * horwitz_rsd(mass_fraction))


@pytest.mark.parametrize("mass_fraction", [0.0, -1e-6, 1.2, float("nan")])
def test_what_is_no_mass_fraction_is_refused(mass_fraction):
    """Only numbers above 0 and up to 1 are mass fractions."""
    for function in (horwitz_rsd, thompson_rsd):
        with pytest.raises(
            NotEstimable,
            match=(
                ", is outside the range 0 to 1; needs a level and "
                "unit that can be converted to a mass fraction"
            ),
        ):
            function(mass_fraction)
