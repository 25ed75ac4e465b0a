"""Caveats on the materials that trueness rests on: spikes, reference materials, check standards."""

from __future__ import annotations

import re

from validator import numbers
from validator.assessment.caveats.likeness import unlike
from validator.assessment.caveats.raising import Raised, Subject, Trigger
from validator.evaluation.rows import kept
from validator.study.models.trueness import RecoveryRun

SMALLEST_SPIKE, LARGEST_SPIKE = 0.5, 10.0
"""Amount added over the native content between which a spike tests the native analyte (customary)."""
OTHER_LEVEL = 3.0
"""A reference value this many times outside the samples' levels is of another level (customary)."""

_LATE = re.compile(
    r"\b(added|spiked|addition|spike)\b.*\b(after|behind|following)\b.*"
    r"\b(extraction|digestion|clean-?up|preparation|filtration|dilution)\b",
    re.IGNORECASE,
)
_SAME_STOCK = re.compile(
    r"\bsame (stock|lot|solution|standard|material)\b.*\bcalibrat\w+"
    r"|\b(from|of|with) the calibrat\w+ (stock|lot|solution|standard|material)s?\b",
    re.IGNORECASE,
)

_SECOND_SOURCE = re.compile(
    r"\b(second|other|another|different|independent)(?: \w+)? "
    r"(source|supplier|lot|batch|stock|manufacturer)\b",
    re.IGNORECASE,
)


def _runs(subject: Subject) -> list[RecoveryRun]:
    return [run for run in kept(subject.runs("recovery")) if isinstance(run, RecoveryRun)]


def trueness_from_spikes_only(subject: Subject) -> Trigger:
    """Spikes are present, but no reference material and no second method."""
    kinds = {record.kind for record in subject.recovery}
    if kinds == {"spike"} and not subject.runs("comparison"):
        spikes = sum(record.n for record in subject.recovery)
        yield Raised(
            id="trueness_from_spikes_only", case="spikes_only", values={"spikes": numbers.count(spikes)}
        )


def spike_badly_chosen(subject: Subject) -> Trigger:
    """Spikes far smaller than the native content, only far larger ones, or ones added too late."""
    ratios: dict[tuple[str | None, float], list[tuple[float, float]]] = {}
    for run in _runs(subject):
        if run.added is not None and run.native is not None and run.native > 0:
            ratios.setdefault((run.matrix, run.native), []).append((run.added / run.native, run.added))
    smallest = min((ratio for some in ratios.values() for ratio in some), default=None)
    if smallest is not None and smallest[0] < SMALLEST_SPIKE:
        yield _spike(subject, "too_small", smallest, SMALLEST_SPIKE)
    real = _lowest_real_content(subject)
    # a sample with next to nothing in it is a blank, and the series of spikes a calibration in matrix
    large = [min(some) for (_, native), some in ratios.items() if native >= real]
    too_large = [one for one in large if one[0] > LARGEST_SPIKE]
    if too_large:
        yield _spike(subject, "too_large", max(too_large), LARGEST_SPIKE)
    late = [run for run in _runs(subject) if run.added is not None and _LATE.search(run.note or "")]
    if late:
        yield Raised(id="spike_badly_chosen", case="added_late", values={"note": late[0].note or ""})


def _lowest_real_content(subject: Subject) -> float:
    limit = subject.quantification_limit
    return max(subject.lowest_standard or 0.0, limit.value if limit is not None else 0.0)


def _spike(subject: Subject, case: str, found: tuple[float, float], bound: float) -> Raised:
    ratio, added = found
    return Raised(
        id="spike_badly_chosen",
        case=case,
        values={
            "added": numbers.as_given(added),
            "unit": subject.analyte.unit,
            "ratio": numbers.significant(ratio, 2, apart_from=(bound,)),
        },
    )


def reference_material_unlike_samples(subject: Subject) -> Trigger:
    """The reference material is of another matrix, or far from the levels of the samples."""
    references = [record for record in subject.recovery if record.kind == "reference"]
    other = [record.matrix for record in references if unlike(record.matrix, subject.matrix)]
    if other:
        yield Raised(
            id="reference_material_unlike_samples",
            case="other_matrix",
            values={"reference_matrix": other[0] or "", "sample_matrix": subject.matrix or ""},
        )
        return
    levels = subject.analyte.target_levels or [
        *(record.level for record in subject.recovery if record.kind != "reference"),
        *(record.level for record in subject.precision if record.level),
    ]
    if not levels:
        return
    lowest, highest = min(levels), max(levels)
    far = [one for one in references if not lowest / OTHER_LEVEL <= one.level <= OTHER_LEVEL * highest]
    if far and len(far) == len(references):
        yield Raised(
            id="reference_material_unlike_samples",
            case="other_level",
            values={
                "value": numbers.significant(far[0].level),
                "unit": subject.analyte.unit,
                "lowest": numbers.as_given(lowest),
                "highest": numbers.as_given(highest),
            },
        )


def same_material_calibrates_and_checks(subject: Subject) -> Trigger:
    """The study says of what checks trueness that it was made from the stock of the calibration."""
    for run in _runs(subject):
        if run.added is None and _SAME_STOCK.search(run.note or ""):
            yield Raised(
                id="same_material_calibrates_and_checks",
                case="same",
                values={
                    "level": subject.level(run.expected),
                    "note": run.note or "",
                },
            )
            return


def one_dilution_chain(subject: Subject) -> Trigger:
    """Trueness is spoken of, and nothing of a second source checks the standards."""
    kinds = {record.kind for record in subject.recovery}
    independent = bool(kinds & {"level", "reference"}) or bool(subject.runs("comparison"))
    if subject.calibration is not None and kinds and not independent and not _second_source(subject):
        yield Raised(id="one_dilution_chain", case="no_check_standard", characteristic="trueness")


def _second_source(subject: Subject) -> bool:
    """True when the study records an independent standard, or its reagents or spikes speak of one."""
    method = subject.study.method
    notes = (run.note or "" for run in _runs(subject))
    return any(one.independent for one in method.standards) or any(
        _SECOND_SOURCE.search(text) for text in (*method.reagents, *notes)
    )


TRIGGERS = (
    trueness_from_spikes_only,
    spike_badly_chosen,
    reference_material_unlike_samples,
    same_material_calibrates_and_checks,
    one_dilution_chain,
)
