"""No verdict, outcome, order or number depends on a sentence: with nonsense for every sentence they stay.

Whoever rewords a caveat, a refusal or a note must not change what is concluded.  Names, keys and units stay
as they are; of every text in ``PROSE`` each letter and digit becomes another one, so that nothing that looks
for a word, a beginning or a number in it finds it, while equal texts stay equal and different ones different.
"""

from __future__ import annotations

import re
from inspect import get_annotations

import pytest
from msgspec import Struct

from validator import assess, evaluate, read_study, records
from validator.assessment.caveats import raising
from validator.dossier import build_document
from validator.dossier.document import CaveatBlock, Finding, Findings, NotAssessedList, Table
from validator.dossier.wording import wording
from validator.errors import NotEstimable
from validator.evaluation.results import Record
from validator.guidance import caveat_texts
from validator.resources import examples_folder

NAMES = sorted(path.parent.name for path in examples_folder().glob("*/study.yaml"))

PROSE = {
    "AccuracyLevelRecord": {"method"},
    "AnalyteVerdict": {"reason", "settles", "conditions"},
    "Assessment": {"reason", "settles"},
    "BudgetRecord": {"method"},
    "CalibrationRecord": {"weighting_reason"},
    "CarryOverRecord": {"allowed_by", "reason"},
    "Caveat": {"text", "because", "remedy", "title"},
    "CaveatSource": {"text"},
    "ClauseRecord": {"requirement", "answer"},
    "ComparedConfiguration": {"adjustment"},
    "ComparedSample": {"left_out"},
    "ConsistencyRecord": {"reason"},
    "ContributionRecord": {"name", "source"},
    "DeclineRecord": {"method", "reason"},
    "DesignFinding": {"requirement", "source"},
    "DetectionRecord": {"declared_in"},
    "EstimateRecord": {"reason"},
    "Finding": {"criterion", "source", "reason", "needs"},
    "InputRecord": {"remarks"},
    "InterferenceRecord": {"reason"},
    "LimitVariant": {"sigma_source", "source", "note"},
    "LinearRange": {"rule"},
    "NotAssessed": {"not_assessed", "needs"},
    "OutlierRecord": {"test"},
    "PartRecord": {"method", "note"},
    "PrecisionRecord": {"mass_fraction_assumption", "method"},
    "RangeRecord": {"not_covered"},
    "RecoveryRecord": {"method"},
    "RobustnessRecord": {"reason"},
    "StabilityRecord": {"allowed_by"},
    "UncertaintyRecord": {"notes"},
    "WeightingStep": {"test", "decision"},
}
"""The fields of the results that hold sentences, or pieces of them, by record."""

KEPT = re.compile(r"(\{[^{}]*\}|\[\[[^\]]*\]\]|\$[^$]*\$|`[^`]*`)")


def shifted(letter):
    for first, size, by in (("a", 26, 7), ("A", 26, 7), ("0", 10, 3)):
        if first <= letter < chr(ord(first) + size):
            return chr((ord(letter) - ord(first) + by) % size + ord(first))
    return letter


def nonsense(text):
    """*text* with every letter and digit replaced, but for placeholders, references and formulae."""
    if isinstance(text, tuple):
        return tuple(nonsense(one) for one in text)
    return "".join(
        part if place % 2 else "".join(map(shifted, part)) for place, part in enumerate(KEPT.split(text))
    )


def nonsensical(caveat):
    """A caveat of the catalogue with no sentence left."""

    def changed(entry, *names):
        return {name: nonsense(text) for name in names if (text := getattr(entry, name)) is not None}

    cases = {
        name: case.model_copy(update=changed(case, "title", "text", "because", "remedy"))
        for name, case in caveat.cases.items()
    }
    return caveat.model_copy(update={**changed(caveat, "title", "text", "remedy"), "cases": cases})


def without_prose(value):
    """The results as dictionaries and lists, a blank for each sentence that is there."""
    if isinstance(value, Record):
        prose = PROSE.get(type(value).__name__, ())
        return {
            name: blank(getattr(value, name)) if name in prose else without_prose(getattr(value, name))
            for name in value.__struct_fields__
        }
    if isinstance(value, dict):
        return {key: without_prose(item) for key, item in value.items()}
    return [without_prose(item) for item in value] if isinstance(value, (tuple, list)) else value


def blank(text):
    if isinstance(text, tuple):
        return [blank(one) for one in text]
    return text if text is None else "" if not text else "…"


def shape(document):
    """What a reader is shown: the kinds of blocks in order, outcomes, severities, and rows of tables."""
    return [
        (
            type(one).__name__,
            one.id if isinstance(one, (Table, CaveatBlock)) else "",
            len(one.rows) if isinstance(one, Table) else 0,
            one.severity if isinstance(one, CaveatBlock) else "",
            [item.outcome for item in one.items if isinstance(item, Finding)]
            if isinstance(one, Findings)
            else [],
            len(one.items) if isinstance(one, NotAssessedList) else 0,
        )
        for one in document.elements()
    ]


def concluded(name):
    study = read_study(examples_folder() / name)
    return study, assess(study, evaluate(study))


@pytest.fixture
def garbled(monkeypatch):
    """A program whose every sentence is nonsense; how many texts were replaced while it ran."""
    replaced = []

    def refuse(self, reason, needs):
        refusal(self, nonsense(reason), nonsense(needs))

    def replace(text):
        replaced.append(text)
        return nonsense(text)

    def plain_ones(kind):
        return (*usual(kind), *((field, replace) for field in PROSE.get(kind.__name__, ())))

    refusal, usual, catalogue = NotEstimable.__init__, records._plain_ones, caveat_texts()
    monkeypatch.setattr(NotEstimable, "__init__", refuse)
    monkeypatch.setattr(records, "_plain_ones", plain_ones)
    monkeypatch.setattr(
        raising, "caveat_texts", lambda: {name: nonsensical(one) for name, one in catalogue.items()}
    )
    entries = wording("en").entries
    for key, text in list(entries.items()):
        monkeypatch.setitem(entries, key, nonsense(text))
    return replaced


@pytest.mark.parametrize("name", NAMES)
def test_nonsense_changes_no_conclusion(name, request):
    """Verdict, outcomes, findings and caveats in their order, and every number."""
    _, results = concluded(name)
    replaced = request.getfixturevalue("garbled")

    _, otherwise = concluded(name)

    assert len(replaced) > 20
    assert otherwise.assessment.verdict == results.assessment.verdict
    assert [one.outcome for one in otherwise.assessment.findings] == [
        one.outcome for one in results.assessment.findings
    ]
    assert [one.id for one in otherwise.assessment.caveats] == [one.id for one in results.assessment.caveats]
    assert without_prose(otherwise) == without_prose(results)
    for one, other in zip(results.assessment.caveats, otherwise.assessment.caveats, strict=True):
        assert one.title != other.title
        assert one.because != other.because


def test_nonsense_changes_nothing_that_is_shown(request):
    """The dossier of a method that is not fit has the same blocks, outcomes, severities and rows."""
    shown = shape(build_document(*concluded("phosphate_in_seawater_unfit")))
    request.getfixturevalue("garbled")

    assert shape(build_document(*concluded("phosphate_in_seawater_unfit"))) == shown
    assert len(shown) > 50


def test_every_field_of_prose_is_one_of_its_record():
    """A renamed field would be garbled no more, and nobody would notice."""
    records = {}
    waiting = [Record]
    while waiting:
        waiting += (kinds := waiting.pop().__subclasses__())
        records |= {kind.__name__: kind for kind in kinds}
    for name, fields in PROSE.items():
        assert issubclass(records[name], Struct)
        texts = {
            field
            for kind in records[name].__mro__
            for field, said in get_annotations(kind).items()
            if said.removesuffix(" | None") in ("str", "tuple[str, ...]")
        }
        assert fields <= texts, name


def test_nonsense_keeps_what_is_set_in_and_nothing_else():
    """Placeholders, references and formulae stay; done twice it is not the text again."""
    text = "The {n:result|results} in [[limits]] exceed $s_r$ by 10 %."

    once = nonsense(text)

    assert once == "Aol {n:result|results} pu [[limits]] lejllk $s_r$ if 43 %."
    assert nonsense(once) not in (text, once)
