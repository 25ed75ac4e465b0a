"""Records of measurement uncertainty and of conformity with limits."""

from __future__ import annotations

from typing import ClassVar, Literal

from validator.records import Interval, NotAssessed, Record
from validator.statistics.monte_carlo import SimulationCheck

At = Literal[
    "precision",
    "legal limit",
    "lower specification",
    "upper specification",
    "target",
    "level of the guidance",
]
"""What a level of the uncertainty is: of the precision runs, or a limit that results are held against."""


class ContributionRecord(Record, frozen=True, kw_only=True):
    """One row of a budget.

    Attributes:
        name: what contributes.
        value: estimate of the input, or the figure that was stated.
        evaluation: "A" by statistics, "B" by other means.
        distribution, divisor: what the quantity is taken to follow; stated figure over u.
        standard_uncertainty: u of the input, in its own unit.
        sensitivity: change of the result for a change of the input by one.
        contribution: size of both multiplied, in the unit of the result.
        degrees_of_freedom: of u; absent where u is taken as known.
        share_percent: part of the variance of the result; parts of correlated inputs may be negative.
        source: where the figure comes from.
    """

    name: str
    value: float | None = None
    evaluation: Literal["A", "B"]
    distribution: str
    divisor: float
    standard_uncertainty: float
    sensitivity: float
    contribution: float
    degrees_of_freedom: float | None = None
    share_percent: float | None = None
    source: str = ""


class BudgetRecord(Record, frozen=True, kw_only=True):
    """A combined uncertainty, in the unit of the result unless ``relative``.

    Attributes:
        value: the result; absent where the budget is for the method rather than for one result.
        standard_uncertainty, degrees_of_freedom: u_c and its effective ν; ν is absent where infinite.
        coverage_factor, expanded_uncertainty: k and U = k·u_c.
        confidence: level of confidence that k stands for; absent where k was fixed beforehand.
        interval: value ± U.
        relative_percent, expanded_percent: u_c and U in percent of the result.
        relative: the budget itself is in percent.
        method: how it was combined.
        contributions: its rows.
    """

    value: float | None = None
    standard_uncertainty: float
    degrees_of_freedom: float | None = None
    coverage_factor: float
    expanded_uncertainty: float
    confidence: float | None = None
    interval: Interval | None = None
    relative_percent: float | None = None
    expanded_percent: float | None = None
    relative: bool = False
    method: str
    contributions: tuple[ContributionRecord, ...]


class SimulationRecord(Record, frozen=True, kw_only=True):
    """A budget or formula simulated by Monte Carlo (JCGM 101).

    Attributes:
        value, standard_uncertainty: mean and standard deviation of the simulated results; the latter is
            absent where that of an input does not exist.
        symmetric, shortest: coverage intervals.
        confidence: their level.
        draws, seed: number of results, and what gives the same ones again.
        tolerance: half a unit of the last of ``digits`` significant digits of u.
        digits: asked for.
        doubt: largest numerical doubt of the figures, twice its standard deviation over batches.
        stable: the doubt is within the tolerance.
        taken_as_normal: correlated inputs of another distribution, sampled as normal: their form is not
            examined.
    """

    value: float
    standard_uncertainty: float | None = None
    symmetric: Interval
    shortest: Interval
    confidence: float
    draws: int
    seed: int
    tolerance: float
    digits: int
    doubt: float | None = None
    stable: bool
    taken_as_normal: tuple[str, ...] | None = None


class LevelUncertaintyRecord(Record, frozen=True, kw_only=True):
    """Uncertainty of a result at one level.

    Attributes:
        level: in the unit of the analyte; ``null`` for a budget that holds at any level.
        at: what the level is: of the precision runs, or a limit that results are held against.
        basis: "measured" where precision was found at the level, "interpolated" or "extrapolated" by the
            dependence of the standard deviation on the level, "stated" where it was not measured at all.
        budget: its uncertainty.
        calibration: standard uncertainty of a level read from the calibration of the study by one routine
            result, for comparison; part of the budget only where a contribution says so.
    """

    always: ClassVar[tuple[str, ...]] = ("level",)
    level: float | None
    at: tuple[At, ...]
    basis: Literal["measured", "interpolated", "extrapolated", "stated"]
    budget: BudgetRecord
    calibration: float | None = None


class UncertaintyFunction(Record, frozen=True, kw_only=True):
    """Standard uncertainty over the levels, u² = s0² + (s1·x)².

    Attributes:
        s0: absolute part, in the unit of the level.
        s1_percent: relative part.
        lowest, highest: levels that support it.
        crossover: level where both parts are equal.
        target_percent: largest expanded uncertainty that the use allows for.
        lowest_for_target: lowest level at which it is kept.
    """

    s0: float
    s1_percent: float
    lowest: float | None = None
    highest: float | None = None
    crossover: float | None = None
    target_percent: float | None = None
    lowest_for_target: float | NotAssessed | None = None


class PartRecord(Record, frozen=True, kw_only=True):
    """A part of a top-down uncertainty: how it was found.

    Attributes:
        method: in a few words.
        n: results, materials, recoveries or rounds behind it.
        lowest, highest: levels of the data behind it.
        standard_uncertainty: in percent where ``relative``; absent where it depends on the level.
        relative: in percent of the level.
        note: what the reader should know.
    """

    method: str
    n: int | None = None
    lowest: float | None = None
    highest: float | None = None
    standard_uncertainty: float | None = None
    relative: bool = False
    note: str = ""


class FormulaRecord(Record, frozen=True, kw_only=True):
    """Uncertainty by the formula of the study.

    Attributes:
        formula: as it was read.
        unit: of the result.
        budget: by propagation of uncertainty, first order.
        simulation, check: by propagation of distributions, and the comparison of both.
    """

    formula: str
    unit: str
    budget: BudgetRecord | NotAssessed
    simulation: SimulationRecord | NotAssessed
    check: SimulationCheck | NotAssessed


class SimulatedLevel(Record, frozen=True, kw_only=True):
    """A budget at one level simulated."""

    always: ClassVar[tuple[str, ...]] = ("level",)
    level: float | None
    simulation: SimulationRecord | NotAssessed
    check: SimulationCheck | NotAssessed


class GlobalRiskRecord(Record, frozen=True, kw_only=True):
    """Risks over many items of the stated distribution (JCGM 106, clause 9).

    Attributes:
        rule: by the limits themselves ("simple") or by the acceptance limits ("guarded").
        consumers_risk: an item does not conform and is accepted.
        producers_risk: an item conforms and is rejected.
        conforming, accepted: share of the items.
    """

    rule: Literal["simple", "guarded"]
    consumers_risk: float
    producers_risk: float
    conforming: float
    accepted: float


class ResultConformity(Record, frozen=True, kw_only=True):
    """Conformity of the result of the formula.

    Attributes:
        value: the result.
        outcome: by the decision rule of the study.
        rule: that rule.
        conformance_probability: that the true value lies within the limits.
        by: "simulation" where that refutes the first-order budget and decides.
    """

    value: float
    outcome: Literal["conforming", "non-conforming", "inconclusive"]
    rule: Literal["guarded", "simple"]
    conformance_probability: float
    by: Literal["simulation"] | None = None


class ConformityRecord(Record, frozen=True, kw_only=True):
    """What the uncertainty means for results that are held against limits.

    Attributes:
        limit: what the limits are.
        lower, upper: tolerance limits; an absent side is open.
        standard_uncertainty, degrees_of_freedom: u at the limit (the larger of both for two limits) and ν.
        max_risk: largest probability of a wrong statement on one result.
        guard_factor: guard band over u.
        guard_band: distance between tolerance and acceptance limit.
        acceptance: measured values within it conform at the risk allowed.
        rejection_below, rejection_above: measured values beyond them do not conform at the risk allowed;
            between acceptance and rejection neither can be said.
        probability_at_limit: that an item conforms whose measured value lies on the limit.
        capability: width of the tolerance over 4·u, for two limits (JCGM 106, 7.6.3).
        result: of the formula, where the study has one in this unit.
        global_risks: for the items that the study describes.
        by: "simulation" where that refutes the budget, and the guard band is that of the simulated results.
    """

    limit: Literal["legal limit", "specification"]
    lower: float | None = None
    upper: float | None = None
    standard_uncertainty: float
    degrees_of_freedom: float | None = None
    max_risk: float
    guard_factor: float | None = None
    guard_band: float | None = None
    acceptance: Interval | NotAssessed
    rejection_below: float | None = None
    rejection_above: float | None = None
    probability_at_limit: float
    capability: float | None = None
    result: ResultConformity | None = None
    global_risks: tuple[GlobalRiskRecord, ...] = ()
    by: Literal["simulation"] | None = None


class UncertaintyRecord(Record, frozen=True, kw_only=True):
    """Measurement uncertainty of one analyte with one configuration.

    Attributes:
        within_laboratory, bias: the parts of the top-down uncertainty.
        levels: uncertainty by level, limits included, by rising level.
        function: how it depends on the level.
        simulated: the budget of the level that matters most, simulated beside.
        formula: uncertainty by the formula of the study.
        conformity: with the legal limit and the specification.
        notes: what the reader should know.
    """

    within_laboratory: PartRecord | NotAssessed
    bias: PartRecord | NotAssessed
    levels: tuple[LevelUncertaintyRecord, ...] = ()
    function: UncertaintyFunction | NotAssessed | None = None
    simulated: SimulatedLevel | None = None
    formula: FormulaRecord | None = None
    conformity: tuple[ConformityRecord, ...] = ()
    notes: tuple[str, ...] = ()
