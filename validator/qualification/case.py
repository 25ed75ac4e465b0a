"""A published case as data: what was given, what was printed, and how far from it we may come out."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from validator.yaml_loader import load

Area = Literal[
    "calibration", "limits", "precision", "outliers", "trueness", "robustness", "uncertainty", "whole"
]

EVERY = "every"
"""Under this name a tolerance holds for every figure of the case."""

_CASES = Path(__file__).resolve().parent / "cases"
_HAIR = 1e-6
"""Share of half a unit that is left for the rounding of half a unit itself."""


class Tolerance(BaseModel):
    """A difference that is allowed although it exceeds half a unit of the last printed digit."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    absolute: float | None = Field(default=None, gt=0)
    relative: float | None = Field(default=None, gt=0, le=0.05)
    because: str = Field(min_length=10)

    @model_validator(mode="after")
    def _one_kind(self) -> Tolerance:
        if (self.absolute is None) == (self.relative is None):
            raise ValueError("a tolerance is either absolute or relative")
        return self


class Case(BaseModel):
    """One published case.

    Attributes:
        id: its name, that of its file.
        area: what it is about.
        title: what it shows, in a line.
        source: document, edition, place.
        confirmed: "text" where the source's text was seen, "memory" where it was written from memory; where
            only part of it was seen, "memory".
        run: the adapter that computes it.
        inputs: what is given.
        published: the figures with their digits as printed.
        tolerance: by figure, where half a unit of the last printed digit is not what is asked.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")
    id: str
    area: Area
    title: str
    source: str
    confirmed: Literal["text", "memory"]
    run: str
    inputs: dict[str, Any]
    published: dict[str, str] = Field(min_length=1)
    tolerance: dict[str, Tolerance] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _figures_are_numbers(self) -> Case:
        for text in self.published.values():
            float(text)
        strangers = self.tolerance.keys() - self.published.keys() - {EVERY}
        if strangers:
            raise ValueError(f"a tolerance for what is not published: {', '.join(sorted(strangers))}")
        return self

    def allowed(self, figure: str) -> float:
        """The largest difference from the printed *figure* that counts as agreement, in its unit."""
        printed = self.published[figure]
        stated = self.tolerance.get(figure) or self.tolerance.get(EVERY)
        if stated is None:
            return half_a_unit(printed) * (1 + _HAIR)
        if stated.absolute is not None:
            return stated.absolute
        return (stated.relative or 0.0) * abs(float(printed))


def half_a_unit(printed: str) -> float:
    """Half a unit of the last digit of a number as *printed*: 0.005 for ``1.93``."""
    mantissa, _, exponent = printed.upper().partition("E")
    decimals = len(mantissa.partition(".")[2])
    return float(f"0.5e{int(exponent or 0) - decimals}")


def read_cases(folder: Path = _CASES) -> tuple[Case, ...]:
    """The cases in *folder*, those shipped with the package unless named; by area, then in order of names."""
    cases = [_read(file) for file in sorted(folder.glob("*.yaml"))]
    areas: tuple[str, ...] = Area.__args__  # type: ignore[attr-defined]
    return tuple(sorted(cases, key=lambda case: areas.index(case.area)))


def _read(file: Path) -> Case:
    case = Case.model_validate(load(file.read_text(encoding="utf-8")))
    if case.id != file.stem:
        raise ValueError(f"{file.name}: holds the case {case.id!r}")
    return case
