"""Predicted precision and HorRat."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from validator.errors import NotEstimable
from validator.statistics.horwitz import horrat, horwitz_rsd, thompson_rsd


@given(st.floats(1.3e-7, 0.137))
def test_thompson_follows_horwitz_between_its_limbs(mass_fraction):
    """From 120 µg/kg to 13.8 % the two agree to 1 %: exponents -0.1505 and -0.5·lg 2."""
    assert thompson_rsd(mass_fraction) == pytest.approx(horwitz_rsd(mass_fraction), rel=0.01)


@given(st.floats(1e-15, 0.5))
def test_horwitz_halves_for_every_hundredfold(mass_fraction):
    """The rule of thumb: RSD_R doubles when the mass fraction falls by a factor 100."""
    assert horwitz_rsd(mass_fraction / 100) == pytest.approx(2 * horwitz_rsd(mass_fraction))


def test_horrat_of_found_precision():
    """At 1 mg/kg the prediction is 16 %: 8 % between laboratories is a HorRat of 0.5."""
    result = horrat(1e-6, repeatability_rsd=5.3, reproducibility_rsd=8.0)

    assert result.horwitz_rsd == pytest.approx(16)
    assert result.thompson_rsd == pytest.approx(16, rel=1e-3)
    assert result.horrat == pytest.approx(0.5, rel=1e-3)
    assert result.predicted_repeatability_rsd == pytest.approx(0.66 * 16, rel=1e-3)
    assert result.horrat_r == pytest.approx(5.3 / (0.66 * 16), rel=1e-3)
    assert horrat(1e-6).horrat is None
    assert horrat(1e-6).horrat_r is None


@pytest.mark.parametrize("mass_fraction", [0.0, -1e-6, 1.2, float("nan")])
def test_what_is_no_mass_fraction_is_refused(mass_fraction):
    """Only numbers above 0 and up to 1 are mass fractions."""
    for function in (horwitz_rsd, thompson_rsd, horrat):
        with pytest.raises(
            NotEstimable,
            match=(
                ", is outside the range 0 to 1; needs a level and "
                "unit that can be converted to a mass fraction"
            ),
        ):
            function(mass_fraction)
