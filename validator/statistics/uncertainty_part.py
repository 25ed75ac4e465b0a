"""A part of a top-down uncertainty: what it rests on, and its rows for the budget."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from msgspec import Struct

from validator.errors import NotEstimable

if TYPE_CHECKING:
    from validator.statistics.uncertainty_budget import BudgetRow


class UncertaintyPart(Struct, frozen=True, kw_only=True):
    """Within-laboratory reproducibility u(Rw) or bias u(bias).

    Attributes:
        rows: what it is made of.
        relative: in percent of the level, else in its unit.
        n: number of results, pairs, materials, recoveries or rounds behind it.
        lowest, highest: levels of the data behind it; None where they were not given.
        method: how it was found, in a few words.
        note: what the reader should know about it, or "".
    """

    rows: tuple[BudgetRow, ...]
    relative: bool
    n: int | None
    lowest: float | None
    highest: float | None
    method: str
    note: str = ""

    @property
    def standard_uncertainty(self) -> float:
        """Root of the sum of squares of the rows."""
        return math.hypot(*(row.contribution for row in self.rows))


def per_level(relative: bool, level: float) -> float:
    """Factor that turns a figure at *level* into the form asked for: 100/level for percent, 1 otherwise.

    Raises:
        NotEstimable: percent of a level that is not positive.
    """
    if not relative:
        return 1.0
    if level <= 0:
        raise NotEstimable(
            "a relative value is requested at a level that is not positive", "an absolute value"
        )
    return 100 / level
