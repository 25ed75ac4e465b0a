"""The standard deviation a limit rests on, and what turns it into a level: slope, weights, inversion."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from validator.errors import NotEstimable
from validator.statistics.detection.result import (
    FEW_BLANKS,
    PSEUDO_REPLICATES,
    SCATTER_BETWEEN_LEVELS_ASSUMED,
    SLOPE_AT_ZERO,
    SigmaUnit,
)
from validator.statistics.distributions import t_two_sided
from validator.statistics.sample import Sample, summarise

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import ArrayLike, NDArray

    from validator.statistics.detection.inputs import Array, DetectionInputs, LowLevelSample
    from validator.statistics.regression import CalibrationFit


CUSTOMARY_BLANKS = 10
RESIDUALS = "residuals"
INTERCEPT = "intercept"
INTERCEPTS = "intercepts"
BLANKS = "blanks"
BLANKS_AND_LINE = "blanks and calibration line"
LOW_LEVEL = "low-level samples"


class Scatter(Struct, frozen=True, kw_only=True):
    """A standard deviation with the slope that turns it into a level.

    Attributes:
        sd: standard deviation, in ``unit``.
        degrees_of_freedom: ν of sd.
        n: number of results it comes from.
        mean: their mean, in ``unit``; 0 for residuals.
        unit: "signal" or "concentration".
        source: where it comes from.
        slope: |b|, signal unit per level unit; 1 for concentrations.
        slope_standard_error: standard error of the slope; 0 for concentrations.
        slope_degrees_of_freedom: ν of the slope; infinite for concentrations.
        notes, cautions: what has to be said about it.
        refusal: why its doubt is not known, where it is not.
    """

    sd: float
    degrees_of_freedom: float
    n: int
    mean: float = 0.0
    unit: SigmaUnit
    source: str
    slope: float = 1.0
    slope_standard_error: float = 0.0
    slope_degrees_of_freedom: float = np.inf
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    refusal: NotEstimable | None = None

    @property
    def concentration(self) -> float:
        """σ/|b|, in the unit of the analyte."""
        return self.sd / self.slope

    @property
    def slope_relative_error(self) -> float:
        """s_b/|b|."""
        return self.slope_standard_error / self.slope

    @property
    def shares_residuals(self) -> bool:
        """True when σ and the standard error of the slope come from the same residuals.

        σ from estimated variances of the levels has degrees of freedom of its own.
        """
        own = self.degrees_of_freedom != self.slope_degrees_of_freedom
        return self.source in (RESIDUALS, INTERCEPT) and not own

    def scaled(self, factor: float) -> Scatter:
        """The standard deviation *factor* times as large, everything else as it is."""
        return replace(self, sd=self.sd * factor)

    def numbers(self) -> dict[str, float]:
        """What entered, by name."""
        entered = {"sigma": self.sd, "n": float(self.n)}
        if self.unit == "signal":
            entered |= {
                "slope": self.slope,
                "slope_standard_error": self.slope_standard_error,
                "slope_degrees_of_freedom": self.slope_degrees_of_freedom,
            }
        return entered


def calibration(inputs: DetectionInputs) -> CalibrationFit:
    """The calibration function, with a slope that can be told from zero.

    Raises:
        NotEstimable: no calibration (with the reason, where one was measured), or a slope not significant at
            the level of confidence.
    """
    fit = inputs.fit
    if fit is None:
        raise _no_calibration(inputs)
    b, s_b = fit.slope.value, fit.slope.standard_error or 0.0
    if abs(b) <= t_two_sided(inputs.confidence, fit.degrees_of_freedom) * s_b or b == 0:
        raise NotEstimable(
            "the slope at level 0 does not differ significantly from zero",
            "a calibration whose signal changes with the level",
        )
    return fit


def _no_calibration(inputs: DetectionInputs) -> NotEstimable:
    refusal = inputs.fit_refusal
    if refusal is None:
        return NotEstimable("no calibration is available", "a calibration of at least 3 preparations")
    return NotEstimable(f"the calibration cannot be fitted: {refusal.reason}", refusal.needs)


def straight_line(inputs: DetectionInputs, document: str) -> CalibrationFit:
    """The calibration, which *document* requires to be a straight line with an intercept."""
    fit = calibration(inputs)
    if fit.model != "linear":
        raise NotEstimable(
            f"{document} is defined for a straight line with an intercept",
            "a linear calibration over a short range",
        )
    return fit


def with_slope(scatter: Scatter, fit: CalibrationFit) -> Scatter:
    """*scatter* on the signal axis, with the slope of *fit* at level 0."""
    curved = fit.model == "quadratic"
    return replace(
        scatter,
        slope=abs(fit.slope.value),
        slope_standard_error=fit.slope.standard_error or 0.0,
        slope_degrees_of_freedom=float(fit.degrees_of_freedom),
        notes=(*scatter.notes, "The slope is that of the curve at level 0.") if curved else scatter.notes,
        cautions=(*scatter.cautions, SLOPE_AT_ZERO) if curved else scatter.cautions,
    )


def residual_scatter(inputs: DetectionInputs) -> Scatter:
    r"""Standard deviation of a single signal at level 0 from the residuals, :math:`s_{y/x}/\sqrt{w_0}`.

    Where the weights were themselves estimated, by level or by a variance function, it is the square root of
    that variance, with the degrees of freedom of its estimate: n − 2 belongs to known weights only.

    Raises:
        NotEstimable: no calibration, residuals that are all zero, or a variance function that says nothing of
            level 0: less than one degree of freedom.
    """
    fit = calibration(inputs)
    s = fit.residual_standard_deviation
    if s == 0:
        raise NotEstimable(
            "all calibration signals lie exactly on the fitted function",
            "unrounded signals of independent preparations",
        )
    variance = relative_variance(inputs, fit)
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    if fit.is_weighted:
        notes, cautions = _of_weights(variance, float(fit.x.min()))
    own = inputs.variance_degrees_of_freedom
    if own is not None and own < 1:
        raise NotEstimable(
            "the standard deviation at level 0, estimated with the weights, has less than one "
            "degree of freedom",
            "more replicates at the lowest levels, or blanks",
        )
    scatter = Scatter(
        sd=s * math.sqrt(float(variance(0.0))),
        degrees_of_freedom=fit.degrees_of_freedom if own is None else own,
        refusal=inputs.scatter_refusal,
        n=fit.n,
        unit="signal",
        source=RESIDUALS,
        notes=notes,
        cautions=cautions,
    )
    return with_slope(scatter, fit)


def _of_weights(
    variance: Callable[[ArrayLike], Array], lowest: float
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Note and caution on where the scatter at level 0 comes from; *lowest* is the lowest level."""
    what = "The calibration is weighted: sigma is that of a single signal at"
    if lowest == 0:
        return (f"{what} level 0 by its weight.",), ()
    if float(variance(0.0)) < float(variance(lowest)):
        return (f"{what} level 0 by the variance function.",), ()
    return (f"{what} the lowest level, taken to hold at level 0.",), (SCATTER_BETWEEN_LEVELS_ASSUMED,)


def relative_variance(inputs: DetectionInputs, fit: CalibrationFit) -> Callable[[ArrayLike], Array]:
    """Variance of a single signal at any levels, in units of s_y/x²: 1/w, with w on the scale of the fit.

    An estimated variance V is taken as it is, V(x)/s_y/x²; one known up to a factor as V(x)·[1/(w V)] at the
    lowest level; without one, 1/w is interpolated between the levels and held constant below the lowest.  A
    function that vanishes at level 0, as that of weights 1/x and 1/x² does, is held at its value of the
    lowest level below it: no signal is free of scatter, and the limit then errs on the high side.
    """
    if not fit.is_weighted:
        return lambda x: np.ones(np.shape(x))
    function = inputs.variance_function
    if function is None:
        return lambda x: 1.0 / fit.weight_at(x)
    lowest = float(fit.x.min())
    if inputs.variance_degrees_of_freedom is None:
        factor = 1.0 / (float(fit.weight_at(lowest)) * float(function.variance(lowest)))
    else:
        factor = 1.0 / fit.residual_standard_deviation**2
    if float(function.variance(0.0)) > 0:
        return lambda x: factor * function.variance(x)
    return lambda x: factor * function.variance(np.maximum(x, lowest))


def scale(inputs: DetectionInputs, fit: CalibrationFit) -> float:
    """Standard deviation of a signal of weight 1 over s_y/x: 1 where the weights are known."""
    lowest = float(fit.x.min())
    return math.sqrt(float(relative_variance(inputs, fit)(lowest)) * float(fit.weight_at(lowest)))


def blank_scatter(inputs: DetectionInputs) -> Scatter:
    """Standard deviation of single blanks: of the results where given, else of the signals with the slope.

    Raises:
        NotEstimable: fewer than two blanks, censored blanks, blanks all equal; signals without a calibration.
    """
    if inputs.blank_concentrations is not None:
        return _blanks(inputs, inputs.blank_concentrations, "concentration")
    if inputs.blank_signals is None:
        raise NotEstimable("no blanks are available", "at least 10 independent blanks")
    return with_slope(_blanks(inputs, inputs.blank_signals, "signal"), calibration(inputs))


def blank_signal_scatter(inputs: DetectionInputs) -> Scatter:
    """Standard deviation and mean of the blanks on the signal axis."""
    if inputs.blank_signals is None:
        raise NotEstimable("no blank signals are available", "the signals of at least 10 independent blanks")
    return with_slope(_blanks(inputs, inputs.blank_signals, "signal"), calibration(inputs))


def _blanks(inputs: DetectionInputs, values: Array, unit: SigmaUnit) -> Scatter:
    if inputs.blanks_censored:
        total = inputs.blanks_censored + values.size
        raise NotEstimable(
            f"{inputs.blanks_censored} of {total} blanks are reported only as less than a limit",
            "the measured values of all blanks, including negative values",
        )
    sample = scattered(values, "blank", "at least 10 independent blanks")
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    if not inputs.blanks_are_independent:
        notes = (
            (
                "The blanks are repeated readings of one preparation; variation between "
                "preparations is not included."
            ),
        )
        cautions = (PSEUDO_REPLICATES,)
    if sample.n < CUSTOMARY_BLANKS:
        cautions = (*cautions, FEW_BLANKS)
    return Scatter(
        sd=sample.sd or 0.0,
        degrees_of_freedom=sample.degrees_of_freedom,
        n=sample.n,
        mean=sample.mean,
        unit=unit,
        source=BLANKS,
        notes=notes,
        cautions=cautions,
    )


def scattered(values: Array, what: str, needs: str) -> Sample:
    """Size, mean and a standard deviation above zero of *values*.

    Raises:
        NotEstimable: fewer than two values, or values that are all equal.
    """
    if values.size < 2:
        raise NotEstimable("there is only one " + what if values.size else f"there is no {what}", needs)
    sample = summarise(values)
    if not sample.variance:
        raise NotEstimable(
            f"all {what} values are identical", f"{what} values recorded with their full resolution"
        )
    return sample


def blank_results(inputs: DetectionInputs) -> Array:
    """The numerical blanks as results: as given, or by the calibration function from their signals."""
    if inputs.blank_concentrations is not None:
        return inputs.blank_concentrations
    if inputs.blank_signals is None or not inputs.blank_signals.size:
        return np.empty(0)
    return levels_of(calibration(inputs), inputs.blank_signals)


def low_level_samples(inputs: DetectionInputs, needs: str) -> tuple[LowLevelSample, ...]:
    """The low-level samples, at least one.

    Raises:
        NotEstimable: there are none, or their signals cannot be read as results.
    """
    if inputs.low_level_refusal is not None:
        raise NotEstimable(
            (f"no results of the low-level samples are available: {inputs.low_level_refusal.reason}"),
            inputs.low_level_refusal.needs,
        )
    if not inputs.low_level:
        raise NotEstimable("no low-level samples are available", needs)
    return inputs.low_level


def lowest_sample(inputs: DetectionInputs) -> LowLevelSample:
    """The low-level sample with the least analyte."""
    samples = low_level_samples(inputs, "at least 10 results of a low-level sample")
    return min(samples, key=lambda sample: sample.level)


def refuse_censored(sample: LowLevelSample) -> None:
    """A standard deviation of the numerical results alone would be too small.

    Raises:
        NotEstimable: a result of *sample* is censored.
    """
    if sample.censored:
        raise NotEstimable(
            (
                f"{sample.censored} of {sample.n} results of the low-level sample at level "
                f"{sample.level:g} are reported only as less than a limit"
            ),
            "the measured values of all results, or a sample at a higher level",
        )


def levels_of(fit: CalibrationFit, signals: ArrayLike) -> Array:
    """Levels that give *signals* on the branch of the calibration function at level 0.

    Raises:
        NotEstimable: the curve does not reach a signal.
    """
    quadratic = 0.0 if fit.quadratic is None else fit.quadratic.value
    levels = inverse(signals, fit.intercept.value, fit.slope.value, quadratic)
    if not np.isfinite(levels).all():
        raise NotEstimable(
            "the signal lies outside the calibrated range", "a calibrated range that includes the signal"
        )
    return levels


def inverse(signals: ArrayLike, a: ArrayLike, b: ArrayLike, c: ArrayLike) -> NDArray[np.float64]:
    r"""Root of a + b x + c x² = y on the branch at x = 0; infinite where there is none.

    .. math:: x = \frac{2 (y-a)}{b + \operatorname{sgn}(b) \sqrt{b^2 + 4 c (y-a)}}

    which is (y − a)/b for c = 0 and loses no digits for small c.
    """
    d = np.subtract(signals, a)
    b = np.asarray(b, dtype=np.float64)
    if not np.any(c):
        return np.asarray(np.divide(d, b, out=np.full(np.broadcast(d, b).shape, np.inf), where=b != 0))
    discriminant = b * b + 4.0 * np.asarray(c) * d
    denominator = b + np.copysign(np.sqrt(np.maximum(discriminant, 0.0)), b)
    reached = (discriminant >= 0) & (denominator != 0)
    return np.asarray(np.divide(2.0 * d, denominator, out=np.full(reached.shape, np.inf), where=reached))


def mean_factor(inputs: DetectionInputs) -> float:
    """r/m: variance of a routine mean of m readings over that of a listed blank, itself a mean of r."""
    return inputs.blank_replicates_averaged / inputs.replicates_for_sample


def corrected_factor(inputs: DetectionInputs, n_blanks: int) -> float:
    r"""Variance of a routine result over that of a listed blank: 1/m, plus 1/n_b when blank-corrected.

    n_b is the number of blanks averaged for the routine correction, where stated, else the blanks listed.
    """
    variance = mean_factor(inputs)
    if inputs.blanks_blank_corrected:
        variance += blank_mean_factor(inputs, n_blanks)
    return variance


def number_in_correction(inputs: DetectionInputs, n_blanks: int) -> tuple[str, ...]:
    """The assumption on the blanks of a routine correction, where the study does not state their number."""
    if inputs.blanks_per_correction is not None:
        return ()
    return (f"The number of blanks in a routine correction is not stated; {n_blanks} are assumed.",)


def blank_mean_factor(inputs: DetectionInputs, n_blanks: int) -> float:
    """Variance of the mean blank that is subtracted, over that of a listed blank."""
    if inputs.blanks_per_correction is None:
        return 1.0 / n_blanks
    return inputs.blank_replicates_averaged / inputs.blanks_per_correction
