"""Records of the comparison of a study with its plan."""

from __future__ import annotations

from typing import ClassVar, Literal

from validator.records import Record

What = Literal["preparations", "series", "replicates", "declaration"]


class PlanDifference(Record, frozen=True, kw_only=True):
    """One thing that was done, or declared, otherwise than planned.

    Attributes:
        subject: the data block, or the path of the declaration (``criteria[2].max``).
        what: independent preparations of a level altogether, series, preparations in each series, or a
            declaration.
        planned, done: counts or values; None stands for an absent declaration.
    """

    always: ClassVar[tuple[str, ...]] = ("planned", "done")
    subject: str
    what: What
    analyte: str | None = None
    configuration: str | None = None
    level: float | None = None
    matrix: str | None = None
    planned: int | str | None
    done: int | str | None


class PlanComparison(Record, frozen=True, kw_only=True):
    """Whether the study kept to its plan.

    Attributes:
        sha256: hash of what the plan fixes: of the record where the study keeps one, else of the plan as it
            stands in the study file now.
        recorded: the study keeps the record that was written when the plan was made.
        kept: there is no difference.
        differences: every one, declarations first.
    """

    sha256: str
    recorded: bool
    kept: bool
    differences: tuple[PlanDifference, ...] = ()
