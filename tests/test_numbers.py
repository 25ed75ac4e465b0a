"""Numbers are rounded once, by rule, and what is not a number is never printed as one."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from validator import numbers as n

ANY = st.floats(allow_nan=True, allow_infinity=True) | st.none()
ORDINARY = st.floats(-1e5, 1e5, allow_nan=False)
FORBIDDEN = ("nan", "None", "inf", "e+", "e-", "E")


def test_value_ends_at_the_place_of_two_figures_of_its_uncertainty():
    """The worked examples of GUM 7.2.2 and H.1 (source not consulted), and the carry from 0.0996 to 0.10."""
    assert n.with_uncertainty(100.02147, 0.00035) == "100.02147 ± 0.00035"
    assert n.with_uncertainty(50.000838, 0.000093) == "50.000838 ± 0.000093"
    assert n.with_uncertainty(12.3456, 0.0123) == "12.346 ± 0.012"
    assert n.with_uncertainty(12.3456, 0.0996) == "12.35 ± 0.10"
    assert n.with_uncertainty(123456, 2345) == "123500 ± 2300"
    assert n.with_uncertainty(-0.001, 45) == "0 ± 45"


def test_very_small_and_large_numbers_share_one_power_of_ten():
    """Outside 10⁻⁴ to 10⁶ a value and its uncertainty are bracketed before one power of ten."""
    assert n.with_uncertainty(1.2346e-6, 1.2e-9) == "(1.2346 ± 0.0012) × 10⁻⁶"
    assert n.with_uncertainty(0, 1.2e-5) == "(0.0 ± 1.2) × 10⁻⁵"
    assert n.significant(1.234e-5) == "1.23 × 10⁻⁵"
    assert n.significant(0.0001234) == "0.000123"
    assert n.significant(999_499) == "999000"
    assert n.significant(999_600) == "1.00 × 10⁶"


def test_no_uncertainty_leaves_the_value_alone():
    """An uncertainty that is absent, zero or not a number is not printed."""
    assert n.with_uncertainty(1.0, 0.0) == "1.00"
    assert n.with_uncertainty(1.0, None) == "1.00"
    assert n.with_uncertainty(1.0, math.nan) == "1.00"
    assert n.with_uncertainty(1.0, math.inf) == "1.00 ± unbounded"
    assert n.with_uncertainty(None, 1.0) == n.MISSING


def test_ties_go_to_the_even_digit():
    """ISO 80000-1, annex B, rule A (source not consulted), on the decimal form a reader sees."""
    assert [n.significant(v, 2) for v in (1.25, 1.35, 0.125, 2.65)] == ["1.2", "1.4", "0.12", "2.6"]


def test_interval_ends_share_the_place_of_the_half_width():
    """Two figures of the half-width decide; open sides become comparisons."""
    assert n.interval(11.934, 12.841) == "11.93 to 12.84"
    assert n.interval(94.08, 100.31) == "94.1 to 100.3"
    assert n.interval(None, 45.21, value=40.0) == "≤ 45.2"
    assert n.interval(11.2, math.inf, value=12.34) == "≥ 11.2"
    assert n.interval(None, math.inf) == "unbounded"
    assert n.interval(1.19e-6, 1.28e-6) == "(1.190 to 1.280) × 10⁻⁶"


def test_an_end_near_zero_is_not_printed_as_zero():
    """Whether an interval holds zero stays visible after rounding."""
    assert n.interval(0.0012, 45.0) == "0.0012 to 45"
    assert n.interval(-0.0001, 0.5) == "−0.00010 to 0.50"
    assert n.interval(0.0, 0.5) == "0.00 to 0.50"
    assert n.interval(1e-17, 0.5) == "0.00 to 0.50"


def test_value_with_interval():
    """The value ends at the same place as the ends of its interval; a limit keeps two figures."""
    assert n.with_interval(12.345, 11.934, 12.841) == "12.34 (11.93 to 12.84)"
    assert n.with_interval(2.9, 2.4, None) == "2.90 (≥ 2.40)"
    assert n.with_interval(1.23e-6, 1.19e-6, 1.28e-6) == "[1.230 (1.190 to 1.280)] × 10⁻⁶"
    assert n.limit(0.0996) == "0.10"


def test_p_values():
    """Two figures, ``< 0.001`` below that, and never rounded onto the level they are compared with."""
    assert [n.p_value(p) for p in (0.0004, 0.00123, 0.0311, 0.5, 0.993, 1.0)] == [
        "< 0.001",
        "0.0012",
        "0.031",
        "0.50",
        "> 0.99",
        "1.0",
    ]
    assert n.p_value(0.0496) == "0.0496"
    assert n.p_value(0.05) == "0.050"
    assert n.p_value(0.050004) == "0.050004"
    assert n.p_value(None) == n.MISSING


def test_a_number_just_beyond_its_limit_is_told_apart():
    """5.004 against a limit of 5 is not printed as 5.00."""
    assert n.significant(5.004, apart_from=[5.0]) == "5.004"
    assert n.significant(5.0, apart_from=[5.0]) == "5.00"


def test_units_brackets_and_spaces():
    """A narrow no-break space joins number and unit; sums and ranges are bracketed."""
    space = "\u202f"
    assert n.quantity("12.3", "mg/L") == f"12.3{space}mg/L"
    assert n.quantity("12.30 ± 0.40", "mg/L") == f"(12.30 ± 0.40){space}mg/L"
    assert n.quantity("1 to 2", "mg/L") == f"(1 to 2){space}mg/L"
    assert n.quantity("12.3 (11.9 to 12.8)", "mg/L") == f"12.3 (11.9 to 12.8){space}mg/L"
    assert n.quantity("12.3", "") == "12.3"
    assert n.quantity(n.MISSING, "mg/L") == n.MISSING
    assert n.percent(99.243) == f"99.2{space}%"


def test_degrees_of_freedom_and_counts():
    """Whole numbers stay whole, others get one decimal, infinity its sign."""
    assert n.degrees_of_freedom(12.0) == "12"
    assert n.degrees_of_freedom(3, 12.44) == "3, 12.4"
    assert n.degrees_of_freedom(math.inf) == "∞"
    assert n.degrees_of_freedom() == n.MISSING
    assert n.count(7) == "7"
    assert n.count(None) == n.MISSING


def test_data_are_printed_as_recorded():
    """Nothing is rounded away and no binary dust is shown."""
    assert [n.as_given(v) for v in (0.1, 5.0, 0.1 + 0.2, 2.50, -3.0, 1_234_567.0, 0.0)] == [
        "0.1",
        "5",
        "0.3",
        "2.5",
        "−3",
        "1.234567 × 10⁶",
        "0",
    ]


def test_an_end_of_a_range_is_the_level_or_the_estimate():
    """A level keeps what was recorded; an estimate, known by its many figures, is not told to all of them."""
    assert [n.end_of_range(v) for v in (18.09, 0.1 + 0.2, 1234.56, 6.605969356665042, None)] == [
        "18.09",
        "0.3",
        "1234.56",
        "6.61",
        n.MISSING,
    ]


@given(ANY, ANY, ANY)
@settings(max_examples=300, deadline=None)
def test_what_is_not_a_number_is_never_printed(a, b, c):
    """No ``nan``, ``None``, ``inf``, exponent letter, hyphen or negative zero, whatever comes in."""
    printed = [
        n.with_uncertainty(a, b),
        n.value_only(a, b),
        n.significant(a),
        n.limit(a),
        n.as_given(a),
        n.end_of_range(a),
        n.interval(a, b, value=c),
        n.with_interval(a, b, c),
        n.percent(a),
        n.p_value(a),
        n.degrees_of_freedom(a, b),
    ]
    for text in printed:
        assert not any(word in text for word in FORBIDDEN), text
        assert "-" not in text, text
        assert not _has_negative_zero(text), text


def _has_negative_zero(text: str) -> bool:
    words = text.replace("(", " ").replace(")", " ").replace("[", " ").replace("]", " ").split()
    return any(word.startswith("−") and not word.strip("−0.") for word in words)


@given(ORDINARY, st.floats(1e-3, 1e4))
@settings(max_examples=300, deadline=None)
def test_rounding_moves_a_value_by_at_most_half_a_place(value, uncertainty):
    """The printed value is the nearest one at the printed place, and both end at the same place."""
    text = n.with_uncertainty(value, uncertainty)
    printed, doubt = (Decimal(part.replace("−", "-")) for part in text.split(" ± "))
    # trailing zeros of whole numbers are not significant, so only decimal places can be compared
    assert printed.as_tuple().exponent == doubt.as_tuple().exponent
    place = Decimal(1).scaleb(doubt.adjusted() - 1)
    assert abs(printed - Decimal(repr(value))) <= place / 2
    assert abs(doubt - Decimal(repr(uncertainty))) <= place / 2


def _read(text: str) -> Decimal:
    number, _, power = text.replace("−", "-").partition(" × 10")
    exponent = power.translate(str.maketrans("⁻⁰¹²³⁴⁵⁶⁷⁸⁹", "-0123456789"))
    return Decimal(number).scaleb(int(exponent or 0))


@given(ORDINARY, st.floats(1e-3, 1e3))
@settings(max_examples=200, deadline=None)
def test_intervals_stay_ordered_and_near(lower, width):
    """Printed ends are in order and no further off than one unit of their place."""
    text = n.interval(lower, lower + width)
    low, high = (_read(part) for part in text.split(" to "))
    assert low <= high
    assert abs(low - Decimal(repr(lower))) <= Decimal(repr(width)) / 20
    assert abs(high - Decimal(repr(lower + width))) <= Decimal(repr(width)) / 20


@pytest.mark.parametrize("value", [1e-300, 1e300, 5e-324, 1.7e308])
def test_the_ends_of_the_range_of_doubles_are_printed(value):
    """No magnitude fails, alone, with an uncertainty or in an interval."""
    assert "× 10" in n.significant(value)
    assert "±" in n.with_uncertainty(value, value)
    assert n.interval(-value, value)
    assert n.with_uncertainty(value, 1.0)
