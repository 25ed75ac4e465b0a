"""The protocol as a document, and the section that says whether a study kept to its plan."""

from __future__ import annotations

import pytest

from validator import assess, evaluate
from validator.dossier import build_document, render_html
from validator.dossier.document import BulletList, Paragraph, Section, Table, Verdict
from validator.dossier.inline import plain
from validator.dossier.protocol import build_protocol, chances_table
from validator.planning import make_protocol

PLAN = {
    "calibration": {"levels": [10, 20, 30, 40, 50], "replicates": 2},
    "blanks": {"series": 2, "replicates": 3},
    "precision": {"levels": [30], "series": 3, "replicates": 2},
    "recovery": {"levels": [30], "series": 3, "matrices": ["tap water"], "references": [40]},
    "assumed": {"slope": 0.02, "signal_sd": 0.004, "recovery_percent": 99},
    "detect": {"curvature_percent": 5, "bias_percent": 5},
    "simulations": 20,
}
ANALYTE = {
    "id": "x",
    "name": "analyte x",
    "unit": "mg/L",
    "signal": "signal",
    "signal_unit": "1",
    "legal_limit": 0.5,
}
CRITERIA = [
    {"characteristic": "lack_of_fit", "p_min": 0.05},
    {"characteristic": "repeatability", "rsd_max": 20},
    {"characteristic": "quantification_limit", "max": 9},
    {"characteristic": "interference", "max": 5},
]


@pytest.fixture(scope="module")
def protocol(described, study_of):
    study = described(
        guidance=["iupac-single-laboratory-2002"],
        analytes=[ANALYTE],
        criteria=CRITERIA,
        plan=PLAN,
        analysis={"quantification_limit": {"variant": "blank_3s"}},
    )
    study["study"] |= {"id": "P-1", "people": [{"name": "A. Nalyst", "role": "prepared"}]}
    study["method"] |= {"reagents": ["nitric acid"]}
    return make_protocol(study_of(study))


@pytest.fixture(scope="module")
def document(protocol):
    return build_protocol(protocol)


def table_of(document, name):
    (table,) = (one for one in document.elements() if isinstance(one, Table) and one.id == name)
    return [[plain(cell) for cell in row.cells] for row in table.rows]


def texts_of(document):
    return [plain(one.content) for one in document.elements() if isinstance(one, Paragraph)]


def test_the_protocol_holds_what_is_declared_and_what_follows(document):
    """Purpose, criteria, design, expectation, smallest design, order, and the record with its hash."""
    assert [one.id for one in document.sections] == [
        *("purpose", "criteria-declared", "design", "expected", "smallest", "order", "record"),
    ]
    assert document.kind == "Validation protocol"
    assert document.authors == ("A. Nalyst",)


def test_the_hash_of_the_plan_stands_on_page_one_and_in_the_record(document, protocol):
    """The text that is hashed is printed beside its hash."""
    sha256 = protocol.record.sha256

    assert any(sha256 in plain(one.content) for one in document.summary if isinstance(one, Paragraph))
    assert protocol.record.text in texts_of(document)


def test_criteria_say_their_source_and_whether_runs_are_planned(document):
    """A criterion that no planned run can answer is told from the others."""
    rows = table_of(document, "criteria")

    assert ["Repeatability", "analyte x", "30\u202fmg/\u2060L", "RSD ≤ 20 %", "planned"] in [
        row[:5] for row in rows
    ]
    assert ["Interference", "none"] in [[row[0], row[4]] for row in rows]
    assert all(row[5] for row in rows)


def test_the_design_is_counted_as_the_report_counts(document):
    """Planned against asked for, by the same count; what the plan does not hold is named."""
    rows = table_of(document, "requirements")

    assert ["linearity: levels (required)", "analyte x", "6", "5", "does not meet"] in [
        row[:5] for row in rows
    ]
    assert any(
        "The planned design is below the required minimum for: linearity: levels" in text
        for text in texts_of(document)
    )
    assert any("not included in this plan: robustness" in text for text in texts_of(document))


def test_planned_runs_are_listed_with_their_totals(document):
    """Levels, series, preparations, and certified values."""
    rows = table_of(document, "planned")

    assert [row[0] for row in rows] == ["Calibration", "Blanks", "Precision", "Recovery"]
    assert [row[3:6] for row in rows] == [["1", "2", "10"], ["2", "3", "6"], ["3", "2", "6"], ["3", "1", "6"]]
    assert rows[3][2] == "30\u202fmg/L in tap water; certified value 40\u202fmg/L"


def test_every_figure_has_its_width_and_every_criterion_its_probability(document, protocol):
    """One line each, of twenty simulated studies."""
    widths = table_of(document, "widths--x")
    chances = table_of(document, "chances--x")

    assert [row[0] for row in widths] == [
        *("Slope", "Intercept", "Detection limit", "Quantification limit"),
        *("Repeatability RSD", "Intermediate precision RSD", "Recovery", "Recovery"),
    ]
    assert len(chances) == len(protocol.predictions[0].chances)
    assert any(
        "cannot be reported as meeting its criterion" in text.replace("\xad", "")
        for text in texts_of(document)
    )
    assert {row[0] for row in table_of(document, "powers--x")} == {
        *("Lack of fit (F against pure error)", "Curvature (Mandel)", "Bias (t)"),
    }


def test_what_more_results_cannot_reach_is_listed(document):
    """The quantification limit lies above the legal limit: a caveat, not the number of blanks."""
    beyond = [
        plain(item)
        for one in document.elements()
        if isinstance(one, BulletList)
        for item in one.items
        if "Stop caveat" in plain(item)
    ]

    assert len(beyond) == 1
    assert beyond[0].startswith("Quantification limit: ≤ 9 mg/L, analyte x, Blank, 3s (Eurachem): met in 0")
    assert any(
        "not attainable by more results, see below" in row[4] for row in table_of(document, "smallest-design")
    )


def test_the_run_order_lists_every_planned_run(document):
    """Place, series, sample and contents."""
    rows = table_of(document, "order--recovery")

    assert [row[0] for row in rows] == ["1", "2", "3", "4", "5", "6"]
    assert {row[3] for row in rows} == {
        "analyte x 30\u202fmg/L in tap water",
        "analyte x 40\u202fmg/L (certified)",
    }


def test_the_usual_cautions_are_there(document):
    """A reagent that can hurt somebody is named in the protocol as in the dossier."""
    html = render_html(document)

    assert "Acids" in html
    assert "safety data sheets" in html


def test_the_terminal_shows_every_criterion(protocol):
    """One line for each, then all of them together, without soft hyphens."""
    text = chances_table(protocol)

    assert "Repeatability: RSD ≤ 20 %" in text
    assert "are met in one study is" in text
    assert "\xad" not in text


def test_a_plan_without_criteria_or_guidance_still_makes_a_protocol(described, study_of):
    """Widths alone: no probability, no smallest design, no requirement."""
    study = study_of(described(plan={**PLAN, "simulations": 5, "detect": {}}))

    protocol = make_protocol(study)
    document = build_protocol(protocol)

    assert protocol.predictions[0].all_met is None
    texts = texts_of(document)
    assert any("the plan was not compared with a minimum design" in text for text in texts)
    assert any("no smallest design can be given" in text for text in texts)
    assert any("Neither the study nor the chosen guidance sets a limit" in text for text in texts)
    assert "no criterion can be evaluated from the planned experiments" in chances_table(protocol)
    assert "<h1" in render_html(document)


DATA = {
    "calibration": {
        "runs": [{"level": x, "signals": [0.02 * x, 0.0201 * x]} for x in (10, 20, 30, 40)],
    },
}


def kept_section(study):
    document = build_document(study, assess(study, evaluate(study)))
    return next(
        (one for one in document.elements() if isinstance(one, Section) and one.id == "plan-kept"), None
    )


def test_the_dossier_says_that_the_study_kept_to_its_plan(described, study_of):
    """Yes, with the hash to be compared with the signed protocol."""
    plan = {"calibration": {"levels": [10, 20, 30, 40], "replicates": 2}}
    study = study_of(described(plan=plan, **DATA))

    section = kept_section(study)

    lead, basis, scope = (plain(block.content) for block in section.blocks)
    assert lead.startswith("The study conforms to its plan: ")
    assert evaluate(study).plan.sha256 in basis
    assert "contains no record of its plan" in basis
    assert "without excluded results" in scope


def test_the_dossier_lists_what_was_done_otherwise(described, study_of):
    """Every difference in a row: where, at which level, planned and done."""
    plan = {"calibration": {"levels": [10, 20, 30, 50], "replicates": 3}, "blanks": {"replicates": 5}}
    study = study_of(described(plan=plan, **DATA))

    (table,) = (block for block in kept_section(study).blocks if isinstance(block, Table))

    rows = [[plain(cell) for cell in row.cells] for row in table.rows]
    assert [row[0] for row in rows] == ["Calibration"] * 5 + ["Blanks"]
    assert ["30\u202fmg/L", "preparations per series", "3", "2"] in [row[2:] for row in rows]
    assert ["50\u202fmg/L", "independent preparations", "3", "0"] in [row[2:] for row in rows]
    assert ["40\u202fmg/L", "independent preparations", "0", "2"] in [row[2:] for row in rows]
    assert rows[-1][2:] == ["–", "independent preparations", "5", "0"]


def test_page_one_says_that_the_work_departed_from_its_plan(described, study_of):
    """The reader learns of it beside the verdict; of a plan that was kept nothing is said there."""

    def points(replicates):
        plan = {"calibration": {"levels": [10, 20, 30, 40], "replicates": replicates}}
        study = study_of(described(plan=plan, **DATA))
        document = build_document(study, assess(study, evaluate(study)))
        (verdict,) = [block for block in document.summary if isinstance(block, Verdict)]
        return [plain(point) for point in verdict.points]

    assert [one for one in points(3) if "plan" in one] == [
        "The work deviates from the validation plan in 4 points (plan-kept)."
    ]
    assert [one for one in points(2) if "plan" in one] == []


def test_a_dossier_without_a_plan_says_nothing_of_one(described, study_of):
    """No section, no heading."""
    assert kept_section(study_of(described(**DATA))) is None
