"""The claimed range against the levels at which calibration, precision and trueness were met.

Invented data; what is expected is worked out by hand from the rules beside each case. That a range is
supported only where calibration, precision and trueness are, is ICH Q2(R2) 3.2 and Eurachem 2014, 6.3 (both
from memory); the reach of a level (20 %, a tenth of the width, a factor of 10) is a default of the program.
"""

from __future__ import annotations

import pytest

from validator.assessment.levels import gaps, joined, pieces, towards_ends
from validator.study.models.analysis import ProgramDefaults

from .conftest import study_text

DEFAULTS = ProgramDefaults()
CRITERIA = """
  - {characteristic: repeatability, rsd_max: 10}
  - {characteristic: recovery, min: 80, max: 120}"""
LINE = "{{runs: [{}]}}".format(
    ", ".join(
        f"{{level: {x}, signals: [{0.1 * x + d:.4f}, {0.1 * x - d:.4f}, {0.1 * x:.4f}]}}"
        for x, d in ((1, 0.001), (5, 0.002), (10, 0.001), (20, 0.003), (30, 0.002), (40, 0.001))
    )
)
OFF = (-0.02, 0.01, 0.0, 0.02, -0.01, 0.005)


def replicates(level, by=1.0):
    return [round(level * by * (1 + off), 6) for off in OFF]


def precision(*levels):
    return "{{runs: [{}]}}".format(
        ", ".join(f"{{level: {level}, series: P1, concentrations: {replicates(level)}}}" for level in levels)
    )


def spikes(*samples, matrix="river water", by=1.0):
    """Of each sample what is native and what is added."""
    return [
        f"{{{f'matrix: {matrix}, ' if matrix else ''}native: {native}, added: {added}, series: R1, "
        f"found: {[round(native + one, 6) for one in replicates(added, by)]}}}"
        for native, added in samples
    ]


def solutions(*levels):
    return [f"{{level: {level}, series: R1, found: {replicates(level)}}}" for level in levels]


def runs(*some):
    return f"{{runs: [{', '.join(one for part in some for one in part)}]}}"


def claim(start, end):
    return {"claimed_range": f"{{from: {start}, to: {end}}}"}


EVIDENCE = {
    "study": {"matrix": "river water"},
    "analyte": claim(2, 40),
    "calibration": LINE,
    "precision": precision(2, 10, 40),
    "recovery": runs(spikes((0, 2), (0, 10), (0, 40))),
    "criteria": CRITERIA,
}
WORDS = ("fit", "fit under conditions", "not assessed", "not demonstrated", "not fit")


@pytest.fixture
def verdict(judged):
    """The verdict on the analyte of a study that differs from the evidence by some parts."""

    def verdict(**parts):
        _, results = judged(study_text({**EVIDENCE, **parts}))
        return results.assessment.analytes["x"]

    return verdict


def told(found):
    return [one.replace("\N{NARROW NO-BREAK SPACE}", " ") for one in found.range.not_covered]


def test_a_claim_that_the_evidence_covers(verdict):
    """Every end has a level of precision and trueness; calibrated from 1 to 40."""
    found = verdict()

    assert (found.verdict, told(found)) == ("fit", [])
    assert found.range.claimed == found.range.validated == (2, 40)
    assert found.range.calibrated == (1, 40)
    assert (found.range.precision, found.range.trueness) == ((2, 40), (2, 40))


@pytest.mark.parametrize(
    ("parts", "gap"),
    [
        ({"precision": precision(5, 10, 40)}, "precision from 2 mg/L to 5 mg/L"),
        ({"recovery": runs(spikes((0, 2), (0, 10), (0, 20)))}, "trueness from 20 mg/L to 40 mg/L"),
        ({"analyte": claim(2, 50)}, "calibration from 40 mg/L to 50 mg/L"),
        # 2 and 40 lie a factor of 20 apart
        ({"precision": precision(2, 40)}, "precision from 2 mg/L to 40 mg/L"),
    ],
)
def test_a_claim_wider_than_the_evidence_is_not_demonstrated(verdict, parts, gap):
    """The gap is named with its numbers and unit."""
    found = verdict(**parts)

    assert gap in told(found)
    assert found.verdict == "not demonstrated"
    assert gap in found.reason.replace("\N{NARROW NO-BREAK SPACE}", " ") or "Further" in found.reason
    assert found.range.validated != found.range.claimed


def test_removing_a_level_never_improves_the_verdict(verdict):
    """Of precision or of trueness, any level of three."""
    levels = (2, 10, 40)
    whole = WORDS.index(verdict().verdict)
    for left_out in levels:
        rest = [one for one in levels if one != left_out]
        for fewer in (
            verdict(precision=precision(*rest)),
            verdict(recovery=runs(spikes(*((0, one) for one in rest)))),
        ):
            assert WORDS.index(fewer.verdict) >= whole
            assert fewer.range.not_covered or left_out == 10


def test_a_target_level_without_results_is_named(verdict):
    """A failing level cannot be dropped where the study names it: 10 is a target level."""
    analyte = {**claim(2, 20), "target_levels": "[2, 10, 20]"}
    at_ends = runs(spikes((0, 2), (0, 10), (0, 20)))
    found = verdict(analyte=analyte, precision=precision(2, 20), recovery=at_ends)

    assert told(found) == ["precision at 10 mg/L"]


def test_a_spike_counts_at_the_content_of_the_sample(verdict):
    """10 added to 2 is evidence at 12: it covers a claim from 10 (10 + 20 %), not one from 9."""
    parts = {"precision": precision(10, 40)}
    samples = spikes((2, 10), (2, 38))
    inside = verdict(analyte=claim(10, 40), recovery=runs(samples), **parts)
    outside = verdict(analyte=claim(9, 40), recovery=runs(samples), **parts)

    assert inside.range.trueness == (12, 40)
    assert told(inside) == []
    assert told(outside) == ["trueness from 9 mg/L to 12 mg/L"], "9 + 1.8 < 12"


def test_solutions_do_not_count_for_a_matrix(verdict):
    """What is found in clean solutions says nothing of a sample; without any matrix they are the sample."""
    known = runs(solutions(2, 10, 40))

    assert told(verdict(recovery=known)) == ["trueness from 2 mg/L to 40 mg/L"]
    assert told(verdict(recovery=known, study={})) == []


def test_each_claimed_matrix_has_trueness_of_its_own(verdict):
    """Solutions, other waters and runs that name no matrix count for none of those claimed."""
    study = {"matrix": "waters", "claimed_matrices": "[river water, well water]"}
    both = (spikes((0, 2), (0, 10), (0, 40)), spikes((0, 2), (0, 10), (0, 40), matrix="well water"))

    assert told(verdict(study=study, recovery=runs(*both))) == []
    for other in (
        [],
        solutions(4, 8),
        spikes((0, 3), matrix="sea water"),
        spikes((0, 3), matrix=""),
    ):
        found = verdict(study=study, recovery=runs(both[0], other))
        assert told(found) == ["trueness in well water"]
        assert found.range.validated is None
    part = spikes((0, 10), (0, 40), matrix="well water")
    found = verdict(study=study, recovery=runs(both[0], part))
    assert told(found) == ["trueness in well water from 2 mg/L to 10 mg/L"]
    assert found.range.trueness == found.range.validated == (10, 40)


def test_a_kind_that_fails_outweighs_one_that_meets(verdict):
    """60 % recovered of solutions at 10 break the range, though spikes meet there."""
    failing = [f"{{level: 10, series: R1, found: {replicates(10, 0.6)}}}"]
    found = verdict(recovery=runs(spikes((0, 2), (0, 10), (0, 40)), failing))

    assert found.verdict == "not fit"
    assert told(found) == ["trueness from 2 mg/L to 40 mg/L"]


def test_an_assay_needs_precision_at_its_nominal_content(verdict):
    """Precision at 100 % suffices (contract; ICH Q2(R2), from memory): within the specification."""
    analyte = {**claim(16, 24), "specification": "{lower: 19, upper: 21}"}
    parts = {"analyte": analyte, "recovery": runs(spikes((0, 16), (0, 20), (0, 24)))}
    method = {"kind": "assay"}

    assert told(verdict(method=method, precision=precision(20), **parts)) == []
    assert told(verdict(precision=precision(20), **parts)) == [
        "precision from 16 mg/L to 20 mg/L",
        "precision from 20 mg/L to 24 mg/L",
    ]
    assert told(verdict(method=method, precision=precision(23), **parts)) != []


def test_without_a_claim_the_range_is_found_and_named(verdict):
    """From 3, where both are met, to 40; nothing is left uncovered."""
    found = verdict(
        analyte={"name": "analyte x"},
        precision=precision(2, 10, 40),
        recovery=runs(spikes((0, 3), (0, 10), (0, 40))),
    )

    assert (found.range.claimed, found.range.validated, found.range.not_covered) == (None, (3, 40), ())
    assert found.verdict == "fit"
    assert found.reason.replace("\N{NARROW NO-BREAK SPACE}", " ").endswith("; fit from 3 mg/L to 40 mg/L.")


def test_without_a_claim_and_a_common_level_nothing_is_fit(verdict):
    """Precision at 2 and trueness at 40 support no range."""
    found = verdict(analyte={"name": "analyte x"}, precision=precision(2), recovery=runs(spikes((0, 40))))

    assert found.range.validated is None
    assert found.verdict == "not demonstrated"


def test_samples_of_a_comparison_count_for_trueness(verdict):
    """The range of the samples that the other method found, where the criterion on it is met."""
    pairs = ", ".join(
        f"{{sample: S{i}, this_method: {round(x * (1 + off), 4)}, reference_method: {x}}}"
        for i, (x, off) in enumerate(zip((2, 4, 8, 16, 24, 40), OFF, strict=True))
    )
    found = verdict(
        recovery="",
        comparison=f"{{runs: [{pairs}]}}",
        criteria=CRITERIA.replace("recovery, min: 80, max: 120", "method_comparison, min: -10, max: 10"),
    )

    assert told(found) == []
    assert found.range.trueness == (2, 40)


def test_the_working_limit_is_not_below_the_lowest_standard(verdict):
    """The lowest standard is 1; blanks that scatter little give a limit far below it."""
    blanks = "{preparation: independent, runs: [{signals: %s}]}" % [0.001 * (i % 3) for i in range(12)]
    found = verdict(blanks=blanks)

    assert found.range.working_quantification_limit == 1


def test_the_quantification_limit_ends_the_range_where_neither_is_required(verdict):
    """Nothing was met below the limit of about 15 either: the range begins at it, not at the claim."""
    found = verdict(
        method={"not_required": "{precision: defined by the procedure, trueness: defined by the procedure}"},
        criteria="[{characteristic: lack_of_fit, p_min: 0.01}]",
        precision="",
        recovery="",
        blanks="{preparation: independent, runs: [{signals: %s}]}" % [0.15 * (i % 3) for i in range(12)],
        analysis="{decision_rule: guarded, quantification_limit: {variant: blank_3s}}",
    )

    assert 10 < found.range.validated[0] < 20
    assert found.range.validated[1] == 40
    assert [one.split(" to ")[0] for one in told(found)] == ["quantification from 2 mg/L"]
    assert found.verdict == "not demonstrated"


def test_a_limit_test_needs_no_range(verdict):
    """Precision, trueness and range are not required of it (ICH Q2(R2), from memory)."""
    found = verdict(method={"kind": "impurity_limit"}, precision="", recovery="")

    assert told(found) == []


# --- levels ------------------------------------------------------------------------------------------
def test_pieces_end_where_a_level_fails_or_the_next_is_too_far():
    """2 and 10 join, 40 fails, 60 and 700 lie more than a factor of 10 apart."""
    levels = joined([(10, True), (2, True), (40, True), (40, False), (60, True), (700, True)])

    assert pieces(levels, DEFAULTS) == [(2, 10), (60, 60), (700, 700)]


@pytest.mark.parametrize(
    ("claim", "piece", "drawn"),
    [
        ((10, 100), (12, 91), (10, 100)),  # 20 % of 10 and a tenth of the width, 9: 12 and 91
        ((10, 100), (12.1, 90.9), (12.1, 90.9)),
        ((10, 15), (10.5, 14.5), (10, 15)),  # a tenth of the width is 0.5
        ((10, 15), (10.6, 14.4), (10.6, 14.4)),
        ((10, 15), (8, 20), (8, 20)),
    ],
)
def test_a_level_just_inside_covers_an_end(claim, piece, drawn):
    """At most 20 % of the end inwards, and not beyond a tenth of the width."""
    assert towards_ends([piece], claim, DEFAULTS) == [drawn]


def test_gaps_are_what_the_pieces_leave():
    """Before, between and behind; none where all is covered."""
    assert gaps([(3, 5), (8, 9)], (2, 10)) == [(2, 3), (5, 8), (9, 10)]
    assert gaps([(1, 20)], (2, 10)) == []
    assert gaps([], (2, 10)) == [(2, 10)]
    assert gaps([(11, 20)], (2, 10)) == [(2, 10)]
