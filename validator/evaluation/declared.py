"""What a study declares and other rooms must know: guidance profiles, limit variants, its formula."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.errors import GuidanceError, NotEstimable, Problem, StudyError
from validator.evaluation.chosen_guidance import profiles_of
from validator.evaluation.measurement_formula import correlations
from validator.guidance import Binding, resolve
from validator.statistics.detection import resolve_detection, resolve_quantification
from validator.statistics.measurement_model import MeasurementModel, measurement_model, normal_form
from validator.study.problems import nearest

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from validator.statistics.detection import Variant
    from validator.study import Study
    from validator.study.models.analysis import AnalysisChoices
    from validator.study.models.uncertainty import UncertaintyBlock

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
    unknown = [*_profiles(study), *_variants(study), *_formula(study)]
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
    profiles = dict(zip(study.study.guidance, profiles_of(study), strict=True))
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


def _formula(study: Study) -> Iterator[tuple[Loc, str]]:
    """Everything that is wrong with the formula of *study*: where it stands, and what to write."""
    block = study.uncertainty
    if block is None:
        return
    yield from _owners(study, block)
    if block.model is None:
        return
    try:
        model = measurement_model(block.model)
    except ValueError as refusal:
        yield ("uncertainty", "model"), str(refusal)
        return
    yield from _names(block, model)
    try:
        correlations(block)
    except ValueError as refusal:
        place = "correlations" if block.correlations else "read_together"
        yield ("uncertainty", place), str(refusal)


def _owners(study: Study, block: UncertaintyBlock) -> Iterator[tuple[Loc, str]]:
    """The analytes that the formula and the items belong to: known, and named where there are several."""
    described = block.conformity.item_mean is not None
    for loc, name, needed in (
        (("uncertainty", "analyte"), block.analyte, block.model is not None),
        (("uncertainty", "conformity", "analyte"), block.conformity.analyte, described),
    ):
        if name is not None and name not in study.analyte_ids:
            yield loc, f"unknown analyte '{name}'; valid here: {', '.join(study.analyte_ids)}"
        elif name is None and needed and len(study.analyte_ids) > 1:
            yield loc, f"missing; name one of the analytes of the study: {', '.join(study.analyte_ids)}"


def _names(block: UncertaintyBlock, model: MeasurementModel) -> Iterator[tuple[Loc, str]]:
    """Names of the formula without a quantity, and quantities that the formula does not have."""
    given = [normal_form(quantity.name) for quantity in block.quantities]
    for name in model.names:
        if name not in given:
            yield ("uncertainty", "model"), f"{name} has no value; add it to quantities"
    for index, name in enumerate(given):
        loc = ("uncertainty", "quantities", index, "name")
        if name not in model.names:
            yield loc, f"{name} is not in the formula, which has {', '.join(model.names)}"
        elif name in given[:index]:
            yield loc, f"{name} is given twice; the two spellings are read as the same letters"


def _problem(study: Study, loc: Loc, message: str) -> Problem:
    place = study.place_of(*loc)
    return Problem(place.file, place.line, place.field, message)
