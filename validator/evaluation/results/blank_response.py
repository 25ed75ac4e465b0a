"""Record of what blanks show beside the quantification limit."""

from __future__ import annotations

from validator.records import EstimateRecord, Record


class BlankResponseRecord(Record, frozen=True, kw_only=True):
    """Results of blanks in percent of the quantification limit, by the declared variant.

    Attributes:
        kind: "matrix" where the study holds matrix blanks, which then count alone; else "any".
        n: independent blanks.
        censored: how many were reported as below a limit; that limit stands in for them.
        percent_of_limit: the mean.
        largest_percent: the largest single one.
    """

    kind: str
    n: int
    censored: int = 0
    percent_of_limit: EstimateRecord
    largest_percent: float
