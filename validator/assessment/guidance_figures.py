"""The figures that guidance limits, read from the results."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import TYPE_CHECKING

from msgspec import Struct

from validator.assessment.guidance_figures_of_conditions import (
    blank_response,
    decision_limit,
    detection_capability,
    horrat,
    largest_size,
    level_of_interest,
    matrix_spread,
    scaled,
    size,
    spike_over_limit,
)
from validator.assessment.observations import Observation, Units, observations
from validator.assessment.observations_of_uncertainty import tolerance_bounds, two_standard_uncertainties
from validator.characteristics.order import CHARACTERISTICS, FIGURES
from validator.evaluation.predicted_precision import WITHIN_ONE_LABORATORY
from validator.evaluation.results import (
    CalibrationRecord,
    ConfigurationRecord,
    EstimateRecord,
    NotAssessed,
    TestRecord,
)

if TYPE_CHECKING:
    from validator.study.models.method import Analyte


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
    not_assessed=(
        "the calibration is weighted; homogeneity of variances is a condition for unweighted fits only"
    ),
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


def _calibration(read: Callable[[CalibrationRecord], Iterator[Observation]]) -> Reader:
    def reader(subject: Subject) -> tuple[Observation, ...]:
        record = subject.record.calibration
        if isinstance(record, NotAssessed):
            return (Observation(estimate=None, refusal=record),)
        return tuple(read(record))

    return reader


def _p_of(get: Callable[[CalibrationRecord], object]) -> Reader:
    def read(record: CalibrationRecord) -> Iterator[Observation]:
        test = get(record)
        if isinstance(test, NotAssessed):
            yield Observation(estimate=None, refusal=test)
        else:
            yield Observation(estimate=EstimateRecord(value=getattr(test, "p", None)), kind="probability")

    return _calibration(read)


def _variance_ratio(record: CalibrationRecord) -> TestRecord | NotAssessed:
    """Equal variances are what a line without weights supposes; weights are the answer to unequal ones."""
    return record.homoscedasticity.variance_ratio if record.weighting == "none" else _WEIGHTED


def _number_of(get: Callable[[CalibrationRecord], float], unit: str = "") -> Reader:
    def read(record: CalibrationRecord) -> Iterator[Observation]:
        yield Observation(estimate=EstimateRecord(value=get(record)), unit=unit, kind="bound")

    return _calibration(read)


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
            return (Observation(estimate=None, refusal=record),)
        if not target:
            refusal = NotAssessed(
                not_assessed=f"the study states no {end} specification limit",
                needs=f"the {end} specification limit of the analyte",
            )
            return (Observation(estimate=None, refusal=refusal),)
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
            return (Observation(estimate=None, refusal=refusal),)
        return tuple(scaled(one, 100 / legal, unit="%") for one in subject.own(characteristic, "max"))

    return reader


def _tolerance(subject: Subject) -> tuple[Observation, ...]:
    record = subject.record.interference
    if isinstance(record, NotAssessed):
        return (Observation(estimate=None, refusal=record),)
    ratios = {entry.interferent: entry.tolerance_ratio for entry in record if entry.ratio is not None}
    return tuple(
        Observation(
            estimate=EstimateRecord(value=ratio, reason="interference is found at the smallest ratio tested"),
            kind="bound",
            what=name,
        )
        for name, ratio in ratios.items()
    )


_READERS: Mapping[str, Reader] = {
    "back_calculation_error_percent": _calibration(_back_calculation),
    "calibrators_within_limit_percent": _calibration(_within),
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
    "horrat_repeatability": lambda subject: horrat("repeatability_rsd", subject.horrat_share)(subject.record),
    "horrat_reproducibility": _of_record(horrat("reproducibility_rsd", 1.0)),
    "blank_response_percent_of_quantification_limit": _of_record(blank_response),
    "relative_change_percent": lambda subject: tuple(map(size, subject.own("interference", "max"))),
    "tolerance_ratio": _tolerance,
    "matrix_spread_rsd_percent": lambda subject: matrix_spread(
        subject.record, level_of_interest(subject.analyte)
    ),
    "robustness_effect_percent": lambda subject: largest_size(subject.own("robustness", "max")),
    "expanded_uncertainty_percent": _of_record(two_standard_uncertainties),
    "tolerance_bound_percent": _of_record(tolerance_bounds),
}
