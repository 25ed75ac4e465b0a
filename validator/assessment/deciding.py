"""What it would take to decide an inconclusive criterion, as a number and as a clause."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from validator.assessment.judging import interval_for
from validator.assessment.replicates import further_results
from validator.dossier import numbers

if TYPE_CHECKING:
    from validator.assessment.judging import Judgement, Limit
    from validator.assessment.observation import Observation

MANY = 100
"""Beyond this many further results the figure itself is the better place to begin."""

_COUNTED_IN: dict[str, tuple[str, str]] = {
    "intermediate_precision": ("series", "series"),
    "reproducibility": ("laboratory", "laboratories"),
    "detection_limit": ("independent blank or preparation", "independent blanks or preparations"),
    "quantification_limit": ("independent blank or preparation", "independent blanks or preparations"),
    "recovery": ("independent result or series", "independent results or series"),
    "trueness": ("independent result or series", "independent results or series"),
    "device_to_device": ("device", "devices"),
    "method_comparison": ("sample", "samples"),
}
"""What carries the degrees of freedom of a characteristic's figure, one and many."""


@dataclass(frozen=True, slots=True)
class Remedy:
    """What would decide.

    Attributes:
        further: number of further independent results or series; None where more of them are no remedy.
        needs: the same as a clause; None where the criterion is not inconclusive.
    """

    further: int | None = None
    needs: str | None = None


def remedy(
    observation: Observation, limit: Limit, judgement: Judgement, confidence: float, characteristic: str
) -> Remedy:
    """What would decide *judgement* on *observation*, if the figure stays where it is."""
    estimate = observation.estimate
    if judgement.outcome != "inconclusive" or estimate is None:
        return Remedy(needs=observation.refusal.needs if observation.refusal else None)
    further = further_results(
        estimate,
        limit,
        observation.kind,
        confidence,
        units=observation.units,
        fixed=observation.fixed,
    )
    needs = needed(further, characteristic)
    passing = _passing(observation, limit)
    if passing is not None and (further is None or further > MANY):
        needs += f"; with as many as there are, {passing} would"
    return Remedy(further, needs)


def needed(more: int | None, characteristic: str) -> str:
    """What would decide, as a clause."""
    if more is None:
        return "more results alone would not decide: the figure lies too close to the limit"
    one, many = _COUNTED_IN.get(characteristic, ("independent result", "independent results"))
    return f"about {more} further {one if more == 1 else many} would decide, if the figure stays"


def _passing(observation: Observation, limit: Limit) -> str | None:
    """The largest standard deviation that the data at hand would show to keep *limit*."""
    estimate = observation.estimate
    if observation.kind != "deviation" or estimate is None or not estimate.value or limit.upper is None:
        return None
    upper = (interval_for(estimate, limit) or (None, None))[1]
    if not upper or not limit.holds(estimate.value):
        return None
    most = numbers.significant(limit.upper * estimate.value / upper, 2)
    return f"a figure of {numbers.quantity(most, observation.unit)} or less"
