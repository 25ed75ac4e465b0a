"""Standard addition: the content of each sample, and the slope in it beside the external calibration."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from validator.errors import NotEstimable
from validator.evaluation.calibration_record import lack_of_fit_record
from validator.evaluation.convert import attempt, f_test, not_assessed
from validator.evaluation.results import (
    AdditionLinearity,
    AdditionPoint,
    EstimateRecord,
    NotAssessed,
    StandardAdditionRecord,
)
from validator.evaluation.rows import Cell, excluded, excluded_points, kept, runs_of
from validator.statistics.distributions import t_two_sided_p
from validator.statistics.interval import estimate_record, two_sided_record
from validator.statistics.levels import average_repeated_readings
from validator.statistics.linearity import mandel
from validator.statistics.sample import Sample, summarise
from validator.statistics.slopes import slope_ratio
from validator.statistics.standard_addition import StandardAddition
from validator.statistics.standard_addition import standard_addition as line_of_additions
from validator.study.models.calibration import StandardAdditionRun

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from validator.evaluation.calibration import Fitted
    from validator.statistics.regression import CalibrationFit
    from validator.study import Study

NO_CALIBRATION = NotAssessed(
    not_assessed="no external calibration is available for comparison of the slopes",
    needs="a calibration in clean solution",
)


class Additions(Struct, frozen=True):
    """The portions of one sample: additions and signals of independent preparations."""

    sample: str
    dilution_factor: float
    runs: tuple[StandardAdditionRun, ...]

    @property
    def counted(self) -> Additions:
        """The same without the runs that the study excludes."""
        return Additions(self.sample, self.dilution_factor, kept(self.runs))

    @property
    def reference(self) -> float | None:
        """Value known from elsewhere, where the study states one."""
        return next((run.reference for run in self.runs if run.reference is not None), None)

    def points(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Additions and signals; repeated readings of one addition of a run are averaged."""
        added: list[float] = []
        signals: list[float] = []
        for run in self.runs:
            if run.preparation == "repeated_reading":
                averaged = average_repeated_readings(run.additions, run.responses, run.additions)
                added.extend(averaged.x.tolist())
                signals.extend(averaged.y.tolist())
            else:
                added.extend(run.additions)
                signals.extend(run.responses)
        return np.array(added), np.array(signals)

    @property
    def blank(self) -> Sample | None:
        """The blanks that are subtracted, all runs together."""
        found = [signal for run in self.runs for signal in run.blank_signals or ()]
        return summarise(found) if found else None

    @property
    def blank_corrected(self) -> bool | None:
        """Whether a blank was subtracted, here or before; None where a run does not say."""
        stated = {
            "subtracted" if run.blank_signals is not None else run.blank_correction for run in self.runs
        }
        return None if None in stated else stated == {"subtracted"}

    def line(self, confidence: float) -> StandardAddition:
        """The line through the portions.

        Raises:
            NotEstimable: as the statistic, or no portion counts.
        """
        added, signals = self.points()
        if added.size == 0:
            raise NotEstimable("all test portions are excluded", "test portions that are not excluded")
        blank = self.blank
        return line_of_additions(
            added,
            signals,
            dilution_factor=self.dilution_factor,
            blank_variance=0.0 if blank is None else blank.variance_of_mean or 0.0,
            confidence=confidence,
        )


def samples_of(study: Study, cell: Cell) -> tuple[Additions, ...]:
    """Every sample of *cell*, excluded runs included, in the order of the study."""
    groups: dict[tuple[str, float], list[StandardAdditionRun]] = {}
    for run in runs_of(study.standard_addition, cell):
        if isinstance(run, StandardAdditionRun):
            groups.setdefault((run.sample, run.dilution_factor), []).append(run)
    return tuple(Additions(*key, tuple(runs)) for key, runs in groups.items())


def standard_addition(
    study: Study, cell: Cell, fitted: Fitted | NotAssessed
) -> tuple[StandardAdditionRecord, ...] | NotAssessed:
    """One record for each sample of *cell* (and dilution of it)."""
    samples = samples_of(study, cell)
    if not samples:
        return NotAssessed(
            not_assessed="no standard addition data were provided",
            needs="a sample with at least three additions to independently prepared test portions",
        )
    confidence = study.analysis_for(cell.analyte).confidence
    return tuple(_record(sample, fitted, confidence) for sample in samples)


def _record(sample: Additions, fitted: Fitted | NotAssessed, confidence: float) -> StandardAdditionRecord:
    counted = sample.counted
    try:
        record = _estimated(counted, fitted, confidence)
    except NotEstimable as refusal:
        record = _refused(counted, not_assessed(refusal))
    if not excluded(sample.runs):
        return record
    return replace(
        record,
        excluded=excluded_points(sample.runs),
        with_excluded=attempt(lambda: two_sided_record(sample.line(confidence).concentration)),
    )


def _refused(sample: Additions, refusal: NotAssessed) -> StandardAdditionRecord:
    added, _ = sample.points()
    return StandardAdditionRecord(
        sample=sample.sample,
        concentration=refusal,
        slope=refusal,
        linearity=refusal,
        n=added.size,
        additions=int(np.unique(added).size),
        dilution_factor=sample.dilution_factor,
        reference=sample.reference,
    )


def _estimated(sample: Additions, fitted: Fitted | NotAssessed, confidence: float) -> StandardAdditionRecord:
    found = sample.line(confidence)
    line = found.fit
    concentration = estimate_record(found.concentration)
    difference = None if sample.reference is None else concentration.shifted(-sample.reference)
    return StandardAdditionRecord(
        sample=sample.sample,
        concentration=concentration,
        slope=estimate_record(line.slope),
        linearity=AdditionLinearity(
            lack_of_fit=attempt(lambda: lack_of_fit_record(line)),
            quadratic_test=attempt(lambda: f_test(mandel(line))),
        ),
        intercept=two_sided_record(line.intercept),
        n=line.n,
        additions=int(np.unique(line.x).size),
        dilution_factor=sample.dilution_factor,
        residual_standard_deviation=line.residual_standard_deviation,
        extrapolation=found.extrapolation,
        slope_ratio=_slope_ratio(line, fitted, confidence),
        reference=sample.reference,
        difference=difference,
        p_reference=None if difference is None else _p(difference),
        blank=None if sample.blank is None else sample.blank.mean,
        by_volume=any(run.added_volume is not None for run in sample.runs) or None,
        successive=any(run.is_successive for run in sample.runs) or None,
        blank_corrected=sample.blank_corrected,
        points=tuple(
            AdditionPoint(added=float(x), signal=float(y)) for x, y in zip(line.x, line.y, strict=True)
        ),
    )


def _slope_ratio(
    line: CalibrationFit, fitted: Fitted | NotAssessed, confidence: float
) -> EstimateRecord | NotAssessed:
    if isinstance(fitted, NotAssessed):
        return NO_CALIBRATION
    external = fitted.fit
    return attempt(lambda: estimate_record(slope_ratio(line, external, confidence=confidence)))


def _p(difference: EstimateRecord) -> float | None:
    value, error, nu = difference.value, difference.standard_error, difference.degrees_of_freedom
    if value is None or not error or not nu:
        return None
    return t_two_sided_p(value / error, nu)
