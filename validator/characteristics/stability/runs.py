"""The block ``stability``."""

from typing import Literal, Self

from pydantic import model_validator

from validator.study.models.base import (
    Label,
    LessThan,
    NonNegative,
    Readings,
    Text,
    refuse_all,
)
from validator.study.models.runs import Axis, Block, Run, exactly_one, limits_of, numbers_of


class StabilityRun(Run):
    """Readings of stored material after ``time`` under ``condition``."""

    in_analyte_unit = frozenset({"level", "found"})
    in_signal_unit = frozenset({"signals"})
    condition: Text
    time: NonNegative
    time_unit: Label
    level: NonNegative | None = None
    found: Readings | None = None
    signals: Readings | None = None

    @property
    def axis(self) -> Axis:
        """What the readings are."""
        return "signal" if self.found is None else "concentration"

    @property
    def readings(self) -> tuple[float | LessThan, ...]:
        """The readings in the order written, those below reporting included."""
        return (self.signals if self.found is None else self.found) or ()

    @property
    def values(self) -> tuple[float, ...]:
        """The readings that are numbers; look at ``below`` before computing with them alone."""
        return numbers_of(self.readings)

    @property
    def below(self) -> tuple[float, ...]:
        """The limits of the readings reported as below a limit."""
        return limits_of(self.readings)

    @model_validator(mode="after")
    def _has_readings(self) -> Self:
        exactly_one(self, "found", "signals")
        return self


class StabilityBlock(Block):
    """The block ``stability``; what remains is relative to the start, or to the ``level`` stated."""

    relative_to: Literal["start", "level"] | None = None
    runs: tuple[StabilityRun, ...]

    @model_validator(mode="after")
    def _has_the_level_it_is_relative_to(self) -> Self:
        if self.relative_to == "level":
            misfits: list[tuple[str, tuple[str | int, ...]]] = []
            for index, run in enumerate(self.runs):
                if not run.level:
                    message = "level is missing; it is required where relative_to is level"
                    misfits.append((message, ("runs", index)))
                elif run.axis == "signal":
                    message = "signals cannot be compared with a level; give found, or omit relative_to"
                    misfits.append((message, ("runs", index, "signals")))
            if misfits:
                refuse_all(misfits)
        return self

    @model_validator(mode="after")
    def _one_time_unit_for_each_condition(self) -> Self:
        units: dict[tuple[str, str], str] = {}
        misfits: list[tuple[str, tuple[str | int, ...]]] = []
        for index, run in enumerate(self.runs):
            first = units.setdefault((run.analyte, run.condition), run.time_unit)
            if run.time_unit != first:
                message = f"times under one condition have one unit: {first} before, {run.time_unit} here"
                misfits.append((message, ("runs", index, "time_unit")))
        if misfits:
            refuse_all(misfits)
        return self


BLOCK = StabilityBlock
