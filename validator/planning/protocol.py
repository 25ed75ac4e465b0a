"""Everything that a protocol states, before the work."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct

from validator.assessment import assess
from validator.errors import Problem, StudyError
from validator.evaluation.evaluate import evaluate
from validator.planning.design import planned_design
from validator.planning.predicting import Prediction, predict, required_plan
from validator.planning.run_order import PlannedRun, run_order
from validator.study.blocks import result_blocks
from validator.study.plan_record import PlanRecord, plan_record

if TYPE_CHECKING:
    from validator.evaluation.results import DesignFinding, Results
    from validator.study import Study
    from validator.study.models.plan import Plan


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
