"""Studies drawn from what a plan assumes: the same records that the reading room makes from files.

Everything downstream is the engine that will judge the real study; nothing is computed a second way.
"""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct, field
from msgspec.structs import replace

from validator.errors import NotEstimable
from validator.evaluation.calibration import calibration_function
from validator.evaluation.detection import deciding_by_guidance
from validator.planning.preparations import planned, series_labels
from validator.statistics.inverse_prediction import back_calculate
from validator.study.blocks import result_blocks
from validator.study.models.analysis import Analysis
from validator.study.models.blanks import BlanksBlock, LowLevelBlock
from validator.study.models.calibration import CalibrationBlock
from validator.study.models.plan import PLANNED_BLOCKS, Assumed
from validator.study.models.precision import PrecisionBlock
from validator.study.models.trueness import RecoveryBlock

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from validator.statistics.regression import CalibrationFit
    from validator.study import Study
    from validator.study.models.plan import Material, PlanChoices, PlannedBlock
    from validator.study.models.runs import Block, Run

_FIRST_DAY = dt.date(2000, 1, 1)
THROUGH_THE_PROCEDURE = ("low_level", "precision", "recovery")
"""Blocks whose samples lose or gain by the procedure what calibrators and blanks do not."""


class Truth(Struct, frozen=True, kw_only=True):
    r"""What the method does in a simulation.

    The signal of a preparation of content x in series j is

    .. math:: y = a + h f_j + e, \quad h = b x (1 - c x/x_{max}), \quad f_j \sim N(1, \tau^2), \quad
              e \sim N(0, s_0^2 + (\theta h)^2)

    Attributes:
        assumed: a, b, s0, θ, τ and the recovery, which multiplies the content of samples.
        curvature: c, the share by which the signal of the highest level falls short of the line.
    """

    assumed: Assumed
    curvature: float = 0.0


class _Layout(Struct, frozen=True):
    """The preparations of a block as arrays: series by series, material by material, replicates together.

    Attributes:
        block: its name.
        runs: series by series and material by material, as read from files but for the readings: what does
            not depend on the draw is validated once.
        content: (series, materials, replicates) true content before the recovery of the procedure.
    """

    block: str
    runs: tuple[tuple[Run, ...], ...]
    content: NDArray[np.float64]

    @classmethod
    def of(cls, block: str, plan: PlannedBlock, analyte: str, configuration: str) -> _Layout:
        """The layout of what is planned for a block."""
        levels = np.array([material.level or 0.0 for material in plan.materials])
        shape = (plan.series, levels.size, plan.replicates)
        runs = []
        for number, label in enumerate(series_labels(block, plan)):
            day = _FIRST_DAY + dt.timedelta(days=number)
            common = {"analyte": analyte, "configuration": configuration, "series": label, "date": day}
            entries = [{**common, **_FIELDS[block](one), _READINGS[block]: [0.0]} for one in plan.materials]
            made = MODELS[block].model_validate({"runs": entries})
            runs.append(made.runs_for(analyte, configuration))
        return cls(block, tuple(runs), np.broadcast_to(levels[None, :, None], shape))


class Simulator(Struct, frozen=True):
    """Draws studies of one analyte with one configuration.

    Attributes:
        base: the study without data, reduced to the analyte.
        analyte: its id.
        truth: what the method does.
        layouts: the planned blocks.
    """

    base: Study
    analyte: str
    truth: Truth
    layouts: tuple[_Layout, ...] = field(default=())

    @classmethod
    def of(cls, study: Study, analyte: str, choices: PlanChoices, truth: Truth) -> Simulator:
        """A simulator of the design in *choices*."""
        return cls(without_data(study, analyte), analyte, truth).with_design(choices)

    def with_design(self, choices: PlanChoices) -> Simulator:
        """The same method measured with another design."""
        configuration = self.base.validated_configuration
        layouts = tuple(
            _Layout.of(block, plan, self.analyte, configuration)
            for block in PLANNED_BLOCKS
            if (plan := planned(choices, block)) and plan.materials
        )
        return replace(self, layouts=layouts)

    def study(self, rng: np.random.Generator) -> Study:
        """One study as it may turn out."""
        line: CalibrationFit | NotEstimable | None = None
        blocks: dict[str, Block] = {}
        for layout in self.layouts:
            values = self._signals(layout, rng)
            if layout.block in THROUGH_THE_PROCEDURE:
                values = self._contents(values, line)
            block = _block(layout, values)
            if block is None:
                continue
            blocks[layout.block] = block
            if isinstance(block, CalibrationBlock):
                try:
                    line = calibration_function(block.runs, self.base.analysis_for(self.analyte))
                except NotEstimable as refusal:
                    line = refusal
        return self.base.model_copy(update=blocks)

    def _signals(self, layout: _Layout, rng: np.random.Generator) -> NDArray[np.float64]:
        assumed = self.truth.assumed
        content = layout.content
        if layout.block in THROUGH_THE_PROCEDURE:
            content = content * (assumed.recovery_percent / 100)
        height = assumed.slope * content
        if self.truth.curvature and (highest := float(content.max())) > 0:
            height = height * (1 - self.truth.curvature * content / highest)
        tau = assumed.between_series_rsd_percent / 100
        factor = 1 + tau * rng.standard_normal((content.shape[0], 1, 1))
        sd = np.hypot(assumed.signal_sd, assumed.signal_rsd_percent / 100 * height)
        return assumed.intercept + height * factor + sd * rng.standard_normal(content.shape)

    def _contents(
        self, signals: NDArray[np.float64], line: CalibrationFit | NotEstimable | None
    ) -> NDArray[np.float64]:
        """Signals read from this study's calibration; NaN where it gives none.

        Where the plan has no calibration, results are read from the true line.
        """
        if line is None:
            return (signals - self.truth.assumed.intercept) / self.truth.assumed.slope
        nothing = np.full_like(signals, np.nan)
        if isinstance(line, NotEstimable):
            return nothing
        try:
            flat = signals.ravel()
            return back_calculate(line, np.ones_like(flat), flat).found.reshape(signals.shape)
        except NotEstimable:
            return nothing


def _block(layout: _Layout, values: NDArray[np.float64]) -> Block | None:
    """The data block as read from files; what the calibration cannot give is missing."""
    field = _READINGS[layout.block]
    runs = []
    for of_series, here in zip(layout.runs, values, strict=True):
        for run, drawn in zip(of_series, here, strict=True):
            readings = tuple(drawn[np.isfinite(drawn)].tolist())
            if readings:
                runs.append(run.model_copy(update={field: readings}))
    return MODELS[layout.block].model_validate({"runs": runs}) if runs else None


def _recovery_fields(material: Material) -> dict[str, object]:
    if material.is_reference:
        return {"reference": material.level}
    return {"native": 0.0, "added": material.level, "matrix": material.matrix}


def _level_field(material: Material) -> dict[str, object]:
    return {"level": material.level}


_FIELDS: Mapping[str, Callable[[Material], dict[str, object]]] = {
    "calibration": _level_field,
    "blanks": lambda _material: {},
    "low_level": _level_field,
    "precision": _level_field,
    "recovery": _recovery_fields,
}
"""What a run of each block says of its material."""

_READINGS: Mapping[str, str] = {
    "calibration": "signals",
    "blanks": "signals",
    "low_level": "concentrations",
    "precision": "concentrations",
    "recovery": "found",
}
"""Under which name it holds its readings."""

MODELS: Mapping[str, type[Block]] = {
    "calibration": CalibrationBlock,
    "blanks": BlanksBlock,
    "low_level": LowLevelBlock,
    "precision": PrecisionBlock,
    "recovery": RecoveryBlock,
}


def without_data(study: Study, analyte: str) -> Study:
    """The study without data and plan, reduced to one analyte and the validated configuration."""
    validated = study.validated_configuration
    method = study.method.model_copy(
        update={
            "analytes": (study.analyte(analyte),),
            "configurations": tuple(one for one in study.method.configurations if one.id == validated),
        }
    )
    criteria = tuple(
        one
        for one in study.criteria
        if one.analyte in (None, analyte) and one.configuration in (None, validated)
    )
    budget = study.with_shortest_simulation().uncertainty
    if budget is not None:
        own = tuple(one for one in budget.components if one.analyte in (None, analyte))
        budget = budget.model_copy(update={"components": own})
    choices = study.analysis_for(analyte).model_dump(exclude_unset=True)
    by_guidance = deciding_by_guidance(study)
    if by_guidance is not None and not {"detection_limit", "quantification_limit"} & set(choices):
        choices["detection_limit"] = {"variant": by_guidance.detection}
        choices["quantification_limit"] = {"variant": by_guidance.quantification}
    reduced = study.model_copy(
        update={
            **dict.fromkeys(result_blocks()),
            "plan": None,
            "method": method,
            "criteria": criteria,
            "uncertainty": budget,
            "analysis": Analysis.model_validate(choices),
            # profiles are read once, outside the simulation
            "study": study.study.model_copy(update={"guidance": ()}),
        }
    )
    reduced._head = None
    reduced._inputs = ()
    return reduced
