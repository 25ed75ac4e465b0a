"""Units in headings: found where they are written, converted, asked for where they cannot be told."""

from __future__ import annotations

import pytest

from validator.study.headings import Doubt, canonical, heading, same_unit, unit_of

LEVEL, CURRENT = ["µg/L"], ["µA"]
NICKEL = 58.693  # g/mol, IUPAC standard atomic weight 58.6934(4), abridged


@pytest.mark.parametrize(
    ("text", "wanted", "factor"),
    [
        ("level (µg/L)", LEVEL, 1),
        ("level (µg L⁻¹)", LEVEL, 1),
        ("level (µg·L-1)", LEVEL, 1),
        ("level (µg\N{THIN SPACE}L⁻¹)", LEVEL, 1),
        ("level ug/l", LEVEL, 1),
        ("c / mg L-1", LEVEL, 1000),
        ("c(Tl) / µg L-1", LEVEL, 1),
        ("conc. mg/L", LEVEL, 1000),
        ("conc. mg L-1", LEVEL, 1000),
        ("[nmol/L]", LEVEL, 0.058693),
        ("µM", LEVEL, 58.693),
        ("WE(1).Current (A)", CURRENT, 1e6),
        ("Diff(i/A)", CURRENT, 1e6),
        ("I / nA", CURRENT, 1e-3),
        ("I [nA]", CURRENT, 1e-3),
        ("ip in nA", CURRENT, 1e-3),
        ("Potential/V", ["V"], 1),
        ("absorbance (mAU)", ["1"], 1e-3),
        ("Peak height / counts", ["counts"], 1),
        ("w / mg kg-1", ["mg/kg"], 1),
        ("reference (nA)", [*LEVEL, *CURRENT], 1e-3),
    ],
)
def test_units_that_are_there(text, wanted, factor):
    """In brackets, behind a solidus, as the last words; in any spelling, into the unit that is declared."""
    unit, found = unit_of(text, wanted, NICKEL)

    assert unit is not None
    assert found == pytest.approx(factor, rel=1e-12)


@pytest.mark.parametrize(
    "text",
    [
        "level",
        "level (n = 3)",
        "c(Tl(I))",
        "level (Cd)",
        "Pb",
        "Bi",
        "c (Mg)",
        "Tl",
        "native 2",
        "signal B",
        "c(V)",
    ],
)
def test_what_is_no_unit(text):
    """Symbols of elements, labels, counts: a library of units reads several of them as units."""
    assert unit_of(text, LEVEL, NICKEL) == (None, 1)


@pytest.mark.parametrize("text", ["Area (254 nm)", "ip 1", "signal B", "I (net)"])
def test_what_is_no_unit_of_a_current(text):
    """A wavelength, a number, a label."""
    assert unit_of(text, CURRENT, None) == (None, 1)


@pytest.mark.parametrize(
    ("text", "wanted", "why"),
    [
        ("level (ppb)", LEVEL, "'ppb' cannot be converted to µg/L"),
        ("level (mcg/L)", LEVEL, "'mcg/L' is not a unit that is known"),
        ("conc_mg_L", LEVEL, "'mg L' cannot be converted to µg/L"),
        ("c (mg/L) / µg L-1", LEVEL, "the heading contains two units, 'mg/L' and 'µg L-1'"),
        ("c / mg L-1 (ng/L)", LEVEL, "the heading contains two units, 'mg L-1' and 'ng/L'"),
        ("signal A", CURRENT, "'A' at the end of the heading may be a unit or a label"),
        ("A", CURRENT, "'A' at the end of the heading may be a unit or a label"),
        ("I (mV)", CURRENT, "'mV' cannot be converted to µA"),
        ("mV", CURRENT, "'mV' cannot be converted to µA"),
    ],
)
def test_units_that_cannot_be_told(text, wanted, why):
    """They are asked for, never assumed."""
    with pytest.raises(Doubt) as doubt:
        unit_of(text, wanted, NICKEL)

    assert str(doubt.value) == why


def test_amounts_need_the_molar_mass():
    """Without it nothing turns moles into grams."""
    with pytest.raises(Doubt, match="requires the molar_mass of the analyte"):
        unit_of("c [nmol/L]", LEVEL, None)


def test_the_symbol_of_an_analyte_is_no_unit():
    """An analyte called V, measured in millivolts: the heading names the analyte."""
    assert unit_of("signal (V)", ["mV"], None) == ("V", 1000)
    with pytest.raises(Doubt, match="'V' may name the analyte or be a unit"):
        unit_of("signal (V)", ["mV"], None, ["V"])
    assert unit_of("level (V)", LEVEL, None, ["V"]) == (None, 1)


@pytest.mark.parametrize(
    ("one", "other"),
    [("µg/L", "ug l-1"), ("µg/L", "μg·L⁻¹"), ("mol/L", "mol L^-1"), ("1/s", "s-1"), ("mg/kg", "mg·kg−1")],
)
def test_spellings_of_one_unit(one, other):
    """Micro signs, powers, a solidus, the letter of the litre."""
    assert same_unit(one, other)
    assert canonical(one) == canonical(other)


def test_units_apart():
    """A milligram is no megagram, and a litre no inverse litre."""
    assert not same_unit("mg/L", "Mg/L")
    assert not same_unit("L", "L-1")


def test_names_without_units():
    """A column is named with or without what is said of its unit."""
    assert "c(ni)" in heading("c(Ni) / mg L-1").names
    assert "we(1).current" in heading("WE(1).Current (A)").names
    assert {"potential", "potential/v"} <= set(heading("Potential/V").names)
