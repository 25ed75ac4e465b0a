"""How often each criterion came out met, not met, inconclusive or unanswered."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from msgspec import Struct

from validator.statistics.proportion import proportion
from validator.statistics.sample import median

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.evaluation.results import Finding
    from validator.planning.trials import Figure, FigureKey, Trial
    from validator.statistics.interval import Estimate


class CriterionKey(NamedTuple):
    """One criterion at one level for one thing."""

    characteristic: str
    criterion: str
    source: str
    level: float | None
    what: str


class Chance(Struct, frozen=True, kw_only=True):
    """Outcomes of one criterion in *n* simulated studies.

    Attributes:
        key: which criterion.
        finding: the criterion as the first study was held against it.
        typical: median of the figure; None where there never was one.
        meets, fails, open, unanswered: how often it came out so.
        held_back: how often it would have been met but for an open stop caveat; counted as open.
        reason, needs: why it was held back or unanswered and what it takes, as said first.
        n: number of studies.
    """

    key: CriterionKey
    finding: Finding
    typical: float | None
    meets: int
    fails: int
    open: int
    unanswered: int
    held_back: int
    reason: str | None
    needs: str | None
    n: int

    @property
    def probability(self) -> Estimate:
        """Probability that the criterion is met, with its interval."""
        return proportion(self.meets, self.n)

    @property
    def is_answered(self) -> bool:
        """False where no study had a figure for it: the plan has no runs for it."""
        return self.unanswered < self.n


def chances(trials: Sequence[Trial]) -> tuple[Chance, ...]:
    """The outcomes of every criterion, in the order of the findings."""
    found: dict[CriterionKey, list[Finding]] = {}
    for trial in trials:
        for finding in trial.findings:
            found.setdefault(_key(finding), []).append(finding)
    return tuple(_chance(key, members, len(trials)) for key, members in found.items())


def all_met(trials: Sequence[Trial], answered: Sequence[Chance]) -> Estimate:
    """Probability that all the criteria that the plan has runs for are met in one study."""
    keys = {one.key for one in answered}
    met = sum(keys <= {_key(one) for one in trial.findings if one.outcome == "meets"} for trial in trials)
    return proportion(met, len(trials))


def _key(finding: Finding) -> CriterionKey:
    return CriterionKey(
        finding.characteristic, finding.criterion, finding.source, finding.level, finding.what
    )


def _chance(key: CriterionKey, findings: Sequence[Finding], n: int) -> Chance:
    outcomes = [one.outcome for one in findings]
    observed = [one.observed for one in findings if one.observed is not None]
    held = [one for one in findings if one.held_by is not None]
    silent = [one for one in findings if one.outcome == "not assessed"]
    spoken = next(iter((*held, *silent)), None)
    known = outcomes.count("meets") + outcomes.count("does not meet") + outcomes.count("inconclusive")
    return Chance(
        key=key,
        finding=findings[0],
        typical=float(np.median(observed)) if observed else None,
        meets=outcomes.count("meets"),
        fails=outcomes.count("does not meet"),
        open=outcomes.count("inconclusive"),
        unanswered=n - known,
        held_back=len(held),
        reason=spoken.reason if spoken else None,
        needs=spoken.needs if spoken else None,
        n=n,
    )


RANGE = (0.05, 0.95)
"""Quantiles between which nine of ten studies fall."""


class Width(Struct, frozen=True, kw_only=True):
    """Half-widths of the interval of one figure in simulated studies.

    Attributes:
        key: which figure.
        typical: median of the figure itself.
        half_width: median half-width, with the simulation's own interval.
        low, high: 5 % and 95 % quantile of the half-width.
        closed: in how many studies the interval was bounded on both sides; those are counted above.
        n: in how many studies there was an interval.
    """

    key: FigureKey
    typical: float
    half_width: Estimate | None
    low: float | None
    high: float | None
    closed: int
    n: int


def widths(trials: Sequence[Trial]) -> tuple[Width, ...]:
    """The half-widths of every figure, in the order of the figures."""
    found: dict[FigureKey, list[Figure]] = {}
    for trial in trials:
        for key, figure in trial.figures.items():
            found.setdefault(key, []).append(figure)
    return tuple(_width(key, members) for key, members in found.items())


def _width(key: FigureKey, members: Sequence[Figure]) -> Width:
    halves = [half for one in members if (half := one.half_width) is not None]
    low, high = (float(end) for end in np.quantile(halves, RANGE)) if halves else (None, None)
    return Width(
        key=key,
        typical=float(np.median([one.value for one in members])),
        half_width=median(halves) if halves else None,
        low=low,
        high=high,
        closed=len(halves),
        n=len(members),
    )
