"""A whole study, as read: the top-level keys and where it came from."""

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Literal, NamedTuple, Self

from pydantic import PrivateAttr, ValidationInfo, field_validator

from validator.characteristics.order import PACKAGES
from validator.study.conversion import Inconvertible, factor
from validator.study.curves import Curve, CurveName
from validator.study.files import InputFile
from validator.study.models.analysis import Analysis, AnalysisChoices
from validator.study.models.base import Record, refuse
from validator.study.models.blanks import BlanksBlock, LowLevelBlock, NoiseBlock
from validator.study.models.calibration import CalibrationBlock, MatrixCalibrationBlock, StandardAdditionBlock
from validator.study.models.criteria import Criterion
from validator.study.models.identity import Identity
from validator.study.models.method import Analyte, Method
from validator.study.models.plan import Plan
from validator.study.models.precision import PrecisionBlock, RepeatedUseBlock
from validator.study.models.recordings import RecordedRun, RecordingsBlock
from validator.study.models.runs import Block, Run
from validator.study.models.selectivity import InterferenceBlock
from validator.study.models.trueness import ComparisonBlock, RecoveryBlock
from validator.study.models.uncertainty import FEWEST_DRAWS, UncertaintyBlock
from validator.study.places import Table, find, leaves, node_at, path_of, text_of
from validator.study.plan_record import PlanRecord

FORMAT = "validation-study/1"
_TO_REPLACE = re.compile(r"<[^\W\d_][^<>]*>")
DEFAULT_CONFIGURATION = "default"
"""Id of the one configuration of a study that names none."""


class FieldPlace(NamedTuple):
    """A field of the study file: file, line (0 where it is not known) and path."""

    file: str
    line: int
    field: str


def _in_unit_of_analyte(criterion: Criterion, index: int, method: Method) -> Criterion:
    """The criterion with its limits in the unit of the analytes that it speaks of."""
    if criterion.unit is None:
        return criterion
    loc = (index, "unit")
    spoken_of = [one for one in method.analytes if criterion.analyte in (None, one.id)]
    found: set[tuple[tuple[str, float], ...]] = set()
    for analyte in spoken_of:
        try:
            by = factor(criterion.unit, analyte.unit, analyte.molar_mass)
        except Inconvertible as error:
            refuse(str(error), *loc)
        limits = ((name, getattr(criterion, name)) for name in ("min", "max"))
        found.add(tuple((name, float(f"{by * limit:.14g}")) for name, limit in limits if limit is not None))
    if len(found) > 1:
        refuse("the limit differs between analytes; name the analyte", *loc)
    return criterion.model_copy(update={**dict(found.pop()), "unit": None}) if found else criterion


class Study(Record):
    """A validation study: frozen, checked, with the blocks' defaults applied to every run."""

    format: Literal["validation-study/1"]
    study: Identity
    method: Method
    analysis: Analysis = Analysis()
    criteria: tuple[Criterion, ...] = ()
    plan: Plan | None = None
    calibration: CalibrationBlock | None = None
    blanks: BlanksBlock | None = None
    low_level: LowLevelBlock | None = None
    precision: PrecisionBlock | None = None
    recovery: RecoveryBlock | None = None
    interference: InterferenceBlock | None = None
    standard_addition: StandardAdditionBlock | None = None
    matrix_calibration: MatrixCalibrationBlock | None = None
    comparison: ComparisonBlock | None = None
    for _one in PACKAGES:
        __annotations__[_one.block] = _one.part("runs").BLOCK | None
        vars()[_one.block] = None
    del _one
    repeated_use: RepeatedUseBlock | None = None
    noise: NoiseBlock | None = None
    uncertainty: UncertaintyBlock | None = None
    recordings: RecordingsBlock | None = None

    @field_validator("criteria")
    @classmethod
    def _criteria_in_units_of_analytes(
        cls, criteria: tuple[Criterion, ...], info: ValidationInfo
    ) -> tuple[Criterion, ...]:
        method: Method | None = info.data.get("method")
        if method is None or all(one.unit is None for one in criteria):
            return criteria
        return tuple(_in_unit_of_analyte(one, index, method) for index, one in enumerate(criteria))

    _head: Table | None = PrivateAttr(default=None)
    _folder: Path = PrivateAttr(default=Path())
    _inputs: tuple[InputFile, ...] = PrivateAttr(default=())
    _recorded_plan: PlanRecord | None = PrivateAttr(default=None)
    _curves: Mapping[CurveName, Curve] = PrivateAttr(default={})
    _is_reduced: bool = PrivateAttr(default=False)

    @property
    def folder(self) -> Path:
        """The study folder; paths of ``inputs`` start here."""
        return self._folder

    @property
    def inputs(self) -> tuple[InputFile, ...]:
        """Every file that was read, the study file first."""
        return self._inputs

    @property
    def recorded_plan(self) -> PlanRecord | None:
        """What the plan fixed on the day it was made, where the study keeps the record of it."""
        return self._recorded_plan

    def curve(self, run: RecordedRun) -> Curve:
        """The curve that *run* names.

        Raises:
            KeyError: it was not read with this study.
        """
        return self._curves[run.recording, run.column]

    @property
    def is_reduced(self) -> bool:
        """True when the signals of the recordings stand in their blocks, or there are no recordings."""
        return self._is_reduced or self.recordings is None

    def with_signals(self, blocks: Mapping[str, Block]) -> Self:
        """The study with *blocks* that hold the reduced signals of its recordings."""
        study = self.model_copy(update=dict(blocks))
        study._is_reduced = True
        return study

    def with_shortest_simulation(self) -> Self:
        """The same study with as few draws beside the budget as may be made; they decide nothing."""
        block = self.uncertainty
        if block is None or not (block.components or "simulation" in block.model_fields_set):
            return self  # a copy with a simulation would ask for one
        short = block.simulation.model_copy(update={"draws": FEWEST_DRAWS})
        return self.model_copy(update={"uncertainty": block.model_copy(update={"simulation": short})})

    def place_of(self, *loc: str | int) -> FieldPlace:
        """Where the field at *loc* outside the data blocks stands in the study file, for saying so."""
        if self._head is None:
            return FieldPlace("study.yaml", 0, path_of(loc))
        place, _ = find(self._head, loc)
        return FieldPlace(place.file, place.line, path_of(loc))

    def written(self, *loc: str | int) -> str:
        """What stands at *loc* outside the data blocks in the study file; empty where nothing does."""
        return "" if self._head is None else text_of(node_at(self._head, loc)) or ""

    @property
    def left_open(self) -> tuple[FieldPlace, ...]:
        """Fields outside the data blocks that still hold a starter's words in <angle brackets>."""
        return tuple(
            FieldPlace(leaf.place.file, leaf.place.line, path_of(loc))
            for loc, leaf in (leaves(self._head) if self._head else ())
            if _TO_REPLACE.search(text_of(leaf) or "")
        )

    @property
    def analyte_ids(self) -> tuple[str, ...]:
        """Ids of the analytes, in the order of the study."""
        return tuple(analyte.id for analyte in self.method.analytes)

    def analyte(self, analyte_id: str) -> Analyte:
        """The analyte of that id.

        Raises:
            KeyError: the study has no such analyte.
        """
        for analyte in self.method.analytes:
            if analyte.id == analyte_id:
                return analyte
        raise KeyError(analyte_id)

    @property
    def configuration_ids(self) -> tuple[str, ...]:
        """Ids of the configurations, in the order of the study; ``("default",)`` where none is named."""
        return tuple(configuration.id for configuration in self.method.configurations) or (
            DEFAULT_CONFIGURATION,
        )

    @property
    def validated_configuration(self) -> str:
        """Id of the configuration that is validated; the others are characterised and compared with it."""
        return self.method.configuration or self.configuration_ids[0]

    def runs(self, block: str) -> tuple[Run, ...]:
        """The runs of a data block by its name, none where the study lacks it."""
        found = getattr(self, block)
        return () if found is None else found.runs

    def analysis_for(self, analyte_id: str) -> AnalysisChoices:
        """The choices that hold for one analyte, its overrides merged in."""
        return self.analysis.for_analyte(analyte_id)
