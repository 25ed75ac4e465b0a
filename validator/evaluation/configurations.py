"""Configurations compared with the one that is validated: slopes, sensitivity per area, limits."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.errors import NotEstimable
from validator.evaluation.calibration import Fitted
from validator.evaluation.convert import attempt, f_test, t_test
from validator.evaluation.results import (
    ComparedConfiguration,
    ConfigurationComparison,
    EstimateRecord,
    FTest,
    NotAssessed,
    SignalGain,
    TTest,
)
from validator.statistics.detection import LimitResult, ratio_of_limits, resolve_detection
from validator.statistics.interval import two_sided_record
from validator.statistics.slopes import (
    common_slope_test,
    pooled_slope_test,
    residual_variance_ratio,
    signal_gain,
    slope_difference,
    slope_ratio,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from validator.evaluation.detection import Limits
    from validator.statistics.regression import CalibrationFit
    from validator.study import Study

NO_CALIBRATION = NotAssessed(
    not_assessed="the calibration of one of the two configurations cannot be fitted",
    needs="calibrations of both configurations",
)


def compare_configurations(
    study: Study,
    analyte: str,
    calibrations: Mapping[str, Fitted | NotAssessed],
    limits: Mapping[str, Limits],
) -> ConfigurationComparison | None:
    """Every other configuration against the validated one; None where there is no other."""
    reference = study.validated_configuration
    others = [name for name in study.configuration_ids if name != reference]
    if not others:
        return None
    return ConfigurationComparison(
        reference=reference,
        compared=tuple(_compared(study, analyte, name, reference, calibrations, limits) for name in others),
        common_slope=_common_slope([calibrations[reference], *(calibrations[name] for name in others)]),
    )


def _common_slope(calibrations: Sequence[Fitted | NotAssessed]) -> FTest | NotAssessed | None:
    """Have three or more configurations one slope? Of two, the test of their difference says it."""
    fits = [one.fit for one in calibrations if isinstance(one, Fitted)]
    return attempt(lambda: f_test(common_slope_test(fits))) if len(fits) > 2 else None


def _compared(
    study: Study,
    analyte: str,
    name: str,
    reference: str,
    calibrations: Mapping[str, Fitted | NotAssessed],
    limits: Mapping[str, Limits],
) -> ComparedConfiguration:
    this, base = calibrations[name], calibrations[reference]
    choices = study.analysis_for(analyte)
    others = len(study.configuration_ids) - 1
    # Bonferroni: the intervals of all comparisons hold together at the stated level
    single = 1 - (1 - choices.confidence) / others
    ratio: EstimateRecord | NotAssessed = NO_CALIBRATION
    difference: TTest | NotAssessed = NO_CALIBRATION
    pooled: TTest | NotAssessed = NO_CALIBRATION
    variances: FTest | NotAssessed = NO_CALIBRATION
    gain: SignalGain | NotAssessed = NO_CALIBRATION
    if isinstance(this, Fitted) and isinstance(base, Fitted):
        mine, its = this.fit, base.fit
        ratio = attempt(lambda: two_sided_record(slope_ratio(mine, its, confidence=single)))
        difference = attempt(lambda: t_test(slope_difference(mine, its)))
        pooled = attempt(lambda: t_test(pooled_slope_test(mine, its)))
        variances = attempt(lambda: f_test(residual_variance_ratio(mine, its)))
        gain = attempt(lambda: _gain(mine, its, single))
    return ComparedConfiguration(
        configuration=name,
        slope_ratio=ratio,
        slope_difference=difference,
        slope_difference_pooled=pooled,
        variance_ratio=variances,
        sensitivity_per_area=this.record.sensitivity_per_area if isinstance(this, Fitted) else None,
        detection_limit_ratio=_limit_ratio(study, analyte, limits[name], limits[reference], single),
        signal_gain=gain,
        adjusted_p=min(1.0, others * difference.p) if isinstance(difference, TTest) else None,
        adjustment="none (single comparison)" if others == 1 else f"Bonferroni, {others} comparisons",
    )


def _gain(mine: CalibrationFit, its: CalibrationFit, confidence: float) -> SignalGain:
    """Ratio of the signals at the middle of the range that both calibrations cover."""
    lower, upper = max(mine.x.min(), its.x.min()), min(mine.x.max(), its.x.max())
    if lower > upper:
        raise NotEstimable("the calibrated ranges do not overlap", "calibrations over a common range")
    level = float((lower + upper) / 2)
    return SignalGain(
        level=level, gain=two_sided_record(signal_gain(mine, its, level, confidence=confidence))
    )


def _limit_ratio(
    study: Study, analyte: str, this: Limits, base: Limits, confidence: float
) -> EstimateRecord | NotAssessed:
    if isinstance(base.record, NotAssessed) or isinstance(this.record, NotAssessed):
        return NotAssessed(
            not_assessed="no detection limit is available for one of the two configurations",
            needs="detection limits for both configurations",
        )
    declared = base.record.detection_limit
    if isinstance(declared, NotAssessed):
        return declared
    variant = resolve_detection(declared.variant).id
    seed = study.analysis_for(analyte).seed
    return attempt(lambda: _ratio(this.found[variant], base.found[variant], confidence, seed))


def _ratio(
    this: LimitResult | NotEstimable, base: LimitResult | NotEstimable, confidence: float, seed: int
) -> EstimateRecord:
    for result in (this, base):
        if isinstance(result, NotEstimable):
            raise result
    assert isinstance(this, LimitResult)
    assert isinstance(base, LimitResult)
    return two_sided_record(ratio_of_limits(this, base, confidence=confidence, seed=seed))
