"""The blocks ``recovery`` and ``comparison``."""

from typing import Literal, Self

from pydantic import model_validator

from validator.study.models.base import (
    Label,
    LessThan,
    NonNegative,
    Number,
    Positive,
    Readings,
    Text,
    refuse,
)
from validator.study.models.runs import Block, Run, limits_of, numbers_of

_BELONGS_TO = {"native": "added", "native_sd": "added", "reference_uncertainty": "reference"}


class RecoveryRun(Run):
    """What was found of a known amount, in one of three forms.

    A spike (``native``, ``added``), a certified material (``reference``, with the standard uncertainty
    ``reference_uncertainty`` where it is known) or a solution known independently (``level``).
    ``native_sd`` is the standard deviation of the native value as it enters the difference: that of the
    mean where ``native`` is a mean.
    """

    in_analyte_unit = frozenset(
        {"native", "native_sd", "added", "reference", "reference_uncertainty", "level", "found"}
    )
    native: Number | None = None
    native_sd: NonNegative | None = None
    added: Positive | None = None
    reference: Positive | None = None
    reference_uncertainty: NonNegative | None = None
    level: Positive | None = None
    level_confirmed: Text | None = None
    found: Readings

    @property
    def kind(self) -> Literal["spike", "reference_material", "known_solution"]:
        """Which of the three forms the run has."""
        if self.added is not None:
            return "spike"
        return "known_solution" if self.reference is None else "reference_material"

    @property
    def expected(self) -> float:
        """The amount to be recovered: added, certified or known."""
        known = (self.added, self.reference, self.level)
        return next(value for value in known if value is not None)

    @property
    def content(self) -> float:
        """What the sample contains: the native content and what was added, or what is certified or known."""
        return self.expected + (self.native or 0.0)

    @property
    def values(self) -> tuple[float, ...]:
        """What was found, less what is reported as below a limit."""
        return numbers_of(self.found)

    @model_validator(mode="after")
    def _has_one_form(self) -> Self:
        given = [name for name in ("added", "reference", "level") if getattr(self, name) is not None]
        if not given:
            refuse(
                "the expected value is missing: give native and added (spike), reference "
                "(certified material) or level (independently known solution)"
            )
        if len(given) > 1:
            refuse(f"{given[0]} and {given[1]} are mutually exclusive; give only one", given[1])
        for name, owner in _BELONGS_TO.items():
            if getattr(self, name) is not None and given != [owner]:
                refuse(f"{name} applies to runs with {owner}; this run has {given[0]}", name)
        if self.added is not None and self.native is None:
            refuse("native is missing: give the result without the addition (0 for a blank sample)")
        return self


class RecoveryBlock(Block):
    """The block ``recovery``."""

    runs: tuple[RecoveryRun, ...]


class ComparisonRun(Run):
    """One sample measured by this method and by a reference method, with their standard uncertainties."""

    in_analyte_unit = frozenset(
        {"this_method", "reference_method", "this_method_uncertainty", "reference_method_uncertainty"}
    )
    sample: Label
    this_method: Readings
    reference_method: Readings
    this_method_uncertainty: NonNegative | None = None
    reference_method_uncertainty: NonNegative | None = None

    @property
    def this_values(self) -> tuple[float, ...]:
        """Results of this method that are numbers."""
        return numbers_of(self.this_method)

    @property
    def reference_values(self) -> tuple[float, ...]:
        """Results of the reference method that are numbers."""
        return numbers_of(self.reference_method)

    @property
    def below(self) -> tuple[float, ...]:
        """The limits of results, of either method, that were reported as below a limit."""
        readings: tuple[float | LessThan, ...] = self.this_method + self.reference_method
        return limits_of(readings)


class ComparisonBlock(Block):
    """The block ``comparison``."""

    runs: tuple[ComparisonRun, ...]
