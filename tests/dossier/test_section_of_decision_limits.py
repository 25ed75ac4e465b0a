"""The section on residue control: one table, the reasons where a limit is not assessed, the formula."""

from __future__ import annotations

import pytest

from validator.dossier.building import build_document
from validator.dossier.document import NotAssessedList, Section, Table
from validator.dossier.inline import plain

PRECISION = [
    {"level": 100, "series": name, "concentrations": [a, a + 2]}
    for name, a in (("A", 97), ("B", 99), ("C", 101))
]
RECOVERY = [{"level": 100, "found": [97, 99, 101, 99]}]


def analytes(count, **more):
    return [
        {"id": f"x{i}", "name": f"residue {i}", "unit": "µg/kg", "signal": "area", "signal_unit": "1"}
        | {"status": "permitted", "legal_limit": 100}
        | more
        for i in range(count)
    ]


@pytest.fixture
def section(judged, described):
    """The section and the whole document of a study with so many analytes."""

    def section(described_analytes):
        names = [one["id"] for one in described_analytes]
        study = described(
            analytes=described_analytes,
            guidance=["iso-5725"],
            precision={"runs": [run | {"analyte": name} for name in names for run in PRECISION]},
            recovery={"runs": [run | {"analyte": name} for name in names for run in RECOVERY]},
        )
        document = build_document(*judged(study))
        found = [one for one in document.sections if isinstance(one, Section) and one.id == "decision-limits"]
        return (found[0] if found else None), document

    return section


def cells(table):
    return [[plain(cell) for cell in row.cells] for row in table.rows]


@pytest.mark.parametrize("count", [1, 2, 8])
def test_one_table_for_all_analytes(section, count):
    """100 + 1.64 √(20/3) = 104.23 for each; of many analytes, each with its name."""
    found, _ = section(analytes(count))

    (table,) = [block for block in found.blocks if isinstance(block, Table)]
    rows = cells(table)
    assert len(rows) == count
    assert all("104.2" in row[-2] for row in rows)
    assert rows[0][0].startswith("residue 0" if count > 1 else "Decision limit")


def test_a_limit_that_is_not_assessed_has_its_reason(section):
    """The reason stands in the section, without a table where there is nothing to show."""
    found, _ = section(analytes(1, screening_target=20))
    (refusals,) = [block for block in found.blocks if isinstance(block, NotAssessedList)]
    assert "no precision was determined at the screening target" in str(refusals)

    bare, _ = section(analytes(1, legal_limit=500))
    assert not [block for block in bare.blocks if isinstance(block, Table)]


def test_a_study_without_residues_has_no_such_section(section):
    """A legal limit alone asks for no decision limit."""
    assert section(analytes(1, status=None))[0] is None


def test_what_superseded_a_document_stands_on_page_one(section):
    """Beside the name of the document, in the particulars of the study."""
    _, document = section(analytes(1))

    assert "superseded by ISO 5725-2:2025 for part 2" in str(document.key_facts)
