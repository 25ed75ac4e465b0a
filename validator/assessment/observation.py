"""A figure that a criterion can be held against."""

from __future__ import annotations

from typing import Literal

from msgspec import Struct

from validator.evaluation.results import EstimateRecord, NotAssessed

Kind = Literal["deviation", "mean", "probability", "bound"]
"""How a figure's interval narrows with more data: a standard deviation, a mean; a p and a bound have none."""


class Effect(Struct, frozen=True):
    """Interval of an effect that a test looks for, and the effect that may be tolerated, in percent."""

    of: str
    lower: float | None
    upper: float | None
    tolerated: tuple[float, float]

    @property
    def is_tolerable(self) -> bool:
        """Whether the whole interval lies within what may be tolerated."""
        least, most = self.tolerated
        return self.lower is not None and self.upper is not None and least <= self.lower <= self.upper <= most


class Sought(Struct, frozen=True):
    """An effect that a test looks for, in percent, and which tolerance it is held against."""

    of: str
    level: float | None
    estimate: EstimateRecord
    kind: Literal["misfit", "lowest misfit", "bias", "difference", "effect"]


class Observation(Struct, frozen=True, kw_only=True):
    """A figure that a criterion can be held against, or the reason why there is none.

    Attributes:
        estimate: the figure; None where it was not assessed.
        unit: unit of the figure.
        kind: how its interval narrows with more data.
        level: level it belongs to, where it belongs to one.
        what: what it is of, where the characteristic alone does not say (an interferent).
        refusal: why there is no figure.
        n: independent values behind it.
        units: series or devices whose number the degrees of freedom follow, where it is not that of values.
        fixed: part of the standard error of a mean that more results do not lower.
        failed: why the requirement cannot hold although no figure can be given.
        sought: of a test, the effects it looks for.
        effects: those that are held against a tolerance; without one a p demonstrates nothing.
        total: content of the sample where *level* is what was added to it.
        alternatives: the same figure by other approaches, where nobody chose one: all have to meet.
    """

    estimate: EstimateRecord | None
    unit: str = ""
    kind: Kind = "mean"
    level: float | None = None
    what: str = ""
    refusal: NotAssessed | None = None
    n: int | None = None
    units: int | None = None
    fixed: float = 0.0
    failed: str = ""
    sought: tuple[Sought, ...] = ()
    effects: tuple[Effect, ...] = ()
    total: float | None = None
    alternatives: tuple[Observation, ...] = ()


class Units(Struct, frozen=True):
    """Units of an analyte's levels and signals."""

    level: str
    signal: str


def refused(refusal: NotAssessed, *, level: float | None = None, what: str = "") -> Observation:
    """No figure, and why."""
    return Observation(estimate=None, refusal=refusal, level=level, what=what)


def figure(
    value: EstimateRecord | NotAssessed,
    *,
    unit: str = "%",
    kind: Kind = "mean",
    level: float | None = None,
    what: str = "",
    n: int | None = None,
) -> Observation:
    """A figure that may say no."""
    if isinstance(value, NotAssessed):
        return refused(value, level=level, what=what)
    return Observation(estimate=value, unit=unit, kind=kind, level=level, what=what, n=n)
