"""Which figure of the results a criterion speaks of: one table from characteristic and limit to estimates."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec.structs import replace

from validator import numbers
from validator.assessment.observation import Kind, Observation, Reader, Sought, Units, figure, refused
from validator.assessment.observations_of_conditions import READERS_OF_CONDITIONS, READERS_OF_UNCERTAINTY
from validator.characteristics.order import CHARACTERISTICS
from validator.evaluation.results import (
    CalibrationRecord,
    ConfigurationRecord,
    DeclaredLimit,
    DetectionRecord,
    EstimateRecord,
    NotAssessed,
    PrecisionRecord,
    RecoveryRecord,
    ResidueLimitRecord,
)
from validator.statistics.detection import VARIANTS, resolve_detection, resolve_quantification

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["READERS", "Kind", "Observation", "Reader", "Units", "observations"]


def observations(
    characteristic: str, limit: str, record: ConfigurationRecord, units: Units
) -> tuple[Observation, ...]:
    """Every figure of *record* that a criterion on *characteristic* with *limit* speaks of.

    *limit* is ``rsd_max``, ``p_min``, ``min`` or ``max``.
    """
    known = CHARACTERISTICS.get(characteristic)
    if known is not None and known.home and limit in (readers := known.part("assessing").READERS):
        found = record.of(characteristic)
        return (refused(found),) if isinstance(found, NotAssessed) else tuple(readers[limit](found, units))
    reader = READERS.get((characteristic, limit))
    if reader is None:
        return (Observation(estimate=None, refusal=_nothing(characteristic)),)
    return tuple(reader(record, units))


def _nothing(characteristic: str) -> NotAssessed:
    name = characteristic.replace("_", " ")
    return NotAssessed(not_assessed=f"no {name} data were provided", needs=f"{name} data")


ONE_LABORATORY = NotAssessed(
    not_assessed="all results come from one laboratory", needs="results from several laboratories"
)
SEVERAL_LABORATORIES = NotAssessed(
    not_assessed=("the results are grouped by laboratory, so the between-group variation is reproducibility"),
    needs="several series in one laboratory",
)


def _precision(field: str, *, percent: bool) -> Reader:
    def read(record: ConfigurationRecord, units: Units) -> Iterator[Observation]:
        if isinstance(record.precision, NotAssessed):
            yield refused(record.precision)
            return
        for entry in record.precision:
            found: EstimateRecord | NotAssessed | None = getattr(entry, field)
            if found is None:
                absent = ONE_LABORATORY if entry.reproducibility_sd is None else SEVERAL_LABORATORIES
                yield refused(absent, level=_level(entry))
            else:
                yield replace(
                    figure(
                        found,
                        unit="%" if percent else units.level,
                        kind="deviation",
                        level=_level(entry),
                        n=entry.n,
                    ),
                    units=None if field.startswith("repeatability") else entry.groups,
                )

    return read


def _level(entry: PrecisionRecord) -> float | None:
    return entry.level if entry.level is not None else entry.mean.value


def _recovery(record: ConfigurationRecord, _units: Units) -> Iterator[Observation]:
    known = tuple(_known_samples(record))
    if isinstance(record.recovery, NotAssessed):
        yield from known or (refused(record.recovery),)
        return
    for entry in record.recovery:
        yield Observation(
            estimate=entry.mean_recovery,
            unit="%",
            level=entry.level,
            what=entry.matrix or "",
            kind="mean",
            n=entry.n,
            total=entry.total_content,
            fixed=_of_reference(entry),
        )
    yield from known


def _known_samples(record: ConfigurationRecord) -> Iterator[Observation]:
    """What standard addition found of contents that are known from elsewhere, in percent of them."""
    if isinstance(record.standard_addition, NotAssessed):
        return
    for entry in record.standard_addition:
        if not entry.reference:
            continue
        what = f"{entry.sample}, standard addition"
        if isinstance(entry.concentration, NotAssessed):
            yield refused(entry.concentration, level=entry.reference, what=what)
        else:
            yield Observation(
                estimate=entry.concentration.scaled(100 / entry.reference),
                unit="%",
                level=entry.reference,
                what=what,
                kind="mean",
                n=entry.n,
                total=entry.reference,
            )


def _of_reference(entry: RecoveryRecord) -> float:
    """Standard error of a mean recovery that comes from the reference value, percent."""
    return (entry.mean_recovery.value or 0.0) * (entry.reference_uncertainty_used or 0.0) / entry.level


def _references_first(entries: tuple[RecoveryRecord, ...]) -> tuple[RecoveryRecord, ...]:
    # a certified value says more of trueness than a spike (IUPAC 2002, A4-A6: from memory)
    return tuple(entry for entry in entries if entry.kind == "reference") or entries


def _bias(record: ConfigurationRecord, _units: Units) -> Iterator[Observation]:
    known = tuple(
        one if one.estimate is None else replace(one, estimate=one.estimate.shifted(-100.0))
        for one in _known_samples(record)
    )
    if isinstance(record.recovery, NotAssessed):
        yield from known or (refused(record.recovery),)
        return
    for entry in _references_first(record.recovery):
        estimate = entry.mean_recovery.shifted(-100.0)
        yield Observation(
            estimate=estimate,
            unit="%",
            level=entry.level,
            what=entry.matrix or "",
            n=entry.n,
            fixed=_of_reference(entry),
            total=entry.total_content,
        )
    yield from known


def _bias_p(record: ConfigurationRecord, _units: Units) -> Iterator[Observation]:
    if isinstance(record.recovery, NotAssessed):
        yield refused(record.recovery)
        return
    for entry in _references_first(record.recovery):
        yield Observation(
            estimate=EstimateRecord(value=entry.p_bias, reason=entry.mean_recovery.reason),
            level=entry.level,
            kind="probability",
            sought=(Sought("the bias", entry.total_content, entry.mean_recovery.shifted(-100.0), "bias"),),
            what=entry.matrix or "",
            n=entry.n,
            total=entry.total_content,
        )


def _limit(field: str) -> Reader:
    def read(record: ConfigurationRecord, units: Units) -> Iterator[Observation]:
        if isinstance(record.detection, NotAssessed):
            yield refused(record.detection)
            return
        declared: DeclaredLimit | NotAssessed = getattr(record.detection, field)
        if isinstance(declared, NotAssessed):
            yield refused(declared)
            return
        variant = record.detection.variants.get(_variant_of(field, declared.variant))
        known = None if isinstance(variant, NotAssessed) else variant
        nu = None if known is None else known.degrees_of_freedom
        decides = _variant_of(field, declared.variant)
        yield Observation(
            estimate=EstimateRecord(
                value=declared.value,
                ci=declared.ci,
                one_sided=declared.one_sided,
                degrees_of_freedom=nu,
                reason=None if known is None else known.reason,
            ),
            unit=units.level,
            kind="bound" if VARIANTS[decides].is_level else "deviation",
            what=declared.variant,
            n=None if nu is None else round(nu) + 1,
            alternatives=_alternatives(record.detection, field, decides, units),
        )

    return read


def _alternatives(
    detection: DetectionRecord, field: str, decides: str, units: Units
) -> tuple[Observation, ...]:
    """The limit by every other approach that gives one, where neither study nor guidance chose."""
    if detection.declared_by != "rule":
        return ()
    found = []
    for name, variant in detection.variants.items():
        value = None if isinstance(variant, NotAssessed) else getattr(variant, field)
        if name != decides and value is not None and value.value > 0:
            found.append(
                Observation(
                    estimate=EstimateRecord(value=value.value, ci=value.ci, one_sided=value.one_sided),
                    unit=units.level,
                    kind="bound" if VARIANTS[name].is_level else "deviation",
                    what=VARIANTS[name].title,
                )
            )
    return tuple(found)


def _residue_limit(field: str) -> Reader:
    def read(record: ConfigurationRecord, units: Units) -> Iterator[Observation]:
        found: ResidueLimitRecord | NotAssessed | None = getattr(record, field)
        if found is None:
            yield refused(_nothing(field))
        elif isinstance(found, NotAssessed):
            yield refused(found)
        else:
            yield Observation(estimate=found.value, unit=units.level, n=found.n, units=found.groups)

    return read


def _variant_of(field: str, declared: str) -> str:
    resolve = resolve_quantification if field == "quantification_limit" else resolve_detection
    return resolve(declared).id


def misfits(line: CalibrationRecord, units: Units) -> Iterator[Sought]:
    """The deviation of the mean of each level from the line: what every test of linearity looks for."""
    for at, one in enumerate(line.misfit):
        of = (
            f"the deviation of the level mean at {numbers.quantity(numbers.as_given(one.level), units.level)}"
        )
        yield Sought(of, one.level, one.percent, "misfit" if at else "lowest misfit")


def _calibration_p(field: str) -> Reader:
    def read(record: ConfigurationRecord, units: Units) -> Iterator[Observation]:
        if isinstance(record.calibration, NotAssessed):
            yield refused(record.calibration)
            return
        test = getattr(record.calibration, field)
        if isinstance(test, NotAssessed):
            yield refused(test)
            return
        yield Observation(
            estimate=EstimateRecord(value=test.p),
            kind="probability",
            n=record.calibration.n,
            sought=tuple(misfits(record.calibration, units)),
        )

    return read


def _correlation(record: ConfigurationRecord, _units: Units) -> Iterator[Observation]:
    if isinstance(record.calibration, NotAssessed):
        yield refused(record.calibration)
        return
    yield Observation(
        estimate=EstimateRecord(value=record.calibration.correlation), kind="bound", n=record.calibration.n
    )


def _slope(record: ConfigurationRecord, units: Units) -> Iterator[Observation]:
    if isinstance(record.calibration, NotAssessed):
        yield refused(record.calibration)
        return
    yield Observation(
        estimate=record.calibration.slope,
        unit=f"{units.signal}/({units.level})",
        kind="mean",
        n=record.calibration.n,
    )


def _range_end(end: str) -> Reader:
    def read(record: ConfigurationRecord, units: Units) -> Iterator[Observation]:
        if isinstance(record.calibration, NotAssessed):
            yield refused(record.calibration)
            return
        value = getattr(record.calibration.working_range, end)
        yield Observation(
            estimate=EstimateRecord(value=value), unit=units.level, kind="bound", n=record.calibration.n
        )

    return read


def _interference(record: ConfigurationRecord, _units: Units) -> Iterator[Observation]:
    if isinstance(record.interference, NotAssessed):
        yield refused(record.interference)
        return
    for entry in record.interference:
        yield Observation(
            estimate=EstimateRecord(value=entry.relative_change_percent, ci=entry.ci, reason=entry.reason),
            unit="%",
            level=entry.ratio,
            what=entry.interferent,
            n=entry.n,
        )


READERS: dict[tuple[str, str], Reader] = {
    ("repeatability", "rsd_max"): _precision("repeatability_rsd", percent=True),
    ("repeatability", "max"): _precision("repeatability_sd", percent=False),
    ("intermediate_precision", "rsd_max"): _precision("intermediate_rsd", percent=True),
    ("intermediate_precision", "max"): _precision("intermediate_sd", percent=False),
    ("reproducibility", "rsd_max"): _precision("reproducibility_rsd", percent=True),
    ("reproducibility", "max"): _precision("reproducibility_sd", percent=False),
    ("recovery", "min"): _recovery,
    ("recovery", "max"): _recovery,
    ("trueness", "min"): _bias,
    ("trueness", "max"): _bias,
    ("trueness", "p_min"): _bias_p,
    ("detection_limit", "max"): _limit("detection_limit"),
    ("quantification_limit", "max"): _limit("quantification_limit"),
    **{
        (name, limit): _residue_limit(name)
        for name in ("decision_limit", "detection_capability")
        for limit in ("min", "max")
    },
    ("lack_of_fit", "p_min"): _calibration_p("lack_of_fit"),
    ("linearity", "p_min"): _calibration_p("quadratic_test"),
    ("linearity", "min"): _correlation,
    ("residual_pattern", "p_min"): _calibration_p("runs_test"),
    ("working_range", "min"): _range_end("lower"),
    ("working_range", "max"): _range_end("upper"),
    ("sensitivity", "min"): _slope,
    ("sensitivity", "max"): _slope,
    ("interference", "min"): _interference,
    ("interference", "max"): _interference,
    ("selectivity", "min"): _interference,
    ("selectivity", "max"): _interference,
    **READERS_OF_CONDITIONS,
    **READERS_OF_UNCERTAINTY,
}
