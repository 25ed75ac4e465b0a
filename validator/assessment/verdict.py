"""The verdict: what findings, designs, caveats and the claim amount to, for each analyte and the study.

Five words, in the order of the rules: nothing decides, not assessed; a deciding criterion missed on plausible
data, not fit; anything open or missing, not demonstrated; a restriction, fit under conditions; else fit.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct
from msgspec.structs import replace

from validator import numbers
from validator.assessment.asked import PRECISION, SELECTIVITY, TRUENESS
from validator.assessment.reach import range_words
from validator.evaluation.results import AnalyteVerdict, Verdict

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from validator.evaluation.results import Caveat, DesignFinding, Finding, RangeRecord
    from validator.study import Study

GRAVITY: tuple[Verdict, ...] = ("fit", "fit under conditions", "not assessed", "not demonstrated", "not fit")
"""The verdicts from the best to the gravest; that of the study is the gravest of its analytes."""

LIMIT_TEST = "impurity_limit"
QUALITATIVE = "identification"
_OF_A_LIMIT_TEST = (
    ("the detection limit", frozenset({"detection_limit"})),
    ("selectivity", SELECTIVITY),
)
_NEEDED = (
    ("precision", PRECISION | {"accuracy_profile"}),
    ("trueness", TRUENESS | {"method_comparison", "accuracy_profile"}),
)

NO_NUMBER = "No number of further results would; change the method, or narrow the claim."

IMPLAUSIBLE = frozenset({"level_not_plausible", "slope_not_significant"})
"""Stops on data that cannot be what they are said to be: they show nothing, not even a failure."""


class Grounds(Struct, frozen=True, kw_only=True):
    """What the verdict on one analyte rests on."""

    study: Study
    analyte: str
    findings: Sequence[Finding]
    design: Sequence[DesignFinding]
    caveats: Sequence[Caveat]
    reach: RangeRecord

    @property
    def deciding(self) -> list[Finding]:
        """Findings that count."""
        return [one for one in self.findings if one.decides]


class Point(Struct, frozen=True):
    """One thing that stands between the evidence and the claim, and what would settle it."""

    what: str
    settles: str


def verdict_on(grounds: Grounds) -> AnalyteVerdict:
    """The verdict on one analyte, with its reason and what would settle it."""
    study = grounds.study
    conditions = tuple(dict.fromkeys(one.title for one in grounds.caveats if one.severity == "condition"))
    conditions += tuple(_set_aside(grounds))

    def made(word: Verdict, reason: str, settles: str = "") -> AnalyteVerdict:
        limited = conditions if word == "fit under conditions" else ()
        return AnalyteVerdict(
            verdict=word, reason=reason, settles=settles, range=grounds.reach, conditions=limited
        )

    if study.study.purpose == "characterisation":
        return made("not assessed", "The study characterises the method; no verdict is formed.")
    if study.method.kind == QUALITATIVE:
        return made(
            "not assessed", "Rates of false results of qualitative methods are not assessed by this software."
        )
    outside = any(one.informs == "outside the claim" for one in grounds.findings)
    if not grounds.deciding and not outside:
        return made(
            "not assessed",
            "No acceptance criterion was declared, and the chosen guidance sets no limit that decides.",
            "Declare acceptance criteria, or choose guidance that sets limits.",
        )
    failed = [one for one in grounds.deciding if one.outcome == "does not meet" and not one.remembered]
    if failed:
        return made("not fit", f"{_sentence(failed)} not met.", NO_NUMBER)
    points = list(open_points(grounds))
    if points:
        first = points[0]
        more = f" Further open points: {len(points) - 1}." if len(points) > 1 else ""
        return made("not demonstrated", f"{_capital(first.what)}.{more}", _clause(first.settles))
    count = f"All deciding acceptance criteria ({len(grounds.deciding)}) are met{_found_range(grounds)}."
    if conditions:
        noun = "condition applies" if len(conditions) == 1 else "conditions apply"
        return made("fit under conditions", f"{count} {len(conditions)} {noun}.")
    return made("fit", count)


def _found_range(grounds: Grounds) -> str:
    """The range that the evidence supports, where the study claims none."""
    found = grounds.reach
    if found.claimed is not None or found.validated is None:
        return ""
    lower, upper = found.validated
    if lower is None or upper is None:
        return ""
    return f"; fit {range_words((lower, upper), grounds.study.analyte(grounds.analyte).unit)}"


def verdict_of_study(
    verdicts: Mapping[str, AnalyteVerdict], names: Mapping[str, str]
) -> tuple[Verdict, str, str]:
    """The gravest verdict of the analytes, with its reason and what would settle it."""
    worst = max(verdicts.values(), key=lambda one: GRAVITY.index(one.verdict))
    those = [names[name] for name, one in verdicts.items() if one.verdict == worst.verdict]
    if len(verdicts) == 1 or (
        len(those) == len(verdicts) and len({one.reason for one in verdicts.values()}) == 1
    ):
        return worst.verdict, worst.reason, worst.settles
    name = next(name for name, one in verdicts.items() if one is worst)
    return worst.verdict, f"{_capital(names[name])}: {worst.reason}", worst.settles


def open_points(grounds: Grounds) -> Iterator[Point]:
    """Everything for which the claim is not demonstrated, the gravest kind first."""
    for caveat in grounds.caveats:
        if caveat.severity == "stop":
            yield Point(f"{_lower(caveat.title)} (stop)", caveat.remedy)
    for one in _by_weight(grounds.deciding):
        if one.outcome == "does not meet":
            yield Point(
                f"{_name(one)} is not met; the rule was not compared with its text",
                f"compare the rule {one.rule} with its document",
            )
    for outcome in ("inconclusive", "not assessed"):
        for one in _by_weight(grounds.deciding):
            if one.outcome == outcome and one.held_by is None:
                word = "is inconclusive" if outcome == "inconclusive" else "was not assessed"
                yield Point(f"{_name(one)} {word}: {one.reason}", one.needs or "")
    yield from _missing_proof(grounds)
    yield from _short_designs(grounds)
    if grounds.study.study.purpose != "partial" and grounds.study.method.kind != LIMIT_TEST:
        for gap in grounds.reach.not_covered:
            yield Point(
                f"the evidence does not cover the claim: {gap}", "provide results there, or narrow the claim"
            )
        yield from _without_range(grounds.reach)


def _without_range(found: RangeRecord) -> Iterator[Point]:
    """No range is claimed and none was found, although precision or trueness was met at some level."""
    if found.claimed is None and found.validated is None and (found.precision or found.trueness):
        yield Point(
            "no level is covered by calibration, precision and trueness together",
            "provide precision and trueness at the same levels within the calibration range",
        )


def _short_designs(grounds: Grounds) -> Iterator[Point]:
    for one in grounds.design:
        if one.outcome == "meets" or one.informs or one.recommended or one.remembered:
            continue
        provided = "not provided" if one.provided is None else f"{numbers.stated(one.provided)} provided"
        yield Point(
            f"the design required by {one.source} is short ({one.requirement}: {provided}, "
            f"{numbers.stated(one.required)} required)",
            "provide the design that the guidance requires",
        )


def _missing_proof(grounds: Grounds) -> Iterator[Point]:
    """At least one met criterion for precision and one for trueness; of a limit test, for what decides it."""
    if grounds.study.study.purpose == "partial":
        return
    needed = _OF_A_LIMIT_TEST if grounds.study.method.kind == LIMIT_TEST else _NEEDED
    met = {one.characteristic for one in grounds.deciding if one.outcome == "meets"}
    for name, family in needed:
        if not met & family and name not in grounds.study.method.not_required:
            yield Point(
                f"no deciding criterion for {name} is met",
                f"declare a criterion for {name} and provide its results",
            )


def _set_aside(grounds: Grounds) -> Iterator[str]:
    if any(one.informs == "set aside" for one in grounds.findings) or any(
        one.informs == "set aside" for one in grounds.design
    ):
        yield "A rule of the chosen guidance was set aside"
    if any(
        one.remembered and one.outcome != "meets" and not one.recommended and one.informs is None
        for one in grounds.design
    ):
        yield "A design required by a rule that was not compared with its text is short"


def _by_weight(findings: Sequence[Finding]) -> list[Finding]:
    return sorted(findings, key=lambda one: 0.0 if one.margin is None else one.margin)


def _name(finding: Finding) -> str:
    name = finding.characteristic.replace("_", " ")
    return f"{name} ({finding.criterion})"


def _sentence(failed: Sequence[Finding]) -> str:
    names = list(dict.fromkeys(one.characteristic.replace("_", " ") for one in failed))
    told = ", ".join(names[:-1]) + (" and " if len(names) > 1 else "") + names[-1]
    noun = "The acceptance criterion for" if len(failed) == 1 else f"Acceptance criteria ({len(failed)}) for"
    return f"{noun} {told} {'is' if len(failed) == 1 else 'are'}"


def _clause(text: str | None) -> str:
    return _capital((text or "").strip().rstrip(".")) + "." if text else ""


def _capital(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}"


def _lower(text: str) -> str:
    return f"{text[:1].lower()}{text[1:]}"


def held_back(findings: Sequence[Finding], caveats: Sequence[Caveat]) -> tuple[Finding, ...]:
    """The findings, none of which *meets* while a stop caveat is open on its characteristic."""
    stops: dict[tuple[str, str | None], list[Caveat]] = {}
    for caveat in caveats:
        if caveat.severity == "stop":
            for characteristic in (caveat.characteristic, *caveat.bars):
                stops.setdefault((characteristic, caveat.analyte), []).append(caveat)
    return tuple(_held_back(finding, stops) for finding in findings)


def _held_back(finding: Finding, stops: Mapping[tuple[str, str | None], Sequence[Caveat]]) -> Finding:
    if finding.outcome not in ("meets", "does not meet"):
        return finding
    for analyte in (finding.analyte, None):
        for caveat in stops.get((finding.characteristic, analyte), ()):
            if caveat.configuration not in (None, finding.configuration):
                continue
            if finding.outcome == "meets" or caveat.id in IMPLAUSIBLE:
                return replace(
                    finding,
                    outcome="inconclusive",
                    reason=f"a Stop caveat is unresolved: {caveat.title}",
                    needs=_as_clause(caveat.remedy),
                    held_by=caveat.id,
                )
    return finding


def _as_clause(sentence: str) -> str | None:
    """A sentence to stand within another."""
    words = sentence.strip().rstrip(".")
    return _lower(words) if words else None
