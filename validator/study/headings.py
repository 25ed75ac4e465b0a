"""What the heading of a column says beside its name: the unit of the values below it.

Headings come from many hands: ``level (µg/L)``, ``c / mg L-1``, ``Potential/V``, ``WE(1).Current (A)``. Only
units of our own list of symbols count, and of these only what has the dimension that the column is to have: a
library of units reads ``Tl``, ``cd``, ``Pb`` and ``Bi`` as units as well.
"""

from __future__ import annotations

import re
import unicodedata
from functools import cache
from typing import TYPE_CHECKING

from msgspec import Struct

from validator.study.conversion import Inconvertible, factor
from validator.study.models.base import quoted

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

_BRACKETS = re.compile(r"\s*[(\[]([^()\[\]]*)[)\]]\s*")
_SOLIDUS = re.compile(r"\s*/\s*")
_BETWEEN_UNITS = re.compile(r"[\s·.*×⋅∙]+")
_POWER = re.compile(r"\^?([-+]?[0-9])")
_WHOLE = frozenset(
    {
        *("g", "mol", "eq", "M", "L", "m", "s", "min", "h", "d", "A", "V", "C", "S", "Ω", "Hz", "W", "J"),
        *("Pa", "K", "°C", "Da", "counts", "cps", "AU", "mAU", "%", "‰", "ppm", "ppb"),
    }
)
_WITH_PREFIX = re.compile(r"([fpnumkµ])(g|mol|eq|M|L|m|s|A|V|C|S|Ω|Hz|W|J|Pa)|(d|c)(m|L)|M(Ω|Hz)|(k)(Da)")
"""No megagram, which is magnesium, and no centiday, which is cadmium."""
_LITRE = re.compile(r"(?<![a-zA-Z])([munpdcµ]?)l(?![a-zA-Z])")
_MOST_WORDS = 4
_AS_LETTERS = str.maketrans({"−": "-", "–": "-", "‐": "-", "‑": "-", "μ": "µ"})

Canonical = tuple[tuple[str, int], ...]
"""Symbols with their powers, in the order of the alphabet."""


def _plain(text: str) -> str:
    """The text with ordinary letters, digits, hyphens and blanks; thin blanks and superscripts among them."""
    return " ".join(unicodedata.normalize("NFKC", text).translate(_AS_LETTERS).split())


@cache
def canonical(unit: str) -> Canonical | None:
    """What the *unit* is made of, None where it is not of the symbols that are known."""
    text = _LITRE.sub(r"\1L", _plain(unit))
    if text in _WHOLE:
        return ((text, 1),)
    powers: dict[str, int] = {}
    for index, part in enumerate(_SOLIDUS.split(text)):
        tokens = _BETWEEN_UNITS.split(part.strip(" ·.*×⋅∙()"))
        if index == 0 and tokens == ["1"]:
            continue
        for token in tokens:
            symbol, power = token, 1
            if found := _POWER.search(token):
                symbol, power = token[: found.start()], int(found[1])
                if found.end() < len(token):
                    return None
            if symbol not in _WHOLE and not _WITH_PREFIX.fullmatch(symbol):
                return None
            symbol = f"µ{symbol[1:]}" if symbol.startswith("u") else symbol
            powers[symbol] = powers.get(symbol, 0) + (power if index == 0 else -power)
    return tuple(sorted((symbol, power) for symbol, power in powers.items() if power))


def same_unit(one: str, other: str) -> bool:
    """True when the two are spellings of one unit: blanks, powers or a solidus, µ or u, l or L."""
    if _plain(one).replace(" ", "") == _plain(other).replace(" ", ""):
        return True
    found = canonical(one)
    return found is not None and found == canonical(other)


def into(unit: str, wanted: str, molar_mass: float | None) -> float:
    """What a value in *unit* is multiplied by to be in the unit *wanted*; 1 for spellings of one unit.

    Raises:
        Inconvertible: the two cannot be turned into each other.
    """
    if same_unit(unit, wanted):
        return 1.0
    parts = canonical(unit)
    written = "·".join(f"{symbol}{'' if power == 1 else power}" for symbol, power in parts) if parts else unit
    return factor(written, wanted, molar_mass)


class Heading(Struct, frozen=True):
    """A heading taken apart.

    Attributes:
        names: what the column may be called, as written first; without capitals and doubled blanks.
        certain: what stands where a unit is written, in brackets or behind a solidus.
        behind: what follows the solidus in brackets that are no unit as a whole (a symbol over its unit).
        likely: the last words, which may be a unit.
    """

    names: tuple[str, ...]
    certain: tuple[str, ...]
    behind: str
    likely: tuple[str, ...]

    @property
    def unit(self) -> str | None:
        """The first unit of any dimension in the heading."""
        return next((one for one in (*self.certain, self.behind, *self.likely) if canonical(one)), None)


def normal_header(header: str) -> str:
    """The header without differences in capitals and blanks."""
    return " ".join(header.lower().split())


def without_unit(text: str) -> str:
    """The heading as it is written, without its unit and other remarks in brackets."""
    bare = " ".join(_BRACKETS.sub(" ", text).split())
    name, solidus, rest = bare.rpartition("/")
    return name.strip() if solidus and canonical(rest) else bare or text


@cache
def heading(text: str) -> Heading:
    """The *text* of a heading, taken apart."""
    plain = _plain(text)
    found = list(_BRACKETS.finditer(plain))
    bare = " ".join(_BRACKETS.sub(" ", plain).split())
    certain = [one[1].strip() for one in found[-1:]]
    behind = ""
    if certain and canonical(certain[0]) is None and "/" in certain[0]:
        behind = _SOLIDUS.split(certain[0], 1)[1]
    words = bare.replace("_", " ").split()
    likely = [" ".join(words[-count:]) for count in range(1, min(len(words), _MOST_WORDS) + 1)]
    likely = [one for one in likely if not one[0].isdigit()]  # 1 / nA: the first signal, not a reciprocal
    units = [one for one in likely if len(one) > 1 and canonical(one)]
    without_last = "".join(f"{plain[: one.start()]} {plain[one.end() :]}" for one in found[-1:])
    names = [normal_header(text), normal_header(without_last), bare.lower()]
    names += [" ".join(words[: -len(one.split())]).strip(" /,;").lower() for one in units[-1:]]
    for whole in (plain, bare):
        name, solidus, rest = whole.partition("/")
        if solidus and canonical(rest.strip()):
            names.append(name.strip().lower())
    name, solidus, rest = bare.partition("/")
    if solidus and canonical(rest.strip()) and not any("/" in one for one in units):
        certain.append(rest.strip())
    return Heading(tuple(dict.fromkeys(filter(None, names))), tuple(certain), behind, tuple(likely))


class Doubt(Exception):
    """The unit of a column cannot be told from its heading; the message says why and what to write."""


def unit_of(
    text: str, wanted: Sequence[str], molar_mass: float | None, symbols: Iterable[str] = ()
) -> tuple[str | None, float]:
    """The unit in the heading *text*, None where it holds none, and its factor into the unit *wanted*.

    Several units may be *wanted* of a column that holds the one or the other quantity. What names an analyte
    (*symbols*) is no unit.

    Raises:
        Doubt: there is something like a unit, and it is none that leads to the one wanted.
    """
    found = heading(text)
    for one in (*found.certain, found.behind, *found.likely):
        if any(same_unit(one, unit) for unit in wanted):
            _check_alone(one, found.certain, wanted)
            return one, 1.0
    symbols = set(symbols)
    units = [one for one in (*found.certain, found.behind) if one not in symbols and canonical(one)]
    for one in units:
        if (by := _factor(one, wanted, molar_mass)) is not None:
            _check_alone(one, found.certain, wanted)
            return one, by
    for one in found.certain:
        if one in symbols and canonical(one) and _factor(one, wanted, molar_mass) is not None:
            raise Doubt(f"{quoted(one)} may name the analyte or be a unit")
    for one in units:
        if one == found.behind:
            raise Doubt(f"{quoted(found.certain[0])} is not a unit that is known")
        if len(one) > 1:  # a single letter labels a sensor or a column as often
            raise Doubt(f"{quoted(one)} cannot be converted to {' or '.join(wanted)}")
    likely = next((one for one in reversed(found.likely) if one not in symbols and canonical(one)), None)
    return (None, 1.0) if likely is None else _of_last_words(likely, text, wanted, molar_mass)


def _of_last_words(
    unit: str, text: str, wanted: Sequence[str], molar_mass: float | None
) -> tuple[str | None, float]:
    by = _factor(unit, wanted, molar_mass)
    if by is not None and len(unit) == 1:
        raise Doubt(f"'{unit}' at the end of the heading may be a unit or a label")
    if by is not None:
        return unit, by
    if len(canonical(unit) or ()) > 1 or unit == _plain(text) != unit[0]:
        raise Doubt(f"{quoted(unit)} cannot be converted to {' or '.join(wanted)}")
    return None, 1.0


def _check_alone(unit: str, others: Sequence[str], wanted: Sequence[str]) -> None:
    for one in others:
        if canonical(one) and not same_unit(one, unit) and _factor(one, wanted, None) is not None:
            raise Doubt(f"the heading contains two units, {quoted(one)} and {quoted(unit)}")


def _factor(unit: str, wanted: Sequence[str], molar_mass: float | None) -> float | None:
    for one in wanted:
        try:
            found = into(unit, one, molar_mass)
        except Inconvertible as error:
            if "molar_mass" in str(error):
                raise Doubt(str(error)) from None
        else:
            return found
    return None
