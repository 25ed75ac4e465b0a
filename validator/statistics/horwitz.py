"""Mass fractions, and the precision that they alone predict: Horwitz and Thompson."""

from __future__ import annotations

import math
import re

from msgspec import Struct

from validator.errors import NotEstimable

THOMPSON_LOWER = 1.2e-7
THOMPSON_UPPER = 0.138


def horwitz_rsd(mass_fraction: float) -> float:
    """Horwitz' predicted RSD_R in percent, 2^(1 - 0.5·lg C).

    Raises:
        NotEstimable: a mass fraction outside 0 to 1.

    References:
        W. Horwitz, Anal. Chem. 54 (1982) 67A (from memory).
    """
    return float(2.0 ** (1 - 0.5 * math.log10(_checked(mass_fraction))))


def thompson_rsd(mass_fraction: float) -> float:
    r"""Predicted RSD_R in percent with Thompson's limbs at both ends.

    .. math:: \sigma = 0.22c \;(c < 1.2\cdot10^{-7}), \qquad 0.02c^{0.8495}, \qquad
        0.01c^{0.5} \;(c > 0.138)

    Raises:
        NotEstimable: a mass fraction outside 0 to 1.

    References:
        M. Thompson, Analyst 125 (2000) 385 (from memory).
    """
    c = _checked(mass_fraction)
    if c < THOMPSON_LOWER:
        return 22.0
    if c > THOMPSON_UPPER:
        return 100 * 0.01 * math.sqrt(c) / c
    return float(100 * 0.02 * c**0.8495 / c)


def _checked(mass_fraction: float) -> float:
    if not 0 < mass_fraction <= 1:
        raise NotEstimable(
            f"the mass fraction, {mass_fraction:g}, is outside the range 0 to 1",
            "a level and unit that can be converted to a mass fraction",
        )
    return mass_fraction


_PREFIXES = {"": 1.0, "k": 1e3, "d": 1e-1, "c": 1e-2, "m": 1e-3, "u": 1e-6, "n": 1e-9, "p": 1e-12, "f": 1e-15}
_PARTS = {
    "%": (1e-2, "percent interpreted as mass fraction"),
    "‰": (1e-3, "per mille interpreted as mass fraction"),
    "ppm": (1e-6, "ppm interpreted as mg/kg"),
    "ppb": (1e-9, "ppb interpreted as µg/kg"),
    "ppt": (1e-12, "ppt interpreted as ng/kg"),
}
_MASS_PERCENT = {"%(m/m)", "%m/m", "%(w/w)", "%w/w", "wt%", "%wt", "wt.%", "%(wt)", "m%", "mass%"}
_MASS_PER_VOLUME_PERCENT = {"%(m/v)", "%m/v", "%(w/v)", "%w/v"}
_SPELLING = str.maketrans(
    {
        "μ": "u",
        "µ": "u",
        "−": "-",
        "⁻": "-",
        "¹": "1",
        "³": "3",
        "·": " ",
        "⋅": " ",
        "*": " ",
        "ℓ": "L",
        "^": "",
    }
)
_QUOTIENT = re.compile(r"^(?P<top>[A-Za-z]+)\s*/\s*(?P<number>\d*\.?\d*)\s*(?P<bottom>[A-Za-z]+3?)$")
_PRODUCT = re.compile(r"^(?P<top>[A-Za-z]+)\s+(?P<number>)(?P<bottom>[A-Za-z]+3?)\s*-1$")
_CUBE = re.compile(r"^(?P<prefix>[dcm]?)m(?P<power>-?3)$")
_INVERSE_CUBE = re.compile(r"^(?P<top>[A-Za-z]+)\s+(?P<bottom>[dcm]?m)-3$")


class MassFraction(Struct, frozen=True, kw_only=True):
    """A mass fraction and what was assumed to get it (empty when the unit says it all)."""

    value: float
    assumption: str


class _Quantity(Struct, frozen=True):
    """A part of a unit in base units: g, L or mol."""

    kind: str
    factor: float


def mass_fraction(
    value: float,
    unit: str,
    *,
    density_kg_per_L: float | None = None,
    molar_mass: float | None = None,
    water_matrix: bool = False,
) -> MassFraction:
    """The mass fraction that *value* in *unit* stands for.

    Mass per mass needs nothing more. Mass per volume needs the density of the sample, taken as 1 kg/L
    for water. Amount of substance needs the molar mass of the analyte.

    Args:
        value: a number in that unit.
        unit: such as ``mg/kg``, ``µg kg⁻¹``, ``g/100 g``, ``%``, ``ng/mL``, ``µmol/L``, ``mM``.
        density_kg_per_L: density of the sample.
        molar_mass: of the analyte, g/mol.
        water_matrix: the sample is water or nearly so, 1 kg/L is assumed and said.

    Raises:
        NotEstimable: the unit cannot be read as an amount of analyte per amount of sample, or a density or
            molar mass is missing.
    """
    text = " ".join(unit.translate(_SPELLING).split())
    compact = text.replace(" ", "")
    if compact in _PARTS:
        factor, assumption = _PARTS[compact]
        return MassFraction(value=value * factor, assumption=assumption)
    if compact in _MASS_PERCENT:
        return MassFraction(value=value * 1e-2, assumption="")
    if compact in _MASS_PER_VOLUME_PERCENT:
        text = "g/100 mL"
    top, bottom = _parts(text, unit)
    numerator, notes = value * top.factor, []
    if top.kind == "mol":
        if molar_mass is None:
            raise NotEstimable(f"'{unit}' is a unit of amount of substance", "the molar mass of the analyte")
        numerator *= molar_mass
        notes.append(f"molar mass {molar_mass:g} g/mol")
    elif top.kind != "g":
        raise _unreadable(unit)
    denominator = bottom.factor
    if bottom.kind == "L":
        density, said = _density(unit, density_kg_per_L, water_matrix=water_matrix)
        denominator *= 1000 * density
        notes.append(said)
    elif bottom.kind != "g":
        raise _unreadable(unit)
    return MassFraction(value=numerator / denominator, assumption=", ".join(notes))


def _density(unit: str, density_kg_per_L: float | None, *, water_matrix: bool) -> tuple[float, str]:
    if density_kg_per_L is not None:
        if density_kg_per_L <= 0:
            raise NotEstimable("the density of the sample is not positive", "a density in kg/L")
        return density_kg_per_L, f"density {density_kg_per_L:g} kg/L"
    if water_matrix:
        return 1.0, "density of 1 kg/L assumed (water)"
    raise NotEstimable(f"'{unit}' is per volume of sample", "the density of the sample")


def _parts(text: str, unit: str) -> tuple[_Quantity, _Quantity]:
    if text in {"M", "mM", "uM", "nM", "pM"}:
        return _Quantity("mol", _PREFIXES[text[:-1]]), _Quantity("L", 1.0)
    match = _QUOTIENT.match(text) or _PRODUCT.match(text)
    if match:
        number = float(match["number"] or 1)
        top, bottom = _quantity(match["top"]), _quantity(match["bottom"])
    elif inverse := _INVERSE_CUBE.match(text):
        number, top, bottom = 1.0, _quantity(inverse["top"]), _quantity(inverse["bottom"] + "3")
    else:
        raise _unreadable(unit)
    if top is None or bottom is None or number <= 0:
        raise _unreadable(unit)
    return top, _Quantity(bottom.kind, number * bottom.factor)


def _quantity(name: str) -> _Quantity | None:
    """A unit with its prefix, in g, L or mol; None when it is none of these."""
    if name == "t":
        return _Quantity("g", 1e6)
    if cube := _CUBE.match(name):
        return _Quantity("L", 1e3 * _PREFIXES[cube["prefix"]] ** 3)
    for kind, symbols in (("mol", ("mol",)), ("L", ("L", "l")), ("g", ("g",))):
        for symbol in symbols:
            if name.endswith(symbol) and name.removesuffix(symbol) in _PREFIXES:
                return _Quantity(kind, _PREFIXES[name.removesuffix(symbol)])
    return None


def _unreadable(unit: str) -> NotEstimable:
    return NotEstimable(
        f"'{unit}' cannot be converted to a mass fraction",
        "a unit of mass per mass or mass per volume of sample",
    )
