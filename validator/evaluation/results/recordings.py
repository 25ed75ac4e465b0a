"""Records of the reduction of raw curves."""

from __future__ import annotations

from validator.records import Record


class BaselineRecord(Record, frozen=True, kw_only=True):
    """What was drawn under the peaks, and how."""

    method: str
    feet: tuple[tuple[float, ...], ...] | None = None
    degree: int | None = None
    through: tuple[tuple[float, ...], ...] | None = None
    smoothness: float | None = None
    asymmetry: float | None = None


class ReductionSettings(Record, frozen=True, kw_only=True):
    """How every curve was reduced, as the study declares it."""

    lower: float
    upper: float
    measure: str
    direction: str
    summit: float | None = None
    at: float | None = None
    baseline: BaselineRecord
    noise_lower: float | None = None
    noise_upper: float | None = None


class ReducedCurve(Record, frozen=True, kw_only=True):
    """One curve and what was read from it.

    Attributes:
        recording, column: where the curve is.
        into, level: what became of the signal.
        position: abscissa of the reading, None for an area.
        maximum: abscissa of the curve's own maximum; None where that is not clear, and in a blank.
        signal: height or area.
        standard_error: from the noise of the points.
        settings_uncertainty: from moving each window by a tenth of its width.
        noise_sd: standard deviation of one point.
        noise_peak_to_peak: extent of the noise in its window, where one is declared.
    """

    recording: str
    column: str | None = None
    place: str
    into: str
    level: float | None = None
    position: float | None = None
    maximum: float | None = None
    signal: float
    standard_error: float
    settings_uncertainty: float
    noise_sd: float
    noise_peak_to_peak: float | None = None
    excluded: str | None = None


class MaximaRecord(Record, frozen=True, kw_only=True):
    """Abscissae of the clear maxima, those of curves that count: their number, mean and extent.

    Where no position is declared, curves without a clear maximum, and all blanks, are read at the mean.
    """

    n: int
    mean: float
    lowest: float
    highest: float


class RecordingsRecord(Record, frozen=True, kw_only=True):
    """The curves of one analyte and configuration.

    Attributes:
        kind: of the curves.
        settings: the same for every curve.
        n: number of curves that count.
        noise_sd: root mean square over the curves of the standard deviation of one point.
        standard_error: root mean square of what this makes of a signal.
        repeatability: root mean square of what moving the windows makes of a signal: how well the reduction
            repeats itself when it is set up anew.
        repeatability_percent: the same relative to the signal, over curves with a signal above ten times its
            standard error; None where there is none.
        maxima: those of heights; None where no curve has a clear one.
        curves: one by one.
    """

    kind: str
    settings: ReductionSettings
    n: int
    noise_sd: float
    standard_error: float
    repeatability: float
    repeatability_percent: float | None = None
    maxima: MaximaRecord | None = None
    curves: tuple[ReducedCurve, ...]
