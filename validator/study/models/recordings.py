"""The block ``recordings``: raw curves, how they are reduced, and what becomes of the numbers."""

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any, Literal, Self, get_args

from pydantic import AfterValidator, BeforeValidator, Field, ValidationError, create_model, model_validator
from pydantic.fields import FieldInfo

from validator.characteristics.order import PACKAGES
from validator.study.models.base import (
    Cause,
    Count,
    Flag,
    Label,
    NonNegative,
    Number,
    Positive,
    Probability,
    Record,
    Text,
    Whole,
    as_list,
    problem,
    refuse,
)
from validator.study.models.blanks import BlanksBlock, LowLevelBlock, NoiseBlock
from validator.study.models.calibration import CalibrationBlock, MatrixCalibrationBlock, StandardAdditionBlock
from validator.study.models.precision import PrecisionBlock, RepeatedUseBlock
from validator.study.models.runs import Block, Run
from validator.study.models.selectivity import InterferenceBlock
from validator.study.models.trueness import RecoveryBlock

HIGHEST_DEGREE = 9
HIGHEST_OF_SMOOTHING = 5


def _in_order(ends: tuple[float, ...]) -> tuple[float, ...]:
    if len(ends) != 2:
        raise problem(f"two ends make a window ([-1.2, -1.1]), found {len(ends)}")
    if ends[0] >= ends[1]:
        raise problem("the first end of a window must be the smaller one")
    return ends


Window = Annotated[tuple[Number, ...], AfterValidator(_in_order), BeforeValidator(as_list)]


class Baseline(Record):
    """What is drawn under the peak.

    ``linear``: between the means of the points in two windows, the ``feet``. ``tangent``: touching the curves
    in these, where the clear ones do on average. ``polynomial``: of ``degree`` through the points in the
    windows ``through``. ``exponential``: a straight line and an exponential that falls to 1/e over ``decay``,
    through the same. ``asymmetric_least_squares``: of ``smoothness`` (λ) and ``asymmetry`` (p). ``none``: for
    a derivative, which has its own zero.
    """

    method: Literal["linear", "tangent", "polynomial", "exponential", "asymmetric_least_squares", "none"]
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
            "tangent": ("feet",),
            "none": (),
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
        if self.method in ("linear", "tangent") and (
            len(self.feet) != 2 or self.feet[0][1] > self.feet[1][0]
        ):
            refuse("give two windows that do not overlap, the lower one first", "feet")
        if self.degree is not None and self.degree > HIGHEST_DEGREE:
            refuse(f"the degree must be at most {HIGHEST_DEGREE}; higher degrees follow the noise", "degree")
        return self


class Smoothing(Record):
    """Polynomials of ``degree`` over ``width``, in units of the abscissa, fitted around every point.

    ``second_derivative``: the curve is read as the negative second derivative of these.
    """

    width: Positive
    degree: Count = 2
    second_derivative: Flag = False

    @model_validator(mode="after")
    def _is_low(self) -> Self:
        if not 1 + self.second_derivative <= self.degree <= HIGHEST_OF_SMOOTHING:
            refuse(
                f"the degree must be from {1 + self.second_derivative} to {HIGHEST_OF_SMOOTHING}", "degree"
            )
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
    With ``at`` the height is read there in every curve. ``smoothing`` is applied to the curve first.
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
    smoothing: Smoothing | None = None
    noise: NoiseWindow | None = None

    @property
    def is_derivative(self) -> bool:
        """True where curves are read as their second derivatives."""
        return self.smoothing is not None and self.smoothing.second_derivative

    @model_validator(mode="after")
    def _is_complete(self) -> Self:
        if (self.baseline.method == "none") is not self.is_derivative:
            wanted = (
                "method: none" if self.is_derivative else "a baseline, or smoothing with second_derivative"
            )
            refuse(
                f"a second derivative, and it alone, is read without a baseline; give {wanted}", "baseline"
            )
        if self.is_derivative and self.measure == "area":
            refuse("a second derivative is measured as a height", "measure")
        if self.end <= self.start:
            refuse("to must be greater than from", "to")
        if self.measure == "area" and (self.summit is not None or self.at is not None):
            refuse("summit and at do not apply to an area; omit them", "measure")
        if self.at is not None and not self.start <= self.at <= self.end:
            refuse("must lie between from and to", "at")
        return self


_HELD_BY = (
    *(CalibrationBlock, MatrixCalibrationBlock, BlanksBlock, LowLevelBlock, PrecisionBlock, RecoveryBlock),
    *(InterferenceBlock, StandardAdditionBlock, RepeatedUseBlock, NoiseBlock),
)
_NAMES = (
    *("calibration", "matrix_calibration", "blanks", "low_level", "precision", "recovery", "interference"),
    *("standard_addition", "repeated_use", "noise"),
)
_BLOCKS = dict(zip(_NAMES, _HELD_BY, strict=True)) | {one.block: one.part("runs").BLOCK for one in PACKAGES}
TARGETS: Mapping[str, type[Run]] = {
    name: next(part for part in get_args(block.model_fields["runs"].annotation) if isinstance(part, type))
    for name, block in _BLOCKS.items()
}
"""Blocks that take signals, and the models of their runs."""
_READINGS = ("signal_height", "signal", "signals", "result", "found")
_NOT_WRITTEN = frozenset({*_READINGS, "concentration", "concentrations", "noise", "noise_kind", "sequence"})
"""What the curve itself gives, or what only results have."""


def reading_of(into: str) -> str:
    """The field of a run of the block *into* that holds what is read from a curve."""
    known = fields_of(into)
    return next(name for name in _READINGS if name in known)


def fields_of(into: str) -> Mapping[str, FieldInfo]:
    """The fields of a run of the block *into*, and of its rows where it gathers several."""
    model = TARGETS[into]
    return {**model.model_fields, **(model.one_row.model_fields if model.one_row else {})}


def _optional(info: FieldInfo) -> tuple[object, None]:
    kind: Any = info.annotation
    return (Annotated[(kind, *info.metadata)] if info.metadata else kind) | None, None


OWN_SETTINGS = ("from", "to", "at", "baseline")
_OF_CURVES = frozenset({*Run.model_fields, "recording", "column", "into", "reason", *OWN_SETTINGS})


class _Recorded(Run):
    """One curve: the file ``recording`` and, where that holds several, the ``column`` of its ordinates.

    The reduced signal becomes a run of the block ``into``, or one of its readings, with everything else that
    is written here. A curve of interference without ``interferent`` is a reference reading. ``from``, ``to``,
    ``at`` and ``baseline`` (a name of ``baselines``) replace the settings of the peak, for a ``reason``.
    """

    recording: Label
    column: Label | None = None
    into: Literal[tuple(TARGETS)]  # type: ignore[valid-type]
    kind: Label | None = None
    level: NonNegative | None = None
    added: NonNegative | None = None
    reference: NonNegative | None = None
    interferent: Text | None = None
    analyte_level: NonNegative | None = None
    at: Number | None = None
    baseline: Label | None = None
    reason: Cause | None = None

    @property
    def is_blank(self) -> bool:
        """True for a curve of a sample without the analyte, which has no peak to seek."""
        return self.into == "blanks" or self.level == 0 or (self.into != "blanks" and self.kind == "blank")

    @property
    def own_settings(self) -> dict[str, float | str]:
        """The settings of the peak that are replaced for this curve."""
        given = {name: getattr(self, name) for name in OWN_SETTINGS}
        return {name: value for name, value in given.items() if value is not None}

    @model_validator(mode="after")
    def _own_settings_have_a_reason(self) -> Self:
        own = self.own_settings
        if own and self.reason is None:
            refuse(f"{next(iter(own))} is set for this curve alone; state the reason", "reason")
        if self.reason is not None and not own:
            refuse(
                f"reason applies to settings of this curve ({', '.join(OWN_SETTINGS)}); give one", "reason"
            )
        return self

    @model_validator(mode="after")
    def _fits_its_block(self) -> Self:
        known = fields_of(self.into)
        if self.into == "interference":
            known = {name: info for name, info in known.items() if name != "reference"}
        for name in sorted(self.model_fields_set - _OF_CURVES):
            if name not in known and getattr(self, name) is not None:
                refuse(f"{name} does not apply to {self.into}", name)
        reading = reading_of(self.into)
        for name, info in known.items():
            is_optional = self.into == "interference" and name == "interferent"
            is_needed = info.is_required() and name not in _NOT_WRITTEN and not is_optional
            if is_needed and getattr(self, name, None) is None:
                refuse(f"{name} is missing; it is required for {self.into}")
        if not TARGETS[self.into].gathers_rows and self.into not in ("interference", "noise"):
            TARGETS[self.into].model_validate({**self.for_block(), reading: 1.0})
        return self

    def for_block(self) -> dict[str, object]:
        """What is written here of the fields of the block's run."""
        known = fields_of(self.into)
        given = {name: getattr(self, name) for name in self.model_fields_set if name in known}
        return {name: value for name, value in given.items() if value is not None}


def _written() -> dict[str, tuple[object, None]]:
    """Every field that a run of some block has and that a curve does not give."""
    found: dict[str, tuple[object, None]] = {}
    for into in TARGETS:
        for name, info in fields_of(into).items():
            if name not in {*_Recorded.model_fields, *_NOT_WRITTEN, *found}:
                found[name] = _optional(info)
    return found


if TYPE_CHECKING:
    RecordedRun = _Recorded
else:
    RecordedRun = create_model(
        "RecordedRun",
        __base__=_Recorded,
        __module__=__name__,
        __doc__=_Recorded.__doc__,
        **_written(),
        **{"from": (Number | None, None), "to": (Number | None, None)},
    )
    """As ``_Recorded``, with the fields of the runs of every block that takes signals."""
    _IN_ANALYTE_UNIT = frozenset().union(*(one.in_analyte_unit for one in TARGETS.values()))
    RecordedRun.in_analyte_unit = _IN_ANALYTE_UNIT - _NOT_WRITTEN


def name_pattern(text: str) -> str:
    """A regular expression with one group that takes no long time on any name."""
    bare = re.sub(r"\[[^\]]*\]", "x", re.sub(r"\\.", "x", text))
    try:
        is_simple = re.compile(text).groups == 1 and "(?" not in bare and not re.search(r"\)[+*?{]", bare)
    except re.error as error:
        raise problem(f"this is no regular expression ({error})") from None
    if not is_simple or len(re.findall(r"[+*?{]", bare)) > _MOST_REPEATS or len(text) > _LONGEST_PATTERN:
        raise problem('write one group that is the value, and few repeats, for example "_([0-9.]+)ug"')
    return text


_MOST_REPEATS = 3
_LONGEST_PATTERN = 100
NamePattern = Annotated[Label, AfterValidator(name_pattern)]
FROM_NAMES = ("level", "sample", "series", "device", "configuration", "use")
"""Fields that may be read from the name of a file."""

CurveSet: type[Record] = create_model(  # type: ignore[call-overload]
    "CurveSet",
    __base__=Record,
    __module__=__name__,
    __doc__="""Curves found by a pattern of file names; what differs between them is read from the names.

    ``files`` is a pattern such as ``curves/*.txt``; each ``..._from`` a regular expression whose group is the
    value. Everything else holds for all of them, as in a run. A later set adds to what an earlier one says of
    the same curve, analyte and block: settings of one curve stand in a set of its own.
    """,
    files=(Label, ...),
    **{f"{name}_from": (NamePattern | None, None) for name in FROM_NAMES},
    **{name: _optional(info) for name, info in RecordedRun.model_fields.items() if name != "recording"},
)


class RecordingsBlock(Block):
    """The block ``recordings``; ``file`` is the run sheet that lists the curves.

    ``x`` and ``y`` are the headers of abscissa and ordinate in the curves' own files, the first and the
    second column where they are not given; ``curves`` finds files by patterns; ``recording_decimal`` is the
    decimal sign there, ``skip`` the number of lines to leave out above the curve, where the block of numbers
    alone does not tell. ``baselines`` are named for single curves.
    """

    kind: Literal["voltammogram", "chromatogram", "spectrum"]
    x: Label | None = None
    y: Label | None = None
    recording_decimal: Literal[".", ","] = "."
    skip: Whole | None = None
    peaks: tuple[Peak, ...]
    baselines: dict[Label, Baseline] = Field(default={})
    curves: tuple[CurveSet, ...] = ()
    runs: tuple[RecordedRun, ...]

    def peak_of(self, run: _Recorded) -> Peak | None:
        """The settings for one curve, those of its own included.

        Raises:
            ValidationError: these do not go together with those of the peak.
        """
        peak = self.peak_for(run.analyte, run.configuration)
        own = run.own_settings
        if peak is None or not own:
            return peak
        keys = {name: Peak.model_fields[name].alias or name for name in peak.model_fields_set}
        written = {key: getattr(peak, name) for name, key in keys.items()}
        baseline = {"baseline": self.baselines[str(own["baseline"])]} if "baseline" in own else {}
        return Peak.model_validate({**written, **own, **baseline})

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
            if run.baseline is not None and run.baseline not in self.baselines:
                known = f"; baselines has: {', '.join(self.baselines)}" if self.baselines else ""
                refuse(f"no entry {run.baseline} under baselines{known}", "runs", index, "baseline")
            try:
                peak = self.peak_of(run)
            except ValidationError as error:
                details = error.errors()[0]
                refuse(details["msg"], "runs", index, *details["loc"])
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
