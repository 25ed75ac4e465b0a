"""What the dossier says on uncertainty, on the accuracy profile and on results against limits."""

from __future__ import annotations

import math

import pytest

from validator.dossier.building import build_document
from validator.dossier.document import BulletList, Figure, Formula, Paragraph, Section, Table, identifier
from validator.dossier.html import render_html
from validator.dossier.inline import Reference, pieces, plain

STOCK = {
    "name": "stock solution",
    "value": 0.6,
    "relative": True,
    "kind": "tolerance",
    "source": "certificate",
}


def precision():
    return {
        "runs": [
            {
                "level": level,
                "series": f"S{i}",
                "concentrations": [
                    level * (1 + 0.02 * math.sin(2.1 * i) + 0.01 * sign * math.cos(1.3 * i))
                    for sign in (1, -1)
                ],
            }
            for level in (5.0, 20.0, 50.0)
            for i in range(5)
        ]
    }


@pytest.fixture(scope="module")
def document(judged, described):
    """The dossier of a study with all that this room can say."""
    study = described(
        analytes=[
            {
                "id": "x",
                "name": "analyte x",
                "unit": "mg/L",
                "signal": "signal",
                "signal_unit": "1",
                "legal_limit": 30,
                "specification": {"lower": 4, "upper": 60},
            }
        ],
        analysis={"accuracy_profile": {"acceptance_percent": 15}},
        criteria=[
            {"characteristic": "uncertainty", "at": 30, "rsd_max": 25},
            {"characteristic": "accuracy_profile", "min": 5, "max": 50},
        ],
        precision=precision(),
        recovery={
            "runs": [
                {"native": 0, "added": 20, "matrix": name, "found": found}
                for name, found in (("a", [19.8, 20.1]), ("b", [20.3, 20.6]))
            ]
        },
        uncertainty={
            "components": [STOCK],
            "model": "m / V",
            "quantities": [
                {"name": "m", "value": 500, "uncertainty": 2},
                {"name": "V", "value": 25, "uncertainty": 0.2, "kind": "tolerance"},
            ],
            "simulation": {"seed": 5},
            "target_percent": 20,
            "conformity": {"item_mean": 20, "item_sd": 8},
        },
    )
    return build_document(*judged(study))


def section(document, start):
    return next(one for one in document.sections if one.id == start)


def table(section, name):
    (found,) = [
        block
        for block in elements(section)
        if isinstance(block, Table) and block.id in (name, identifier(name, "x", "default"))
    ]
    return found


def elements(section):
    for block in section.blocks:
        yield block
        if isinstance(block, Section):
            yield from elements(block)


def cells(table):
    return [[plain(cell) for cell in row.cells] for row in table.rows]


def words(section):
    found = [plain(block.content) for block in elements(section) if isinstance(block, Paragraph)]
    for block in elements(section):
        if isinstance(block, BulletList):
            found += [plain(item) for item in block.items]
    return " ".join(found)


def test_every_level_stands_in_the_table(document):
    """Levels by what they are, with U in the unit and in percent."""
    rows = cells(table(section(document, "uncertainty"), "uncertainty-levels"))

    assert [row[:2] for row in rows] == [
        ["4", "lower specification limit: extrapolated"],
        ["5", "precision runs: measured"],
        ["20", "precision runs: measured"],
        ["30", "legal limit: interpolated"],
        ["50", "precision runs: measured"],
        ["60", "upper specification limit: extrapolated"],
    ]
    assert all(row[4] and row[5] and row[6] for row in rows)


def test_the_budget_of_the_legal_limit(document):
    """Its rows with their shares, the total at the foot, and the chart beside."""
    part = section(document, "uncertainty")
    budget = table(part, "uncertainty-budget")
    figures = [block for block in elements(part) if isinstance(block, Figure)]

    assert "at 30" in plain(budget.caption)
    assert [row[0] for row in cells(budget)] == [
        "intermediate precision",
        "root mean square bias of 2 recoveries",
        "stock solution",
        "Combined",
    ]
    assert cells(budget)[2][2] == "rectangular"
    assert len(figures) == 2
    assert "intermediate precision" in figures[0].alternative_text


def test_the_simulation_stands_beside_with_its_seed(document):
    """Budget and both intervals of the simulation in one table; a sentence says whether they agree."""
    part = section(document, "uncertainty")

    first, second = (
        table(part, name) for name in ("uncertainty-simulation", "uncertainty-formula-simulation")
    )
    for beside in (first, second):
        assert [row[0] for row in cells(beside)] == [
            "GUM budget, Student's t",
            "Monte Carlo, probabilistically symmetric",
            "Monte Carlo, shortest interval",
        ]
    assert "Number of trials: 1000000; seed: 5" in plain(first.note)
    assert pieces(second.note)[1] == Reference(first.id)
    assert "The GUM budget is validated" in words(part) or "The GUM budget is not validated" in words(part)


def test_the_formula_and_its_result(document):
    """The formula is printed as it was read, its result with expanded uncertainty."""
    text = words(section(document, "uncertainty"))

    assert "result = m / V" in text
    assert "Result (20.00 ± 0.24)" in text
    assert "meets the target of 20" in text


def test_the_accuracy_profile_has_its_table_and_picture(document):
    """Levels with bias, both intervals, risk and answer; the range in a sentence."""
    part = section(document, "accuracy-profile")
    rows = cells(table(part, "accuracy-table"))

    assert [row[0] for row in rows] == ["5", "20", "50"]
    assert {row[-1] for row in rows} == {"inside"}
    assert "Valid range: 5.00 to 50.0" in words(part)
    assert sum(isinstance(block, Figure) for block in elements(part)) == 1


def test_the_decision_says_what_routine_results_must_keep(document):
    """Guard bands for the legal limit and the specification, the risks over many items beside."""
    part = section(document, "decision")
    rows = cells(table(part, "conformity"))

    assert [row[1].partition(":")[0] for row in rows] == ["legal limit", "specification"]
    assert rows[0][4].startswith("≤ 2")
    assert " to " in rows[1][4]
    assert rows[1][5].startswith("< ")
    assert [row[1] for row in cells(table(part, "conformity-risks"))] == [
        "simple acceptance",
        "guarded acceptance",
    ] * 2
    assert "conforming (guarded acceptance)" in words(part)


def test_the_formulas_are_listed(document):
    """The appendix holds the formulas of what was computed, each with its source."""
    sources = " ".join(
        plain(block.source)
        for one in document.sections
        for block in elements(one)
        if isinstance(block, Formula)
    )

    for document_name in ("ISO 11352", "JCGM 100", "JCGM 101", "JCGM 106", "Mee"):
        assert document_name in sources


def test_the_page_renders(document):
    """Every reference leads somewhere."""
    assert "Measurement uncertainty" in render_html(document)


def test_nothing_is_said_where_nothing_was_found(judged, described):
    """Without precision, components and formula there are no such sections."""
    document = build_document(
        *judged(described(calibration={"runs": [{"level": x, "signal": 2 * x} for x in (1, 2, 4, 8, 16)]}))
    )

    assert {"uncertainty", "accuracy-profile"}.isdisjoint(one.id for one in document.sections)
