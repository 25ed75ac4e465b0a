"""All that an uncertainty budget of one analyte and configuration is made of."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from msgspec import Struct

from validator.errors import NotEstimable
from validator.evaluation.results import NotAssessed
from validator.evaluation.top_down import Part
from validator.statistics.calibration_uncertainty import calibration_contribution
from validator.statistics.uncertainty_budget import (
    BudgetRow,
    Component,
    UncertaintyBudget,
    combine,
    component_rows,
)

if TYPE_CHECKING:
    from validator.evaluation.calibration import Fitted
    from validator.evaluation.rows import Cell
    from validator.statistics.calibration_uncertainty import CalibrationContribution
    from validator.study.models.analysis import AnalysisChoices
    from validator.study.models.method import Analyte
    from validator.study.models.uncertainty import Component as StatedComponent
    from validator.study.models.uncertainty import UncertaintyBlock


class Contributions(Struct, frozen=True):
    """All that a budget of one analyte and configuration is made of."""

    analyte: Analyte
    choices: AnalysisChoices
    block: UncertaintyBlock | None
    within: Part | NotAssessed
    bias: Part | NotAssessed
    components: tuple[StatedComponent, ...]
    fitted: Fitted | NotAssessed
    guidance_levels: tuple[float, ...] = ()

    def rows(self, level: float) -> tuple[BudgetRow, ...]:
        """Every contribution to a result at *level*, in its unit."""
        parts = [part.rows(level) for part in (self.within, self.bias) if isinstance(part, Part)]
        own = tuple(row for one in self.components for row in self._stated(one, level))
        return (*(row for rows in parts for row in rows), *own)

    def _stated(self, one: StatedComponent, level: float) -> tuple[BudgetRow, ...]:
        if one.origin == "calibration":
            return (self._of_calibration(one, level),)
        return component_rows((_component(one),), at=level)

    def _of_calibration(self, one: StatedComponent, level: float) -> BudgetRow:
        found = self.calibration(level, one.replicates)
        u = found.quantity.standard_uncertainty
        if isinstance(self.within, Part):
            # the scatter of the sample's own signals is part of the precision already
            u = math.hypot(*(term.contribution for term in found.terms[1:]))
        return BudgetRow(
            name=one.name,
            value=u,
            standard_uncertainty=u,
            evaluation="A",
            sensitivity=one.sensitivity,
            degrees_of_freedom=found.quantity.degrees_of_freedom,
            source=one.source or "calibration of the study",
        )

    def calibration(self, level: float, replicates: int | None = None) -> CalibrationContribution:
        """What reading *level* from the calibration contributes."""
        if isinstance(self.fitted, NotAssessed):
            raise NotEstimable(self.fitted.not_assessed, self.fitted.needs)
        line, weighting = self.fitted.fit, self.fitted.weighting
        return calibration_contribution(
            line,
            float(line.predict(level)),
            m=replicates or self.choices.calibration.replicates_for_sample,
            relative_variance=None if self.fitted.variance_function is None else weighting.relative_variance,
        )

    def budget(self, level: float, *, at_confidence: bool = False) -> UncertaintyBudget:
        """The budget of a result at *level*; *at_confidence* leaves a declared coverage factor out."""
        factor = None if at_confidence or self.block is None else self.block.coverage_factor
        return combine(
            self.rows(level),
            value=level,
            level=self.choices.confidence,
            coverage_factor=factor,
            method=self.method,
        )

    def budget_at_any_level(self, *, at_confidence: bool = False) -> UncertaintyBudget:
        """A budget that names no level: in percent where all of it is, else in the unit of the analyte."""
        if any(one.origin is not None for one in self.components):
            raise NotEstimable(
                "the contribution of the calibration depends on the level, and no level is specified",
                "target levels of the analyte, a legal limit, or precision data",
            )
        parts = [part for part in (self.within, self.bias) if isinstance(part, Part)]
        forms = {part.record.relative for part in parts} | {one.relative for one in self.components}
        if len(forms) > 1:
            raise NotEstimable(
                "relative and absolute contributions cannot be combined because no level is specified",
                "target levels of the analyte, a legal limit, or precision data",
            )
        relative = forms.pop()
        # at level 100 a row in percent stands as it is
        rows = [row for part in parts for row in part.rows(100.0)]
        rows += component_rows([_component(one) for one in self.components], relative=relative)
        factor = None if at_confidence or self.block is None else self.block.coverage_factor
        return combine(
            rows,
            level=self.choices.confidence,
            coverage_factor=factor,
            relative=relative,
            method=self.method,
        )

    @property
    def method(self) -> str:
        """What is combined, in words."""
        parts = [
            name
            for name, part in (
                ("within-laboratory reproducibility", self.within),
                ("bias", self.bias),
            )
            if isinstance(part, Part)
        ]
        if self.components:
            parts.append("stated components")
        return "root sum of squares of " + " and ".join(parts)


def components_of(block: UncertaintyBlock, cell: Cell) -> tuple[StatedComponent, ...]:
    """What *block* states for the analyte of *cell*."""
    return tuple(one for one in block.components if one.analyte in (None, cell.analyte))


def _component(one: StatedComponent) -> Component:
    assert one.value is not None
    assert one.kind is not None
    return Component(
        name=one.name,
        stated=one.value,
        kind=one.kind,
        k=one.k,
        distribution=one.distribution,
        relative=one.relative,
        sensitivity=one.sensitivity,
        degrees_of_freedom=one.degrees_of_freedom or math.inf,
        source=one.source or "",
    )
