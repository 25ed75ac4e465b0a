"""The block ``robustness``: designed experiments on the method's conditions."""

from collections.abc import Iterator
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BeforeValidator, model_validator

from validator.study.models.base import Label, Readings, Record, problem, quoted, refuse, refuse_all
from validator.study.models.runs import Block, Run, numbers_of
from validator.study.places import Scalar

SETTINGS = {"+": 1, "-": -1, "0": 0, "+1": 1, "1": 1, "-1": -1}


def setting(value: object) -> int:
    """The sign of a setting."""
    text = value.text if isinstance(value, Scalar) else str(value)
    if text not in SETTINGS:
        raise problem(f"+ (high), - (low) or 0 (nominal) is expected here, found {quoted(value)}")
    return SETTINGS[text]


def _has_settings(settings: tuple[int, ...]) -> tuple[int, ...]:
    if not settings:
        raise problem("the list is empty; give one setting for each factor")
    return settings


Settings = Annotated[tuple[Annotated[int, BeforeValidator(setting)], ...], AfterValidator(_has_settings)]


class Factor(Record):
    """A condition that was varied, with the settings as they were written."""

    name: Label
    nominal: Label | None = None
    low: Label
    high: Label
    unit: Label | None = None


class RobustnessRun(Run):
    """One experiment: settings in the order of the factors (+1 high, -1 low, 0 nominal) and its result."""

    settings: Settings
    result: Readings

    @property
    def values(self) -> tuple[float, ...]:
        """The result, or its replicates."""
        return numbers_of(self.result)


class RobustnessBlock(Block):
    """The block ``robustness``."""

    design: Literal["youden", "plackett_burman", "one_at_a_time"]
    factors: tuple[Factor, ...]
    runs: tuple[RobustnessRun, ...]

    @model_validator(mode="after")
    def _settings_fit_factors(self) -> Self:
        if not self.factors:
            refuse("the list is empty; enter the factors that were varied", "factors")
        misfits = list(self._misfits())
        if misfits:
            refuse_all(misfits)
        return self

    def _misfits(self) -> Iterator[tuple[str, tuple[str | int, ...]]]:
        for index, run in enumerate(self.runs):
            loc = ("runs", index, "settings")
            if len(run.settings) != len(self.factors):
                yield f"{len(run.settings)} settings stand against {len(self.factors)} factors", loc
            if self.design != "one_at_a_time" and 0 in run.settings:
                message = f"a {self.design} design has no nominal settings; write + or -"
                yield message, (*loc, run.settings.index(0))


BLOCK = RobustnessBlock
