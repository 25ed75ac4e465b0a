"""The order of measurement: series one after the other, everything within a series in random order."""

from __future__ import annotations

from itertools import zip_longest
from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct

from validator.planning.preparations import Preparation, preparations

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from validator.study import Study

_STREAM = 9


class PlannedRun(Struct, frozen=True):
    """One measurement.

    Attributes:
        order: its place among the measurements of its block, from 1.
        sample: label of the preparation, such as C1-04.
        parts: what is in it: one preparation, or one of each analyte where they are determined together.
    """

    order: int
    sample: str
    parts: tuple[Preparation, ...]

    @property
    def block(self) -> str:
        """The data block the run belongs to."""
        return self.parts[0].block

    @property
    def series(self) -> str:
        """The series it is measured in."""
        return self.parts[0].series

    @property
    def configuration(self) -> str:
        """What it is measured with."""
        return self.parts[0].configuration


def run_order(study: Study) -> tuple[PlannedRun, ...]:
    """Every planned measurement in a random order that the study's seed decides.

    Configurations are mixed within a series, so that drift meets them alike. Where the analytes are
    determined together, the levels of each are dealt to the solutions at random, within one matrix.
    """
    if study.plan is None:
        return ()
    rng = np.random.default_rng(np.random.SeedSequence(study.analysis.seed, spawn_key=(_STREAM,)))
    runs: list[PlannedRun] = []
    groups = _grouped(preparations(study))
    for members in groups.values():
        solutions = _together(members, rng) if study.plan.simultaneous else [(one,) for one in members]
        before = sum(run.block == members[0].block for run in runs)
        for place, index in enumerate(rng.permutation(len(solutions)), start=1):
            parts = solutions[index]
            label = f"{parts[0].series}-{place:02d}"
            runs.append(PlannedRun(before + place, label, parts))
    return tuple(runs)


def _grouped(all_of_them: Iterable[Preparation]) -> dict[tuple[str, str], list[Preparation]]:
    groups: dict[tuple[str, str], list[Preparation]] = {}
    for one in all_of_them:
        groups.setdefault((one.block, one.series), []).append(one)
    # a block's series follow one another, whichever analyte plans more of them
    order = list(dict.fromkeys(block for block, _ in groups))
    return dict(sorted(groups.items(), key=lambda item: (order.index(item[0][0]), _number(item[0][1]))))


def _number(series: str) -> int:
    return int(series[1:])


def _together(members: Sequence[Preparation], rng: np.random.Generator) -> list[tuple[Preparation, ...]]:
    """Solutions that hold one preparation of each analyte, of the same matrix and configuration."""
    dealt: dict[tuple[str, bool, str | None], dict[str, list[Preparation]]] = {}
    for one in members:
        alike = (one.configuration, one.material.is_reference, one.material.matrix)
        dealt.setdefault(alike, {}).setdefault(one.analyte, []).append(one)
    solutions: list[tuple[Preparation, ...]] = []
    for (_, is_reference, _), by_analyte in dealt.items():
        # a certified material is one thing: its values belong together and are not dealt
        hands = [
            hand if is_reference else [hand[index] for index in rng.permutation(len(hand))]
            for hand in by_analyte.values()
        ]
        solutions.extend(tuple(one for one in parts if one is not None) for parts in zip_longest(*hands))
    return solutions
