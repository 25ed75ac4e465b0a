"""Two trees of values: what is equal is silent, what differs is named by its place."""

from __future__ import annotations

import copy
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from validator.integrity import Comparison, Difference, relative_difference

keys = st.text(st.characters(categories=["Ll", "Nd"]), min_size=1, max_size=4)
leaves = (
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text()
)
trees = st.recursive(
    leaves,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(keys, inner, max_size=4),
    max_leaves=12,
)


def differences(stated, recomputed, tolerance=0.0):
    comparison = Comparison(tolerance)
    comparison.compare(stated, recomputed)
    return comparison.differences


@given(trees)
@settings(max_examples=60, deadline=None)
def test_a_tree_does_not_differ_from_its_copy(tree):
    """Whatever the values are."""
    assert differences(tree, copy.deepcopy(tree)) == []


@given(st.dictionaries(keys, st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=3), min_size=1), st.data())
@settings(max_examples=60, deadline=None)
def test_one_changed_number_is_the_one_difference(tree, data):
    """The neighbouring double is another number, and its place is named by key and position."""
    key = data.draw(st.sampled_from(sorted(tree)))
    position = data.draw(st.integers(0, len(tree[key]) - 1))
    other = copy.deepcopy(tree)
    other[key][position] = math.nextafter(tree[key][position], math.inf)

    assert [one.field for one in differences(tree, other)] == [f"{key}[{position}]"]


@pytest.mark.parametrize(
    ("stated", "recomputed", "relative"),
    [
        (1, 1.0, 0.0),
        (0.0, -0.0, 0.0),
        (1.0, 1.5, 1 / 3),
        (0.0, 5e-324, 1.0),
        (-1e308, 1e308, 2.0),
        (1e308, -1.7e308, 1 + 1 / 1.7),
        (10**400, 1.0, math.inf),
        (True, 1, None),
        ("1", 1, None),
        (None, 0.0, None),
    ],
)
def test_the_relative_difference_of_two_numbers(stated, recomputed, relative):
    """Relative to the larger; no overflow at either end; a truth value is no number."""
    found = relative_difference(stated, recomputed)

    assert found == (relative if relative is None else pytest.approx(relative, rel=1e-15))


def test_the_tolerance_is_relative_and_holds_for_numbers_alone():
    """A part in a million of a small and of a large number; texts are equal or not."""
    assert differences({"a": 1e-9, "b": 1e9}, {"a": 1.000001e-9, "b": 1.000001e9}, 1.1e-6) == []
    assert len(differences({"a": 1e-9, "b": 1e9}, {"a": 1.000001e-9, "b": 1.000001e9}, 0.9e-6)) == 2
    assert [one.field for one in differences(["a"], ["b"], 1.0)] == ["[0]"]


def test_of_long_texts_the_part_that_differs_is_shown():
    """A sentence that was changed near its end shows both ends, not the same beginning twice."""
    text = "All is well with this method, and has been for a long time. " * 4

    (found,) = differences(text + "It is fit.", text + "It is not fit.")

    assert "It is fit." in found.text
    assert "It is not fit." in found.text
    assert len(found.text) < 280


def test_other_shapes_are_told_by_name():
    """An object where a number belongs is not printed in full."""
    found = differences({"a": {"b": 1}, "c": [1]}, {"a": 1.0, "c": "x"})

    assert found == [
        Difference(field="a", text="an object in the dossier, 1.0 recomputed"),
        Difference(field="c", text='a list in the dossier, "x" recomputed'),
    ]
