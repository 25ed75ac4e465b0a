"""Caveats on days, people and the scatter between series."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator import numbers
from validator.assessment.caveats.raising import Raised, Subject, Trigger, listed
from validator.evaluation.results import EstimateRecord, value_of
from validator.evaluation.rows import group_label
from validator.guidance import Kind

if TYPE_CHECKING:
    from validator.evaluation.results import LaboratoryRecord, PrecisionRecord

ENOUGH_SERIES = 6
"""Series from which the scatter between them is roughly known (customary)."""
ENOUGH_DAYS = 5
"""Days on which one person with one instrument meets the changes of routine work (customary)."""
LEAST_WITHIN, LEAST_BETWEEN = 0.3, 0.5
"""Usual least Horwitz ratios of repeatability and reproducibility (AOAC 2012, Annex D; from memory)."""


def intermediate_precision_from_one_day(subject: Subject) -> Trigger:
    """Intermediate precision is asked for: without different series, or from one person on few days."""
    if not subject.precision or not subject.is_limited("intermediate_precision"):
        return
    if not any(_is_grouped(record) for record in subject.precision):
        yield Raised(
            id="intermediate_precision_from_one_day", case="one_day", values={"factor": "series or day"}
        )
        return
    runs = [value.run for value in subject.values("precision")]
    days = {group_label(run) for run in runs} - {None}
    operators = {run.operator for run in runs}
    instruments = {run.instrument for run in runs}
    one_person = len(operators) == 1 and None not in operators and len(instruments) == 1
    if one_person and len(days) < ENOUGH_DAYS:
        beside = "instrument not recorded" if None in instruments else "one instrument"
        yield Raised(
            id="intermediate_precision_from_one_day",
            case="one_person",
            values={"days": numbers.count(len(days)), "instrument": beside},
        )


def _is_grouped(record: PrecisionRecord) -> bool:
    return record.factor is not None and record.groups > 1


def only_repeatability_given(subject: Subject) -> Trigger:
    """Precision data without any grouping factor, where intermediate precision is not even asked for."""
    if subject.is_limited("intermediate_precision"):
        return
    bare = [record for record in subject.precision if record.factor is None and record.n > 1]
    if bare:
        yield Raised(
            id="only_repeatability_given",
            case="no_grouping",
            values={
                "n": numbers.count(sum(record.n for record in bare)),
                "where": listed([subject.level(record.level) for record in bare]),
            },
        )


def between_series_part_badly_known(subject: Subject) -> Trigger:
    """Fewer than six series; or a between component that was set to zero."""
    grouped = [record for record in subject.precision if _is_grouped(record)]
    if not grouped:
        return
    fewest = min(record.groups for record in grouped)
    if fewest < ENOUGH_SERIES:
        yield Raised(
            id="between_series_part_badly_known",
            case="few_series",
            values={"groups": numbers.count(fewest)},
        )
    zero = [record for record in grouped if _is_zero(record)]
    if zero:
        yield Raised(
            id="between_series_part_badly_known",
            case="set_to_zero",
            values={"where": listed([subject.level(record.level) for record in zero])},
        )


def _is_zero(record: PrecisionRecord) -> bool:
    return isinstance(record.between_sd, EstimateRecord) and record.between_sd.value == 0


def scatter_too_small(subject: Subject) -> Trigger:
    """Scatter far below what the mass fraction lets one expect.

    Only where the level is a true mass fraction: the prediction comes from analyses of solid samples, and a
    solution read directly, or an assay, scatters less as a rule.
    """
    if subject.kind is Kind.ASSAY:
        return
    records = [
        record
        for record in subject.precision
        if isinstance(record.mass_fraction, float) and record.mass_fraction_assumption is None
    ]
    for case, least, figure in (
        ("reproducibility", LEAST_BETWEEN, "horrat"),
        ("repeatability", LEAST_WITHIN, "horrat_repeatability"),
    ):
        small = [
            (ratio, record)
            for record in records
            if (ratio := getattr(record, figure)) is not None and ratio < least
        ]
        if small:
            ratio, record = min(small, key=lambda one: one[0])
            yield Raised(
                id="scatter_too_small_to_be_independent",
                case=case,
                values={
                    "ratio": numbers.significant(ratio, 2, apart_from=(least,)),
                    "where": subject.level(record.level),
                },
                characteristic=case,
            )
            return


def outlying_laboratories(subject: Subject) -> Trigger:
    """Laboratories of an interlaboratory study beyond the 1 % point of Cochran, Grubbs, h or k."""
    for record in subject.precision:
        if record.consistency is None or record.consistency.without is None:
            continue
        outlying = [one for one in record.consistency.laboratories if one.outlying]
        tested = any(set(one.outlying) - {"h", "k"} for one in outlying)
        without = record.consistency.without
        yield Raised(
            id="outlying_laboratories",
            case="test" if tested else "consistency",
            values={
                "where": subject.level(record.level),
                "laboratories": listed([f"{one.laboratory} ({_tests(one)})" for one in outlying]),
                "repeatability": numbers.percent(value_of(record.repeatability_rsd), 2),
                "repeatability_without": numbers.percent(getattr(without, "repeatability_rsd", None), 2),
                "reproducibility": numbers.percent(value_of(record.reproducibility_rsd), 2),
                "reproducibility_without": numbers.percent(getattr(without, "reproducibility_rsd", None), 2),
            },
            characteristic="reproducibility",
        )


_NAMES = {"cochran": "Cochran", "grubbs": "Grubbs", "grubbs_pair": "Grubbs, pair"}


def _tests(one: LaboratoryRecord) -> str:
    return ", ".join(_NAMES.get(name, name) for name in one.outlying)


TRIGGERS = (
    intermediate_precision_from_one_day,
    only_repeatability_given,
    between_series_part_badly_known,
    scatter_too_small,
    outlying_laboratories,
)
