"""Minimum designs of the chosen guidance: required against provided, the strictest of several profiles."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct

from validator.assessment.asked import is_remembered, is_set_aside, rules_for
from validator.assessment.counting import provided
from validator.characteristics.order import CHARACTERISTICS
from validator.evaluation.results import DesignFinding, Outcome
from validator.evaluation.rows import Cell
from validator.guidance import Status

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from validator.evaluation.results.assessment import Informs
    from validator.guidance import Counter, Profile, Requirement
    from validator.study import Study

_ORDER = list(CHARACTERISTICS)


class Demand(Struct, frozen=True):
    """One count for one characteristic of one analyte, as the chosen profiles ask for it.

    Attributes:
        entries: what each profile asks, in the order of the profiles; minima and recommendations.
    """

    characteristic: str
    counter: str
    analyte: str | None
    entries: tuple[DesignFinding, ...]

    @property
    def strictest(self) -> DesignFinding:
        """The greatest minimum, of equals the first named; where none is required, of what is recommended."""
        required = [one for one in self.entries if not one.recommended]
        return max(required or self.entries, key=_asked)

    @property
    def provided(self) -> float | str | None:
        """What the study provides."""
        return self.entries[0].provided

    @property
    def is_short(self) -> bool:
        """True when the study provides less than a profile requires."""
        return not self.strictest.recommended and self.strictest.outcome == "does not meet"

    def of_profile(self, profile: str) -> tuple[DesignFinding, ...]:
        """What one profile asks: the strictest of its minima, then the strictest of its recommendations."""
        own = [one for one in self.entries if one.profile == profile]
        kinds = ([one for one in own if one.recommended is recommended] for recommended in (False, True))
        return tuple(max(some, key=_asked) for some in kinds if some)


def demands(findings: Sequence[DesignFinding]) -> tuple[Demand, ...]:
    """The findings by analyte, characteristic and count; characteristics in the order of their list."""
    groups: dict[tuple[str, str, str | None], list[DesignFinding]] = {}
    for one in findings:
        groups.setdefault((one.characteristic, one.counter, one.analyte), []).append(one)
    analytes = list(dict.fromkeys(analyte for _, _, analyte in groups))
    found = [Demand(*key, tuple(entries)) for key, entries in groups.items()]
    return tuple(
        sorted(found, key=lambda one: (analytes.index(one.analyte), _ORDER.index(one.characteristic)))
    )


def counter_name(counter: str) -> str:
    """A count as it is written: ``replicates per level``."""
    return counter.replace("_", " ")


def _asked(finding: DesignFinding) -> float:
    return float(finding.required)


def design_findings(study: Study, profiles: Sequence[Profile]) -> tuple[DesignFinding, ...]:
    """Required against provided, for every minimum design of the profiles and every analyte."""
    findings: list[DesignFinding] = []
    for profile in profiles:
        for analyte in study.method.analytes:
            cell = Cell(analyte.id, study.validated_configuration)
            for rule in rules_for(study, profile):
                if rule.design is not None:
                    findings.extend(_designs(study, cell, profile, rule))
    return tuple(findings)


def _designs(study: Study, cell: Cell, profile: Profile, rule: Requirement) -> Iterator[DesignFinding]:
    design = rule.design
    if design is None:
        return
    # of several accepted designs, the one the study comes nearest to is shown
    best: Mapping[Counter, int] = min(
        design.ways(), key=lambda way: _missing(study, cell, rule.characteristic, way), default={}
    )
    for counter, required in best.items():
        yield _design(study, cell, profile, rule, counter, required, design.status)
    for counter, wanted in design.recommended.items():
        yield _design(study, cell, profile, rule, counter, wanted, Status.RECOMMENDED)


def _missing(study: Study, cell: Cell, characteristic: str, way: Mapping[Counter, int]) -> tuple[int, float]:
    """How many counts fall short, then by what share of what is asked."""
    shares = [
        max(0.0, 1 - (provided(study, cell, characteristic, counter) or 0) / required)
        for counter, required in way.items()
    ]
    return sum(share > 0 for share in shares), sum(shares)


def _design(
    study: Study,
    cell: Cell,
    profile: Profile,
    rule: Requirement,
    counter: Counter,
    required: int,
    status: Status,
) -> DesignFinding:
    count = provided(study, cell, rule.characteristic, counter)
    outcome: Outcome
    if count is None:
        outcome = "not assessed"
    elif count >= required:
        outcome = "meets"
    else:
        outcome = "does not meet"
    return DesignFinding(
        requirement=f"{counter_name(rule.characteristic)}: {counter_name(counter.value)} ({status.value})",
        source=rule.cite_design().text,
        source_status=rule.cite_design().status,
        required=required,
        provided=count,
        outcome=outcome,
        characteristic=rule.characteristic,
        analyte=cell.analyte,
        configuration=cell.configuration,
        recommended=status is not Status.REQUIRED,
        counter=counter.value,
        profile=profile.id,
        rule=rule.id,
        remembered=is_remembered(study, rule.id, rule.cite_design().status),
        informs=_informs(study, profile, rule),
    )


def _informs(study: Study, profile: Profile, rule: Requirement) -> Informs | None:
    """Why a design counts for no verdict, where it does not."""
    if study.study.scope and rule.characteristic not in study.study.scope:
        return "outside the scope"
    if is_set_aside(study, profile, rule.id):
        return "set aside"
    return None
