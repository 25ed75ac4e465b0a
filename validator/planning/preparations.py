"""Every preparation that a plan wants made: the one list behind counts, simulation, run order and tables."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from validator.study.models.plan import PLANNED_BLOCKS, Material

if TYPE_CHECKING:
    from collections.abc import Iterator

    from validator.study import Study
    from validator.study.models.plan import PlanChoices, PlannedBlock

SERIES_LETTERS = {"calibration": "C", "blanks": "B", "low_level": "L", "precision": "P", "recovery": "R"}
"""First letter of the series labels of a block: series of different blocks are different days."""


class Preparation(NamedTuple):
    """One independent preparation of one analyte."""

    block: str
    analyte: str
    configuration: str
    series: str
    material: Material
    replicate: int


def planned(choices: PlanChoices, block: str) -> PlannedBlock | None:
    """What is planned for a data block; None where nothing is."""
    found: PlannedBlock | None = getattr(choices, block, None)
    return found


def series_labels(block: str, plan: PlannedBlock) -> list[str]:
    """Labels of the planned series of a block: C1, C2, ..."""
    return [f"{SERIES_LETTERS[block]}{number}" for number in range(1, plan.series + 1)]


def preparations(study: Study) -> Iterator[Preparation]:
    """Every preparation of the study's plan: block by block, series by series."""
    if study.plan is None:
        return
    for block in PLANNED_BLOCKS:
        for analyte in study.analyte_ids:
            plan = planned(study.plan.for_analyte(analyte), block)
            if plan is None:
                continue
            for configuration in plan.configurations or (study.validated_configuration,):
                for series in series_labels(block, plan):
                    for material in plan.materials:
                        for replicate in range(1, plan.replicates + 1):
                            yield Preparation(block, analyte, configuration, series, material, replicate)
