"""Which figure of the results a criterion speaks of: one table from characteristic and limit to estimates."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from msgspec.structs import replace

from validator import numbers
from validator.assessment.observation import Observation, Sought, Units, figure, refused
from validator.characteristics.order import CHARACTERISTICS
from validator.evaluation.results import (
    AccuracyProfileRecord,
    BudgetRecord,
    CalibrationRecord,
    ComparisonRecord,
    ConfigurationRecord,
    DeclaredLimit,
    DetectionRecord,
    DeviceToDeviceRecord,
    EstimateRecord,
    FormulaRecord,
    InterferenceRecord,
    MatrixEffectRecord,
    NotAssessed,
    PrecisionRecord,
    RecoveryRecord,
    RepeatedUseRecord,
    ResidueLimitRecord,
    SimulatedLevel,
    UncertaintyRecord,
)
from validator.statistics.detection import VARIANTS, resolve_detection, resolve_quantification

Reader = Callable[[Any, Units], Iterator[Observation]]
"""The figures in what was found of a characteristic."""


def observations(
    characteristic: str, limit: str, record: ConfigurationRecord, units: Units
) -> tuple[Observation, ...]:
    """Every figure of *record* that a criterion on *characteristic* with *limit* speaks of.

    *limit* is ``rsd_max``, ``p_min``, ``min`` or ``max``.
    """
    known = CHARACTERISTICS[characteristic]
    readers = known.part("assessing").READERS if known.home else READERS[characteristic]
    found = getattr(record, known.found[0].partition(".")[0]) if limit in readers else None
    beside = tuple(BESIDE[characteristic, limit](record)) if (characteristic, limit) in BESIDE else ()
    if found is None or isinstance(found, NotAssessed):
        return beside or (refused(found or _nothing(characteristic)),)
    return (*readers[limit](found, units), *beside)


def _nothing(characteristic: str) -> NotAssessed:
    name = characteristic.replace("_", " ")
    return NotAssessed(not_assessed=f"no {name} data were provided", needs=f"{name} data")


ONE_LABORATORY = NotAssessed(
    not_assessed="all results come from one laboratory", needs="results from several laboratories"
)
SEVERAL_LABORATORIES = NotAssessed(
    not_assessed="the results are grouped by laboratory, so the between-group variation is reproducibility",
    needs="several series in one laboratory",
)


def _precision(field: str, *, percent: bool) -> Reader:
    def read(entries: tuple[PrecisionRecord, ...], units: Units) -> Iterator[Observation]:
        for entry in entries:
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


def _recovery(entries: tuple[RecoveryRecord, ...], _units: Units) -> Iterator[Observation]:
    for entry in entries:
        yield Observation(
            estimate=entry.mean_recovery,
            unit="%",
            level=entry.level,
            what=entry.matrix or "",
            n=entry.n,
            total=entry.total_content,
            fixed=_of_reference(entry),
        )


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


def _bias(entries: tuple[RecoveryRecord, ...], units: Units) -> Iterator[Observation]:
    return map(_less_all, _recovery(_references_first(entries), units))


def _less_all(recovered: Observation) -> Observation:
    """The bias that a recovery shows."""
    return replace(recovered, estimate=recovered.estimate and recovered.estimate.shifted(-100.0))


def _bias_p(entries: tuple[RecoveryRecord, ...], _units: Units) -> Iterator[Observation]:
    for entry in _references_first(entries):
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
    def read(found: DetectionRecord, units: Units) -> Iterator[Observation]:
        declared: DeclaredLimit | NotAssessed = getattr(found, field)
        if isinstance(declared, NotAssessed):
            yield refused(declared)
            return
        decides = _variant_of(field, declared.variant)
        variant = found.variants.get(decides)
        known = None if isinstance(variant, NotAssessed) else variant
        nu = None if known is None else known.degrees_of_freedom
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
            alternatives=_alternatives(found, field, decides, units),
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


def _residue_limit(found: ResidueLimitRecord, units: Units) -> Iterator[Observation]:
    yield Observation(estimate=found.value, unit=units.level, n=found.n, units=found.groups)


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
    def read(line: CalibrationRecord, units: Units) -> Iterator[Observation]:
        test = getattr(line, field)
        if isinstance(test, NotAssessed):
            yield refused(test)
            return
        yield Observation(
            estimate=EstimateRecord(value=test.p),
            kind="probability",
            n=line.n,
            sought=tuple(misfits(line, units)),
        )

    return read


def _correlation(line: CalibrationRecord, _units: Units) -> Iterator[Observation]:
    yield Observation(estimate=EstimateRecord(value=line.correlation), kind="bound", n=line.n)


def _slope(line: CalibrationRecord, units: Units) -> Iterator[Observation]:
    yield Observation(estimate=line.slope, unit=f"{units.signal}/({units.level})", n=line.n)


def _working_range(end: str) -> Reader:
    def read(line: CalibrationRecord, units: Units) -> Iterator[Observation]:
        value = getattr(line.working_range, end)
        yield Observation(estimate=EstimateRecord(value=value), unit=units.level, kind="bound", n=line.n)

    return read


def _interference(entries: tuple[InterferenceRecord, ...], _units: Units) -> Iterator[Observation]:
    for entry in entries:
        yield Observation(
            estimate=EstimateRecord(value=entry.relative_change_percent, ci=entry.ci, reason=entry.reason),
            unit="%",
            level=entry.ratio,
            what=entry.interferent,
            n=entry.n,
        )


def _matrix_effect(entries: tuple[MatrixEffectRecord, ...], _units: Units) -> Iterator[Observation]:
    for entry in entries:
        yield figure(entry.effect_percent, what=entry.matrix, n=entry.n)


def _device_rsd(entries: tuple[DeviceToDeviceRecord, ...], _units: Units) -> Iterator[Observation]:
    for entry in entries:
        yield figure(entry.device_rsd, kind="deviation", level=entry.level, n=entry.devices)


def _device_sd(entries: tuple[DeviceToDeviceRecord, ...], units: Units) -> Iterator[Observation]:
    for entry in entries:
        unit = units.level if entry.axis == "concentration" else units.signal
        yield figure(entry.device_sd, unit=unit, kind="deviation", level=entry.level, n=entry.devices)


def _use_rsd(found: RepeatedUseRecord, _units: Units) -> Iterator[Observation]:
    yield figure(found.rsd, kind="deviation", n=found.n)


def _use_remaining(found: RepeatedUseRecord, _units: Units) -> Iterator[Observation]:
    if isinstance(found.decline, NotAssessed):
        yield refused(found.decline)
    else:
        yield figure(found.decline.remaining_percent, what=f"use no. {found.last_use}", n=found.devices)


def _difference(found: ComparisonRecord, _units: Units) -> Iterator[Observation]:
    """Mean difference in percent of the mean of both methods, with its sign."""
    if isinstance(found.paired, NotAssessed):
        yield refused(found.paired)
    else:
        yield figure(found.paired.mean_difference_percent, n=found.n)


def _difference_p(found: ComparisonRecord, _units: Units) -> Iterator[Observation]:
    if isinstance(found.paired, NotAssessed):
        yield refused(found.paired)
        return
    difference = found.paired.mean_difference_percent
    yield Observation(
        estimate=EstimateRecord(value=found.paired.test.p),
        kind="probability",
        n=found.n,
        sought=()
        if isinstance(difference, NotAssessed)
        else (Sought("the mean difference", None, difference, "difference"),),
    )


NOT_RELATIVE = NotAssessed(
    not_assessed="the uncertainty is stated as an absolute value only, without a level",
    needs="precision data, target levels or a legal limit",
)
NOT_ABSOLUTE = NotAssessed(
    not_assessed="the uncertainty is stated in percent only, without a level",
    needs="precision data, target levels or a legal limit",
)
OUTSIDE = "the tolerance interval exceeds the acceptance limits at every level"


def _expanded_percent(found: UncertaintyRecord, _units: Units) -> Iterator[Observation]:
    """Expanded uncertainty in percent of the level; its own doubt is in the coverage factor."""
    for level, what, budget in _budgets(found):
        if isinstance(budget, NotAssessed):
            yield refused(budget, level=level, what=what)
        elif budget.expanded_percent is None:
            yield refused(NOT_RELATIVE, level=level, what=what)
        else:
            yield _bound(budget.expanded_percent, "%", level, what)


def _expanded(found: UncertaintyRecord, units: Units) -> Iterator[Observation]:
    """Expanded uncertainty in the unit of the level; that of a formula in another unit is none."""
    for level, what, budget in _budgets(found):
        if isinstance(budget, NotAssessed):
            yield refused(budget, level=level, what=what)
        elif budget.relative:
            yield refused(NOT_ABSOLUTE, level=level, what=what)
        else:
            unit = found.formula.unit if what and found.formula else units.level
            yield _bound(budget.expanded_uncertainty, unit, level, what)


def two_standard_uncertainties(found: UncertaintyRecord) -> Iterator[Observation]:
    """Expanded uncertainty with k = 2 in percent, as legislation states it."""
    for level, what, budget in _budgets(found):
        if isinstance(budget, NotAssessed):
            yield refused(budget, level=level, what=what)
        elif budget.relative_percent is None:
            yield refused(NOT_RELATIVE, level=level, what=what)
        else:
            yield _bound(2 * budget.relative_percent, "%", level, what)


def _bound(value: float, unit: str, level: float | None, what: str) -> Observation:
    return Observation(estimate=EstimateRecord(value=value), unit=unit, kind="bound", level=level, what=what)


def _budgets(
    found: UncertaintyRecord,
) -> Iterator[tuple[float | None, str, BudgetRecord | NotAssessed]]:
    """Level, what it is by, and budget: those of the levels, and that of the formula where there is one."""
    simulated = found.simulated
    for one in found.levels:
        refuted = simulated is not None and simulated.level == one.level
        budget = one.budget
        yield one.level, "", _by_simulation(budget, simulated, one.level) if refuted else budget
    if found.formula is not None:
        result = found.formula.budget
        if isinstance(result, BudgetRecord):
            result = _by_simulation(result, found.formula, result.value)
        yield None, "from the measurement model", result


def _by_simulation(
    budget: BudgetRecord, beside: SimulatedLevel | FormulaRecord | None, centre: float | None
) -> BudgetRecord:
    """The budget with the expanded uncertainty of the simulation, where that refutes it: its longer side."""
    if beside is None or isinstance(beside.check, NotAssessed) or not beside.check.refutes:
        return budget
    if isinstance(beside.simulation, NotAssessed) or centre is None:
        return budget
    lower, upper = beside.simulation.symmetric
    if lower is None or upper is None:
        return budget
    expanded = max(centre - lower, upper - centre)
    percent = None if not centre or budget.expanded_percent is None else 100 * expanded / abs(centre)
    return replace(budget, expanded_uncertainty=expanded, expanded_percent=percent)


def _profile_range(end: int) -> Reader:
    def read(found: AccuracyProfileRecord, units: Units) -> Iterator[Observation]:
        if found.valid_range is None:
            yield Observation(estimate=None, unit=units.level, kind="bound", failed=OUTSIDE)
            return
        yield Observation(
            estimate=EstimateRecord(value=found.valid_range[end]),
            unit=units.level,
            kind="bound",
            n=sum(level.n for level in found.levels),
        )

    return read


def tolerance_bounds(found: AccuracyProfileRecord) -> Iterator[Observation]:
    """Larger absolute bound of the β-expectation interval of the relative error at each level, percent."""
    for level in found.levels:
        yield Observation(
            estimate=EstimateRecord(value=max(abs(end) for end in level.expectation if end is not None)),
            unit="%",
            kind="bound",
            level=level.level,
            n=level.n,
        )


READERS: Mapping[str, Mapping[str, Reader]] = {
    "linearity": {"min": _correlation, "p_min": _calibration_p("quadratic_test")},
    "lack_of_fit": {"p_min": _calibration_p("lack_of_fit")},
    "residual_pattern": {"p_min": _calibration_p("runs_test")},
    "working_range": {"min": _working_range("lower"), "max": _working_range("upper")},
    "sensitivity": {"min": _slope, "max": _slope},
    "detection_limit": {"max": _limit("detection_limit")},
    "quantification_limit": {"max": _limit("quantification_limit")},
    "decision_limit": {"min": _residue_limit, "max": _residue_limit},
    "detection_capability": {"min": _residue_limit, "max": _residue_limit},
    "repeatability": {
        "rsd_max": _precision("repeatability_rsd", percent=True),
        "max": _precision("repeatability_sd", percent=False),
    },
    "intermediate_precision": {
        "rsd_max": _precision("intermediate_rsd", percent=True),
        "max": _precision("intermediate_sd", percent=False),
    },
    "reproducibility": {
        "rsd_max": _precision("reproducibility_rsd", percent=True),
        "max": _precision("reproducibility_sd", percent=False),
    },
    "trueness": {"min": _bias, "max": _bias, "p_min": _bias_p},
    "recovery": {"min": _recovery, "max": _recovery},
    "selectivity": {"min": _interference, "max": _interference},
    "interference": {"min": _interference, "max": _interference},
    "matrix_effect": {"min": _matrix_effect, "max": _matrix_effect},
    "device_to_device": {"rsd_max": _device_rsd, "max": _device_sd},
    "repeated_use": {"rsd_max": _use_rsd, "min": _use_remaining, "max": _use_remaining},
    "uncertainty": {"rsd_max": _expanded_percent, "max": _expanded},
    "accuracy_profile": {"min": _profile_range(0), "max": _profile_range(1)},
    "method_comparison": {"min": _difference, "max": _difference, "p_min": _difference_p},
}
"""By characteristic and limit; a characteristic with a package has its readers there."""

BESIDE: Mapping[tuple[str, str], Callable[[ConfigurationRecord], Iterator[Observation]]] = {
    ("recovery", "min"): _known_samples,
    ("recovery", "max"): _known_samples,
    ("trueness", "min"): lambda record: map(_less_all, _known_samples(record)),
    ("trueness", "max"): lambda record: map(_less_all, _known_samples(record)),
}
"""What another record says beside that of the characteristic, by characteristic and limit."""
