"""The record of robustness."""

from __future__ import annotations

from typing import ClassVar, Literal

from validator.records import EstimateRecord, ExcludedPoint, Range, Record


class FactorEffectRecord(Record, frozen=True, kw_only=True):
    """Effect of one factor.

    Attributes:
        factor: its name.
        low, high, nominal, unit: the settings as written.
        setting: which way it was changed, in a one-at-a-time design; None in a two-level design.
        effect: mean at high less mean at low, or mean of the change less mean of the nominal procedure.
        effect_percent: in percent of the mean result (of the nominal one), which counts as exact.
        t, p: of the effect; ``p_adjusted`` allows for the number of comparisons (Bonferroni), where it is
            the p that decides.
        significant: beyond the margin, by ``p_adjusted`` in a one-at-a-time design; None without an error.
        beyond_allowed: the effect itself is beyond what the study allows; None where it states nothing.
        controlled_range: setting inside which the effect stays within the margin.
    """

    factor: str
    low: str = ""
    high: str = ""
    nominal: str | None = None
    unit: str | None = None
    setting: Literal["low", "high"] | None = None
    effect: EstimateRecord
    effect_percent: EstimateRecord
    t: float | None = None
    p: float | None = None
    p_adjusted: float | None = None
    significant: bool | None = None
    beyond_allowed: bool | None = None
    controlled_range: Range | None = None


class RobustnessRecord(Record, frozen=True, kw_only=True):
    """Effects of small changes of the procedure.

    Attributes:
        design: as declared; a factor whose name begins with "dummy" stands for none.
        runs, results: different settings, and results of them.
        mean: of all results; of the nominal procedure in a one-at-a-time design.
        effects: in the order of the factors.
        error_source: where the standard error comes from: "replicates", "dummies" (free columns), "lenth"
            (most effects taken as null) or "none".
        standard_error, degrees_of_freedom, margin: of an effect; it is significant beyond the margin.
        allowed_percent: largest effect the study allows; None where it states nothing.
        to_control: factors whose setting must be kept: effects beyond the allowed one, else significant ones.
        orthogonal: the effects can be told apart; None in a one-at-a-time design.
        reason: why there is no standard error.
    """

    always: ClassVar[tuple[str, ...]] = ("standard_error",)
    design: str = ""
    runs: int
    results: int
    mean: float
    effects: tuple[FactorEffectRecord, ...]
    error_source: str
    standard_error: float | None
    degrees_of_freedom: float | None = None
    margin: float | None = None
    allowed_percent: float | None = None
    to_control: tuple[str, ...] = ()
    orthogonal: bool | None = None
    reason: str | None = None
    excluded: tuple[ExcludedPoint, ...] = ()
    with_excluded: RobustnessRecord | None = None


RECORD = RobustnessRecord
