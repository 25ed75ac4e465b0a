"""Figures are legible, safe for colour-blind readers and in grey, and the same every time."""

from __future__ import annotations

import itertools
import re
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from validator.dossier import figure_style as look
from validator.dossier import figures as f

KINDS = (
    "calibration",
    "residuals",
    "response-factors",
    "limits",
    "precision",
    "components",
    "recovery",
    "interference",
    "overlay",
    "ratios",
    "contributions",
    "accuracy-profile",
    "trend",
    "method-comparison",
    "differences",
)
LEVEL = f.AxisText("Level", "µg/L")
SIGNAL = f.AxisText("Signal", "nA")


@pytest.fixture(params=KINDS)
def drawing(request, drawings):
    return drawings.DRAWINGS[request.param]()


def _texts(svg: str) -> list[str]:
    return [
        "".join(element.itertext()) for element in ET.fromstring(svg).iter() if element.tag.endswith("}text")
    ]


def test_every_kind_is_tried(drawings):
    """Each drawing of the samples is looked at by the tests below."""
    assert set(KINDS) == set(drawings.DRAWINGS)


def test_a_figure_is_the_same_every_time(drawings):
    """Drawing twice gives the same bytes in every format."""
    for kind in ("calibration", "components"):
        one, other = (drawings.DRAWINGS[kind]() for _ in range(2))
        assert f.to_svg(one) == f.to_svg(other)
        assert f.to_svg(one) == f.to_svg(one)
        assert f.to_png(one, 100) == f.to_png(other, 100)
        assert f.to_pdf(one) == f.to_pdf(other)
        assert f.to_outlined_svg(one) == f.to_outlined_svg(other)


def test_text_is_text_in_our_faces(drawing):
    """Words stay selectable, in the shipped families and no other, and no date is written."""
    svg = f.to_svg(drawing)

    assert len(_texts(svg)) > 5
    families = set(re.findall(r"font-family: ([^;\"]+)", svg)) | set(re.findall(r"font: ([^;\"]+)", svg))
    assert families == {"'Dossier Figure', 'Dossier Signs'"}
    assert "<dc:date>" not in svg
    assert "<image" not in svg


def test_nothing_overlaps_and_nothing_is_cut_off(drawing):
    """All words lie inside the drawing; tick labels, titles and legend keep clear of each other."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    with look.style():
        canvas = FigureCanvasAgg(drawing)
        canvas.draw()
        renderer = canvas.get_renderer()
        frame = drawing.bbox
        axes = drawing.axes[0]
        labels = {
            axis: [text.get_window_extent(renderer) for text in labels if text.get_text()]
            for axis, labels in (("x", axes.get_xticklabels()), ("y", axes.get_yticklabels()))
        }
        inside = {axis: [box for box in boxes if _in(axes, box, axis)] for axis, boxes in labels.items()}
        titles = [axes.xaxis.label.get_window_extent(renderer), axes.yaxis.label.get_window_extent(renderer)]
        legends = [legend.get_window_extent(renderer) for legend in drawing.legends]
        texts = [text.get_window_extent(renderer) for text in axes.texts]

    everything = [*itertools.chain(*inside.values()), *titles, *legends, *texts]
    for box in everything:
        if box.width > 1:
            assert box.x0 >= frame.x0 - 1
            assert box.x1 <= frame.x1 + 1
            assert box.y0 >= frame.y0 - 1
            assert box.y1 <= frame.y1 + 1
    for boxes in inside.values():
        assert not any(one.overlaps(other) for one, other in itertools.combinations(boxes, 2))
    assert not any(legend.overlaps(axes.bbox) for legend in legends)


def _in(axes, box, axis) -> bool:
    """Labels of ticks beyond the limits exist but are not drawn."""
    middle = (box.x0 + box.x1) / 2 if axis == "x" else (box.y0 + box.y1) / 2
    low, high = (axes.bbox.x0, axes.bbox.x1) if axis == "x" else (axes.bbox.y0, axes.bbox.y1)
    return low - 1 <= middle <= high + 1


def test_axes_name_their_units(drawings):
    """The quantity with its unit stands on both axes of a calibration."""
    texts = _texts(f.to_svg(drawings.DRAWINGS["calibration"]()))

    assert "Level (µg/L)" in texts
    assert "Peak current (nA)" in texts
    assert str(f.AxisText("Ratio")) == "Ratio"


def test_the_legend_names_what_is_drawn(drawings):
    """Excluded points, bands and the linear range of a calibration are named; limits have three marks."""
    texts = _texts(f.to_svg(drawings.DRAWINGS["calibration"]()))
    limits = _texts(f.to_svg(drawings.DRAWINGS["limits"]()))

    assert {
        "95 % confidence band",
        "95 % prediction band",
        "preparations",
        "excluded",
        "linear range",
    } <= set(texts)
    assert {
        "critical value",
        "detection limit",
        "quantification limit",
        "lowest calibration standard",
        "permit limit",
    } <= set(limits)
    assert "▶ critical level and power" in limits


def test_dollars_and_markup_of_a_study_stay_as_they_are():
    """A name with a dollar sign, a brace or an angle is printed, not interpreted."""
    name = "cost $x_1$ <b> & {y}"
    svg = f.to_svg(f.contribution_figure([name], [100.0]))

    assert name in _texts(svg)


@pytest.mark.parametrize(("width", "mm"), [("text", 160.0), ("column", 84.0)])
def test_widths_are_those_of_the_page_and_of_a_journal_column(drawings, width, mm):
    """160 mm for the dossier, 84 mm for a column, in the drawing itself."""
    root = ET.fromstring(f.to_svg(drawings.calibration(width)))

    assert float(root.get("width").removesuffix("pt")) == pytest.approx(mm / 25.4 * 72)


def test_files_for_a_journal(drawings):
    """PNG has the resolution asked for, PDF and outlined SVG need no face of ours."""
    figure = drawings.DRAWINGS["ratios"]()
    png = f.to_png(figure, 300)

    assert int.from_bytes(png[16:20]) == pytest.approx(160 / 25.4 * 300, abs=1)
    assert f.to_pdf(figure).startswith(b"%PDF-")
    assert _texts(f.to_outlined_svg(figure)) == []


def test_the_scale_leaves_room_over_the_points():
    """No point of a calibration touches the frame."""
    figure = f.calibration_figure([1, 2, 3], [10, 20, 90], f.Line(x=[1, 3], y=[10, 90]), x=LEVEL, y=SIGNAL)
    low, high = figure.axes[0].get_ylim()

    assert low < 10 - 4
    assert high > 90 + 4


def test_an_open_interval_runs_to_the_edge():
    """An end that does not exist is an arrow at the frame, not a gap."""
    row = f.RatioRow(label="a", ratio=f.Measured(2.0, 1.5, None))
    axes = f.ratio_forest_figure([row], x=f.AxisText("Ratio")).axes[0]
    arrows = [line for line in axes.lines if line.get_marker() == ">"]

    assert [line.get_xdata()[0] for line in arrows] == [axes.get_xlim()[1]]


def test_levels_over_decades_get_a_logarithmic_axis():
    """Two decades of positive levels are spread evenly; a zero level keeps the axis linear."""
    wide = f.residual_figure([0.1, 1, 10, 100], [0.1, -0.2, 0.3, 0], x=LEVEL).axes[0]
    zero = f.residual_figure([0, 1, 10, 100], [0.1, -0.2, 0.3, 0], x=LEVEL).axes[0]

    assert (wide.get_xscale(), zero.get_xscale()) == ("log", "linear")
    assert [label.get_text() for label in wide.get_xticklabels()] == ["0.1", "1", "10", "100"]


def test_series_differ_in_more_than_colour():
    """Each series has its own marker, and its own pair of dash and fill."""
    assert len({series.marker for series in look.SERIES}) == len(look.SERIES)
    assert len({(str(series.dash), series.filled) for series in look.SERIES}) == len(look.SERIES)


def _luminance(colour: str) -> float:
    """Relative luminance of WCAG 2.2 (source not consulted)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return float(np.dot([0.2126, 0.7152, 0.0722], linear))


def test_text_and_marks_have_contrast_on_white():
    """Text reaches 4.5 to 1 and main marks 3 to 1, the bounds of WCAG 2.2.

    Source: WCAG 2.2, 1.4.3 and 1.4.11 (source not consulted).
    """
    contrast = {
        c: 1.05 / (_luminance(c) + 0.05)
        for c in (look.INK, look.SOFT, look.BLUE, look.VERMILLION, look.GREEN)
    }

    assert contrast[look.INK] > 4.5
    assert contrast[look.SOFT] > 4.5
    assert all(value > 3 for value in contrast.values())


def test_colours_that_meet_in_one_figure_differ_in_grey():
    """The bars, bands and points of one figure are told apart on a black-and-white printer."""
    grey = {name: _luminance(getattr(look, name)) for name in ("BLUE", "SKY", "BAND", "PALE_BAND", "INK")}

    for one, other in (("BLUE", "SKY"), ("BAND", "PALE_BAND"), ("BLUE", "BAND"), ("BLUE", "INK")):
        assert abs(grey[one] - grey[other]) > 0.1


NUMBER = st.floats(-1e9, 1e9, allow_nan=False)
POINTS = st.lists(st.tuples(st.floats(0, 1e9), NUMBER), min_size=1, max_size=8)


@given(POINTS)
@settings(max_examples=8, deadline=None)
def test_any_data_can_be_drawn(points):
    """One point, equal points, zeros, huge and tiny numbers: a figure, and no warning."""
    x, y = zip(*points, strict=True)
    f.to_svg(f.calibration_figure(x, y, f.Line(x=x, y=y), x=LEVEL, y=SIGNAL, excluded=(x[:1], y[:1])))
    f.to_svg(f.residual_figure(x, y, x=LEVEL))
    f.to_svg(f.response_factor_figure(x, y, y[0], x=LEVEL, y=SIGNAL))


MEASURED = st.builds(f.Measured, NUMBER, st.none() | NUMBER, st.none() | NUMBER | st.just(float("inf")))


@given(st.lists(MEASURED, min_size=1, max_size=5), st.text(max_size=60))
@settings(max_examples=8, deadline=None)
def test_any_interval_can_be_drawn(measured, label):
    """Open, empty, reversed and negative intervals and any label: a figure, and no warning."""
    f.to_svg(
        f.ratio_forest_figure([f.RatioRow(label=label, ratio=m) for m in measured], x=f.AxisText("Ratio"))
    )
    f.to_svg(f.limits_figure([f.LimitRow(label=label, detection_limit=m) for m in measured], x=LEVEL))
    f.to_svg(
        f.interference_figure(
            [f.InterferenceRow(label=label, change=m, side="inside") for m in measured], limit_percent=5
        )
    )
    f.to_svg(f.recovery_figure([f.RecoveryLevel(label=label, values=[m.value], mean=m) for m in measured]))
    f.to_svg(
        f.precision_components_figure([f.PrecisionComponents(label=label, repeatability=m) for m in measured])
    )


def test_nothing_to_draw_is_still_a_figure():
    """Empty tables of results give empty axes, not an error."""
    for figure in (
        f.limits_figure([], x=LEVEL),
        f.precision_figure([]),
        f.precision_components_figure([]),
        f.recovery_figure([]),
        f.interference_figure([], limit_percent=5),
        f.ratio_forest_figure([], x=f.AxisText("Ratio")),
        f.contribution_figure([], []),
        f.overlay_figure([], x=LEVEL, y=SIGNAL),
    ):
        assert "<svg" in f.to_svg(figure)


def test_drawing_leaves_the_settings_of_the_program_alone():
    """Whoever also uses the drawing library finds its settings as they were."""
    import matplotlib as mpl

    before = dict(mpl.rcParams)
    f.to_png(f.contribution_figure(["a"], [100.0]), 50)

    assert dict(mpl.rcParams) == before


def test_ticks_of_a_linear_axis_share_their_decimals():
    """9.0 beside 9.5, not 9: one number of decimals, and a minus sign that is one."""
    (axes,) = f.interference_figure(
        [f.InterferenceRow(label="iron", change=f.Measured(0.2, -0.9, 1.3), side="inside")], limit_percent=1
    ).axes
    axes.figure.canvas.draw()

    labels = [label.get_text() for label in axes.get_xticklabels()]

    assert len({len(label.partition(".")[2]) for label in labels}) == 1
    assert "0.0" in labels
    assert any(label.startswith("−") for label in labels)


def test_a_long_label_keeps_to_its_row_and_its_end():
    """Two lines at most, without the middle: the end says how much of the substance there was."""
    contents = "lactose, microcrystalline cellulose, maize starch, magnesium stearate"
    long = f"placebo mixture ({contents}) 300\u202fmg/L"
    (axes,) = f.interference_figure(
        [f.InterferenceRow(label=long, change=f.Measured(0.2, -0.9, 1.3), side="inside")], limit_percent=1
    ).axes

    (label,) = (text.get_text() for text in axes.get_yticklabels())

    assert label.count("\n") == 1
    assert label.startswith("placebo mixture")
    assert label.endswith("… 300\u202fmg/L")
