"""A manuscript says what was computed, in the figures of the results, and nothing else."""

from __future__ import annotations

import json
import re
from decimal import Decimal

import pytest

from validator import numbers
from validator.dossier.document import Formula, Section, Table
from validator.dossier.inline import plain
from validator.dossier.journal import journal_document, to_markdown
from validator.evaluation.serialise import plain as as_data
from validator.statistics.detection import VARIANTS

NUMBER = re.compile(r"(?<![\w.,−-])−?\d+\.\d+(?![\w.])")


def tables(document):
    return [block for block in document.elements() if isinstance(block, Table)]


def row_of(table, name):
    (row,) = [row for row in table.rows if plain(row.cells[0]) == name]
    return [plain(cell) for cell in row.cells[1:]]


def text_of(document):
    return to_markdown(document)


def section(document, name):
    (found,) = [one for one in document.elements() if isinstance(one, Section) and one.id == name]
    return found


def test_the_table_has_a_column_for_each_configuration(rich):
    """Slope, range, limits, precision, recovery and r of both sensors, each from its own record."""
    table = tables(rich.document)[0]
    both = rich.results.analytes["cd"].configurations
    film, bare = both["bismuth_film"], both["bare"]

    assert [plain(column.header) for column in table.columns[2:]] == [
        "bismuth-film sensor",
        "bare carbon sensor",
    ]
    assert row_of(table, "Slope b") == [
        "µA·L/µg",
        *(
            numbers.with_interval(one.calibration.slope.value, *one.calibration.slope.ci)
            for one in (film, bare)
        ),
    ]
    limits = [one.detection.detection_limit for one in (film, bare)]
    assert row_of(table, "Detection limit") == [
        "µg/L",
        *(
            f"{numbers.limit(one.value)} ({numbers.limit(one.ci[0])} to {numbers.limit(one.ci[1])})"
            for one in limits
        ),
    ]
    rsd = [one.repeatability_rsd.value for one in film.precision]
    assert row_of(table, "Repeatability RSD") == [
        "%",
        f"{numbers.significant(min(rsd), 2)} to {numbers.significant(max(rsd), 2)}",
        numbers.MISSING,
    ]
    recovery = [one.mean_recovery.value for one in film.recovery]
    assert row_of(table, "Mean recovery")[1] == (f"{min(recovery):.1f} to {max(recovery):.1f}")
    assert row_of(table, "Correlation coefficient r")[1].startswith("0.99")
    points = [f"{one.calibration.n} / {one.calibration.levels}" for one in (film, bare)]
    assert row_of(table, "Preparations / levels") == ["", *points]


def test_one_configuration_makes_a_table_of_analytes(judged, described):
    """Analytes of the same units stand side by side, at most four to a table; others get their own."""
    analytes = [
        {"id": f"a{i}", "name": f"analyte {i}", "unit": unit, "signal": "s", "signal_unit": "1"}
        for i, unit in enumerate(["mg/L"] * 5 + ["µg/L"])
    ]
    calibrations = [
        {"analyte": f"a{i}", "level": float(x), "signals": [0.1 * x + 0.001, 0.1 * x - 0.002]}
        for i in range(6)
        for x in range(1, 6)
    ]
    study = described(analytes=analytes, calibration={"runs": calibrations})

    found = tables(journal_document(*judged(study)))

    headings = [[plain(column.header) for column in table.columns[2:]] for table in found]
    assert headings == [
        ["analyte 0", "analyte 1", "analyte 2", "analyte 3"],
        ["analyte 4"],
        ["analyte 5"],
    ]
    assert [row_of(table, "Slope b")[0] for table in found] == ["L/mg", "L/mg", "L/µg"]


def leaves(value):
    if isinstance(value, dict):
        for inner in value.values():
            yield from leaves(inner)
    elif isinstance(value, list):
        yield from (leaf for inner in value for leaf in leaves(inner))
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield float(value)


def test_every_number_is_one_of_the_results_rounded(rich):
    """Each decimal number of the results is a number of results.json at the place it is printed to."""
    stated = leaves(json.loads(json.dumps(as_data(rich.results))))
    known = [Decimal(repr(value)) for value in stated]
    known += [1 / value for value in known if value]  # how many times as sensitive: one over the ratio
    text = text_of(rich.document).partition("## Results")[2].partition("## Reservations")[0]

    found = [token.replace(numbers.MINUS, "-") for token in NUMBER.findall(text)]
    strangers = [token for token in found if not any(rounds_to(value, token) for value in known)]

    assert len(found) > 200
    assert strangers == []


def rounds_to(value, token):
    written = Decimal(token)
    if abs(value - written) > abs(written):
        return False
    return value.quantize(written) == written


def test_what_was_not_computed_is_not_mentioned(bare):
    """A calibration alone: no word on precision, trueness, selectivity, configurations or limits."""
    text = text_of(bare.document)

    assert "**Calibration.**" in text
    assert "Slope *b*" in text
    for word in (
        "Precision",
        "Trueness",
        "Selectivity",
        "Configurations",
        "Repeatability",
        "recover",
        "etection",
    ):
        assert word not in text.partition("## Reservations")[0], word
    assert "No acceptance criterion was declared" in text
    assert [block for block in bare.document.elements() if isinstance(block, Formula)] == []


def test_the_deciding_variant_has_its_formula_and_source(rich):
    """The declared variant once, with formula, symbols and source; no other variant is described."""
    formulas = [block for block in rich.document.elements() if isinstance(block, Formula)]
    text = " ".join(plain(getattr(block, "content", "")) for block in rich.document.elements())

    declared = VARIANTS["blank_3s"]
    assert [formula.latex for formula in formulas] == [declared.formula]
    assert f"Approach: {declared.title}, selected by the study; σ was obtained from blanks" in text
    assert f"{declared.symbols}. Source: {declared.source.marked}." in text
    assert VARIANTS["hubaux_vos"].source.text not in text


def test_a_limit_that_cannot_be_had_says_why(judged, described, rich):
    """A declared variant without its data: the reason stands where the limit would."""
    study = described(
        calibration={
            "runs": [{"level": float(x), "signals": [0.1 * x, 0.1 * x + 0.003]} for x in range(1, 6)]
        },
        analysis={"detection_limit": {"variant": "currie"}},
    )
    read, results = judged(study)
    refusal = results.analytes["x"].configurations["default"].detection.detection_limit

    assert f"The detection limit was not assessed ({refusal.not_assessed})." in text_of(
        journal_document(read, results)
    )


def test_limits_nobody_asked_for_are_left_out(bare, rich):
    """Only limits that are declared, asked for or backed by blanks are claims of the method."""
    assert "Detection limit" not in text_of(bare.document)
    assert "Detection limit" in text_of(rich.document)


def test_open_caveats_restrict_the_claims(hostile):
    """Stop and caution caveats are listed with their reason; notes are not."""
    reservations = section(hostile.document, "journal-reservations")
    (items,) = [block.items for block in reservations.blocks if hasattr(block, "items")]

    grave = [one for one in hostile.results.assessment.caveats if one.severity != "note"]
    assert len(grave) > 1
    assert len(items) == len(grave)
    for item, caveat in zip(items, grave, strict=True):
        assert plain(item).startswith(f"{caveat.severity} – {caveat.title}")
        assert caveat.because.rstrip(".") in plain(item)


def test_the_criteria_are_counted_as_they_came_out(judged, described):
    """How many are met, by name those that are not; the verdict in the words of the assessment."""
    study = described(
        calibration={
            "runs": [{"level": float(x), "signals": [0.1 * x, 0.1 * x + 0.003]} for x in range(1, 6)]
        },
        criteria=[
            {"characteristic": "lack_of_fit", "p_min": 0.05},
            {"characteristic": "quantification_limit", "max": 1e-6},
            {"characteristic": "repeatability", "rsd_max": 5},
        ],
    )

    text = text_of(journal_document(*judged(study)))

    assert "Acceptance criteria met: 1 of 3 (verdict: *not fit for the stated use*)." in text
    assert "Not met: Quantification limit." in text
    assert "Required but not assessed: Repeatability." in text


@pytest.mark.parametrize("name", ["rich", "bare", "hostile"])
def test_the_same_results_give_the_same_manuscript(request, name):
    """No clock, no chance: the document is equal when built again."""
    made = request.getfixturevalue(name)

    assert journal_document(made.study, made.results) == made.document
