"""What a study declares and other rooms must know: guidance profiles, limit variants, its formula."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.errors import GuidanceError, NotEstimable, Problem, StudyError
from validator.evaluation.declared_formula import formula_problems
from validator.guidance import resolve
from validator.statistics.detection import resolve_detection, resolve_quantification

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

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
    if unknown:
        raise StudyError([_problem(study, loc, message) for loc, message in unknown])


def _profiles(study: Study) -> Iterator[tuple[Loc, str]]:
    for index, name in enumerate(study.study.guidance):
        try:
            resolve(name, search_folders=(study.folder,))
        except GuidanceError as refusal:
            yield ("study", "guidance", index), str(refusal)


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
