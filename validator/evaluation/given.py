"""What the evaluation of one characteristic is given."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

from msgspec import Struct

from validator.evaluation.rows import Cell, runs_of
from validator.study.models.runs import Block, Run

if TYPE_CHECKING:
    from validator.evaluation.calibration import Fitted
    from validator.evaluation.results import DetectionRecord
    from validator.records import NotAssessed
    from validator.study import Study

R = TypeVar("R", bound=Run)
B = TypeVar("B", bound=Block)


class Given(Struct, frozen=True):
    """One analyte with one configuration, its calibration and its limits."""

    study: Study
    cell: Cell
    fitted: Fitted | NotAssessed
    detection: DetectionRecord | NotAssessed

    def block(self, name: str, kind: type[B]) -> B | None:
        """A data block of the study, where it has one."""
        found = getattr(self.study, name)
        return found if isinstance(found, kind) else None

    def runs(self, block: str, kind: type[R]) -> tuple[R, ...]:
        """Its runs of a data block, excluded ones too."""
        runs = runs_of(getattr(self.study, block), self.cell)
        return tuple(run for run in runs if isinstance(run, kind))
