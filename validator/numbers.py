"""How numbers are written: the only place of the project that rounds.

Rules: an uncertainty carries two significant figures and its value ends at the same place (GUM 7.2.6: "at
most two significant digits", from memory); ties go to the even digit of the shortest decimal form
(ISO 80000-1, annex B, rule A, from memory); powers of ten outside 10⁻⁴ to 10⁶; minus sign U+2212; a narrow
no-break space before a unit. A number that does not exist is a dash, one without bound a word: ``nan``,
``None``, ``inf`` and a negative zero are never printed.

All functions return plain strings. Input is in the unit (or percent) in which it is printed.
"""

from __future__ import annotations

import math
import re
from decimal import ROUND_HALF_EVEN, Context, Decimal, localcontext
from typing import TYPE_CHECKING, TypeGuard

if TYPE_CHECKING:
    from collections.abc import Iterable

MINUS = "\N{MINUS SIGN}"
_PLAIN_DIGITS = re.compile(r"-?\d+(?:\.\d*)?")
UNIT_SPACE = "\N{NARROW NO-BREAK SPACE}"
MISSING = "\N{EN DASH}"
UNBOUNDED = "unbounded"
TO = "to"

_SUPERSCRIPTS = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
_PLAIN_FROM, _PLAIN_BELOW = Decimal("1e-4"), Decimal("1e6")
_FIGURES_OF_UNCERTAINTY = 2
_FIGURES_OF_A_LIMIT = 2
_FIGURES_OF_A_DOUBLE = 15
_FIGURES_WITHOUT_UNCERTAINTY = 3
_FIGURES_AS_GIVEN = 12
_FIGURES_OF_A_LEVEL = 6
_FIGURES_TO_TELL_APART = 8
_FIGURES_OF_DUST = 9
_LARGE_DF = 10_000
_EXACT = Context(prec=1400, rounding=ROUND_HALF_EVEN)  # 10^-324 to 10^309 fits, whatever is added


def with_uncertainty(value: float | None, uncertainty: float | None) -> str:
    """``12.346 ± 0.012``: two figures of the uncertainty, the value to the same place.

    Without an uncertainty (absent, zero, not a number) the value stands alone, to three figures.
    """
    if not _is_number(value):
        return _no_number(value)
    if not _is_number(uncertainty) or uncertainty == 0:
        alone = significant(value)
        return f"{alone} ± {UNBOUNDED}" if uncertainty is not None and math.isinf(uncertainty) else alone
    v, u = _decimal(value), abs(_decimal(uncertainty))
    if u.adjusted() < v.adjusted() - _FIGURES_OF_A_DOUBLE and v:
        return f"{significant(value, _FIGURES_OF_A_DOUBLE)} ± {significant(abs(uncertainty), 2)}"
    place = _place(u, _FIGURES_OF_UNCERTAINTY)
    return _together("{} ± {}", _at(v, place), _at(u, place))


def value_only(value: float | None, uncertainty: float | None) -> str:
    """The value to the place that its uncertainty justifies, without printing the uncertainty."""
    if not _is_number(value):
        return _no_number(value)
    if not _is_number(uncertainty) or uncertainty == 0:
        return significant(value)
    v, u = _decimal(value), abs(_decimal(uncertainty))
    if u.adjusted() < v.adjusted() - _FIGURES_OF_A_DOUBLE:
        return significant(value, _FIGURES_OF_A_DOUBLE)
    return _write(_at(v, _place(u, _FIGURES_OF_UNCERTAINTY)))


def significant(
    value: float | None,
    digits: int = _FIGURES_WITHOUT_UNCERTAINTY,
    unit: str = "",
    *,
    apart_from: Iterable[float] = (),
) -> str:
    """*value* to *digits* significant figures, with its *unit*.

    Where rounding would make it look equal to one of *apart_from* (a limit it is compared with) although it
    is not, figures are added until the difference shows: 5.004 against 5 is ``5.004``, not ``5.00``.
    """
    if not _is_number(value):
        return _no_number(value)
    v = _decimal(value)
    others = [_decimal(other) for other in apart_from if _is_number(other) and other != value]
    for figures in range(digits, max(digits, _FIGURES_TO_TELL_APART) + 1):
        rounded = _rounded(v, figures)
        if all(rounded != other for other in others):
            return quantity(_write(rounded), unit)
    return quantity(_write(_rounded(v, _FIGURES_AS_GIVEN)), unit)


def limit(value: float | None, unit: str = "") -> str:
    """A detection or quantification limit: two significant figures."""
    return significant(value, _FIGURES_OF_A_LIMIT, unit)


def limit_and_interval(value: float | None, ends: tuple[float | None, float | None] | None) -> str:
    """A limit with its interval, each to two figures: ``0.52 (0.41 to 0.71)``."""
    return limit(value) if ends is None else f"{limit(value)} ({limit(ends[0])} {TO} {limit(ends[1])})"


def stated(value: float | str | None) -> str:
    """A word as it is, or a datum as it was recorded."""
    return value if isinstance(value, str) else as_given(value)


def as_given(value: float | None, unit: str = "") -> str:
    """A datum as it was recorded, with its *unit*: nothing rounded away, nothing added (``0.1``, ``5``)."""
    if not _is_number(value):
        return _no_number(value)
    return quantity(_write(_rounded(_decimal(value), _FIGURES_AS_GIVEN).normalize(_EXACT)), unit)


def as_written(value: float, text: str) -> str:
    """A datum with the digits of the *text* it was written in (``7.000``), if that is the same number."""
    plain = text.strip().lstrip("+").replace(",", ".")
    if not _PLAIN_DIGITS.fullmatch(plain) or float(plain) != value:
        return as_given(value)
    return plain.replace("-", MINUS)


def end_of_range(value: float | None) -> str:
    """A level as it was recorded, or, where an estimate ends the range, that to three figures."""
    if not _is_number(value):
        return _no_number(value)
    is_recorded = math.isclose(value, float(f"{value:.{_FIGURES_OF_A_LEVEL}g}"), rel_tol=1e-11)
    return as_given(value) if is_recorded else significant(value)


def interval(lower: float | None, upper: float | None, *, value: float | None = None) -> str:
    """``11.9 to 12.8``: both ends to the place that two figures of the half-width justify.

    An open side (``None``, infinite) gives ``≥ 11.9`` or ``≤ 12.8``, two open sides ``unbounded``; the place
    of a lone end follows its distance from *value*. An end that is not zero but would be rounded to zero
    keeps two figures of its own: whether an interval holds zero is what the reader looks for.
    """
    if not (_is_number(lower) or _is_number(upper)):
        return UNBOUNDED
    return _ends(lower, upper, _place_of_interval(lower, upper, value))


def with_interval(value: float | None, lower: float | None, upper: float | None) -> str:
    """``12.3 (11.9 to 12.8)``: a value with its interval, all to the same place."""
    if not _is_number(value):
        return _no_number(value)
    if not (_is_number(lower) or _is_number(upper)):
        return f"{significant(value)} ({UNBOUNDED})"
    return _value_and_interval(value, lower, upper, _place_of_interval(lower, upper, value))


def percent(value: float | None, digits: int = 3) -> str:
    """``12.3 %`` from 12.3: figures are stored in percent."""
    return quantity(significant(value, digits), "%") if _is_number(value) else _no_number(value)


def correlation(r: float | None) -> str:
    """A coefficient of correlation, or its square, to two figures of its distance from 1."""
    return value_only(r, None if r is None else 1 - abs(r))


def p_text(p: float | None) -> str:
    """``p = 0.12`` or ``p < 0.001``."""
    text = p_value(p)
    return f"p {text}" if text.startswith(("<", ">")) else f"p = {text}"


def p_value(p: float | None, *, thresholds: Iterable[float] = (0.05, 0.01)) -> str:
    """A probability to two figures, ``< 0.001`` below that; never rounded onto a threshold it is not."""
    if not _is_number(p):
        return MISSING
    if p < 0.001:
        return "< 0.001"
    if p > 0.99:
        return "> 0.99" if p < 1 else "1.0"
    return significant(p, 2, apart_from=thresholds)


def degrees_of_freedom(*nu: float | None) -> str:
    """``12``, ``7.4``, ``3, 12``; infinite degrees of freedom (a known variance) are ``∞``."""
    return ", ".join(_one_df(one) for one in nu) or MISSING


def count(n: int | None) -> str:
    """A number of things."""
    return MISSING if n is None else _signed(str(int(n)))


def counts(*n: int | None) -> str:
    """``24 / 8``: results, and the levels or series they come from where those are known."""
    return " / ".join(count(one) for one in n if one is not None)


def counted(n: int, one: str, many: str | None = None) -> str:
    """*n* with its noun in the right number: "1 sample", "2 samples"."""
    return f"{count(n)} {one if n == 1 else many or f'{one}s'}"


def span(lower: float | None, upper: float | None) -> str:
    """``1 to 15``: a range of levels as they were recorded."""
    return f"{as_given(lower)} {TO} {as_given(upper)}"


def smallest_to_largest(values: Iterable[float], digits: int, *, same_place: bool = False) -> str:
    """The range of *values*; at the *same_place* both ends show as many decimals as the smaller."""
    found = sorted(values)
    if not found:
        return MISSING
    least, most = found[0], found[-1]
    more = math.floor(math.log10(most)) - math.floor(math.log10(least)) if same_place and least > 0 else 0
    low, high = significant(least, digits), significant(most, digits + more)
    return low if low == high else f"{low} {TO} {high}"


def quantity(number: str, unit: str) -> str:
    """A formatted *number* with its unit; ``a ± b`` and ``a to b`` are bracketed first (ISO 80000-1)."""
    if unit in ("", "1") or number in (MISSING, UNBOUNDED):
        return number
    joined = " ± " in number or f" {TO} " in number
    bracketed = number if not joined or "(" in number else f"({number})"
    return f"{bracketed}{UNIT_SPACE}{unit}"


def with_powers(text: str) -> str:
    """Powers as they are printed: ``1/x²`` for what a study writes as ``1/x^2``."""
    return text.replace("^2", "²")


# --- how it is done ------------------------------------------------------------------------------------


def _is_number(value: float | None) -> TypeGuard[float]:
    return value is not None and math.isfinite(value)


def _no_number(value: float | None) -> str:
    if value is None or math.isnan(value):
        return MISSING
    return UNBOUNDED


def _decimal(value: float) -> Decimal:
    return Decimal(repr(float(value)))


def _place(d: Decimal, figures: int) -> int:
    """Power of ten of the last of *figures* significant figures of *d*, after rounding (9.96 → 10)."""
    place = d.adjusted() - figures + 1
    return place + 1 if _at(d, place).adjusted() > d.adjusted() else place


def _at(d: Decimal, place: int) -> Decimal:
    return d.quantize(Decimal(1).scaleb(place, _EXACT), context=_EXACT)


def _rounded(d: Decimal, figures: int) -> Decimal:
    return _at(d, _place(d, figures)) if d else Decimal(0)


def _write(d: Decimal) -> str:
    """One number, with a power of ten where it is very small or very large."""
    exponent = _power(d)
    return _digits(d) if exponent is None else f"{_digits(d.scaleb(-exponent, _EXACT))} × {_ten_to(exponent)}"


def _together(pattern: str, *numbers: Decimal) -> str:
    """Several numbers to one place, set into *pattern* under one power of ten."""
    exponent = _power(max(numbers, key=abs))
    if exponent is None:
        return pattern.format(*(_digits(d) for d in numbers))
    inner = pattern.format(*(_digits(d.scaleb(-exponent, _EXACT)) for d in numbers))
    return f"[{inner}] × {_ten_to(exponent)}" if "(" in inner else f"({inner}) × {_ten_to(exponent)}"


def _power(d: Decimal) -> int | None:
    return None if d == 0 or _PLAIN_FROM <= abs(d) < _PLAIN_BELOW else d.adjusted()


def _ten_to(exponent: int) -> str:
    return "10" + str(exponent).translate(_SUPERSCRIPTS)


def _digits(d: Decimal) -> str:
    return _signed(f"{d:f}" if d else f"{abs(d):f}")


def _signed(text: str) -> str:
    return text.replace("-", MINUS)


def _value_and_interval(value: float, lower: float | None, upper: float | None, place: int) -> str:
    if _is_number(lower) and _is_number(upper) and not _keeps_own_figures((value, lower, upper), place):
        v, lo, hi = (_at(_decimal(number), place) for number in (value, lower, upper))
        return _together(f"{{}} ({{}} {TO} {{}})", v, lo, hi)
    return f"{_alone(value, place)} ({_ends(lower, upper, place)})"


def _ends(lower: float | None, upper: float | None, place: int) -> str:
    if not _is_number(lower):
        return f"≤ {_alone(upper, place)}" if _is_number(upper) else UNBOUNDED
    if not _is_number(upper):
        return f"≥ {_alone(lower, place)}"
    if _keeps_own_figures((lower, upper), place):
        return f"{_alone(lower, place)} {TO} {_alone(upper, place)}"
    return _together(f"{{}} {TO} {{}}", _at(_decimal(lower), place), _at(_decimal(upper), place))


def _alone(number: float, place: int) -> str:
    d = _decimal(number)
    return _write(
        _rounded(d, _FIGURES_OF_UNCERTAINTY) if _keeps_own_figures((number,), place) else _at(d, place)
    )


def _keeps_own_figures(numbers: Iterable[float], place: int) -> bool:
    """True when one of *numbers* is not zero but would be printed as zero at *place*; dust is zero."""
    dust = Decimal(1).scaleb(place - _FIGURES_OF_DUST, _EXACT)
    return any(abs(d) > dust and _at(d, place) == 0 for d in map(_decimal, numbers))


def _one_df(nu: float | None) -> str:
    if nu is None or math.isnan(nu):
        return MISSING
    if math.isinf(nu):
        return "∞"
    if float(nu).is_integer() and nu < _LARGE_DF:
        return count(int(nu))
    return _write(_at(_decimal(nu), -1)) if 1 <= nu < _LARGE_DF else significant(nu)


def _place_of_interval(lower: float | None, upper: float | None, value: float | None) -> int:
    with localcontext(_EXACT):
        known = [_decimal(number) for number in (lower, upper, value) if _is_number(number)]
        closed = [_decimal(end) for end in (lower, upper) if _is_number(end)]
        half_width = abs(closed[1] - closed[0]) / 2 if len(closed) == 2 else max(known) - min(known)
        largest = max(known, key=abs)
        if half_width == 0 or half_width.adjusted() < largest.adjusted() - _FIGURES_OF_A_DOUBLE:
            return _place(largest, _FIGURES_WITHOUT_UNCERTAINTY) if largest else 0
        return _place(half_width, _FIGURES_OF_UNCERTAINTY)
