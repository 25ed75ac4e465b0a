"""The key ``analysis``: the choices declared before the numbers."""

from typing import Literal, Self

from pydantic import Field, model_validator

from validator.study.models.base import (
    Confidence,
    Count,
    ErrorRate,
    Label,
    Positive,
    Probability,
    Record,
    Whole,
    refuse,
)

Weighting = Literal["none", "1/x", "1/x^2", "1/s^2", "1/s^2 smoothed", "auto"]


class LinearRangeChoices(Record):
    """What a linear range may hide: a misfit of a level mean that the use would not notice, in percent."""

    largest_misfit_percent: Positive = 5.0


class CalibrationChoices(Record):
    """How the calibration is fitted; ``replicates_for_sample`` is m of inverse prediction and limits.

    With ``fit_over: linear_range`` the function, its figures and the limits are those of the linear range.
    """

    model: Literal["linear", "linear_through_origin", "quadratic"] = "linear"
    weighting: Weighting = "none"
    replicates_for_sample: Count = 1
    fit_over: Literal["all", "linear_range"] = "all"
    linear_range: LinearRangeChoices = LinearRangeChoices()

    @model_validator(mode="after")
    def _is_a_line(self) -> Self:
        if self.fit_over == "linear_range" and self.model != "linear":
            refuse(f"linear_range does not apply to the model {self.model}", "fit_over")
        return self


class LimitChoice(Record):
    """The variant of a detection or quantification limit that decides."""

    variant: Label


class AccuracyProfileChoices(Record):
    """What an accuracy profile is held against.

    ``acceptance_percent`` is the largest error of a future result that the use allows for, in percent of the
    level; ``beta`` the share of future results that must keep it, ``gamma`` the confidence of that statement
    where ``decided_by`` is ``content``. ``data`` are results of known levels in series: those of
    ``precision``, whose levels then count as true, or of ``recovery``.
    """

    acceptance_percent: Positive
    beta: Probability = 0.95
    gamma: Probability = 0.95
    decided_by: Literal["expectation", "content"] = "expectation"
    data: Literal["precision", "recovery"] | None = None

    @model_validator(mode="after")
    def _is_a_confidence(self) -> Self:
        if self.gamma <= 0.5:
            refuse("must be above 0.5", "gamma")
        return self


class ProgramDefaults(Record):
    """Numbers that no document sets.

    A p value demonstrates only if the level means deviate by less than ``misfit_percent``, at the lowest
    level ``misfit_lowest_percent``. Results further from their level than the factor ``slip_factor`` are
    taken for a slip of unit or decimal. An end of a claim is covered by a level up to
    ``end_covered_percent`` inwards, at most ``end_covered_width_percent`` of the width of the claim;
    neighbouring levels differ by the factor ``neighbour_factor`` at most.
    """

    misfit_percent: Positive = 15.0
    misfit_lowest_percent: Positive = 20.0
    slip_factor: Positive = 3.0
    end_covered_percent: Positive = 20.0
    end_covered_width_percent: Positive = 10.0
    neighbour_factor: Positive = 10.0


class AnalysisChoices(Record):
    """Choices that hold for the study or, as an override, for one analyte.

    Every choice has a value; ``declared`` tells whether the study wrote it or the default stands.
    A limit's variant has no default: None means that the study declared none.
    """

    confidence: Confidence = 0.95
    alpha: ErrorRate = 0.05
    beta: ErrorRate = 0.05
    calibration: CalibrationChoices = CalibrationChoices()
    detection_limit: LimitChoice | None = None
    quantification_limit: LimitChoice | None = None
    accuracy_profile: AccuracyProfileChoices | None = None
    decision_rule: Literal["simple", "guarded"] = "guarded"
    outliers: Literal["report"] = "report"
    seed: Whole = 20260325
    defaults: ProgramDefaults = ProgramDefaults()

    def declared(self, choice: str) -> bool:
        """True when the study wrote *choice* itself (``"alpha"``, ``"calibration.weighting"``)."""
        name, _, rest = choice.partition(".")
        if name not in self.model_fields_set:
            return False
        return not rest or rest in getattr(self, name).model_fields_set


class Analysis(AnalysisChoices):
    """The choices for the study, with overrides by analyte."""

    per_analyte: dict[Label, AnalysisChoices] = Field(default={})

    # not a private attribute of pydantic's: a copy with other choices starts without
    __slots__ = ("_resolved",)

    def for_analyte(self, analyte: str) -> AnalysisChoices:
        """The choices that hold for *analyte*: the study's, overridden by its own; put together once."""
        resolved: dict[str, AnalysisChoices] | None = getattr(self, "_resolved", None)
        if resolved is None:
            resolved = {}
            object.__setattr__(self, "_resolved", resolved)
        if analyte not in resolved:
            resolved[analyte] = self._merged(analyte)
        return resolved[analyte]

    def _merged(self, analyte: str) -> AnalysisChoices:
        general = self.model_dump(exclude_unset=True, exclude={"per_analyte"})
        own = self.per_analyte.get(analyte)
        return AnalysisChoices.model_validate(
            general if own is None else overridden(general, own.model_dump(exclude_unset=True))
        )


def overridden(general: dict[str, object], own: dict[str, object]) -> dict[str, object]:
    """The choices in *general*, replaced by those in *own*; of tables, field by field."""
    merged = dict(general)
    for key, value in own.items():
        before = merged.get(key)
        both_tables = isinstance(before, dict) and isinstance(value, dict)
        merged[key] = {**before, **value} if both_tables else value  # type: ignore[dict-item]
    return merged
