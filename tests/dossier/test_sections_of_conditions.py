"""What the dossier says on matrix, another method, robustness, stability, devices and laboratories."""

from __future__ import annotations

from pathlib import Path

import pytest

from validator import assess, evaluate, read_study
from validator.dossier.building import build_document
from validator.dossier.document import (
    Figure,
    Findings,
    Formula,
    NotAssessedList,
    Paragraph,
    Section,
    Table,
    identifier,
)
from validator.dossier.html import render_html
from validator.dossier.inline import plain

EXAMPLES = Path(__file__).parents[2] / "example_studies"
YOUDEN = ("+++++++", "++-+---", "+-+-+--", "+----++", "-++--+-", "-+--+-+", "--++--+", "---+++-")
LEVELS = (1, 4, 7, 10, 15)


def line(slope, intercept=0.012):
    return [
        {"level": level, "signals": [intercept + slope * level + off for off in (-0.02, 0.0, 0.025)]}
        for level in LEVELS
    ]


def blanks(after):
    found = [{"kind": "blank", "signal": signal} for signal in (0.010, 0.014, 0.012)]
    for signal in after:
        found += [{"kind": "high", "level": 15, "signal": 4.2}, {"kind": "blank", "signal": signal}]
    return found


BLOCKS = {
    "calibration": {"runs": line(0.28)},
    "blanks": {
        "runs": [{"kind": "matrix", "signals": [0.01, 0.02, 0, 0.01, 0.03, 0.01, 0, 0.02, 0.01, 0.01]}]
    },
    "matrix_calibration": {"matrix": "canal water", "runs": line(0.21, 0.5)},
    "standard_addition": {
        "runs": [
            {
                "sample": "K-31",
                "added": [0, 2, 4, 6, 8] * 2,
                "signals": [0.96, 1.57, 2.00, 2.59, 3.03, 0.91, 1.48, 2.11, 2.65, 3.14],
                "reference": 3.4,
            },
            {"sample": "flat", "added": [0, 0, 0], "signals": [1, 1.1, 1]},
        ]
    },
    "comparison": {
        "runs": [
            *(
                {"sample": f"S{i}", "this_method": [x + off, x - off / 2], "reference_method": [x, x + 0.05]}
                for i, (x, off) in enumerate([(2.0, 0.1), (4.1, -0.2), (6.3, 0.3), (8.2, -0.1), (10.5, 0.2)])
            ),
            {"sample": "odd", "this_method": 9, "reference_method": 5, "excluded": "vial mixed up"},
        ]
    },
    "robustness": {
        "design": "youden",
        "factors": [
            {"name": name, "low": low, "nominal": nominal, "high": high, "unit": unit}
            for name, low, nominal, high, unit in (
                ("potential", -1.37, -1.35, -1.33, "V"),
                ("stirring", 560, 600, 640, "rpm"),
                *((f"factor {i}", 1, 2, 3, "mL") for i in range(5)),
            )
        ],
        "runs": [
            {"settings": list(run), "result": [high + 0.05 * i, high - 0.05]}
            for i, run in enumerate(YOUDEN)
            for high in [8.6 if run[1] == "+" else 8.0]
        ],
    },
    "stability": {
        "runs": [
            {"condition": "dry, 22 °C", "time": time, "time_unit": "d", "level": 8, "found": found}
            for time, found in {0: [8.3, 8.1, 8.4], 14: [7.9, 8.0, 8.0], 28: [7.1, 7.8, 7.9]}.items()
        ]
    },
    "carry_over": {"runs": [{"sequence": blanks([0.2, 0.21, 0.19])}]},
    "repeated_use": {
        "runs": [
            {"device": device, "use": use, "signal": start - 0.01 * use + wobble * (-1) ** use}
            for device, start, wobble in (("A", 2.4, 0.01), ("B", 2.5, 0.02), ("C", 2.3, 0.005))
            for use in range(1, 6)
        ]
    },
    "precision": {
        "runs": [
            {"level": level, "series": f"P{i}", "concentrations": [level * one, level * (one + 0.02)]}
            for level in (3, 8, 13)
            for i, one in enumerate((1.0, 1.03, 0.97, 1.01))
        ]
    },
    "criteria": [
        {"characteristic": "robustness", "max": 5},
        {"characteristic": "matrix_effect", "max": 10},
        {"characteristic": "stability", "min": 90},
    ],
}


@pytest.fixture(scope="module")
def everything(judged, described):
    """The dossier of a study that holds every block of conditions."""
    return build_document(*judged(described(**BLOCKS)))


@pytest.fixture(scope="module")
def trial():
    """The dossier of the interlaboratory example."""
    study = read_study(EXAMPLES / "interlaboratory_moisture")
    return build_document(study, assess(study, evaluate(study)))


def section(document, name):
    return next(one for one in document.sections if one.id == name)


def blocks_of(part):
    for block in part.blocks:
        if isinstance(block, Section):
            yield from blocks_of(block)
        else:
            yield block


def table(part, start):
    wanted = identifier(*start.split("--"))
    return next(one for one in blocks_of(part) if isinstance(one, Table) and one.id.startswith(wanted))


def rows(part, start):
    return [[plain(cell) for cell in row.cells] for row in table(part, start).rows]


def sentences(part):
    return [plain(one.content) for one in blocks_of(part) if isinstance(one, Paragraph)]


def test_sections_stand_after_selectivity_in_order(everything):
    """Matrix, another method, robustness, stability, devices; nothing is parsed and ignored."""
    names = [one.id for one in everything.sections]
    wanted = ["matrix", "method-comparison", "robustness", "stability", "devices"]

    assert [name for name in names if name in wanted] == wanted
    assert names.index("precision") < names.index("matrix") < names.index("decision")


def test_a_study_without_these_blocks_has_none_of_these_sections(judged, described):
    """Sections appear with their data; what is absent is listed as not assessed."""
    document = build_document(*judged(described(recovery={"runs": [{"level": 5, "found": [4.9, 5.1]}]})))

    names = {one.id for one in document.sections}
    assert not names & {"matrix", "method-comparison", "robustness", "stability", "devices"}
    absent = next(one for one in blocks_of(section(document, "caveats")) if isinstance(one, NotAssessedList))
    listed = {plain(one.what) for one in absent.items}
    assert listed >= {
        "Standard addition",
        "Matrix effect",
        "Method comparison",
        "Robustness",
        "Stability",
        "Carry-over",
        "Repeated use",
        "Device-to-device precision",
    }


def test_every_figure_says_what_it_shows(everything, trial):
    """Captions and alternative texts are filled, ids are unique by construction."""
    drawn = [
        one for document in (everything, trial) for one in document.elements() if isinstance(one, Figure)
    ]

    for start in (
        "matrix",
        "additions",
        "methods",
        "differences",
        "effects",
        "stability",
        "uses",
        "consistency",
    ):
        assert any(one.id.startswith(identifier(f"figure-{start}")) for one in drawn), start
    for one in drawn:
        assert plain(one.caption).endswith((".", "%"))
        assert "{" not in one.alternative_text
        assert one.svg.startswith("<svg ")


def test_the_matrix_table_and_its_sentence(everything):
    """Slope 0.21 against 0.28: an effect of -25 %, significant, with what follows from it."""
    part = section(everything, "matrix")

    (cells,) = rows(part, "matrix-table")
    assert cells[:3] == ["canal water", "calibration in matrix", "15 / 5"]
    assert cells[4].startswith("0.7500 (")
    assert cells[5].startswith("−25.00 (")
    assert cells[6].startswith("t = −")
    said = next(one for one in sentences(part) if one.startswith("The slope in canal water"))
    assert "differs significantly" in said
    assert "−25" in said


def test_standard_additions_with_one_that_has_no_line(everything):
    """The content with its reference; the sample without a line says why below the table."""
    part = section(everything, "matrix")

    first, flat = rows(part, "additions-table")
    assert first[0:2] == ["K-31", "10 / 5"]
    assert first[3] == "3.4"
    assert flat[2] == "–"
    refused = [item for one in blocks_of(part) if isinstance(one, NotAssessedList) for item in one.items]
    assert [plain(item.what) for item in refused] == ["flat"]


def test_blanks_stand_beside_the_quantification_limit(everything):
    """How many, of what kind, their mean and the largest."""
    said = next(one for one in sentences(section(everything, "matrix")) if one.startswith("Blanks"))

    assert "10 independent matrix blanks" in said
    assert said.count("%") == 2


def test_the_comparison_lists_every_sample_and_strikes_what_takes_no_part(everything):
    """An excluded sample is struck, and the reason stands below it."""
    part = section(everything, "method-comparison")
    samples = table(part, "samples-table")

    assert [row.kind for row in samples.rows] == ["plain"] * 5 + ["struck", "group"]
    assert plain(samples.rows[-1].cells[0]) == "↑ not used: excluded: vial mixed up"
    assert [cells[0] for cells in rows(part, "lines-table")] == [
        "Deming regression (errors in both methods)",
        "Passing–Bablok regression (non-parametric)",
    ]
    assert any("from the replicates" in cells[3] for cells in rows(part, "lines-table"))
    assert [cells[0] for cells in rows(part, "differences-table")][:3] == [
        "Mean difference",
        "Mean difference, relative to the mean of both",
        "Standard deviation of the differences",
    ]


def test_robustness_names_what_is_beyond_the_allowed_effect(everything):
    """The settings as written with a proper minus, the answer of each factor, the settings to be kept."""
    part = section(everything, "robustness")
    found = {cells[0]: cells for cells in rows(part, "effects-table")}

    assert found["potential"][1:4] == ["−1.37\u202fV", "−1.35\u202fV", "−1.33\u202fV"]
    assert found["stirring"][-1] == "exceeds ±5 %"
    assert any(one.startswith("Conditions to be controlled: stirring (") for one in sentences(part))


def test_findings_name_the_factor_they_are_about(everything):
    """Six findings that meet one criterion share a line; the one that does not is named."""
    found = [
        (plain(item.requirement), plain(item.statement))
        for one in blocks_of(section(everything, "robustness"))
        if isinstance(one, Findings)
        for item in one.items
    ]

    (shared, together), (stirring, _) = found
    assert shared == "Robustness: within ±5 %"
    assert together.startswith("all 6 results; least favourable: ")
    assert together.endswith("(potential)")
    assert stirring == "Robustness: within ±5 %, stirring"


def test_stability_says_how_long_the_change_stays_inside(everything):
    """One-sided where the study limits one side; the sentence gives the course and its test."""
    part = section(everything, "stability")
    stored = table(part, "stability-table")

    assert plain(stored.columns[-1].header) == "Above 90 % for"
    (cells,) = rows(part, "stability-table")
    assert cells[:4] == ["dry, 22 °C", "8", "0 to 28 d (3)", "9"]
    assert any(
        one.startswith("dry, 22 °C: the result decreases significantly with time") for one in sentences(part)
    )


def test_carry_over_that_is_too_large_is_said(everything):
    """The largest single blank against the customary share, and what follows."""
    part = section(everything, "stability")

    (cells,) = rows(part, "carry-over-table")
    assert cells[1:3] == ["15\u202fmg/L", "3 / 3"]
    assert any(
        one.startswith("The largest single blank after a high sample reaches") for one in sentences(part)
    )


def test_devices_and_their_uses(everything):
    """Between-device spread of first uses, each device with its uses, the decline in a sentence."""
    part = section(everything, "devices")

    (between,) = rows(part, "between-table")
    assert between[:2] == ["–", "3 / 3"]
    assert between[4:6] == ["–", "–"]
    assert [cells[0] for cells in rows(part, "uses-table")] == ["A", "B", "C"]
    assert any(one.startswith("Decline:") for one in sentences(part))
    assert any(one.startswith("The readings are the first uses") for one in sentences(part))


def test_precision_with_what_stands_beside_it(everything):
    """Suspects with their series, three forms against the level, the expectation without laboratories."""
    part = section(everything, "precision")

    assert all("(P" in cell for _, *levels in rows(part, "outliers") for cell in levels)
    assert [cells[1] for cells in rows(part, "dependence")][:3] == ["proportional", "straight line", "power"]
    expected = table(part, "predicted")
    assert [plain(one.header) for one in expected.columns][2:] == [
        "Predicted RSD_R",
        "Observed RSD_r",
        "HorRat (r)",
    ]
    assert "1 kg/L" in plain(expected.note)


def test_laboratories_are_listed_with_h_and_k(trial):
    """Nine laboratories at three levels; the one that stands out is named for it."""
    part = section(trial, "precision")

    for position in (1, 2, 3):
        found = rows(part, f"laboratories--{position}")
        assert [cells[0] for cells in found] == [f"L{i:02d}" for i in range(1, 10)]
        assert next(cells[-1] for cells in found if cells[0] == "L06").startswith(
            ("h: straggler (5 %)", "h: outlier (1 %)")
        )
    assert [plain(one.header) for one in table(part, "precision-table").columns][5:] == [
        "s_b",
        "s_R",
        "Reproducibility RSD",
        "r",
        "R",
    ]
    tested = [cell for _, *levels in rows(part, "outliers") for cell in levels]
    assert len(tested) == 3 * len(rows(part, "outliers"))
    assert any(cell.endswith("(L06) straggler") for cell in tested)
    assert any(cell.endswith("(L03, L05)") for cell in tested)
    assert len(rows(part, "robust")) == 3


def test_formulas_are_those_of_what_was_computed(everything, trial):
    """Each computed figure has its formula in the appendix, and no formula is there for nothing."""

    def spoken(document):
        return {one.spoken.split(",")[0] for one in document.elements() if isinstance(one, Formula)}

    mine, its = spoken(everything), spoken(trial)
    assert "carry-over: blanks directly after a high sample less undisturbed ones" in mine
    assert "effect of a factor" in mine
    assert "Mandel's consistency statistics h" in its
    assert "Mandel's consistency statistics h" not in mine
    assert "effect of a factor" not in its


def test_both_dossiers_render(everything, trial):
    """Every reference has its target and every formula can be set."""
    for document in (everything, trial):
        assert "Robust" in render_html(document)
