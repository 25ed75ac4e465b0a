"""Caveats on the matrix: not examined, found and left uncompensated, too few kinds; and on interferents."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.assessment.caveats.likeness import unlike
from validator.assessment.caveats.raising import Raised, Subject, Trigger, listed, p_text
from validator.dossier import numbers
from validator.evaluation.results import (
    EstimateRecord,
    InterferenceRecord,
    MatrixEffectRecord,
    NotAssessed,
    TTest,
)
from validator.evaluation.rows import kept
from validator.evaluation.selectivity import interference_limit
from validator.guidance import Counter

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
    examined = (
        subject.runs("matrix_calibration")
        or subject.runs("standard_addition")
        or len(spiked) >= SPIKED_LEVELS
    )
    if not examined:
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
    test = record.slope_difference
    if size > LARGE_EFFECT:
        yield Raised(id="matrix_effect_not_compensated", case="large", values=values)
    elif size > REAL_EFFECT and isinstance(test, TTest) and test.p < SIGNIFICANCE:
        yield Raised(
            id="matrix_effect_not_compensated",
            case="significant",
            values={**values, "p": p_text(test.p)},
        )


def _effect(record: MatrixEffectRecord) -> float | None:
    return record.effect_percent.value if isinstance(record.effect_percent, EstimateRecord) else None


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


TRIGGERS = (
    matrix_effect_not_examined,
    matrix_effect_not_compensated,
    matrices_claimed_beyond_tested,
    interference_test_cannot_decide,
)
