"""The design against the chosen guidance: one table for one document, a column each for several."""

from __future__ import annotations

import pytest

from validator.dossier.document import Paragraph, Table
from validator.dossier.inline import plain
from validator.dossier.sections.context import Context
from validator.dossier.sections.design import design
from validator.dossier.wording import wording

CALIBRATION = {
    "runs": [
        {"level": level, "signals": [0.1 * level + 0.001, 0.1 * level - 0.001]} for level in (1, 2, 4, 6, 8)
    ]
}
PRECISION = {
    "runs": [
        {"level": 5, "series": f"S{day}", "concentrations": [5 + 0.01 * day, 5.1 - 0.01 * day]}
        for day in range(4)
    ]
}
IUPAC, ICH, EURACHEM = (
    "iupac-single-laboratory-2002",
    "ich-q2r2-2023",
    "eurachem-fitness-for-purpose-2014",
)


@pytest.fixture
def section(judged, described):
    """Sentences and table of the section for a study with the chosen guidance."""

    def section(*guidance, **more):
        study, results = judged(described(guidance=guidance, **({"calibration": CALIBRATION} | more)))
        blocks = design(Context(study, results, wording("en"))).blocks
        tables = [block for block in blocks if isinstance(block, Table) and block.id == "requirements"]
        sentences = [plain(block.content) for block in blocks if isinstance(block, Paragraph)][1:]
        shown = [
            [
                [plain(column.header) for column in table.columns],
                *([plain(cell) for cell in row.cells] for row in table.rows),
            ]
            for table in tables
        ]
        return sentences, shown[0] if shown else None

    return section


def test_without_guidance_no_design_is_asked_for(section):
    """The study is told that nothing was held against it."""
    assert section() == (
        ["No guidance document is named in the study, so the design was not compared with a minimum."],
        None,
    )


def test_guidance_without_a_minimum_design(section):
    """A document that asks for no counts says nothing of the design."""
    assert section("iso-iec-17025-2017") == (
        ["The chosen guidance states no minimum design that applies to this method."],
        None,
    )


def test_one_document(section):
    """Every count with what is asked, given and its outcome; what was not measured is not assessed."""
    sentences, table = section(IUPAC)

    assert sentences == [
        "The design is below the required minimum for: Linearity: levels; Lack of fit: levels.",
        "The design meets the minimum but not the recommended number for: Linearity: replicates per level.",
    ]
    assert table == [
        ["Requirement", "Required", "Provided", "Outcome", "Source"],
        *(
            [
                what,
                asked,
                given,
                outcome,
                f"IUPAC single-laboratory guidelines, 2002, {clause}†",
            ]
            for what, asked, given, outcome, clause in (
                ("linearity: levels (required)", "6", "5", "does not meet", "A3"),
                ("linearity: replicates per level (required)", "2", "2", "meets", "A3"),
                ("linearity: replicates per level (recommended)", "3", "2", "does not meet", "A3"),
                ("lack of fit: levels (required)", "6", "5", "does not meet", "A3"),
                ("lack of fit: replicates per level (required)", "2", "2", "meets", "A3"),
                ("intermediate precision: replicates per series (required)", "2", "–", "not assessed", "A7"),
                ("robustness: factors (recommended)", "7", "–", "not assessed", "A12"),
                ("robustness: runs (recommended)", "8", "–", "not assessed", "A12"),
            )
        ),
    ]


def test_several_documents_have_a_column_each(section):
    """A row for each count of a characteristic; the strictest decides the outcome and is named."""
    sentences, table = section(ICH, EURACHEM, precision=PRECISION)

    rows = {row[0]: row[1:] for row in table}
    assert rows["Requirement"] == [
        "ICH Q2(R2)",
        "Eurachem fitness-for-purpose guide",
        "Provided",
        "Outcome",
        "Strictest",
    ]
    assert rows["Linearity: levels"] == [
        *("5", "–", "5", "meets"),
        "ICH Q2(R2), step 4, 1 November 2023, file corrected 30 November 2023, 3.2.2.1§",
    ]
    assert rows["Linearity: replicates per level"] == [
        *("–", "2; 3 recommended", "2", "meets"),
        "Eurachem fitness-for-purpose guide, 2nd edition, 2014, 6.3, quick reference 5§",
    ]
    assert rows["Repeatability: replicates per level"] == [
        *("6", "6", "8", "meets"),
        "ICH Q2(R2), step 4, 1 November 2023, file corrected 30 November 2023, 3.3.2.1§",
    ]
    assert rows["Working range: levels above zero"][:4] == ["–", "6", "5", "does not meet"]
    assert rows["Trueness: determinations"][:4] == ["9", "–", "–", "not assessed"]
    assert rows["Robustness: factors"][:4] == ["–", "7 recommended", "–", "not assessed"]
    assert sentences == [
        (
            "The design is below the required minimum for: Linearity: levels above zero; Working range: "
            "levels above zero."
        ),
        (
            "The design meets the minimum but not the recommended number for: Linearity: replicates per "
            "level; Repeatability: levels."
        ),
        (
            "Several guidance documents were chosen. Where more than one specifies a minimum, the strictest "
            "applies."
        ),
    ]


def test_the_strictest_is_the_greatest_minimum(section):
    """Six levels asked by one document and five by another: five fall short, and the first is named."""
    _, table = section(ICH, IUPAC)

    assert [row[:5] for row in table if row[0] == "Linearity: levels"] == [
        ["Linearity: levels", "5", "6", "5", "does not meet"]
    ]
    assert [row[5] for row in table if row[0] == "Linearity: levels"] == [
        "IUPAC single-laboratory guidelines, 2002, A3†"
    ]


def test_analytes_of_which_the_same_is_asked_and_given_share_a_row(section):
    """Two metals measured alike take one row; where one has fewer levels, each has its own."""
    analytes = [
        {"id": name, "name": name, "unit": "mg/L", "signal": "signal", "signal_unit": "1"}
        for name in ("zinc", "nickel")
    ]

    def rows(levels):
        runs = [run | {"analyte": "zinc"} for run in CALIBRATION["runs"]]
        runs += [run | {"analyte": "nickel"} for run in CALIBRATION["runs"][:levels]]
        _, table = section(ICH, IUPAC, analytes=analytes, calibration={"runs": runs})
        return [row[1:6] for row in table if row[0] == "Linearity: levels"]

    assert rows(5) == [["zinc, nickel", "5", "6", "5", "does not meet"]]
    assert rows(4) == [
        ["zinc", "5", "6", "5", "does not meet"],
        ["nickel", "5", "6", "4", "does not meet"],
    ]
