"""Runs that the study excludes, as the results list them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.evaluation.results import ExcludedPoint
from validator.evaluation.rows import excluded

if TYPE_CHECKING:
    from collections.abc import Iterable

    from validator.study.models.runs import Run


def excluded_points(runs: Iterable[Run]) -> tuple[ExcludedPoint, ...]:
    """Every reading of the excluded ones among *runs*, with its place and cause."""
    return tuple(
        ExcludedPoint(
            level=getattr(run, "level", None), value=value, place=run.place, cause=run.excluded or ""
        )
        for run in excluded(runs)
        for value in getattr(run, "values", ())
    )
