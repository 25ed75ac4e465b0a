"""The block ``carry_over``."""

from itertools import pairwise
from typing import ClassVar, Literal, Self

from pydantic import model_validator

from validator.study.models.base import NonNegative, Number, Record, refuse
from validator.study.models.runs import Block, Run


class Injection(Record):
    """One measurement in a carry-over sequence."""

    kind: Literal["blank", "high"]
    level: NonNegative | None = None
    signal: Number


class CarryOverRun(Run):
    """Blanks and high samples in the order they were measured."""

    in_analyte_unit = frozenset({"level"})
    in_signal_unit = frozenset({"signal"})
    gathers_rows = True
    one_row: ClassVar[type[Record] | None] = Injection
    rows_in = "sequence"
    sequence: tuple[Injection, ...]

    @model_validator(mode="after")
    def _blank_follows_high(self) -> Self:
        kinds = [injection.kind for injection in self.sequence]
        if ("high", "blank") not in pairwise(kinds):
            refuse("the sequence contains no blank directly after a high sample", "sequence")
        return self


class CarryOverBlock(Block):
    """The block ``carry_over``."""

    runs: tuple[CarryOverRun, ...]


BLOCK = CarryOverBlock
