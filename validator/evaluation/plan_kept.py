"""Whether a study kept to its plan: its declarations against the record, its runs against the design."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from msgspec import Struct

from validator.evaluation.results import PlanComparison, PlanDifference
from validator.evaluation.rows import Cell, group_label, independent_values, kept, runs_of
from validator.study.models.plan import PLANNED_BLOCKS, Material, PlannedRecovery
from validator.study.models.trueness import RecoveryRun
from validator.study.plan_record import changes, plan_record

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from validator.evaluation.results.plan import What
    from validator.study import Study
    from validator.study.models.plan import PlannedBlock
    from validator.study.models.runs import Run

SAME_LEVEL = 1e-9
"""Two levels are the same within this relative difference: they come from one number written twice."""

MOST_CHANGES = 200
"""More changed declarations than this are another plan; the first ones say so."""


def plan_kept(study: Study) -> PlanComparison | None:
    """The comparison of *study* with its plan; None without a plan, or before the work has begun.

    Blocks that the plan does not name are not compared. Excluded runs do not count: a run that was excluded
    and repeated keeps the plan.
    """
    now = plan_record(study)
    if now is None or not any(study.runs(name) for name in PLANNED_BLOCKS):
        return None
    recorded = study.recorded_plan
    differences = []
    if recorded is not None:
        differences = [
            PlanDifference(subject=one.path, what="declaration", planned=one.before, done=one.after)
            for one in changes(recorded, now)[:MOST_CHANGES]
        ]
    differences.extend(_of_runs(study))
    return PlanComparison(
        sha256=(recorded or now).sha256,
        recorded=recorded is not None,
        kept=not differences,
        differences=tuple(differences),
    )


def _of_runs(study: Study) -> Iterator[PlanDifference]:
    if study.plan is None:
        return
    for name in PLANNED_BLOCKS:
        for analyte in study.analyte_ids:
            planned: PlannedBlock | None = getattr(study.plan.for_analyte(analyte), name)
            if planned is None:
                continue
            configurations = planned.configurations or (study.validated_configuration,)
            for configuration in study.configuration_ids:
                runs = kept(runs_of(getattr(study, name), Cell(analyte, configuration)))
                compared = _Compared(name, analyte, configuration, planned)
                if configuration in configurations:
                    yield from compared.with_plan(runs)
                elif runs:
                    yield compared.difference("preparations", 0, len(_preparations(runs)))


class _Compared(Struct, frozen=True):
    """One data block of one analyte and configuration beside its plan."""

    block: str
    analyte: str
    configuration: str
    planned: PlannedBlock

    def difference(
        self, what: What, planned: int | str, done: int | str, material: Material | None = None
    ) -> PlanDifference:
        """A difference of this block."""
        return PlanDifference(
            subject=self.block,
            what=what,
            analyte=self.analyte,
            configuration=self.configuration,
            level=material.level if material else None,
            matrix=material.matrix if material else None,
            planned=planned,
            done=done,
        )

    def with_plan(self, runs: Sequence[Run]) -> Iterator[PlanDifference]:
        """Every difference between the planned preparations and those of *runs*."""
        wanted = self.planned.materials
        if not runs:
            yield self.difference("preparations", self.planned.preparations, 0)
            return
        series_of: dict[Material, list[str | None]] = {material: [] for material in wanted}
        for run in _preparations(runs):
            series_of.setdefault(self._material(run, wanted), []).append(group_label(run))
        for material, labels in series_of.items():
            if material not in wanted:
                yield self.difference("preparations", 0, len(labels), material)
            elif not labels:
                total = self.planned.series * self.planned.replicates
                yield self.difference("preparations", total, 0, material)
            else:
                yield from self._counts(material, labels)

    def _counts(self, material: Material, labels: Sequence[str | None]) -> Iterator[PlanDifference]:
        counts = [labels.count(label) for label in dict.fromkeys(labels)]
        if len(counts) != self.planned.series:
            yield self.difference("series", self.planned.series, len(counts), material)
        if set(counts) != {self.planned.replicates}:
            fewest, most = min(counts), max(counts)
            done = fewest if fewest == most else f"{fewest} to {most}"
            yield self.difference("replicates", self.planned.replicates, done, material)

    def _material(self, run: Run, wanted: Sequence[Material]) -> Material:
        level: float | None = None
        if self.block != "blanks":
            level = run.expected if isinstance(run, RecoveryRun) else getattr(run, "level", None)
        is_reference = isinstance(run, RecoveryRun) and run.kind == "reference_material"
        tells_matrices = isinstance(self.planned, PlannedRecovery) and bool(self.planned.matrices)
        matrix = run.matrix if tells_matrices and not is_reference else None
        own = Material(level, is_reference, matrix)
        return next((one for one in wanted if _same(one, own)), own)


def _same(one: Material, other: Material) -> bool:
    if one[1:] != other[1:]:
        return False
    if one.level is None or other.level is None:
        return one.level == other.level
    return math.isclose(one.level, other.level, rel_tol=SAME_LEVEL)


def _preparations(runs: Sequence[Run]) -> list[Run]:
    """The run of each independent preparation; one reported as below a limit was made all the same."""
    censored = [run for run in runs for _ in getattr(run, "below", ())]
    return [value.run for value in independent_values(runs)] + censored
