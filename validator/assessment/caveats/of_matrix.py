"""Caveats on the matrix: not examined, found and left uncompensated, too few kinds; and on interferents."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator import numbers
from validator.assessment.caveats.raising import Raised, Subject, Trigger, listed, unlike
from validator.errors import NotEstimable
from validator.evaluation.results import (
    EstimateRecord,
    FTest,
    InterferenceRecord,
    MatrixEffectRecord,
    NotAssessed,
    StandardAdditionRecord,
    TTest,
)
from validator.evaluation.rows import kept
from validator.evaluation.selectivity import interference_limit
from validator.guidance import Counter
from validator.records import value_of
from validator.statistics.precision import single_series

if TYPE_CHECKING:
    from collections.abc import Sequence

LARGE_EFFECT = 20.0
"""Change of the slope in percent that has to be compensated (SANTE/11312/2021; from memory)."""
REAL_EFFECT, SIGNIFICANCE = 5.0, 0.05
"""Change that matters where it is significant (customary)."""
SPIKED_LEVELS = 3
"""Spikes at so many levels in the matrix show its slope as well as standard additions do (customary)."""
FEWEST_WITH_INTERFERENT = 3
"""Results with the interferent below which a change cannot be told from scatter (customary)."""


def matrix_effect_not_examined(subject: Subject) -> Trigger:
    """A calibration in clean solution, and nothing that shows the slope in the sample."""
    sample = subject.matrix
    if subject.calibration is None or sample is None or _is_in_matrix(subject):
        return
    spiked = {record.level for record in subject.recovery if record.kind == "spike" and record.n > 0}
    if (
        subject.runs("matrix_calibration")
        or subject.runs("standard_addition")
        or len(spiked) >= SPIKED_LEVELS
    ):
        return
    if spiked:
        levels = f"{numbers.count(len(spiked))} {'level' if len(spiked) == 1 else 'levels'}"
        yield Raised(
            id="matrix_effect_not_examined",
            case="few_spikes",
            values={"sample_matrix": sample, "levels": levels},
        )
    else:
        yield Raised(id="matrix_effect_not_examined", case="no_comparison", values={"sample_matrix": sample})


def _is_in_matrix(subject: Subject) -> bool:
    """True when the standards themselves are in the sample matrix, as far as their names tell."""
    names = {run.matrix for run in kept(subject.runs("calibration"))}
    return bool(names) and None not in names and not any(unlike(name, subject.matrix) for name in names)


def matrix_effect_not_compensated(subject: Subject) -> Trigger:
    """The slope in matrix differs, and results are read from standards in clean solution."""
    found = subject.record.matrix_effect
    if isinstance(found, NotAssessed) or _is_in_matrix(subject):
        return
    effects = [(abs(effect), effect, record) for record in found if (effect := _effect(record)) is not None]
    if not effects:
        return
    size, effect, record = max(effects, key=lambda one: one[0])
    values: dict[str, str | int] = {
        "matrix": record.matrix,
        "effect": numbers.significant(effect, 2, apart_from=(LARGE_EFFECT, -LARGE_EFFECT)),
    }
    weight = size / subject.allowed_bias
    test = record.slope_difference
    if size > LARGE_EFFECT:
        yield Raised(id="matrix_effect_not_compensated", case="large", values=values, effect=weight)
    elif size > REAL_EFFECT and isinstance(test, TTest) and test.p < SIGNIFICANCE:
        yield Raised(
            id="matrix_effect_not_compensated",
            case="significant",
            values={**values, "p": numbers.p_text(test.p)},
            effect=weight,
        )


def _effect(record: MatrixEffectRecord) -> float | None:
    return record.effect_percent.value if isinstance(record.effect_percent, EstimateRecord) else None


def standard_addition_in_doubt(subject: Subject) -> Trigger:
    """What a line of additions does not correct, or does not carry."""
    found = subject.record.standard_addition
    for record in () if isinstance(found, NotAssessed) else found:
        if isinstance(record.concentration, NotAssessed):
            continue
        cases = (_blank(subject, record), _curvature(record), _extrapolation(record))
        for case, values in (one for one in cases if one is not None):
            yield Raised(
                id="standard_addition_in_doubt",
                case=case,
                values={"sample": record.sample, **values},
                characteristic="trueness",
            )
        if record.successive:
            yield Raised(
                id="standard_addition_in_doubt",
                case="successive",
                values={"sample": record.sample},
                characteristic="trueness",
            )


def _blank(subject: Subject, record: StandardAdditionRecord) -> tuple[str, dict[str, str]] | None:
    if record.blank_corrected or not isinstance(record.concentration, EstimateRecord):
        return None
    slope, content = value_of(record.slope), record.concentration.value
    signals = [one.value for one in subject.values("blanks") if getattr(one.run, "axis", "") == "signal"]
    unknown: tuple[str, dict[str, str]] | None = None
    if record.blank_corrected is None:
        unknown = "blank_unknown", {}
    if not signals or not slope or not content:
        return unknown
    try:
        mean = single_series(signals).mean
    except NotEstimable:
        return unknown
    if mean.interval is None or 0 in mean.interval:
        return None
    blank = mean.value / slope * record.dilution_factor
    return "blank_included", {
        "blank": subject.unit(blank, 2),
        "percent": numbers.significant(100 * blank / content, 2),
    }


def _curvature(record: StandardAdditionRecord) -> tuple[str, dict[str, str]] | None:
    if isinstance(record.linearity, NotAssessed):
        return None
    tests = (record.linearity.quadratic_test, record.linearity.lack_of_fit)
    p = min((one.p for one in tests if isinstance(one, FTest)), default=1.0)
    return ("curved", {"p": numbers.p_text(p)}) if p < SIGNIFICANCE else None


def _extrapolation(record: StandardAdditionRecord) -> tuple[str, dict[str, str]] | None:
    if record.extrapolation is None or record.extrapolation <= 1:
        return None
    return "extrapolated", {"ratio": numbers.significant(record.extrapolation, 2, apart_from=(1.0,))}


def matrices_claimed_beyond_tested(subject: Subject) -> Trigger:
    """Fewer matrices or lots than a chosen profile asks for."""
    for demand in subject.demands:
        if demand.is_short and demand.counter == Counter.MATRICES:
            yield Raised(
                id="matrices_claimed_beyond_tested",
                case="few_lots",
                values={
                    "tested": numbers.as_given(float(demand.provided or 0)),
                    "document": demand.strictest.source,
                    "required": numbers.as_given(float(demand.strictest.required)),
                },
                characteristic=demand.characteristic,
            )


def interference_test_cannot_decide(subject: Subject) -> Trigger:
    """A change known too badly to be judged, too few results, or a border that nobody looked for."""
    found = subject.record.interference
    records = () if isinstance(found, NotAssessed) else found
    few = [record for record in records if record.n < FEWEST_WITH_INTERFERENT]
    if few:
        yield Raised(
            id="interference_test_cannot_decide",
            case="few_replicates",
            values={
                "interferent": listed([record.interferent for record in few]),
                "n": numbers.count(min(record.n for record in few)),
            },
        )
    limit = interference_limit(subject.study, subject.cell)
    wide = [
        (half, record) for record in records if (half := _half_width(record)) is not None and half > limit
    ]
    if wide:
        half, record = max(wide, key=lambda one: one[0])
        yield Raised(
            id="interference_test_cannot_decide",
            case="scatter",
            values={
                "interferent": record.interferent,
                "width": numbers.significant(half, 2, apart_from=(limit,)),
                "tolerance": numbers.as_given(limit),
            },
        )
    border = _without_a_border(records)
    if border:
        yield Raised(
            id="interference_test_cannot_decide",
            case="one_ratio",
            values={"interferent": listed(border)},
        )


def _half_width(record: InterferenceRecord) -> float | None:
    """Half the interval of a change that could not be judged; a wide one beyond the limit is clear enough."""
    if record.interferes_guarded != "undecided" or record.ci is None:
        return None
    lower, upper = record.ci
    return None if lower is None or upper is None else (upper - lower) / 2


def _without_a_border(records: Sequence[InterferenceRecord]) -> list[str]:
    """Interferents that change the result at the only amount tested: what is tolerated stays unknown."""
    amounts: dict[str, list[InterferenceRecord]] = {}
    for record in records:
        amounts.setdefault(record.interferent, []).append(record)
    return [name for name, some in amounts.items() if len(some) == 1 and some[0].interferes]


def interferents_limit_samples(subject: Subject) -> Trigger:
    """An amount tested that changes the result beyond the tolerance, where no criterion decides on it."""
    found = subject.record.interference
    records = () if isinstance(found, NotAssessed) else found
    limit = interference_limit(subject.study, subject.cell)
    told: list[str] = []
    largest = 0.0
    substances: dict[str, list[InterferenceRecord]] = {}
    for record in records:
        substances.setdefault(record.interferent, []).append(record)
    for name, some in substances.items():
        beyond = [one for one in some if _is_beyond(one) and not _is_decided(subject, one)]
        if not beyond:
            continue
        first = beyond[0]
        largest = max(largest, *(abs(one.relative_change_percent or 0.0) for one in beyond))
        inside = [one for one in some if one.interferes is False and _amount(one) < _amount(first)]
        known = f"; within the tolerance at {_amount_text(inside[-1])}" if inside else ""
        change = numbers.significant(first.relative_change_percent, 2)
        told.append(f"{name}, {change} % at {_amount_text(first)}{known}")
    if told:
        yield Raised(
            id="interferents_limit_samples",
            case="beyond",
            values={"changes": ". ".join(told), "tolerance": numbers.as_given(limit)},
            effect=largest / limit if limit else None,
        )


def _is_beyond(record: InterferenceRecord) -> bool:
    return bool(record.interferes) or record.interferes_guarded == "yes"


def _is_decided(subject: Subject, record: InterferenceRecord) -> bool:
    """True when a criterion decides on this amount, so that the change fails it."""
    return any(
        one.decides
        and one.characteristic in ("interference", "selectivity")
        and one.what == record.interferent
        and (one.level is None or one.level == record.ratio)
        for one in subject.findings
    )


def _amount(record: InterferenceRecord) -> float:
    return record.ratio if record.ratio is not None else record.interferent_level or 0.0


def _amount_text(record: InterferenceRecord) -> str:
    if record.ratio is not None:
        return f"a ratio of {numbers.as_given(record.ratio)}:1"
    return numbers.quantity(numbers.as_given(record.interferent_level), record.interferent_unit or "")


TRIGGERS = (
    interferents_limit_samples,
    matrix_effect_not_examined,
    matrix_effect_not_compensated,
    standard_addition_in_doubt,
    matrices_claimed_beyond_tested,
    interference_test_cannot_decide,
)
