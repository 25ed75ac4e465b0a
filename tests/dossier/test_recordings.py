"""Recordings in the dossier: every curve drawn with its baseline, settings in words, figures one by one."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import numpy as np
import pytest
from msgspec.structs import replace

from validator import assess, evaluate, read_study
from validator.dossier import build_document, render_html
from validator.dossier.document import Figure, Table
from validator.dossier.figures.curves import DrawnCurve, curves_figure, thinned
from validator.dossier.figures.parts import AxisText
from validator.dossier.inline import plain
from validator.dossier.sections.context import Context
from validator.dossier.sections.every_curve import page_of_curves
from validator.dossier.sections.recordings import _table
from validator.dossier.wording import wording

EXAMPLE = Path(__file__).parents[2] / "example_studies" / "zinc_in_tap_water_recordings"


@pytest.fixture(scope="module")
def judged():
    study = read_study(EXAMPLE)
    return study, assess(study, evaluate(study))


def built(judged):
    document = build_document(*judged)
    (found,) = (one for one in document.sections if one.id == "recordings")
    return document, found


def test_the_section(judged):
    """Settings, scatter and repeatability in words, one figure of all curves, one row for each."""
    document, found = built(judged)
    (item,) = [block for block in found.blocks if hasattr(block, "blocks")]
    (figure,) = [block for block in item.blocks if isinstance(block, Figure)]
    (table,) = [block for block in item.blocks if isinstance(block, Table)]
    page = render_html(document)

    assert "straight line between the mean points of" in page
    assert "whether or not a peak is present" in page
    assert "Sensitivity to the evaluation settings" in page
    assert plain(figure.caption).startswith("Recorded curves of zinc (68 curves)")
    named = {plain(row.cells[0]) for row in table.rows if row.kind == "plain"}
    headings = [plain(row.cells[0]) for row in table.rows if row.kind == "group"]
    assert len({name for name in named if name}) == 65  # three stand twice, as standards and for the noise
    assert headings == [
        "Calibration, curves/calibration.csv",
        "Blanks, curves/blanks.csv",
        "Precision, curves/control.csv",
        "Noise, curves/calibration.csv",
    ]


def test_excluded_curves_stand_struck_by_themselves(judged):
    """One that is excluded stands after the others of its kind, so that the strike is its alone."""
    study, results = judged
    cell = results.analytes["zn"].configurations["default"]
    curves = cell.recordings.curves
    marked = replace(
        cell.recordings,
        curves=(
            replace(curves[0], excluded="air bubble"),
            *(replace(one, column=None) for one in curves[1:]),
        ),
    )
    item = next(iter(Context(study, results, wording("en")).items()))

    table = _table(Context(study, results, wording("en")), item, marked, "V")

    struck = [row for row in table.rows if row.kind == "struck"]
    assert [plain(row.cells[0]) for row in struck] == ["curves/calibration.csv, K1-4"]
    assert len(table.columns) == 6
    assert len(table.rows) == 68 + 4


def test_many_curves_are_not_listed_on_paper(judged, monkeypatch):
    """Beyond a number nobody reads, the list is in the attached results only."""
    monkeypatch.setattr(sys.modules["validator.dossier.sections.recordings"], "MOST_LISTED", 10)

    _, found = built(judged)

    (item,) = [block for block in found.blocks if hasattr(block, "blocks")]
    assert not [block for block in item.blocks if isinstance(block, Table)]


def test_a_study_without_recordings_has_no_such_section():
    """The section is there for those who have curves."""
    study = read_study(EXAMPLE.parent / "tablet_assay_caffeine")
    document = build_document(study, assess(study, evaluate(study)))

    assert "recordings" not in [one.id for one in document.sections]


def test_long_curves_are_thinned_and_keep_their_peaks():
    """A million points are drawn as a few hundred; the highest and the lowest are among them."""
    x = np.arange(1_000_000.0)
    y = np.sin(x / 1e5)
    y[123_456], y[654_321] = 9, -9

    thin_x, thin_y = thinned(x, y, 400)

    assert thin_x.size <= 400
    assert np.all(np.diff(thin_x) > 0)
    assert (thin_y.max(), thin_y.min()) == (9, -9)


def test_every_curve_is_in_the_figure():
    """Two lines a curve, its own and its baseline; excluded ones are named in the legend."""
    x = np.linspace(0, 1, 50)
    curves = [
        DrawnCurve(group=group, x=x, y=x + k, baseline_x=x[:20], baseline_y=x[:20], excluded=k == 2)
        for k, group in enumerate(["Calibration", "Blanks", "Blanks"])
    ]

    figure = curves_figure(curves, x=AxisText("Time", "min"), y=AxisText("Signal"), window=(0.2, 0.4))

    lines = [line for line in figure.axes[0].lines if len(line.get_xdata())]
    assert len(lines) == 6
    labels = [text.get_text() for text in figure.legends[0].get_texts()]
    assert labels == ["peak window", "Calibration", "Blanks", "baseline", "excluded"]


def test_every_curve_is_a_picture_with_its_number(judged):
    """Forty to a sheet, each with its name, its level and what was read; the sheet says which they are."""
    study, results = judged

    page = page_of_curves(study, results)

    sheets = [block for block in page.sections[0].blocks if isinstance(block, Figure)]
    assert [plain(one.caption) for one in sheets] == [
        "Recorded curves of zinc, 1 to 40 of 68.",
        "Recorded curves of zinc, 41 to 68 of 68.",
    ]
    assert sum(one.svg.count("<g>") for one in sheets) == 68
    first = results.analytes["zn"].configurations["default"].recordings.curves[0]
    assert f">{first.column}</text>" in sheets[0].svg
    assert f"{first.signal:.4f}" in sheets[0].svg
    assert "every-curve" in [one.id for one in build_document(study, results).sections]


def test_settings_of_one_curve_are_listed_with_their_reason(judged, tmp_path):
    """Name, settings and reason beside the table; the picture of the curve has a frame."""
    folder = shutil.copytree(EXAMPLE, tmp_path / "own")
    sheet = folder / "curves.csv"
    lines = sheet.read_text(encoding="utf-8").splitlines()
    lines[0] += ",at,reason"
    lines[1] += ",-1.09,peak shifted by a scratch on the film"
    lines[2:] = [f"{line},," for line in lines[2:]]
    sheet.write_text("\n".join(lines) + "\n", encoding="utf-8")
    study = read_study(folder)
    results = assess(study, evaluate(study))

    document = build_document(study, results)

    page = render_html(document, medium="web")
    found = results.analytes["zn"].configurations["default"].recordings
    assert (found.settings.at, found.curves[0].position) == (-1.1, -1.09)  # those of all, and of this one
    assert "1 curve evaluated with individual settings:" in page
    assert "; peak shifted by a scratch on the film." in page
    svg = "".join(
        one.svg for one in page_of_curves(study, results).sections[0].blocks if isinstance(one, Figure)
    )
    assert svg.count("stroke-dasharray") == 1
