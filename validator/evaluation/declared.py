"""What a study declares and other rooms must know: guidance profiles, limit variants, its formula."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.errors import GuidanceError, NotEstimable, Problem, StudyError
from validator.evaluation.declared_formula import formula_problems
from validator.guidance import Binding, load_profile, resolve
from validator.statistics.detection import resolve_detection, resolve_quantification
from validator.study.suggestions import nearest

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from validator.statistics.detection import Variant
    from validator.study import AnalysisChoices, Study

Loc = tuple[str | int, ...]

_RESOLVERS: Mapping[str, Callable[[str], Variant]] = {
    "detection_limit": resolve_detection,
    "quantification_limit": resolve_quantification,
}


def check_declared(study: Study) -> None:
    """Refuse a study that declares a profile or a limit variant nobody knows, or a formula nobody can read.

    Raises:
        StudyError: with every such name, where it stands and the nearest known one.
    """
    unknown = [*_profiles(study), *_variants(study), *formula_problems(study)]
    if not unknown:
        unknown = list(_rules(study))
    if unknown:
        raise StudyError([_problem(study, loc, message) for loc, message in unknown])


def _profiles(study: Study) -> Iterator[tuple[Loc, str]]:
    for index, name in enumerate(study.study.guidance):
        try:
            resolve(name, search_folders=(study.folder,))
        except GuidanceError as refusal:
            yield ("study", "guidance", index), str(refusal)


def _rules(study: Study) -> Iterator[tuple[Loc, str]]:
    """Rules set aside or confirmed that the chosen guidance does not have, and rules of law set aside."""
    profiles = {name: load_profile(name, search_folders=(study.folder,)) for name in study.study.guidance}
    for index, one in enumerate(study.study.not_applicable):
        loc: Loc = ("study", "not_applicable", index)
        profile = profiles.get(one.document)
        if profile is None:
            yield (*loc, "document"), _unknown("guidance profile of the study", one.document, list(profiles))
            continue
        known = [rule.id for rule in (*profile.requirements, *profile.practices)]
        if one.rule not in known:
            yield (*loc, "rule"), _unknown(f"rule of {one.document}", one.rule, known)
        elif profile.binding is Binding.LAW:
            yield loc, f"{profile.name} is law; its rules cannot be set aside. Remove this entry"
    everywhere = [rule.id for one in profiles.values() for rule in (*one.requirements, *one.practices)]
    for index, confirmed in enumerate(study.study.confirmed_rules):
        if confirmed.rule not in everywhere:
            message = _unknown("rule of the chosen guidance", confirmed.rule, everywhere)
            yield ("study", "confirmed_rules", index, "rule"), message


def _unknown(what: str, word: str, known: Sequence[str]) -> str:
    near = nearest(word, known)
    advice = f"did you mean '{near}'?" if near else f"valid here: {', '.join(known) or 'none'}"
    return f"unknown {what} '{word}'; {advice}"


def _variants(study: Study) -> Iterator[tuple[Loc, str]]:
    choices: list[tuple[Loc, AnalysisChoices]] = [(("analysis",), study.analysis)]
    choices += [
        (("analysis", "per_analyte", analyte), own) for analyte, own in study.analysis.per_analyte.items()
    ]
    for loc, declared in choices:
        for limit, resolver in _RESOLVERS.items():
            choice = getattr(declared, limit)
            try:
                if choice is not None:
                    resolver(choice.variant)
            except NotEstimable as refusal:
                yield (*loc, limit, "variant"), f"{refusal.reason}; write {refusal.needs}"


def _problem(study: Study, loc: Loc, message: str) -> Problem:
    place = study.place_of(*loc)
    return Problem(place.file, place.line, place.field, message)
