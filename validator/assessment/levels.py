"""Levels at which something was met: what they cover of a range, and what they leave open."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.evaluation.named_levels import same_level

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from validator.assessment.claim import Span
    from validator.study.models.analysis import ProgramDefaults

Met = dict[float, bool]
"""Whether everything that was asked at a level was met there."""


def joined(outcomes: Iterable[tuple[float, bool]]) -> Met:
    """One entry for each level, by rising level: met where every outcome at it is."""
    levels: Met = {}
    for level, met in sorted(outcomes):
        known = next((one for one in levels if same_level(one, level)), level)
        levels[known] = levels.get(known, True) and met
    return levels


def pieces(levels: Mapping[float, bool], defaults: ProgramDefaults) -> list[Span]:
    """Runs of neighbouring levels that are all met, none further from the next than the factor allows."""
    found: list[Span] = []
    before: float | None = None
    for level, met in levels.items():
        if met and before is not None and level <= before * defaults.neighbour_factor:
            found[-1] = found[-1][0], level
        elif met:
            found.append((level, level))
        before = level if met else None
    return found


def towards_ends(found: Sequence[Span], claim: Span | None, defaults: ProgramDefaults) -> list[Span]:
    """The *found* pieces, drawn to an end of the *claim* that a level just inside it covers."""
    if claim is None:
        return list(found)
    start, end = claim
    width = defaults.end_covered_width_percent / 100 * (end - start)
    share = defaults.end_covered_percent / 100
    lowest, highest = start + min(share * start, width), end - min(share * end, width)
    return [
        (
            start if start <= lower <= lowest or same_level(lower, lowest) else lower,
            end if highest <= upper <= end or same_level(upper, highest) else upper,
        )
        for lower, upper in found
    ]


def common(first: Sequence[Span], second: Sequence[Span]) -> list[Span]:
    """What lies in both."""
    both = [(max(a, c), min(b, d)) for a, b in first for c, d in second]
    return [(lower, upper) for lower, upper in both if lower <= upper]


def gaps(found: Sequence[Span], claim: Span) -> list[Span]:
    """What the *found* pieces leave open of the *claim*."""
    start, end = claim
    left: list[Span] = []
    for lower, upper in sorted(found):
        if lower > start and not same_level(lower, start):
            left.append((start, min(lower, end)))
        start = max(start, upper)
        if start >= end:
            return left
    return left if same_level(start, end) else [*left, (start, end)]


def widest(found: Sequence[Span]) -> Span | None:
    """The piece that spans most."""
    return max(found, key=lambda one: one[1] - one[0], default=None)
