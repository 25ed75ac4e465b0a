"""The key ``plan``: the design declared before the work, and what the method is assumed to do."""

from typing import NamedTuple, Self

from pydantic import Field, model_validator

from validator.study.models.analysis import overridden
from validator.study.models.base import (
    Count,
    Flag,
    Label,
    Labels,
    NonNegative,
    NonNegatives,
    Number,
    Positive,
    Positives,
    Probability,
    Record,
    refuse,
)

MOST_PREPARATIONS = 10_000
MOST_SIMULATIONS = 100_000
"""Beyond these a number was mistyped."""


def _once(levels: tuple[float, ...] | None, name: str) -> None:
    """Refuse a level that is named twice."""
    for index, level in enumerate(levels or ()):
        if level in (levels or ())[:index]:
            said = f"the level {level:g} is named twice; replicates says how often it is measured"
            refuse(said, name, index)


class Material(NamedTuple):
    """What is prepared: a level (None for a blank), of a certified material or not, in a matrix."""

    level: float | None
    is_reference: bool = False
    matrix: str | None = None


class PlannedBlock(Record):
    """Blanks, or samples of one kind: ``replicates`` independent preparations in each of ``series``.

    ``configurations`` names the variants of the device that are measured; empty, it means the validated one.
    """

    series: Count = 1
    replicates: Count = 1
    configurations: Labels = ()

    @property
    def materials(self) -> tuple[Material, ...]:
        """What is prepared, in the order written."""
        return (Material(None),)

    @property
    def preparations(self) -> int:
        """How many preparations are planned with one configuration."""
        return self.series * self.replicates * len(self.materials)


class PlannedLevels(PlannedBlock):
    """As ``PlannedBlock``, at each of the ``levels``."""

    levels: NonNegatives | None = None

    @property
    def materials(self) -> tuple[Material, ...]:
        """What is prepared, in the order written."""
        return tuple(Material(level) for level in self.levels or ())

    @model_validator(mode="after")
    def _levels_differ(self) -> Self:
        _once(self.levels, "levels")
        return self


class PlannedSamples(PlannedLevels):
    """As ``PlannedLevels``, for samples taken through the whole procedure."""

    levels: Positives | None = None


class PlannedRecovery(PlannedSamples):
    """Additions of ``levels`` to each of the ``matrices``; ``references`` are certified values."""

    matrices: Labels = ()
    references: Positives = ()

    @property
    def materials(self) -> tuple[Material, ...]:
        """What is prepared, in the order written, certified materials last."""
        matrices = self.matrices or (None,)
        spikes = (Material(level, matrix=matrix) for level in self.levels or () for matrix in matrices)
        return (*spikes, *(Material(value, is_reference=True) for value in self.references))

    @model_validator(mode="after")
    def _references_differ(self) -> Self:
        _once(self.references, "references")
        return self


class Assumed(Record):
    """What the method is assumed to do, from a pre-study or from the literature.

    The signal of a content x in one series is a + b·x·f plus noise of variance s0² + (θ·b·x)²: ``slope`` is
    b, ``intercept`` a, ``signal_sd`` s0, ``signal_rsd_percent`` 100·θ, and f scatters between series about 1
    with ``between_series_rsd_percent``. Of a content, ``recovery_percent`` is found in samples.
    """

    slope: Number
    intercept: Number = 0.0
    signal_sd: NonNegative = 0.0
    signal_rsd_percent: NonNegative = 0.0
    between_series_rsd_percent: NonNegative = 0.0
    recovery_percent: Positive = 100.0

    @model_validator(mode="after")
    def _can_be_simulated(self) -> Self:
        if self.slope == 0:
            refuse("must not be zero", "slope")
        if self.signal_sd == 0 and self.signal_rsd_percent == 0:
            refuse(
                "give signal_sd (standard deviation at zero), signal_rsd_percent (proportional "
                "standard deviation) or both",
                "signal_sd",
            )
        return self


class ToDetect(Record):
    """Departures that the tests should find; the plan says with which probability they do.

    ``curvature_percent``: how far the signal of the highest calibration level lies below the straight line
    that the low levels make. ``bias_percent``: how far the recovery lies from 100 %.
    """

    curvature_percent: Positive | None = None
    bias_percent: Positive | None = None


class PlanChoices(Record):
    """The design for the study or, as an override, for one analyte."""

    calibration: PlannedLevels | None = None
    blanks: PlannedBlock | None = None
    low_level: PlannedSamples | None = None
    precision: PlannedSamples | None = None
    recovery: PlannedRecovery | None = None
    assumed: Assumed | None = None
    detect: ToDetect | None = None


PLANNED_BLOCKS = ("calibration", "blanks", "low_level", "precision", "recovery")
"""The data blocks that a plan speaks of."""


class Plan(PlanChoices):
    """The plan of the study.

    Attributes:
        per_analyte: overrides, field by field.
        simultaneous: the analytes are determined in the same solutions.
        probability: with which each criterion should be met; the smallest design is sought for it.
        simulations: how many studies are simulated.
        record: the file that ``validator plan`` wrote when the plan was made, for showing what changed since.
    """

    per_analyte: dict[Label, PlanChoices] = Field(default={})
    simultaneous: Flag = False
    probability: Probability = 0.9
    simulations: Count = 200
    record: Label | None = None

    def for_analyte(self, analyte: str) -> PlanChoices:
        """The design that holds for *analyte*: the study's, overridden by its own."""
        general = self.model_dump(exclude_unset=True, include=set(PlanChoices.model_fields))
        own = self.per_analyte.get(analyte)
        return PlanChoices.model_validate(
            general if own is None else overridden(general, own.model_dump(exclude_unset=True))
        )

    @model_validator(mode="after")
    def _plans_something(self) -> Self:
        choices = (self, *self.per_analyte.values())
        if all(getattr(one, name) is None for one in choices for name in PLANNED_BLOCKS):
            refuse(f"contains no experiments; plan at least one of {', '.join(PLANNED_BLOCKS)}")
        if self.simulations > MOST_SIMULATIONS:
            refuse(f"must be at most {MOST_SIMULATIONS}", "simulations")
        for analyte in (None, *self.per_analyte):
            self._can_be_done(analyte)
        return self

    def _can_be_done(self, analyte: str | None) -> None:
        choices = self if analyte is None else self.for_analyte(analyte)
        for name in PLANNED_BLOCKS:
            planned = getattr(choices, name)
            if planned is not None and planned.preparations > MOST_PREPARATIONS:
                where = () if analyte is None else ("per_analyte", analyte)
                refuse(f"exceeds the maximum of {MOST_PREPARATIONS} preparations", *where, name)
