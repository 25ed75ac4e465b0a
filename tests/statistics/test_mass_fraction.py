"""Units as people write them, turned into mass fractions or refused."""

from __future__ import annotations

import pytest

from validator.errors import NotEstimable
from validator.statistics.horwitz import mass_fraction


@pytest.mark.parametrize(
    ("unit", "expected"),
    [
        ("mg/kg", 1e-6),
        ("µg/kg", 1e-9),
        ("μg/kg", 1e-9),
        ("ug/kg", 1e-9),
        ("µg/g", 1e-6),
        ("ng/g", 1e-9),
        ("pg/g", 1e-12),
        ("g/kg", 1e-3),
        ("g/t", 1e-6),
        ("g/100 g", 1e-2),
        ("mg/100g", 1e-5),
        ("g/g", 1.0),
        ("mg kg-1", 1e-6),
        ("mg kg⁻¹", 1e-6),
        ("µg·kg⁻¹", 1e-9),
        ("mg kg^-1", 1e-6),
        (" mg / kg ", 1e-6),
        ("% (m/m)", 1e-2),
        ("% w/w", 1e-2),
        ("wt%", 1e-2),
    ],
)
def test_mass_per_mass_needs_nothing_more(unit, expected):
    """The unit says it all, nothing is assumed."""
    found = mass_fraction(3.0, unit)

    assert found.value == pytest.approx(3 * expected)
    assert found.assumption == ""


@pytest.mark.parametrize(
    ("unit", "expected", "assumption"),
    [
        ("%", 1e-2, "percent interpreted as mass fraction"),
        ("‰", 1e-3, "per mille interpreted as mass fraction"),
        ("ppm", 1e-6, "ppm interpreted as mg/kg"),
        ("ppb", 1e-9, "ppb interpreted as µg/kg"),
        ("ppt", 1e-12, "ppt interpreted as ng/kg"),
    ],
)
def test_parts_are_read_as_mass_fractions_and_said_so(unit, expected, assumption):
    """Ambiguous parts-per units are taken by mass; the reading is stated."""
    found = mass_fraction(2.0, unit)

    assert found.value == pytest.approx(2 * expected)
    assert found.assumption == assumption


@pytest.mark.parametrize(
    ("unit", "in_water"),
    [
        ("mg/L", 1e-6),
        ("mg/l", 1e-6),
        ("µg/L", 1e-9),
        ("ng/mL", 1e-9),
        ("µg/mL", 1e-6),
        ("g/dL", 1e-2),
        ("mg/100 mL", 1e-5),
        ("mg/dm3", 1e-6),
        ("mg/dm³", 1e-6),
        ("g/m3", 1e-6),
        ("µg/cm³", 1e-6),
        ("mg L⁻¹", 1e-6),
        ("mg dm-3", 1e-6),
        ("mg dm⁻³", 1e-6),
        ("% (m/v)", 1e-2),
        ("% w/v", 1e-2),
    ],
)
def test_mass_per_volume_takes_the_density(unit, in_water):
    """Water is 1 kg/L and said so; any other matrix needs its density."""
    water = mass_fraction(4.0, unit, water_matrix=True)
    oil = mass_fraction(4.0, unit, density_kg_per_L=0.8)

    assert water.value == pytest.approx(4 * in_water)
    assert water.assumption == "density of 1 kg/L assumed (water)"
    assert oil.value == pytest.approx(4 * in_water / 0.8)
    assert oil.assumption == "density 0.8 kg/L"
    with pytest.raises(NotEstimable, match="per volume of sample") as refusal:
        mass_fraction(4.0, unit)
    assert refusal.value.needs == "the density of the sample"


@pytest.mark.parametrize(
    ("unit", "per_mole"),
    [
        ("mmol/kg", 1e-6),
        ("mmol/L", 1e-6),
        ("µmol/L", 1e-9),
        ("mM", 1e-6),
        ("µM", 1e-9),
        ("M", 1e-3),
        ("mol L-1", 1e-3),
    ],
)
def test_amount_of_substance_takes_the_molar_mass(unit, per_mole):
    """Moles need the molar mass, moles per volume the density too; both are stated."""
    found = mass_fraction(2.0, unit, molar_mass=62.0, water_matrix=True)

    assert found.value == pytest.approx(2 * 62 * per_mole)
    assert found.assumption.startswith("molar mass 62 g/mol")
    with pytest.raises(NotEstimable, match="amount of substance"):
        mass_fraction(2.0, unit, water_matrix=True)


@pytest.mark.parametrize(
    "unit",
    [
        "1",
        "",
        "mV",
        "absorbance",
        "% (v/v)",
        "mL/L",
        "IU/g",
        "mg",
        "mg/m2",
        "g/0 g",
        "mol/mol",
        "kg/s",
        "m3/kg",
    ],
)
def test_units_without_a_mass_fraction_are_refused(unit):
    """What is not an amount of analyte per amount of sample is refused by name."""
    with pytest.raises(
        NotEstimable,
        match=(
            "' cannot be converted to a mass fraction; needs a unit "
            "of mass per mass or mass per volume of sample"
        ),
    ):
        mass_fraction(1.0, unit, density_kg_per_L=1.0, molar_mass=50.0)


def test_density_must_be_positive():
    """A density of zero is a slip."""
    with pytest.raises(NotEstimable, match="not positive"):
        mass_fraction(1.0, "mg/L", density_kg_per_L=0.0)
