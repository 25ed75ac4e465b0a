"""The planned counts held against the minimum designs of the chosen guidance, by the count of the report."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from validator.assessment.design import design_findings
from validator.evaluation.chosen_guidance import profiles_of
from validator.planning.simulating import MODELS, Simulator, Truth
from validator.study.models.plan import PLANNED_BLOCKS, Assumed

if TYPE_CHECKING:
    from validator.evaluation.results import DesignFinding
    from validator.study import Study

ANY_METHOD = Assumed(slope=1.0, signal_sd=1e-3)
"""Counting does not depend on what is measured."""


def planned_design(study: Study) -> tuple[DesignFinding, ...]:
    """Required against planned, each series on a day of its own.

    Raises:
        GuidanceError: a guidance profile is unknown or malformed.
    """
    return design_findings(as_planned(study), profiles_of(study))


def as_planned(study: Study) -> Study:
    """The study as if every planned run of the validated configuration were made; readings mean nothing."""
    if study.plan is None:
        return study
    rng = np.random.default_rng(0)
    drawn = [
        Simulator.of(study, analyte, study.plan.for_analyte(analyte), Truth(assumed=ANY_METHOD)).study(rng)
        for analyte in study.analyte_ids
    ]
    blocks = {}
    for block in PLANNED_BLOCKS:
        runs = [run.model_dump(exclude_unset=True) for one in drawn for run in one.runs(block)]
        blocks[block] = MODELS[block].model_validate({"runs": runs}) if runs else None
    return study.model_copy(update=blocks)
