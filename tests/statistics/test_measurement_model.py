"""The formula language of measurement models."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from validator.errors import NotEstimable
from validator.statistics.measurement_model import MAX_DEPTH, MAX_LENGTH, measurement_model

quick = settings(max_examples=100, deadline=None)
positive = st.floats(0.1, 10.0)


def value_of(formula, **values):
    return float(measurement_model(formula)(values))


@pytest.mark.parametrize(
    ("formula", "expected"),
    [
        ("a + b * c", 14.0),
        ("(a + b) * c", 20.0),
        ("a - b - c", -5.0),
        ("a / b / c", 2 / 3 / 4),
        ("a ^ b ^ c", 2.0**81),
        ("a ** b", 8.0),
        ("-a ^ b", -8.0),
        ("a + b ^ a", 11.0),
        ("+a - -b", 5.0),
        ("2.5e-1 × a · b", 1.5),
        ("c − a", 2.0),
        ("sqrt(c)", 2.0),
        ("exp(a)", math.exp(2)),
        ("log(a)", math.log(2)),
        ("ln(a)", math.log(2)),
        ("log10(a)", math.log10(2)),
        ("sin(a) + cos(b) + tan(c)", math.sin(2) + math.cos(3) + math.tan(4)),
        ("abs(a - b)", 1.0),
        ("  a\n  + b ", 5.0),
    ],
)
def test_formulas_mean_what_they_say(formula, expected):
    """Precedence, signs and functions follow ordinary notation; ^ binds like a power."""
    names = measurement_model(formula).names
    values = {name: value for name, value in {"a": 2.0, "b": 3.0, "c": 4.0}.items() if name in names}

    assert value_of(formula, **values) == pytest.approx(expected, rel=1e-14)


def test_names_keep_their_order_and_may_be_greek():
    """Names come in order of first appearance; micro sign and Greek mu are one letter."""
    model = measurement_model("ρ_a * V + µ - V")

    assert model.names == ("ρ_a", "V", "μ")
    assert float(model({"ρ_a": 1.2, "V": 2.0, "µ": 0.5})) == pytest.approx(0.9)


@pytest.mark.parametrize(
    ("formula", "words"),
    [
        ("", "cannot be read"),
        ("a +", "cannot be read"),
        ("2a", "cannot be read"),
        ("1or a", "cannot be read"),
        ("y = a * b", "right-hand side"),
        ("a == b", "right-hand side"),
        ("0,5 * a", "comma"),
        ("sqrt(a, b)", "comma"),
        ("1 + 2", "no quantity"),
        ("sqrt", "is a function"),
        ("eval(a)", "calls eval"),
        ("__import__('os')", "calls __import__"),
        ("a.real", "something other"),
        ("a[0]", "something other"),
        ("a if b else c", "something other"),
        ("a < b", "something other"),
        ("a and b", "something other"),
        ("not a", "something other"),
        ("~a", "something other"),
        ("a // b", "something other"),
        ("a % b", "something other"),
        ("a @ b", "something other"),
        ("a << 9", "something other"),
        ("lambda: a", "something other"),
        ("[a for a in b]", "something other"),
        ("'a' * 3", "something other"),
        ("True + a", "something other"),
        ("1j * a", "something other"),
        ("(a := 3)", "right-hand side"),
        ("sqrt(x=a)", "right-hand side"),
        ("sqrt(*a)", "something other|calls sqrt"),
        ("a" + "\0", "cannot be read"),
        ("9" * 400 + " * a", "too large"),
    ],
)
def test_everything_else_is_refused(formula, words):
    """Only arithmetic is read: no attribute, index, comparison, text, or other call."""
    with pytest.raises(ValueError, match=words):
        measurement_model(formula)


@pytest.mark.parametrize(
    "formula",
    [
        "(" * (MAX_DEPTH + 1) + "a" + ")" * (MAX_DEPTH + 1) + "+" + "-" * (MAX_DEPTH + 1) + "a",
        "-" * (MAX_LENGTH - 1) + "a",
        "(" * 300 + "a" + ")" * 300,
        "a" * (MAX_LENGTH + 1),
        "+".join(["a"] * (MAX_DEPTH + 10)),
    ],
)
def test_length_and_depth_are_bounded(formula):
    """A formula that is too long or too deep is refused before it costs anything."""
    with pytest.raises(ValueError, match="formula"):
        measurement_model(formula)


def test_a_power_tower_costs_nothing():
    """9^9^9^9^9 overflows to infinity instead of filling the memory with digits."""
    assert value_of("a + 9^9^9^9^9", a=1.0) == math.inf


@quick
@given(st.text(max_size=60))
def test_any_text_is_read_or_refused(text):
    """No text does anything but give a model or a ValueError."""
    try:
        model = measurement_model(text)
    except ValueError:
        return
    assert model.names


def test_quantities_must_match_the_formula():
    """Missing and superfluous quantities are named, with the likely one."""
    model = measurement_model("c0 * V / f_acid")

    with pytest.raises(ValueError, match="needs a value for f_acid"):
        model({"c0": 1.0, "V": 1.0})
    with pytest.raises(ValueError, match=r"f_acids is not in the formula.*did you mean f_acid"):
        model({"c0": 1.0, "V": 1.0, "f_acid": 1.0, "f_acids": 1.0})


def test_arrays_go_through_at_once():
    """Draws of any length are evaluated together, and impossible ones are marked, without a warning."""
    found = measurement_model("log(x) / y")({"x": np.array([1.0, math.e, -1.0, 0.0]), "y": np.full(4, 2.0)})

    np.testing.assert_allclose(found, [0.0, 0.5, np.nan, -np.inf])


FORMULAS = [
    "a * b - c / d",
    "a^b + c^2 - d^0.5",
    "sqrt(a * b) * exp(-c / d)",
    "log(a + b^2) / log10(c + 1)",
    "sin(a) * cos(b) + tan(c / 10) * abs(d - 20)",
    "(a + b) * (c - d) / (a * d)",
    "2^a - a^3 + -b",
]


@quick
@given(st.sampled_from(FORMULAS), positive, positive, positive, positive)
def test_derivatives_agree_with_central_differences(formula, a, b, c, d):
    """Exact slopes equal (f(x + h) − f(x − h))/2h to the accuracy of the latter."""
    model = measurement_model(formula)
    x = {name: value for name, value in {"a": a, "b": b, "c": c, "d": d}.items() if name in model.names}

    value, gradient = model.value_and_gradient(x)

    assert value == pytest.approx(float(model(x)), rel=1e-14)
    for slope, name in zip(gradient, model.names, strict=True):
        h = 1e-5 * x[name]
        up, down = model(x | {name: x[name] + h}), model(x | {name: x[name] - h})
        scale = max(abs(value), 1.0) / x[name]
        assert slope == pytest.approx(float(up - down) / (2 * h), rel=1e-5, abs=1e-5 * scale)


def test_derivatives_with_constant_powers_of_negative_numbers():
    """x² and x⁻¹ at a negative x have their slopes, although log x does not exist."""
    value, gradient = measurement_model("x^2 + x^(-1)").value_and_gradient({"x": -2.0})

    assert (value, gradient[0]) == pytest.approx((3.5, -4.25))


@pytest.mark.parametrize(
    ("formula", "x", "words"),
    [
        (
            "1 / x",
            0.0,
            (
                "has no finite value at the estimates of the input quantities; needs "
                "estimates at which the formula can be evaluated"
            ),
        ),
        (
            "log(x)",
            -1.0,
            (
                "has no finite value at the estimates of the input quantities; needs "
                "estimates at which the formula can be evaluated"
            ),
        ),
        (
            "exp(x)",
            1e4,
            (
                "has no finite value at the estimates of the input quantities; needs "
                "estimates at which the formula can be evaluated"
            ),
        ),
        (
            "sqrt(x)",
            0.0,
            (
                r"\(x\) has no finite derivative with respect to x at the estimates; needs "
                r"Monte Carlo propagation, or estimates away from that point"
            ),
        ),
        (
            "abs(x)",
            0.0,
            (
                r"\(x\) has no finite derivative with respect to x at the estimates; needs "
                r"Monte Carlo propagation, or estimates away from that point"
            ),
        ),
    ],
)
def test_points_without_value_or_slope_are_not_estimable(formula, x, words):
    """A formula that has no number or no slope at the estimates says so."""
    with pytest.raises(NotEstimable, match=words):
        measurement_model(formula).value_and_gradient({"x": x})
