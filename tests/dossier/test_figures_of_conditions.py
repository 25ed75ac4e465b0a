"""Figures of effects and of the consistency of laboratories."""

from __future__ import annotations

from xml.etree import ElementTree as ET

import pytest

from validator.dossier import figures as f

ROWS = [
    f.EffectRow(label="stirring", effect=f.Measured(5.8, 3.6, 8.1), significant=True),
    f.EffectRow(label="bismuth(III)", effect=f.Measured(0.2, -2.0, 2.5), significant=False),
    f.EffectRow(label="wait", effect=f.Measured(-1.6), significant=None),
]
LEVELS = [
    f.ConsistencyLevel(label="9 g/100 g", h={"L1": 1.9, "L2": -0.4, "L3": -1.5}, k={"L1": 0.6, "L2": 1.2}),
    f.ConsistencyLevel(label="12 g/100 g", h={"L1": 2.2, "L3": -0.3}, k={"L1": 1.4, "L3": 0.8}),
]


def texts(svg):
    return ["".join(one.itertext()) for one in ET.fromstring(svg).iter() if one.tag.endswith("}text")]


def consistency(**more):
    return f.consistency_figure(
        ["L1", "L2", "L3"], LEVELS, h_critical=(1.78, 2.13), k_critical=(1.68, 1.98), **more
    )


@pytest.mark.parametrize(
    "draw", [lambda: f.effects_figure(ROWS, margin_percent=2.3, allowed_percent=5), consistency]
)
def test_the_same_bytes_every_time(draw):
    """Drawing twice gives the same figure, in every format."""
    assert f.to_svg(draw()) == f.to_svg(draw())
    assert f.to_png(draw(), dpi=60) == f.to_png(draw(), dpi=60)


def test_effects_say_what_is_beyond_chance_and_what_is_allowed():
    """Factor names, margin, band and both kinds of bar are written out."""
    found = texts(f.to_svg(f.effects_figure(ROWS, margin_percent=2.3, allowed_percent=5)))

    for text in ("stirring", "bismuth(III)", "wait", "critical effect", "permitted effect ±5 %"):
        assert text in found, text
    assert "significant" in found
    assert "not significant" in found


def test_effects_without_a_margin_have_no_line_for_it():
    """Nothing is drawn that was not found."""
    found = texts(f.to_svg(f.effects_figure(ROWS[2:])))

    assert "critical effect" not in found
    assert not any(text.startswith("permitted") for text in found)


def test_every_bar_and_line_lies_inside_the_axes():
    """Axis limits hold the intervals, the margin and the band."""
    axes = f.effects_figure(ROWS, margin_percent=12, allowed_percent=15).axes[0]

    low, high = axes.get_xlim()
    assert low < -15
    assert high > 15


def test_consistency_names_laboratories_and_levels():
    """Two panels, one group a laboratory, the levels and both critical points in the legend."""
    figure = consistency()
    found = texts(f.to_svg(figure))

    for text in ("L1", "L2", "L3", "9 g/100 g", "12 g/100 g", "critical value, 5 %", "critical value, 1 %"):
        assert text in found, text
    upper, lower = figure.axes
    assert upper.get_ylim()[0] < -2.13
    assert upper.get_ylim()[1] > 2.2
    assert lower.get_ylim()[0] == 0


def test_a_laboratory_without_a_value_has_no_bar():
    """What was not measured is left out, not drawn as zero."""
    upper, lower = consistency().axes

    assert len(upper.patches) == 5
    assert len(lower.patches) == 4


def test_consistency_without_points_of_k():
    """Single results have no k, and no lines for it."""
    bare = [f.ConsistencyLevel(label="9", h={"L1": 1.0, "L2": -1.0, "L3": 0.1}, k={})]

    figure = f.consistency_figure(["L1", "L2", "L3"], bare, h_critical=(1.15, 1.15), k_critical=None)

    assert len(figure.axes[1].patches) == 0
