"""Figures of guidance on limits, matrix, conditions, devices and another method, read from the results."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec.structs import replace

from validator.assessment.observation import Observation, refused
from validator.evaluation.results import EstimateRecord, LimitVariant, NotAssessed, ResidueLimitRecord
from validator.statistics.interval import Estimate
from validator.statistics.precision import single_series

if TYPE_CHECKING:
    from collections.abc import Callable

    from validator.evaluation.results import ConfigurationRecord, Interval, PrecisionRecord
    from validator.study.models.method import Analyte

OF_NAMED_LIMITS = frozenset({"spike_over_detection_limit"})
"""Figures of a limit variant that is named here, whether or not it decides."""


def scaled(observation: Observation, factor: float, *, unit: str) -> Observation:
    """The figure in another unit, *factor* > 0 times as large."""
    estimate = observation.estimate
    if estimate is None:
        return observation
    return replace(
        observation,
        estimate=replace(
            estimate,
            value=_times(estimate.value, factor),
            standard_error=_times(estimate.standard_error, factor),
            ci=_ends(estimate.ci, factor),
            one_sided=_ends(estimate.one_sided, factor),
        ),
        unit=unit,
        alternatives=tuple(scaled(one, factor, unit=unit) for one in observation.alternatives),
    )


def _times(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor


def _ends(interval: Interval | None, factor: float) -> Interval | None:
    return None if interval is None else (_times(interval[0], factor), _times(interval[1], factor))


def size(observation: Observation) -> Observation:
    """The size of a signed figure: a change of -40 % is one of 40 %.

    Its interval is that of the sizes inside the interval of the figure; an interval over zero starts at zero.
    """
    estimate = observation.estimate
    if estimate is None or estimate.value is None:
        return observation
    return replace(
        observation,
        estimate=replace(
            estimate, value=abs(estimate.value), ci=_sizes(estimate.ci), one_sided=_sizes(estimate.one_sided)
        ),
    )


def _sizes(interval: Interval | None) -> Interval | None:
    if interval is None:
        return None
    lower, upper = interval
    if lower is None or upper is None:
        return (0.0, None)
    low, high = sorted((abs(lower), abs(upper)))
    return (0.0 if lower <= 0 <= upper else low, high)


def largest_size(observations: tuple[Observation, ...]) -> tuple[Observation, ...]:
    """The observation of largest size; the refusals where nothing else is there."""
    sizes = [
        one for one in map(size, observations) if one.estimate is not None and one.estimate.value is not None
    ]
    if not sizes:
        return observations[:1]
    return (max(sizes, key=lambda one: (one.estimate.value or 0.0) if one.estimate else 0.0),)


def horrat(field: str, share: float) -> Callable[[ConfigurationRecord], tuple[Observation, ...]]:
    """RSD found in *field* over *share* of the one predicted from the mass fraction, by level."""

    def read(record: ConfigurationRecord) -> tuple[Observation, ...]:
        if isinstance(record.precision, NotAssessed):
            return (refused(record.precision),)
        return tuple(_ratio(entry, field, share) for entry in record.precision)

    return read


def _ratio(entry: PrecisionRecord, field: str, share: float) -> Observation:
    found: EstimateRecord | NotAssessed | None = getattr(entry, field)
    if found is None:
        refusal = NotAssessed(
            not_assessed="all results come from one laboratory", needs="results from several laboratories"
        )
        return refused(refusal, level=entry.level)
    if isinstance(found, NotAssessed):
        return refused(found, level=entry.level)
    if entry.thompson_rsd is None:
        refusal = NotAssessed(
            not_assessed="the level cannot be converted to a mass fraction",
            needs="a unit of mass per mass or mass per volume, or the molar mass of the analyte",
        )
        return refused(refusal, level=entry.level)
    observation = Observation(estimate=found, kind="deviation", level=entry.level, n=entry.n)
    return scaled(observation, 1 / (share * entry.thompson_rsd), unit="")


def level_of_interest(analyte: Analyte) -> float | None:
    """The legal limit, or the reference point for action of a substance that has none."""
    return analyte.legal_limit or analyte.reference_point_for_action


def decision_limit(record: ConfigurationRecord, analyte: Analyte) -> tuple[Observation, ...]:
    """Decision limit of an unauthorised substance in percent of its reference point, if it has one."""
    if analyte.status == "permitted" or (analyte.status and analyte.reference_point_for_action is None):
        return ()  # it lies above the legal limit by definition; without a reference point nothing limits it
    return _of_level(record.decision_limit, "decision limit", analyte.reference_point_for_action)


def detection_capability(record: ConfigurationRecord, analyte: Analyte) -> tuple[Observation, ...]:
    """Detection capability in percent of the level of interest, if there is one."""
    level = level_of_interest(analyte)
    if analyte.status == "unauthorised" and level is None:
        return ()
    return _of_level(record.detection_capability, "detection capability", level)


def _of_level(
    found: ResidueLimitRecord | NotAssessed | None, name: str, level: float | None
) -> tuple[Observation, ...]:
    if not isinstance(found, ResidueLimitRecord):
        return (refused(found or NotAssessed(not_assessed=f"no {name} was asked for", needs="key status")),)
    if level is None:
        return (
            refused(
                NotAssessed(
                    not_assessed="the study states no legal limit",
                    needs="method.analytes: legal_limit or reference_point_for_action",
                )
            ),
        )
    observation = Observation(estimate=found.value, n=found.n, units=found.groups)
    return (scaled(observation, 100 / level, unit="%"),)


def matrix_spread(record: ConfigurationRecord, level: float | None) -> tuple[Observation, ...]:
    """Relative standard deviation of the slope ratio over the matrices or lots, fortified at *level*."""
    if isinstance(record.matrix_effect, NotAssessed):
        return (refused(record.matrix_effect),)
    ratios = [
        entry.slope_ratio.value
        for entry in record.matrix_effect
        if isinstance(entry.slope_ratio, EstimateRecord) and entry.slope_ratio.value is not None
    ]
    rsd = single_series(ratios).repeatability_rsd if len(ratios) > 1 else None
    if not isinstance(rsd, Estimate):
        refusal = NotAssessed(
            not_assessed=f"the standard deviation cannot be calculated from {len(ratios)} slope ratio(s)",
            needs="slopes in at least two matrices or lots",
        )
        return (refused(refusal),)
    interval = rsd.interval
    estimate = EstimateRecord(
        value=rsd.value,
        ci=None if interval is None else (interval.lower, interval.upper),
        degrees_of_freedom=rsd.degrees_of_freedom,
    )
    return (Observation(estimate=estimate, unit="%", kind="deviation", level=level, n=len(ratios)),)


def spike_over_limit(record: ConfigurationRecord) -> tuple[Observation, ...]:
    """Level of the low-level spikes over the limit found with them."""
    variant = _variant(record, "epa_mdl")
    if isinstance(variant, NotAssessed):
        return (refused(variant),)
    level, limit = variant.inputs.get("level"), variant.detection_limit
    if level is None or limit is None or not limit.value:
        return (
            refused(
                NotAssessed(
                    not_assessed="the limit is not based on spiked samples", needs="spiked low-level samples"
                )
            ),
        )
    return (Observation(estimate=EstimateRecord(value=level / limit.value), kind="bound"),)


def _variant(record: ConfigurationRecord, name: str) -> LimitVariant | NotAssessed:
    if isinstance(record.detection, NotAssessed):
        return record.detection
    return record.detection.variants.get(name) or NotAssessed(
        not_assessed="the limit could not be computed", needs="low-level samples"
    )


def blank_response(record: ConfigurationRecord) -> tuple[Observation, ...]:
    """The largest single blank in percent of the quantification limit."""
    entry = record.blank_response
    if entry is None:
        refusal = NotAssessed(
            not_assessed="no blank can be compared with a quantification limit",
            needs="blanks and a quantification limit",
        )
        return (refused(refusal),)
    estimate = EstimateRecord(value=entry.largest_percent)
    return (Observation(estimate=estimate, unit="%", kind="bound", what="largest blank", n=entry.n),)
