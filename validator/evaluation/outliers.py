"""Outlier tests beside the precision of a level: reported, never acted upon."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING

import numpy as np

from validator.errors import NotEstimable
from validator.evaluation.convert import finite
from validator.evaluation.results import OutlierRecord
from validator.statistics.outliers import cochran, dixon, grubbs

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from validator.statistics.outliers import OutlierTest

MOST_FOR_DIXON = 30
"""Values up to which tables of Dixon's ratio go (Rorabacher, Anal. Chem. 63 (1991) 139; from memory)."""


def outlier_records(groups: Mapping[str, Sequence[float]], *, alpha: float) -> tuple[OutlierRecord, ...]:
    """Grubbs and Dixon on the single values, Grubbs on the means of the groups, Cochran over the groups.

    Single values are tested against all others of the level, whatever their group.
    """
    labels = [label for label, values in groups.items() for _ in values]
    values = [value for some in groups.values() for value in some]
    several = len(groups) > 1
    of_values = labels if several else None
    tests: list[tuple[Callable[[], OutlierTest], str, Sequence[str] | None]] = [
        (lambda: grubbs(values, alpha=alpha), "single values", of_values)
    ]
    if len(values) <= MOST_FOR_DIXON:
        tests.append((lambda: dixon(values, alpha=alpha), "single values", of_values))
    if several and len(values) > len(groups):
        means = [float(np.mean(some)) for some in groups.values()]
        tests.append((lambda: grubbs(means, alpha=alpha), "group means", list(groups)))
        tests.append((lambda: cochran(list(groups.values()), alpha=alpha), "groups", list(groups)))
    found: list[OutlierRecord] = []
    for test, of, names in tests:
        with suppress(NotEstimable):
            found.append(outlier_record(test(), of, names))
    return tuple(found)


def outlier_record(test: OutlierTest, of: str, labels: Sequence[str] | None) -> OutlierRecord:
    """One test as a record; *of* says what it was applied to, *labels* name the group of each datum."""
    return OutlierRecord(
        test=f"{test.name}, {of}",
        statistic=test.statistic,
        critical=finite(test.critical),
        p=test.p,
        suspect=test.suspect,
        suspect_group=None if labels is None else labels[test.index[0]],
        flagged=test.flagged,
    )
