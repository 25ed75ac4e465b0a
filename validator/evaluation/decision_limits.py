"""Decision limit (CCα) and detection capability (CCβ) of residue control, where the study asks for them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from validator.errors import NotEstimable
from validator.evaluation.chosen_guidance import kind_of, profiles_of
from validator.evaluation.convert import attempt
from validator.evaluation.results import EstimateRecord, NotAssessed, ResidueLimitRecord
from validator.statistics.decision_limits import FIVE_PERCENT, ONE_PERCENT, LevelUncertainty, limit_above
from validator.statistics.interval import estimate_record

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.evaluation.results import PrecisionRecord, RecoveryRecord
    from validator.evaluation.rows import Cell
    from validator.study import Study
    from validator.study.models.method import Analyte

Base = Literal["legal_limit", "lowest_calibrated_level", "screening_target"]
Found = ResidueLimitRecord | NotAssessed | None

NEAR = 0.1
"""A level stands for another within this relative difference (a default of the program)."""
FARTHEST = 2.0
"""A level above the screening target stands for it up to this factor (a default of the program)."""

NO_STATUS = NotAssessed(
    not_assessed="the status of the substance is not stated", needs="key status: permitted or unauthorised"
)
DECISION = "Regulation (EU) 2021/808, consolidated 20 August 2024, Annex I 2.6"
CAPABILITY = "Regulation (EU) 2021/808, consolidated 20 August 2024, Annex I 2.7"


def decision_limits(
    study: Study,
    cell: Cell,
    precision: Sequence[PrecisionRecord] | NotAssessed,
    recovery: Sequence[RecoveryRecord] | NotAssessed,
) -> tuple[Found, Found]:
    """The decision limit and the detection capability; None for what the study does not ask for."""
    analyte = study.analyte(cell.analyte)
    confidence = study.analysis_for(cell.analyte).confidence

    def limit(base: Base, factor: float, error: float, source: str) -> ResidueLimitRecord | NotAssessed:
        return attempt(lambda: _limit(analyte, base, factor, error, source, precision, recovery, confidence))

    decision: Found = None
    if _asked(study, analyte, "decision_limit"):
        match analyte.status:
            case "permitted":
                decision = limit("legal_limit", FIVE_PERCENT, 0.05, DECISION)
            case "unauthorised":
                decision = limit("lowest_calibrated_level", ONE_PERCENT, 0.01, DECISION)
            case None:
                decision = NO_STATUS
    capability: Found = None
    if _asked(study, analyte, "detection_capability"):
        capability = limit("screening_target", FIVE_PERCENT, 0.05, CAPABILITY)
    return decision, capability


def _asked(study: Study, analyte: Analyte, characteristic: str) -> bool:
    """Whether the study states what the limit is built on, limits it, or names guidance that asks for it."""
    capability = characteristic == "detection_capability"
    stated = analyte.screening_target if capability else analyte.status
    if stated is not None:
        return True
    if any(
        one.characteristic == characteristic and one.analyte in (None, analyte.id) for one in study.criteria
    ):
        return True
    return any(characteristic in one.characteristics(kind_of(study)) for one in profiles_of(study))


def _limit(
    analyte: Analyte,
    base: Base,
    factor: float,
    error: float,
    source: str,
    precision: Sequence[PrecisionRecord] | NotAssessed,
    recovery: Sequence[RecoveryRecord] | NotAssessed,
    confidence: float,
) -> ResidueLimitRecord:
    level: float | None = getattr(analyte, base)
    name = base.replace("_", " ")
    if level is None:
        raise NotEstimable(f"the {name} is not stated", f"key {base}")
    upwards = base == "screening_target"
    at, wide = _reproducibility(precision, level, name, upwards=upwards)
    deviation, se, known = _bias(recovery, at.level or level, name)
    u = LevelUncertainty(
        reproducibility_sd=wide.value or 0.0,
        degrees_of_freedom=wide.degrees_of_freedom or 0.0,
        bias=deviation,
        bias_uncertainty=se,
    )
    return ResidueLimitRecord(
        value=estimate_record(limit_above(level, factor, u, confidence)),
        base=level,
        base_is=base,
        factor=factor,
        error=error,
        standard_uncertainty=u.combined,
        reproducibility_sd=u.reproducibility_sd,
        precision_level=at.level or level,
        n=at.n,
        groups=at.groups,
        bias=u.bias,
        bias_uncertainty=u.bias_uncertainty,
        trueness_level=known,
        source=source,
    )


def _near(level: float, other: float, *, upwards: bool = False) -> bool:
    """Whether results at *other* speak for *level*; *upwards* those above it do too."""
    return level * (1 - NEAR) <= other <= level * (FARTHEST if upwards else 1 + NEAR)


def _reproducibility(
    precision: Sequence[PrecisionRecord] | NotAssessed, level: float, name: str, *, upwards: bool
) -> tuple[PrecisionRecord, EstimateRecord]:
    """Within-laboratory reproducibility at the level; repeatability alone is refused."""
    needs = (
        f"results of at least 2, preferably 3 or more, series {'at or above' if upwards else 'at'} the {name}"
    )
    if isinstance(precision, NotAssessed):
        raise NotEstimable(precision.not_assessed, needs)
    here = [one for one in precision if one.level and _near(level, one.level, upwards=upwards)]
    if not here:
        raise NotEstimable(f"no precision was determined at the {name}", needs)
    wide = [
        (one, sd)
        for one in here
        if isinstance(sd := one.intermediate_sd, EstimateRecord) and sd.value and sd.degrees_of_freedom
    ]
    if not wide:
        raise NotEstimable(
            f"only repeatability is known at the {name}; it does not include the variation between series",
            needs,
        )
    return min(wide, key=lambda one: abs((one[0].level or 0.0) - level))


def _bias(
    recovery: Sequence[RecoveryRecord] | NotAssessed, level: float, name: str
) -> tuple[float, float, float]:
    """Mean deviation near the level, its uncertainty, and where; the largest of several matrices."""
    needs = f"recoveries, or results of a reference material, at the {name}"
    if isinstance(recovery, NotAssessed):
        raise NotEstimable(recovery.not_assessed, needs)
    here = [
        (one.level * (mean.value / 100 - 1), one.level * mean.standard_error / 100, one.level)
        for one in recovery
        if _near(level, one.level)
        and (mean := one.mean_recovery).value is not None
        and mean.standard_error is not None
    ]
    if not here:
        raise NotEstimable(f"no trueness was determined at the {name}", f"at least 2 {needs}")
    return max(here, key=lambda one: one[0] ** 2 + one[1] ** 2)
