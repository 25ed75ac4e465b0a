"""How the figures of a method changed from one version of its study to the next."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from msgspec import Struct

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from validator.batch.rows import FigureRow, StudyRow


class TrendRow(Struct, frozen=True, kw_only=True):
    """One figure of one version.

    Attributes:
        method: id of the study, or its title where it has none.
        version, path: of the study.
        analyte, configuration, figure, level, unit, value, lower, upper: as in the study.
        change_percent: change against the version before, in percent of that; None for the first, and where
            the figure before is zero.
        apart: the interval does not overlap that of the version before; None where one of them is open.
    """

    method: str
    analyte: str
    configuration: str
    figure: str
    level: float | None
    unit: str
    version: str
    path: str
    value: float
    lower: float | None
    upper: float | None
    change_percent: float | None = None
    apart: bool | None = None


def trend(rows: Iterable[StudyRow]) -> tuple[TrendRow, ...]:
    """Figures of every method of which *rows* hold two versions or more, version by version.

    Intervals that do not overlap differ; intervals that overlap may differ too.
    """
    methods: dict[str, list[StudyRow]] = {}
    for row in rows:
        if row.version and not row.problem:
            methods.setdefault(row.id or row.title, []).append(row)
    return tuple(
        line
        for method in sorted(methods)
        if len({row.version for row in methods[method]}) > 1
        for line in _of_method(method, methods[method])
    )


def natural_order(version: str) -> tuple[tuple[int, int, str], ...]:
    """A key by which version 10 comes after version 9."""
    parts = re.findall(r"\d+|[^\d.\s_-]+", version)
    return tuple((1, int(part), "") if part.isdecimal() else (0, 0, part) for part in parts)


def _of_method(method: str, rows: list[StudyRow]) -> Iterator[TrendRow]:
    series: dict[tuple[object, ...], list[tuple[StudyRow, FigureRow]]] = {}
    for row in sorted(rows, key=lambda one: (natural_order(one.version), one.path)):
        for one in row.figures:
            key = (one.analyte, one.configuration, one.figure, one.level, one.unit)
            series.setdefault(key, []).append((row, one))
    for line in series.values():
        before: FigureRow | None = None
        for row, one in line if len(line) > 1 else ():
            yield TrendRow(
                method=method,
                analyte=one.analyte,
                configuration=one.configuration,
                figure=one.figure,
                level=one.level,
                unit=one.unit,
                version=row.version,
                path=row.path,
                value=one.value,
                lower=one.lower,
                upper=one.upper,
                change_percent=_change(before, one),
                apart=_apart(before, one),
            )
            before = one


def _change(before: FigureRow | None, now: FigureRow) -> float | None:
    if before is None or before.value == 0:
        return None
    return 100 * (now.value - before.value) / abs(before.value)


def _apart(before: FigureRow | None, now: FigureRow) -> bool | None:
    if before is None or before.lower is None or before.upper is None:
        return None
    if now.lower is None or now.upper is None:
        return None
    return now.lower > before.upper or now.upper < before.lower
