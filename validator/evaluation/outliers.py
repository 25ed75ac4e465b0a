"""Outlier tests beside the precision of a level: reported, never acted upon."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING

import numpy as np
from msgspec.structs import replace

from validator.errors import NotEstimable
from validator.evaluation.convert import attempt, finite
from validator.evaluation.results import OutlierRecord, RemovalRecord, value_of
from validator.statistics.outliers import cochran, grubbs, outlier_tests

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from validator.evaluation.results import PrecisionRecord
    from validator.statistics.outliers import OutlierTest

    Without = Callable[[frozenset[int]], RemovalRecord]

MOST_FOR_DIXON = 30
"""Values up to which tables of Dixon's ratio go (Rorabacher, Anal. Chem. 63 (1991) 139; from memory)."""


def outlier_records(
    values: Sequence[float], labels: Sequence[str], *, alpha: float, without: Without
) -> tuple[OutlierRecord, ...]:
    """Tests of the single values, of the means of the groups, and of the scatter within the groups.

    Single values are tested against all others of the level, whatever their group.

    Args:
        values: in any order.
        labels: the group of each value.
        alpha: level of significance.
        without: the figures without the values at some places; asked for what a test flags.
    """
    places: dict[str, list[int]] = {}
    for place, label in enumerate(labels):
        places.setdefault(label, []).append(place)
    several = len(places) > 1
    found = [
        with_effect(outlier_record(test, "single values", labels if several else None), test.index, without)
        for test in outlier_tests(values, alpha=alpha)
        if len(values) <= MOST_FOR_DIXON or test.kind != "dixon"
    ]
    if several and len(values) > len(places):
        groups = {label: [values[place] for place in some] for label, some in places.items()}
        found.extend(_of_groups(groups, places, alpha, without))
    return tuple(found)


def _of_groups(
    groups: Mapping[str, Sequence[float]], places: Mapping[str, Sequence[int]], alpha: float, without: Without
) -> list[OutlierRecord]:
    names = list(groups)
    tests: list[tuple[Callable[[], OutlierTest], str]] = [
        (lambda: grubbs([float(np.mean(some)) for some in groups.values()], alpha=alpha), "group means"),
        (lambda: cochran(list(groups.values()), alpha=alpha), "groups"),
    ]
    found: list[OutlierRecord] = []
    for compute, of in tests:
        with suppress(NotEstimable):
            test = compute()
            suspects = [place for at in test.index for place in places[names[at]]]
            found.append(with_effect(outlier_record(test, of, names), suspects, without))
    return found


def removal(figures: PrecisionRecord, removed: Sequence[float]) -> RemovalRecord:
    """What the *figures* without the *removed* values come to."""
    mean = figures.mean.value
    if mean is None:
        raise NotEstimable("all means are excluded", "results that are not excluded")
    return RemovalRecord(
        removed=tuple(removed),
        n=figures.n,
        mean=mean,
        repeatability_sd=value_of(figures.repeatability_sd),
        repeatability_rsd=value_of(figures.repeatability_rsd),
        intermediate_sd=value_of(figures.intermediate_sd),
        intermediate_rsd=value_of(figures.intermediate_rsd),
        reproducibility_sd=value_of(figures.reproducibility_sd),
        reproducibility_rsd=value_of(figures.reproducibility_rsd),
    )


def with_effect(record: OutlierRecord, places: Sequence[int], without: Without) -> OutlierRecord:
    """The record with the figures without its suspects, where they stand out."""
    if not record.flagged:
        return record
    return replace(record, without=attempt(lambda: without(frozenset(places))))


def outlier_record(test: OutlierTest, of: str, labels: Sequence[str] | None) -> OutlierRecord:
    """One test as a record; *of* says what it was applied to, *labels* name the group of each datum."""
    return OutlierRecord(
        test=f"{test.name}, {of}",
        statistic=test.statistic,
        critical=finite(test.critical),
        p=test.p,
        suspect=test.suspect,
        suspect_group=None if labels is None else ", ".join(dict.fromkeys(labels[at] for at in test.index)),
        flagged=test.flagged,
    )
