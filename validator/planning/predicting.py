"""What a plan will show: widths of intervals, probabilities, power of tests, the smallest design."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct

from validator.errors import Problem, StudyError
from validator.evaluation.chosen_guidance import profiles_of
from validator.evaluation.declared import check_declared
from validator.planning.outcomes import Chance, Width, all_met, chances, widths
from validator.planning.power import Power, powers
from validator.planning.simulating import Simulator, Truth
from validator.planning.smallest import SmallestDesign, smallest_design
from validator.planning.trials import Trials, pool_of
from validator.statistics.proportion import proportion

if TYPE_CHECKING:
    from collections.abc import Sequence
    from concurrent.futures import Executor

    from validator.planning.trials import Trial
    from validator.statistics.interval import Estimate
    from validator.study import Study
    from validator.study.models.plan import Assumed, Plan

MOST_TO_VERIFY = 120
"""Studies simulated with each other design that is tried, and for each power: an error of 2.7 % at 0.9."""


class Stop(Struct, frozen=True, kw_only=True):
    """A stop caveat and the share of simulated studies that raised it."""

    title: str
    share: Estimate


class Prediction(Struct, frozen=True, kw_only=True):
    """What the plan will show for one analyte with the validated configuration.

    Attributes:
        analyte: its id.
        assumed: what was assumed of the method.
        simulations: how many studies were simulated.
        widths: of the intervals.
        chances: outcomes of the criteria that the plan has runs for.
        unanswered: criteria that the plan has no runs for.
        all_met: probability that all of ``chances`` are met in one study.
        stops: stop caveats that the plan leads to.
        powers: of tests against stated departures.
        smallest: the smallest design; None where nothing is asked that results could carry.
    """

    analyte: str
    assumed: Assumed
    simulations: int
    widths: tuple[Width, ...]
    chances: tuple[Chance, ...]
    unanswered: tuple[Chance, ...]
    all_met: Estimate | None
    stops: tuple[Stop, ...]
    powers: tuple[Power, ...]
    smallest: SmallestDesign | None


def predict(study: Study, *, workers: int = 1) -> tuple[Prediction, ...]:
    """What the plan of *study* will show, analyte by analyte; the same whatever the number of *workers*.

    Raises:
        StudyError: the study has no plan, or the plan assumes nothing of an analyte.
        GuidanceError: a guidance profile is unknown or malformed.
    """
    plan = required_plan(study)
    check_declared(study)
    with pool_of(workers) as pool:
        return tuple(
            _prediction(study, plan, analyte, index, pool) for index, analyte in enumerate(study.analyte_ids)
        )


def required_plan(study: Study) -> Plan:
    """The plan of *study*, with what it assumes of every analyte.

    Raises:
        StudyError: there is none, or it assumes nothing of an analyte.
    """
    plan = study.plan
    if plan is None:
        place = study.place_of("plan")
        message = "missing; declare the planned runs and the assumed properties of the method"
        raise StudyError([Problem(place.file, 0, "plan", message)])
    missing = [analyte for analyte in study.analyte_ids if plan.for_analyte(analyte).assumed is None]
    if missing:
        place = study.place_of("plan")
        message = (
            f"missing for {', '.join(missing)}; give slope, signal_sd and the other assumed "
            "properties of the method, from a pilot study or the literature"
        )
        raise StudyError([Problem(place.file, place.line, "plan.assumed", message)])
    return plan


def _prediction(study: Study, plan: Plan, analyte: str, index: int, pool: Executor | None) -> Prediction:
    choices = plan.for_analyte(analyte)
    if choices.assumed is None:
        raise ValueError(analyte)
    choice = study.analysis_for(analyte)
    simulator = Simulator.of(study, analyte, choices, Truth(assumed=choices.assumed))
    trials = Trials(
        simulator=simulator,
        profiles=profiles_of(study),
        purpose="judgement",
        seed=(choice.seed, index),
    )
    found = trials.run(plan.simulations, pool)
    outcomes = chances(found)
    answered = tuple(one for one in outcomes if one.is_answered)
    count = min(plan.simulations, MOST_TO_VERIFY)
    return Prediction(
        analyte=analyte,
        assumed=choices.assumed,
        simulations=len(found),
        widths=widths(found),
        chances=answered,
        unanswered=tuple(one for one in outcomes if not one.is_answered),
        all_met=all_met(found, answered) if answered else None,
        stops=_stops(found),
        powers=tuple(powers(trials, choices.detect, found, choice.alpha, count, pool)),
        smallest=(
            smallest_design(trials, choices, answered, probability=plan.probability, count=count, pool=pool)
            if answered
            else None
        ),
    )


def _stops(trials: Sequence[Trial]) -> tuple[Stop, ...]:
    raised = [title for trial in trials for title in trial.stops]
    return tuple(
        Stop(title=title, share=proportion(raised.count(title), len(trials)))
        for title in dict.fromkeys(raised)
    )
