"""Precision beside what the mass fraction alone lets one expect, and over the levels."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from msgspec.structs import replace

from validator.errors import NotEstimable
from validator.evaluation.chosen_guidance import profiles_of
from validator.evaluation.convert import attempt, not_assessed
from validator.evaluation.results import (
    LevelDependenceRecord,
    LevelForm,
    NotAssessed,
    PrecisionRecord,
    value_of,
)
from validator.statistics.horwitz import horwitz_rsd, mass_fraction, thompson_rsd
from validator.statistics.level_dependence import level_dependence as forms_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.study import Study
    from validator.study.models.method import Analyte

FEWEST_LEVELS = 3
WITHIN_ONE_LABORATORY = 0.5
"""Share of the predicted reproducibility that repeatability is expected to be, where no chosen guidance names
another (AOAC 2012, Annex D; from memory)."""


def share_of(study: Study) -> float:
    """The share of the predicted reproducibility for repeatability: of the first guidance that names one."""
    return next((one.horrat_share for one in profiles_of(study) if one.horrat_share), WITHIN_ONE_LABORATORY)


def with_prediction(record: PrecisionRecord, analyte: Analyte, share: float) -> PrecisionRecord:
    """*record* with the RSD predicted from its mass fraction and the ratios of what was found to it.

    A level per volume is taken as in water, 1 kg/L, which the record says, as it says why a unit
    carries no mass fraction.
    """
    if record.level is None:
        return record
    try:
        fraction = mass_fraction(record.level, analyte.unit, molar_mass=analyte.molar_mass, water_matrix=True)
        horwitz, thompson = horwitz_rsd(fraction.value), thompson_rsd(fraction.value)
    except NotEstimable as refusal:
        return replace(record, mass_fraction=not_assessed(refusal))
    between, within = value_of(record.reproducibility_rsd), value_of(record.repeatability_rsd)
    return replace(
        record,
        horwitz_rsd=horwitz,
        thompson_rsd=thompson,
        horrat=None if between is None else between / thompson,
        horrat_repeatability=None if within is None else within / (share * thompson),
        horrat_horwitz=None if between is None else between / horwitz,
        horrat_repeatability_horwitz=None if within is None else within / (share * horwitz),
        horrat_share=share,
        mass_fraction=fraction.value,
        mass_fraction_assumption=fraction.assumption or None,
    )


def level_dependence(records: Sequence[PrecisionRecord] | NotAssessed) -> LevelDependenceRecord | None:
    """How the standard deviations of *records* depend on the level; None below three levels."""
    if isinstance(records, NotAssessed) or len(records) < FEWEST_LEVELS:
        return None
    total: Literal["intermediate", "reproducibility"] = (
        "reproducibility" if any(one.reproducibility_sd is not None for one in records) else "intermediate"
    )
    return LevelDependenceRecord(
        repeatability=attempt(lambda: _forms(records, "repeatability_sd")),
        total=attempt(lambda: _forms(records, f"{total}_sd")),
        total_of=total,
    )


def _forms(records: Sequence[PrecisionRecord], field: str) -> tuple[LevelForm, ...]:
    found = [
        (record.mean.value, sd)
        for record in records
        if record.mean.value is not None and (sd := value_of(getattr(record, field))) is not None
    ]
    if len(found) < FEWEST_LEVELS:
        raise NotEstimable(
            f"standard deviations are available at {len(found)} levels only",
            "standard deviations at 3 or more levels",
        )
    return forms_of([mean for mean, _ in found], [sd for _, sd in found])
