"""The key ``analysis``: the choices declared before the numbers."""

from typing import Literal

from pydantic import Field

from validator.study.models.base import Count, Label, Probability, Record, Whole

Weighting = Literal["none", "1/x", "1/x^2", "1/s^2", "1/s^2 smoothed", "auto"]


class CalibrationChoices(Record):
    """How the calibration is fitted; ``replicates_for_sample`` is m of inverse prediction and limits."""

    model: Literal["linear", "linear_through_origin", "quadratic"] = "linear"
    weighting: Weighting = "none"
    replicates_for_sample: Count = 1


class LimitChoice(Record):
    """The variant of a detection or quantification limit that decides."""

    variant: Label


class AnalysisChoices(Record):
    """Choices that hold for the study or, as an override, for one analyte.

    Every choice has a value; ``declared`` tells whether the study wrote it or the default stands.
    A limit's variant has no default: None means that the study declared none.
    """

    confidence: Probability = 0.95
    alpha: Probability = 0.05
    beta: Probability = 0.05
    calibration: CalibrationChoices = CalibrationChoices()
    detection_limit: LimitChoice | None = None
    quantification_limit: LimitChoice | None = None
    decision_rule: Literal["simple", "guarded"] = "guarded"
    outliers: Literal["report"] = "report"
    seed: Whole = 20260325

    def declared(self, choice: str) -> bool:
        """True when the study wrote *choice* itself (``"alpha"``, ``"calibration.weighting"``)."""
        name, _, rest = choice.partition(".")
        if name not in self.model_fields_set:
            return False
        return not rest or rest in getattr(self, name).model_fields_set


class Analysis(AnalysisChoices):
    """The choices for the study, with overrides by analyte."""

    per_analyte: dict[Label, AnalysisChoices] = Field(default={})

    def for_analyte(self, analyte: str) -> AnalysisChoices:
        """The choices that hold for *analyte*: the study's, overridden by its own."""
        general = self.model_dump(exclude_unset=True, exclude={"per_analyte"})
        own = self.per_analyte.get(analyte)
        return AnalysisChoices.model_validate(
            general if own is None else _overridden(general, own.model_dump(exclude_unset=True))
        )


def _overridden(general: dict[str, object], own: dict[str, object]) -> dict[str, object]:
    merged = dict(general)
    for key, value in own.items():
        before = merged.get(key)
        both_tables = isinstance(before, dict) and isinstance(value, dict)
        merged[key] = {**before, **value} if both_tables else value  # type: ignore[dict-item]
    return merged
