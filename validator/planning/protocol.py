"""Everything that a protocol states, before the work."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct

from validator.assessment import assess
from validator.assessment.design import design_findings
from validator.errors import Problem, StudyError
from validator.evaluation.chosen_guidance import profiles_of
from validator.evaluation.evaluate import evaluate
from validator.planning.predicting import Prediction, predict, required_plan
from validator.planning.simulating import MODELS, Simulator, Truth
from validator.planning.tables import PlannedRun, run_order
from validator.study.blocks import result_blocks
from validator.study.models.plan import PLANNED_BLOCKS, Assumed
from validator.study.plan_record import PlanRecord, plan_record

if TYPE_CHECKING:
    from validator.evaluation.results import DesignFinding, Results
    from validator.study import Study
    from validator.study.models.plan import Plan

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


class Protocol(Struct, frozen=True, kw_only=True):
    """A plan with what it will show.

    Attributes:
        study: the study without its data, if it has any already.
        results: of that study: nothing is assessed yet.
        plan: of the study.
        record: what the plan fixes, with its hash.
        predictions: analyte by analyte.
        design: planned against the minimum designs of the chosen guidance.
        runs: every measurement in its order.
    """

    study: Study
    results: Results
    plan: Plan
    record: PlanRecord
    predictions: tuple[Prediction, ...]
    design: tuple[DesignFinding, ...]
    runs: tuple[PlannedRun, ...]


def make_protocol(study: Study, *, workers: int = 1) -> Protocol:
    """The protocol of *study*; data that it holds already play no part.

    Raises:
        StudyError: the study has no plan, the plan assumes nothing of an analyte, or a name is not known.
        GuidanceError: a guidance profile is unknown or malformed.
    """
    plan = required_plan(study)
    undone = study.model_copy(update=dict.fromkeys(result_blocks()))
    record, recorded = plan_record(study), study.recorded_plan
    if record is None or (recorded is not None and recorded.sha256 != record.sha256):
        place = study.place_of("plan", "record")
        message = (
            "the plan, criteria or data treatment differ from this record; omit the key record "
            "to make a new plan"
        )
        raise StudyError([Problem(place.file, place.line, "plan.record", message)])
    return Protocol(
        study=undone,
        results=assess(undone, evaluate(undone)),
        plan=plan,
        record=record,
        predictions=predict(undone, workers=workers),
        design=planned_design(undone),
        runs=run_order(undone),
    )
