"""A dossier of many analytes: one table over all, a section for each, the rest in an appendix."""

from __future__ import annotations

import re

import pytest

from validator.dossier import build_document, render_html
from validator.dossier.document import BulletList, CaveatBlock, NotAssessedList, Section, Table
from validator.dossier.inline import plain
from validator.dossier.sections.context import MOST_IN_FULL

COUNT = MOST_IN_FULL + 4
IDS = [f"a{i}" for i in range(COUNT)]


def of_all(*runs):
    return {"runs": [{"analyte": one, **run} for one in IDS for run in runs]}


STUDY = {
    "analytes": [
        {"id": one, "name": f"analyte {one}", "unit": "mg/L", "signal": "height", "signal_unit": "1"}
        for one in IDS
    ],
    "criteria": [
        {"characteristic": "lack_of_fit", "p_min": 0.01},
        {"characteristic": "recovery", "min": 90, "max": 110},
        {"characteristic": "repeatability", "analyte": "a3", "rsd_max": 0.4},
    ],
    "calibration": of_all(
        *({"level": x, "signals": [0.1 * x + 0.003, 0.1 * x - 0.002, 0.1 * x]} for x in (1, 2, 4, 6, 8, 10))
    ),
    "blanks": of_all({"signals": [0.001, 0.003, -0.002, 0.002, 0.004, 0.001, -0.001, 0.002, 0.003, 0.001]}),
    "precision": of_all({"level": 4, "concentrations": [4.02, 3.97, 4.05, 3.99]}),
    "recovery": of_all({"native": 0, "added": 4, "found": [3.98, 4.02, 4.01]}),
}


@pytest.fixture(scope="module")
def document(judged, described):
    return build_document(*judged(described(**STUDY)))


@pytest.fixture(scope="module")
def words(document):
    """The text of the page, without its style sheets, and what its pictures say."""
    page = render_html(document)
    page = re.sub(r'alt="([^"]*)"', r">\1<", page[page.index("<body") :])
    return re.sub(r"<[^>]*>", " ", page)


def test_every_analyte_has_a_row_and_a_section(document):
    """In the order of the study."""
    sections = {one.id: one for one in document.sections}
    (table,) = (one for one in sections["overview"].blocks if isinstance(one, Table))
    own = [one for one in sections["by-analyte"].blocks if isinstance(one, Section)]

    assert [plain(row.cells[0]) for row in table.rows] == [f"analyte {one}" for one in IDS]
    assert [plain(one.title) for one in own] == [f"analyte {one}" for one in IDS]


def test_results_without_series_are_counted_alone(document):
    """Three results, of no series that were recorded."""
    sections = {one.id: one for one in document.sections}
    first = next(one for one in sections["by-analyte"].blocks if isinstance(one, Section))
    (table,) = (one for one in first.blocks if isinstance(one, Table) and "figures" in one.id.lower())
    counts = {plain(row.cells[0]).split(",")[0]: plain(row.cells[2]) for row in table.rows}

    assert counts["Recovery"] == "3"
    assert counts["Slope"] == "18 / 6"


def test_a_refusal_is_told_once_with_the_analytes_it_holds_for(judged, described):
    """Not told apart where it holds for all of them."""
    few = {"runs": [run for run in STUDY["blanks"]["runs"] if run["analyte"] != "a2"]}
    document = build_document(*judged(described(**{**STUDY, "blanks": few})))
    appendix = next(one for one in document.sections if one.id == "in-full")
    (refused,) = (one.items for one in appendix.blocks if isinstance(one, NotAssessedList))
    told = [plain(one.what) for one in refused]

    assert "Blank, 3s (Eurachem) (analyte a2)" in told
    assert "Signal-to-noise ratio" in told
    assert len(told) == len({(plain(one.what), plain(one.reason), plain(one.needs)) for one in refused})


def test_an_open_point_that_all_share_is_one(judged, described):
    """Quantification limits above the legal limit are settled in one way for all analytes."""
    asked = [{"characteristic": "quantification_limit", "max": 5}]
    limited = [{**one, "legal_limit": 0.01} for one in STUDY["analytes"]]
    document = build_document(*judged(described(**{**STUDY, "criteria": asked, "analytes": limited})))
    section = next(one for one in document.sections if one.id == "decision")
    (points,) = (one.items for one in section.blocks if isinstance(one, BulletList))

    assert [plain(one).partition(":")[0] for one in points] == [f"Quantification limit ({COUNT} cases)"]


def test_a_caveat_names_the_analytes_that_each_reason_concerns(judged, described):
    """Five of ten share one reason, the others another; a number would not say which."""
    runs = [
        {**run, "signals": [4 * one for one in run["signals"]]} if run["analyte"] in IDS[:5] else run
        for run in STUDY["blanks"]["runs"]
    ]
    document = build_document(*judged(described(**{**STUDY, "blanks": {"runs": runs}})))
    section = next(one for one in document.sections if one.id == "caveats")
    (caveat,) = (
        one
        for one in section.blocks
        if isinstance(one, CaveatBlock) and plain(one.title).startswith("Detection limit extrapolated")
    )

    assert f"analyte {', analyte '.join(IDS[5:])}: No measurement was made near" in plain(caveat.because)


def test_an_analyte_without_data_says_so(judged, described):
    """No table without a row."""
    without = {
        name: {"runs": [run for run in STUDY[name]["runs"] if run["analyte"] != "a5"]}
        for name in ("calibration", "blanks", "precision", "recovery")
    }
    document = build_document(*judged(described(**{**STUDY, **without, "criteria": []})))
    section = next(one for one in document.sections if one.id == "by-analyte")
    (own,) = (one for one in section.blocks if isinstance(one, Section) and plain(one.title) == "analyte a5")

    assert not [one for one in own.blocks if isinstance(one, Table)]
    assert plain(own.blocks[0].content).startswith("No result could be computed for this analyte")


def test_nothing_of_the_program_shows(words):
    """No empty value of ours."""
    assert not re.search(r"\bNone\b|\bnan\b|\binf\b|\bTrue\b|\bFalse\b", words)


def test_one_analyte_among_many_is_told_in_the_singular(words):
    """The criterion that only one of them misses."""
    assert "(1 analyte)" in words
    assert not re.search(r"(?<!\d)1 (?:analytes|criteria)\b", words)
