"""What a study chooses: its guidance profiles, the kind of its method, limits of its own."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.guidance import Kind, load_profile

if TYPE_CHECKING:
    from validator.evaluation.rows import Cell
    from validator.guidance import Profile
    from validator.study import Study
    from validator.study.models.criteria import Criterion


def profiles_of(study: Study) -> tuple[Profile, ...]:
    """The guidance profiles the study names; a lab's own lie in the study folder.

    Raises:
        GuidanceError: a profile is unknown or malformed.
    """
    return tuple(load_profile(name, search_folders=(study.folder,)) for name in study.study.guidance)


def kind_of(study: Study) -> Kind:
    """What the method is for; ``any`` where the study does not say."""
    return Kind(study.method.kind or Kind.ANY)


BY_STUDY = "criterion of the study"
CUSTOMARY = "customary"


def own_criterion(study: Study, cell: Cell, characteristic: str, *limits: str) -> Criterion | None:
    """The study's first criterion on *characteristic* for *cell* that states one of *limits*."""
    for criterion in study.criteria:
        applies = criterion.analyte in (None, cell.analyte) and criterion.configuration in (
            None,
            cell.configuration,
        )
        stated = set(limits) & set(criterion.limits)
        if applies and criterion.characteristic == characteristic and stated:
            return criterion
    return None
