"""The block ``recordings``: raw curves, how they are reduced, and what becomes of the numbers."""

from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from validator.study.models.base import (
    Count,
    Label,
    NonNegative,
    Number,
    Positive,
    Probability,
    Record,
    Whole,
    as_list,
    problem,
    refuse,
)
from validator.study.models.runs import Block, Run

Into = Literal[
    "calibration", "matrix_calibration", "blanks", "low_level", "precision", "repeated_use", "noise"
]

NEEDED = {
    "calibration": ("level",),
    "matrix_calibration": ("level",),
    "blanks": (),
    "low_level": ("level",),
    "precision": ("level",),
    "repeated_use": ("device", "use"),
    "noise": ("level",),
}
"""What a run of each block cannot do without, beside its signal."""
_BELONGS_TO = {
    "kind": ("blanks",),
    "day": ("precision",),
    "laboratory": ("precision",),
    "use": ("repeated_use",),
    "level": ("calibration", "matrix_calibration", "low_level", "precision", "noise"),
}
HIGHEST_DEGREE = 9


def _in_order(ends: tuple[float, ...]) -> tuple[float, ...]:
    if len(ends) != 2:
        raise problem(f"two ends make a window ([-1.2, -1.1]), found {len(ends)}")
    if ends[0] >= ends[1]:
        raise problem("the first end of a window must be the smaller one")
    return ends


Window = Annotated[tuple[Number, ...], AfterValidator(_in_order), BeforeValidator(as_list)]


class Baseline(Record):
    """What is drawn under the peak.

    ``linear``: between the means of the points in two windows, the ``feet``. ``polynomial``: of ``degree``
    through the points in the windows ``through``. ``exponential``: a straight line and an exponential that
    falls to 1/e over ``decay``, through the same. ``asymmetric_least_squares``: of ``smoothness`` (λ) and
    ``asymmetry`` (p).
    """

    method: Literal["linear", "polynomial", "exponential", "asymmetric_least_squares"]
    feet: tuple[Window, ...] = ()
    degree: Count | None = None
    through: tuple[Window, ...] = ()
    decay: Number | None = None
    smoothness: Positive | None = None
    asymmetry: Probability | None = None

    @model_validator(mode="after")
    def _is_complete(self) -> Self:
        wanted = {
            "linear": ("feet",),
            "polynomial": ("degree", "through"),
            "exponential": ("decay", "through"),
            "asymmetric_least_squares": ("smoothness", "asymmetry"),
        }
        for name in dict.fromkeys(name for names in wanted.values() for name in names):
            is_given, is_wanted = bool(getattr(self, name)), name in wanted[self.method]
            if is_wanted and not is_given:
                refuse(f"a baseline with method {self.method} requires {name}")
            if is_given and not is_wanted:
                refuse(f"{name} does not apply to a baseline with method {self.method}", name)
        if self.method == "linear" and (len(self.feet) != 2 or self.feet[0][1] > self.feet[1][0]):
            refuse("give two windows that do not overlap, the lower one first", "feet")
        if self.degree is not None and self.degree > HIGHEST_DEGREE:
            refuse(f"the degree must be at most {HIGHEST_DEGREE}; higher degrees follow the noise", "degree")
        return self


class NoiseWindow(Record):
    """Where the noise is read, about the straight line there, and how it is given to the block ``noise``."""

    start: Number = Field(alias="from")
    end: Number = Field(alias="to")
    kind: Literal["peak_to_peak", "rms"] = "peak_to_peak"

    @model_validator(mode="after")
    def _has_width(self) -> Self:
        if self.end <= self.start:
            refuse("to must be greater than from", "to")
        return self


class Peak(Record):
    """How the peak of one analyte is measured in every curve.

    ``from`` and ``to`` bound the search for the summit, or the area. A parabola is fitted over the width
    ``summit`` at the top; without it the single highest point counts. A curve whose peak is not clear, and
    every blank, is read at the mean of the clear maxima: the highest point of noise is never below zero.
    With ``at`` the height is read there in every curve.
    """

    analyte: Label | None = None
    configuration: Label | None = None
    start: Number = Field(alias="from")
    end: Number = Field(alias="to")
    measure: Literal["height", "area"] = "height"
    direction: Literal["up", "down"] = "up"
    summit: Positive | None = None
    at: Number | None = None
    baseline: Baseline
    noise: NoiseWindow | None = None

    @model_validator(mode="after")
    def _is_complete(self) -> Self:
        if self.end <= self.start:
            refuse("to must be greater than from", "to")
        if self.measure == "area" and (self.summit is not None or self.at is not None):
            refuse("summit and at do not apply to an area; omit them", "measure")
        if self.at is not None and not self.start <= self.at <= self.end:
            refuse("must lie between from and to", "at")
        return self


class RecordedRun(Run):
    """One curve: the file ``recording`` and, where that holds several, the ``column`` of its ordinates.

    The reduced signal becomes a run of the block ``into``, with everything else that is written here.
    """

    in_analyte_unit = frozenset({"level"})
    recording: Label
    column: Label | None = None
    into: Into
    level: NonNegative | None = None
    kind: Literal["reagent", "matrix", "field"] | None = None
    day: Label | None = None
    laboratory: Label | None = None
    use: Count | None = None

    @property
    def is_blank(self) -> bool:
        """True for a curve of a sample without the analyte, which has no peak to seek."""
        return self.into == "blanks" or self.level == 0

    @model_validator(mode="after")
    def _fits_its_block(self) -> Self:
        for name in NEEDED[self.into]:
            if getattr(self, name) is None:
                refuse(f"{name} is missing; it is required for {self.into}")
        for name, blocks in _BELONGS_TO.items():
            if getattr(self, name) is not None and self.into not in blocks:
                refuse(f"{name} does not apply to {self.into}", name)
        return self


class RecordingsBlock(Block):
    """The block ``recordings``; ``file`` is the run sheet that lists the curves.

    ``x`` and ``y`` are the headers of abscissa and ordinate in the curves' own files, the first and the
    second column where they are not given; ``recording_decimal`` is the decimal sign there, ``skip`` the
    number of lines to leave out above the curve, where the block of numbers alone does not tell.
    """

    kind: Literal["voltammogram", "chromatogram", "spectrum"]
    x: Label | None = None
    y: Label | None = None
    recording_decimal: Literal[".", ","] = "."
    skip: Whole | None = None
    peaks: tuple[Peak, ...]
    runs: tuple[RecordedRun, ...]

    def peak_for(self, analyte: str, configuration: str) -> Peak | None:
        """The settings for one analyte and configuration, those that name the configuration first."""
        fitting = [
            peak
            for peak in self.peaks
            if peak.analyte in (None, analyte) and peak.configuration in (None, configuration)
        ]
        return max(fitting, key=lambda peak: peak.configuration is not None, default=None)

    @model_validator(mode="after")
    def _every_curve_has_settings(self) -> Self:
        for index, run in enumerate(self.runs):
            peak = self.peak_for(run.analyte, run.configuration)
            if peak is None:
                refuse(f"no entry under peaks for the analyte {run.analyte}", "runs", index, "analyte")
            if run.is_blank and peak.baseline.method == "asymmetric_least_squares":
                message = (
                    "asymmetric least squares follow the underside of the noise of a blank; give the peak a "
                    "baseline with method linear, polynomial or exponential"
                )
                refuse(message, "runs", index, "into")
            if run.into == "noise" and (peak.noise is None or peak.measure == "area"):
                message = "noise is read where the entry of peaks has a window noise and measures heights"
                refuse(message, "runs", index, "into")
        return self
