"""What the study itself allows: the criterion that a statistic asks for before it can compute."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from validator.evaluation.rows import Cell
    from validator.study import Criterion, Study

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
