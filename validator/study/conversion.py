"""Units that are not the analyte's own: limits written in them, and figures shown in them beside it.

Parsing and scaling are pint's, which is loaded when a study asks for it and not before: it takes longer than
reading a study.
"""

from __future__ import annotations

import re
from functools import cache
from typing import TYPE_CHECKING, Any

from validator.study.models.base import quoted

if TYPE_CHECKING:
    from pint import UnitRegistry
    from pint.util import UnitsContainer

_LONGEST = 40
_PLAIN = re.compile(r"[^\W\d_]+(?:\^?-?\d|[⁻²³¹]+)?(?:[ /·*][^\W\d_]+(?:\^?-?\d|[⁻²³¹]+)?)*|%|‰")
"""Names of units with one-digit powers between them: nothing that a parser could labour over."""
_POWER = re.compile(r"(?<=[^\W\d_])(-?\d)")
_ABSORBANCE = re.compile(r"(?<![^\W\d_])(m?)AU(?![^\W\d_])")
"""A quantity of its own to the library; a number to those who measure it."""


class Inconvertible(ValueError):
    """A unit cannot be turned into another; the message says why."""


def factor(unit: str, into: str, molar_mass: float | None) -> float:
    """What a figure in *unit* is multiplied by to be in the unit *into*.

    Masses and amounts of substance are turned into each other by the *molar_mass* in g/mol.

    Raises:
        Inconvertible: a unit is not known, the two measure different things, or the molar mass is missing.
    """
    registry = _registry()
    source, target = (_parsed(registry, one) for one in (unit, into))
    one = registry.Quantity(1.0, source)
    measured, wanted = one.dimensionality, registry.get_dimensionality(target)
    if measured == wanted:
        return tidy(one.to(target).magnitude)
    mass_per_amount = registry.get_dimensionality("kg/mol")
    if measured not in (wanted * mass_per_amount, wanted / mass_per_amount):
        raise Inconvertible(
            f"{quoted(unit)} cannot be converted to '{into}': the units are of different kinds of quantity"
        )
    if molar_mass is None:
        raise Inconvertible(
            f"conversion of {quoted(unit)} to '{into}' requires the molar_mass of the analyte"
        )
    mass = registry.Quantity(molar_mass, "g/mol")
    turned = one / mass if measured == wanted * mass_per_amount else one * mass
    return tidy(turned.to(target).magnitude)


def converted(value: float, unit: str, into: str, molar_mass: float | None) -> float:
    """*value* in the unit *into*.

    Raises:
        Inconvertible: as ``factor``.
    """
    return tidy(value * factor(unit, into, molar_mass))


def tidy(number: float) -> float:
    """Without the last two digits, where powers of ten leave their rounding: 0.1, not 0.09999999999999999."""
    return float(f"{number:.14g}")


def _parsed(registry: UnitRegistry[Any], unit: str) -> UnitsContainer:
    text = unit.strip().replace("‰", "permille")
    if text == "1":
        return registry.UnitsContainer()
    if len(text) > _LONGEST or not _PLAIN.fullmatch(text):
        raise Inconvertible(f"the unit {quoted(unit)} cannot be converted")
    try:
        text = _ABSORBANCE.sub(r"\1decadic_absorbance", text.replace("^", "").replace(" ", "·"))
        return registry.parse_units(_POWER.sub(r"**\1", text))._units
    except Exception as error:  # the parser raises what its tokens raise
        raise Inconvertible(f"the unit {quoted(unit)} cannot be converted") from error


@cache
def _registry() -> UnitRegistry[Any]:
    from pint import UnitRegistry

    registry: UnitRegistry[Any] = UnitRegistry()
    registry.define("ppb = 1e-9")
    registry.define("decadic_absorbance = 1")
    return registry
