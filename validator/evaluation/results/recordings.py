"""Records of the reduction of raw curves."""

from __future__ import annotations

from validator.records import Record


class BaselineRecord(Record, frozen=True, kw_only=True):
    """What was drawn under the peaks, and how."""

    method: str
    feet: tuple[tuple[float, ...], ...] | None = None
    degree: int | None = None
    through: tuple[tuple[float, ...], ...] | None = None
    touching: tuple[float, float] | None = None
    decay: float | None = None
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
    smoothing_width: float | None = None
    smoothing_degree: int | None = None
    second_derivative: bool | None = None


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
        other_baseline_difference: what another kind of baseline would add to the signal.
        noise_sd: standard deviation of one point.
        noise_peak_to_peak: extent of the noise in its window, where one is declared.
        settings: settings of this curve alone, as they were written, and the ``reason`` for them.
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
    other_baseline_difference: float | None = None
    noise_sd: float
    noise_peak_to_peak: float | None = None
    settings: dict[str, float | str] | None = None
    reason: str | None = None
    excluded: str | None = None


class NoiseRecord(Record, frozen=True, kw_only=True):
    """How the noise of the curves was estimated.

    Attributes:
        windows: where, about a polynomial of ``degree``; none: from neighbouring points.
        correlated_over: points over which it is correlated, 0 where that is not significant.
    """

    windows: tuple[tuple[float, float], ...]
    degree: int
    correlated_over: int


class MaximaRecord(Record, frozen=True, kw_only=True):
    """Abscissae of the clear maxima, those of curves that count: their number, mean and extent.

    Where no position is declared, curves without a clear maximum, and all blanks, are read at the mean.

    Attributes:
        half_width: median width of the peaks at half their height, None where they do not fall to that.
        distance: root mean square distance from the declared position, larger peaks counting for more (the
            square of the signal); None where no position is declared.
    """

    n: int
    mean: float
    lowest: float
    highest: float
    half_width: float | None = None
    distance: float | None = None


class OtherBaselineRecord(Record, frozen=True, kw_only=True):
    """What a baseline of another kind would change in the signals.

    Attributes:
        offset, offset_error: in every signal alike, with its standard error.
        percent: in proportion to the signal, which a calibration takes up.
        scatter: standard deviation from curve to curve beyond noise; 0 where that is not significant.
        uncertainty: of a signal, from noise and settings, root mean square over the curves.
    """

    baseline: BaselineRecord
    offset: float
    offset_error: float
    percent: float
    scatter: float
    uncertainty: float


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
        noise: how it was estimated.
        other_baseline: what another kind of baseline changes; None with fewer than three curves.
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
    noise: NoiseRecord
    other_baseline: OtherBaselineRecord | None = None
    maxima: MaximaRecord | None = None
    curves: tuple[ReducedCurve, ...]
