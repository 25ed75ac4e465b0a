"""The figures that guidance limits, read from the results."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from msgspec import Struct
from msgspec.structs import replace

from validator.assessment.observation import Observation, Units, refused
from validator.assessment.observations import observations, tolerance_bounds, two_standard_uncertainties
from validator.characteristics.order import CHARACTERISTICS, FIGURES
from validator.evaluation.predicted_precision import WITHIN_ONE_LABORATORY
from validator.evaluation.results import (
    CalibrationRecord,
    ConfigurationRecord,
    EstimateRecord,
    LimitVariant,
    NotAssessed,
    ResidueLimitRecord,
    TestRecord,
)
from validator.statistics.interval import Estimate
from validator.statistics.precision import single_series

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from validator.evaluation.results import InterferenceRecord, Interval, PrecisionRecord
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


class Subject(Struct, frozen=True):
    """What a guidance limit is held against: one analyte with one configuration.

    ``horrat_share`` is that of the document.
    """

    analyte: Analyte
    record: ConfigurationRecord
    horrat_share: float = WITHIN_ONE_LABORATORY

    @property
    def units(self) -> Units:
        """Units of levels and signals."""
        return Units(self.analyte.unit, self.analyte.signal_unit)

    def own(self, characteristic: str, limit: str) -> tuple[Observation, ...]:
        """Figures that the study's own criteria know too."""
        return observations(characteristic, limit, self.record, self.units)


_WEIGHTED = NotAssessed(
    not_assessed="the calibration is weighted; homogeneity of variances "
    "is a condition for unweighted fits only",
    needs="an unweighted calibration, if strict compliance with the document is required",
)

Reader = Callable[[Subject], tuple[Observation, ...]]


def figure_observations(
    figure: str, subject: Subject, characteristic: str | None = None
) -> tuple[Observation, ...] | None:
    """Every value of *figure* for *subject*; None where this version computes no such figure.

    *characteristic* tells apart the few figures that several characteristics have.
    """
    known = FIGURES if characteristic is None else CHARACTERISTICS[characteristic].figures
    if figure in known and (same := known[figure].criterion) is not None:
        return subject.own(*same)
    reader = _READERS.get(figure)
    return None if reader is None else reader(subject)


def _of_record(read: Callable[[ConfigurationRecord], tuple[Observation, ...]]) -> Reader:
    return lambda subject: read(subject.record)


def _found(field: str, read: Callable[[Any], Iterable[Observation]]) -> Reader:
    """What is read from a record, or why that is missing."""

    def reader(subject: Subject) -> tuple[Observation, ...]:
        found = getattr(subject.record, field)
        return (refused(found),) if isinstance(found, NotAssessed) else tuple(read(found))

    return reader


def _horrat(field: str, share: float | None = None) -> Reader:
    """RSD found in *field* over *share*, else the document's, of the one predicted from the mass fraction."""

    def reader(subject: Subject) -> tuple[Observation, ...]:
        found = subject.record.precision
        if isinstance(found, NotAssessed):
            return (refused(found),)
        return tuple(_ratio(entry, field, share or subject.horrat_share) for entry in found)

    return reader


def _p_of(get: Callable[[CalibrationRecord], object]) -> Reader:
    def read(record: CalibrationRecord) -> Iterator[Observation]:
        test = get(record)
        if isinstance(test, NotAssessed):
            yield refused(test)
        else:
            yield Observation(estimate=EstimateRecord(value=getattr(test, "p", None)), kind="probability")

    return _found("calibration", read)


def _variance_ratio(record: CalibrationRecord) -> TestRecord | NotAssessed:
    """Equal variances are what a line without weights supposes; weights are the answer to unequal ones."""
    return record.homoscedasticity.variance_ratio if record.weighting == "none" else _WEIGHTED


def _number_of(get: Callable[[CalibrationRecord], float | None], unit: str = "") -> Reader:
    def read(record: CalibrationRecord) -> Iterator[Observation]:
        value = get(record)
        reason = "defined for equal variances; the calibration is weighted" if value is None else None
        yield Observation(estimate=EstimateRecord(value=value, reason=reason), unit=unit, kind="bound")

    return _found("calibration", read)


def level_errors(record: CalibrationRecord) -> dict[float, float]:
    """Relative error of the mean back-calculated value of each level above zero, percent."""
    by_level: dict[float, list[float]] = {}
    for point in record.points:
        if point.level > 0 and point.back_calculated is not None:
            by_level.setdefault(point.level, []).append(point.back_calculated)
    return {level: 100 * (sum(found) / len(found) / level - 1) for level, found in sorted(by_level.items())}


def _back_calculation(record: CalibrationRecord) -> Iterator[Observation]:
    for level, error in level_errors(record).items():
        yield Observation(estimate=EstimateRecord(value=abs(error)), unit="%", kind="bound", level=level)


def _within(record: CalibrationRecord) -> Iterator[Observation]:
    errors = [
        point for point in record.points if point.level > 0 and point.relative_error_percent is not None
    ]
    if not errors:
        return
    lowest = min(point.level for point in errors)
    # 20 % at the lowest level, 15 % elsewhere: the limits that every document with this figure uses
    kept = sum(
        abs(point.relative_error_percent or 0.0) <= (20.0 if point.level == lowest else 15.0)
        for point in errors
    )
    yield Observation(estimate=EstimateRecord(value=100 * kept / len(errors)), unit="%", kind="bound")


def _range_to_specification(end: str) -> Reader:
    def reader(subject: Subject) -> tuple[Observation, ...]:
        record, specification = subject.record.calibration, subject.analyte.specification
        target = getattr(specification, end, None)
        if isinstance(record, NotAssessed):
            return (refused(record),)
        if not target:
            refusal = NotAssessed(
                not_assessed=f"the study states no {end} specification limit",
                needs=f"the {end} specification limit of the analyte",
            )
            return (refused(refusal),)
        value = getattr(record.working_range, end)
        return (Observation(estimate=EstimateRecord(value=100 * value / target), unit="%", kind="bound"),)

    return reader


def _against_legal_limit(characteristic: str) -> Reader:
    def reader(subject: Subject) -> tuple[Observation, ...]:
        legal = subject.analyte.legal_limit
        if legal is None:
            refusal = NotAssessed(
                not_assessed="the study states no legal limit", needs="the legal limit of the analyte"
            )
            return (refused(refusal),)
        return tuple(scaled(one, 100 / legal, unit="%") for one in subject.own(characteristic, "max"))

    return reader


def _tolerance(entries: tuple[InterferenceRecord, ...]) -> Iterator[Observation]:
    ratios = {entry.interferent: entry.tolerance_ratio for entry in entries if entry.ratio is not None}
    for name, ratio in ratios.items():
        yield Observation(
            estimate=EstimateRecord(value=ratio, reason="interference is found at the smallest ratio tested"),
            kind="bound",
            what=name,
        )


_READERS: Mapping[str, Reader] = {
    "back_calculation_error_percent": _found("calibration", _back_calculation),
    "calibrators_within_limit_percent": _found("calibration", _within),
    "residual_normality_p": _p_of(lambda record: record.normality),
    "variance_ratio_p": _p_of(_variance_ratio),
    "intercept_p": _p_of(lambda record: record.intercept_test),
    "r_squared": _number_of(lambda record: record.r_squared),
    "correlation": _number_of(lambda record: record.correlation),
    "method_standard_deviation_percent": _number_of(
        lambda record: record.method_standard_deviation_percent, "%"
    ),
    "range_lower_percent_of_specification": _range_to_specification("lower"),
    "range_upper_percent_of_specification": _range_to_specification("upper"),
    "detection_limit_percent_of_legal_limit": _against_legal_limit("detection_limit"),
    "decision_limit_percent_of_reference_point": lambda subject: decision_limit(
        subject.record, subject.analyte
    ),
    "detection_capability_percent_of_level_of_interest": lambda subject: detection_capability(
        subject.record, subject.analyte
    ),
    "spike_over_detection_limit": _of_record(spike_over_limit),
    "quantification_limit_percent_of_legal_limit": _against_legal_limit("quantification_limit"),
    "horrat_repeatability": _horrat("repeatability_rsd"),
    "horrat_reproducibility": _horrat("reproducibility_rsd", 1.0),
    "blank_response_percent_of_quantification_limit": _of_record(blank_response),
    "relative_change_percent": lambda subject: tuple(map(size, subject.own("interference", "max"))),
    "tolerance_ratio": _found("interference", _tolerance),
    "matrix_spread_rsd_percent": lambda subject: matrix_spread(
        subject.record, level_of_interest(subject.analyte)
    ),
    "robustness_effect_percent": lambda subject: largest_size(subject.own("robustness", "max")),
    "expanded_uncertainty_percent": _found("uncertainty", two_standard_uncertainties),
    "tolerance_bound_percent": _found("accuracy_profile", tolerance_bounds),
}
