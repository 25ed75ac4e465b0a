"""What the chosen guidance asks for and the study does not give: characteristics, limits, the kind."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct

from validator.assessment.rules import PRECISION, SELECTIVITY, TRUENESS, rules_for
from validator.evaluation.chosen_guidance import kind_of
from validator.evaluation.results import ConfigurationRecord, EstimateRecord, NotAssessed
from validator.guidance import Characteristic, Kind

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from validator.evaluation.results import Finding, Results
    from validator.guidance import Figure, Profile, Requirement
    from validator.study import Study

LIMITED_TOGETHER: tuple[frozenset[str], ...] = (
    PRECISION,
    TRUENESS,
    frozenset({"detection_limit", "quantification_limit"}),
    SELECTIVITY,
)
"""Characteristics of which a limit on one speaks for the others."""


class NotMeasured(Struct, frozen=True):
    """A characteristic that a profile asks for and the data do not give."""

    characteristic: Characteristic
    analyte: str
    refusal: NotAssessed


class NotSet(Struct, frozen=True):
    """A figure for which the document wants a limit fixed beforehand, and nothing limits it."""

    rule: Requirement
    figure: Figure
    analyte: str


def not_measured(study: Study, results: Results, profile: Profile) -> tuple[NotMeasured, ...]:
    """What *profile* asks for, for a method of this kind, that was not measured."""
    found: list[NotMeasured] = []
    for analyte in study.analyte_ids:
        record = results.analytes[analyte].configurations[study.validated_configuration]
        for characteristic in profile.characteristics(kind_of(study)):
            refusal = refusal_of(record, characteristic)
            if refusal is not None:
                found.append(NotMeasured(characteristic, analyte, refusal))
    return tuple(found)


def not_set(
    study: Study, profile: Profile, findings: Sequence[Finding], analytes: Sequence[str] | None = None
) -> tuple[NotSet, ...]:
    """Limits that *profile* leaves to the user, and that neither study nor other guidance sets.

    For *analytes*, all of the study unless they are named.
    """
    return tuple(
        NotSet(rule, figure, analyte)
        for analyte in (study.analyte_ids if analytes is None else analytes)
        for rule in rules_for(study, profile)
        for figure in rule.user_sets
        if not is_limited(rule.characteristic.value, analyte, findings)
    )


def limited_with(characteristic: str) -> frozenset[str]:
    """*characteristic* and those of which a limit speaks for it too."""
    return next((some for some in LIMITED_TOGETHER if characteristic in some), frozenset({characteristic}))


def is_limited(characteristic: str, analyte: str, findings: Sequence[Finding]) -> bool:
    """True when a limit that decides speaks of *characteristic*, or of one that is limited with it."""
    family = limited_with(characteristic)
    return any(
        one.decides and one.characteristic in family and one.analyte in (None, analyte) for one in findings
    )


def waiting_for_kind(study: Study, profile: Profile) -> tuple[Kind, ...]:
    """Kinds of method for which *profile* has rules of their own, where the study does not state its kind."""
    if study.method.kind is not None:
        return ()
    named = {kind for rule in profile.requirements for kind in rule.kinds}
    listed = profile.asked_for.by_kind if profile.asked_for is not None else {}
    return tuple(kind for kind in Kind if kind is not Kind.ANY and (kind in named or kind in listed))


def refusal_of(record: ConfigurationRecord, characteristic: Characteristic) -> NotAssessed | None:
    """Why the record gives no figure for *characteristic*; None where it gives one."""
    return next(_no(_FOUND_IN[characteristic](record)), None)


def _no(found: object) -> Iterator[NotAssessed]:
    """The refusal, unless one of several figures exists."""
    if isinstance(found, NotAssessed):
        yield found
    elif isinstance(found, list):
        refusals = [one for one in found if isinstance(one, NotAssessed)]
        if len(refusals) == len(found):
            yield from refusals


def _of_line(field: str) -> Callable[[ConfigurationRecord], object]:
    def find(record: ConfigurationRecord) -> object:
        line = record.calibration
        return line if isinstance(line, NotAssessed) else getattr(line, field)

    return find


def _of_limits(field: str) -> Callable[[ConfigurationRecord], object]:
    def find(record: ConfigurationRecord) -> object:
        limits = record.detection
        return limits if isinstance(limits, NotAssessed) else getattr(limits, field)

    return find


def _of_precision(field: str) -> Callable[[ConfigurationRecord], object]:
    def find(record: ConfigurationRecord) -> object:
        if isinstance(record.precision, NotAssessed):
            return record.precision
        found: list[EstimateRecord | NotAssessed] = []
        for entry in record.precision:
            figure = getattr(entry, field)
            found.append(_NOT_GROUPED[field] if figure is None else figure)
        return found

    return find


_ONE_LABORATORY = NotAssessed(
    not_assessed="the readings come from one laboratory, or no laboratory is recorded",
    needs="readings of the same materials from several laboratories",
)
_NO_SERIES = NotAssessed(
    not_assessed="no laboratory has readings of the same material in more than one series",
    needs=(
        "readings of the same material in several series (days, operators, instruments) of one laboratory"
    ),
)
_NOT_GROUPED = {
    "repeatability_sd": _NO_SERIES,
    "intermediate_sd": _NO_SERIES,
    "reproducibility_sd": _ONE_LABORATORY,
}
"""Why a precision level has no such figure at all."""


def _selectivity(record: ConfigurationRecord) -> object:
    """Interferents, or blanks beside the quantification limit."""
    return record.interference if record.blank_response is None else record.blank_response


def _trueness(record: ConfigurationRecord) -> object:
    """Known contents, or another method."""
    return [record.recovery, record.comparison]


_FOUND_IN: Mapping[Characteristic, Callable[[ConfigurationRecord], object]] = {
    Characteristic.LINEARITY: lambda record: record.calibration,
    Characteristic.LACK_OF_FIT: _of_line("lack_of_fit"),
    Characteristic.RESIDUAL_PATTERN: lambda record: record.calibration,
    Characteristic.WORKING_RANGE: lambda record: record.calibration,
    Characteristic.SENSITIVITY: lambda record: record.calibration,
    Characteristic.DETECTION_LIMIT: _of_limits("detection_limit"),
    Characteristic.QUANTIFICATION_LIMIT: _of_limits("quantification_limit"),
    Characteristic.DECISION_LIMIT: lambda record: record.decision_limit,
    Characteristic.DETECTION_CAPABILITY: lambda record: record.detection_capability,
    Characteristic.REPEATABILITY: _of_precision("repeatability_sd"),
    Characteristic.INTERMEDIATE_PRECISION: _of_precision("intermediate_sd"),
    Characteristic.REPRODUCIBILITY: _of_precision("reproducibility_sd"),
    Characteristic.TRUENESS: _trueness,
    Characteristic.RECOVERY: lambda record: record.recovery,
    Characteristic.SELECTIVITY: _selectivity,
    Characteristic.INTERFERENCE: lambda record: record.interference,
    Characteristic.MATRIX_EFFECT: lambda record: record.matrix_effect,
    Characteristic.ROBUSTNESS: lambda record: record.robustness,
    Characteristic.STABILITY: lambda record: record.stability,
    Characteristic.CARRY_OVER: lambda record: record.carry_over,
    Characteristic.DEVICE_TO_DEVICE: lambda record: record.device_to_device,
    Characteristic.REPEATED_USE: lambda record: record.repeated_use,
    Characteristic.UNCERTAINTY: lambda record: record.uncertainty,
    Characteristic.ACCURACY_PROFILE: lambda record: record.accuracy_profile,
    Characteristic.METHOD_COMPARISON: lambda record: record.comparison,
}
