"""The blocks ``precision`` and ``repeated_use``."""

from typing import Literal, Self

from pydantic import Field, model_validator

from validator.study.models.base import Count, Label, NonNegative, Number, Text, refuse, refuse_all
from validator.study.models.runs import Block, MeasuredRun, Run


class PrecisionRun(MeasuredRun):
    """Replicates of one level under one set of conditions.

    A ``level`` is the content unless ``level_is`` says that it is a mere label; ``level_confirmed``
    states why results far from it are right. The factors are ``series``, ``day``, ``operator``,
    ``instrument``, ``device`` and ``laboratory``.
    """

    level: NonNegative
    level_is: Literal["content", "label"] | None = None
    level_confirmed: Text | None = None
    day: Label | None = None
    laboratory: Label | None = None


Condition = Literal["operator", "instrument", "device"]


class PrecisionBlock(Block):
    """The block ``precision``.

    Conditions are crossed where labels recur: operator ``day`` is one person on all instruments, unless
    ``nested_in: {operator: instrument}`` says that each instrument has operators of its own.
    """

    nested_in: dict[Condition, Condition] = Field(default={})
    runs: tuple[PrecisionRun, ...]

    @model_validator(mode="after")
    def _nested_in_what_is_named(self) -> Self:
        for inner in self.nested_in:
            if inner in self._outside(inner):
                sentence = f"{inner} is nested in itself; name the condition that tells its labels apart"
                refuse(sentence, "nested_in", inner)
        silent = [
            (f"{outer} is missing; it is required where {inner} is nested in it", ("runs", index))
            for inner, outer in self.nested_in.items()
            for index, run in enumerate(self.runs)
            if getattr(run, inner) is not None and getattr(run, outer) is None
        ]
        if silent:
            refuse_all(silent)
        return self

    def _outside(self, inner: Condition) -> list[Condition]:
        """What *inner* is nested in, the nearest first; ends with the first that occurs twice."""
        found: list[Condition] = []
        outer = self.nested_in.get(inner)
        while outer is not None and outer not in found:
            found.append(outer)
            outer = self.nested_in.get(outer)
        return found

    def runs_for(self, analyte: str, configuration: str) -> tuple[Run, ...]:
        """The runs, labels of nested conditions told apart by those that they are nested in."""
        runs = super().runs_for(analyte, configuration)
        return tuple(map(self._told_apart, runs)) if self.nested_in else runs

    def _told_apart(self, run: Run) -> Run:
        labels: dict[str, str] = {
            inner: " / ".join(str(getattr(run, one)) for one in (*reversed(self._outside(inner)), inner))
            for inner in self.nested_in
            if getattr(run, inner) is not None
        }
        return run.model_copy(update=labels)


class RepeatedUseRun(Run):
    """The signal of a device at its first, second, third ... use."""

    in_signal_unit = frozenset({"signal"})
    device: Label
    use: Count
    signal: Number

    @property
    def values(self) -> tuple[float, ...]:
        """The signal, as a tuple of one."""
        return (self.signal,)


class RepeatedUseBlock(Block):
    """The block ``repeated_use``."""

    runs: tuple[RepeatedUseRun, ...]
