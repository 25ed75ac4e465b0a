"""Limits that are a fixed multiple of one standard deviation divided by the slope."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from msgspec.structs import replace

from validator.errors import NotEstimable
from validator.sources import Source
from validator.statistics.detection.intervals import (
    Doubt,
    coefficient_draws,
    doubt_of,
    level_draws,
    proportional,
    sigma_draws,
    simulated,
)
from validator.statistics.detection.result import LimitResult
from validator.statistics.detection.scatter import (
    BLANKS_AND_LINE,
    INTERCEPT,
    INTERCEPTS,
    Scatter,
    blank_mean_factor,
    blank_scatter,
    blank_signal_scatter,
    calibration,
    corrected_factor,
    levels_of,
    number_in_correction,
    residual_scatter,
    scale,
    scattered,
    straight_line,
    with_slope,
)
from validator.statistics.sample import effective_degrees_of_freedom

if TYPE_CHECKING:
    from collections.abc import Mapping

    from validator.statistics.detection.inputs import DetectionInputs
    from validator.statistics.interval import Estimate


def multiples_of_sigma(
    inputs: DetectionInputs,
    scatter: Scatter,
    *,
    critical: float | None = None,
    detection: float | None = None,
    quantification: float | None = None,
    source: Source,
    notes: tuple[str, ...] = (),
    numbers: Mapping[str, float] | None = None,
) -> LimitResult:
    """Limits factor·σ/|b| for the factors that are given."""
    doubt = doubt_of(scatter, inputs.confidence, inputs.seed)
    return result_of(
        scatter,
        critical_level=_limit(critical, scatter, doubt),
        detection_limit=_limit(detection, scatter, doubt),
        quantification_limit=_limit(quantification, scatter, doubt),
        k=detection if detection is not None else critical if critical is not None else quantification,
        quantification_k=quantification,
        source=source,
        notes=notes,
        numbers=numbers,
    )


def result_of(
    scatter: Scatter,
    *,
    critical_level: Estimate | None = None,
    detection_limit: Estimate | None = None,
    quantification_limit: Estimate | None = None,
    k: float | None,
    quantification_k: float | None = None,
    source: Source,
    notes: tuple[str, ...] = (),
    numbers: Mapping[str, float] | None = None,
    cautions: tuple[str, ...] = (),
) -> LimitResult:
    """Result with what *scatter* knows filled in."""
    return LimitResult(
        critical_level=critical_level,
        detection_limit=detection_limit,
        quantification_limit=quantification_limit,
        sigma=scatter.sd,
        sigma_unit=scatter.unit,
        sigma_source=scatter.source,
        sigma_concentration=scatter.concentration,
        degrees_of_freedom=scatter.degrees_of_freedom,
        k=k,
        quantification_k=quantification_k,
        inputs={**scatter.numbers(), **(numbers or {})},
        source=source,
        note=" ".join((*notes, *scatter.notes)),
        cautions=(*scatter.cautions, *cautions),
        refusal=scatter.refusal,
    )


def _limit(factor: float | None, scatter: Scatter, doubt: Doubt) -> Estimate | None:
    if factor is None:
        return None
    return proportional(factor * scatter.concentration, doubt, scatter.degrees_of_freedom)


EURACHEM = Source(
    "Eurachem Guide, The Fitness for Purpose of Analytical Methods, 2nd ed. 2014, section 6.2", "quotation"
)
IUPAC_1976 = Source(
    "IUPAC, Nomenclature, symbols, units and their usage in spectrochemical analysis II (1976), "
    "Compendium of Chemical Terminology L03540 (k = 3)",
    "seen",
)
FEWEST_LINES = 3

EUR_28099 = Source(
    "T. Wenzl et al., Guidance Document on the Estimation of LOD and LOQ, EUR 28099 EN, 2016, blank samples",
    "memory",
)
ISO_13530 = Source("ISO/TS 13530:2009, Water quality, limits of detection and quantification", "memory")
PROPAGATION = Source("G. L. Long, J. D. Winefordner, Anal. Chem. 55 (1983) 712A-724A", "memory")

ICH = Source("ICH Q2(R2), 2023, section 3.2.3", "quotation")


def blank_3s(inputs: DetectionInputs) -> LimitResult:
    r"""Three and ten standard deviations of a routine result of the blank.

    .. math:: x_D = 3 s_0'/|b|, \quad x_Q = 10 s_0'/|b|, \qquad
              s_0' = s_0 \sqrt{1/m + 1/n_b} \text{ or } s_0/\sqrt m

    with the first form where routine results are blank-corrected.  s_0 is the standard deviation of single
    blanks; results are used as they are (b = 1), signals with the slope of the calibration at level 0.

    Raises:
        NotEstimable: see :func:`~validator.statistics.detection.scatter.blank_scatter`.

    References:
        Eurachem Guide, The Fitness for Purpose of Analytical Methods, 2nd ed. 2014, 6.2.
    """
    single = blank_scatter(inputs)
    factor = corrected_factor(inputs, single.n)
    numbers = {
        "single_sd": single.sd,
        "replicates_for_sample": float(inputs.replicates_for_sample),
        "variance_factor": factor,
    }
    if inputs.blanks_blank_corrected:
        numbers["blank_mean_factor"] = blank_mean_factor(inputs, single.n)
    return multiples_of_sigma(
        inputs,
        single.scaled(math.sqrt(factor)),
        detection=3.0,
        quantification=10.0,
        source=EURACHEM,
        notes=(
            "Sigma is that of a routine result"
            + (", blank-corrected." if inputs.blanks_blank_corrected else ", not blank-corrected."),
            *(number_in_correction(inputs, single.n) if inputs.blanks_blank_corrected else ()),
        ),
        numbers=numbers,
    )


def blank_mean_3s(inputs: DetectionInputs) -> LimitResult:
    r"""Mean blank signal plus three (ten) standard deviations, read on the calibration function.

    .. math:: x_D = (\bar y_B + 3 s_B - a)/b, \qquad x_Q = (\bar y_B + 10 s_B - a)/b

    For a curve the signal is read on it by solving f(x) = y; where the signal falls with the level, the
    multiples are subtracted.  Blanks given as results need no function.  The interval comes from draws of
    the blank mean, σ and the coefficients.

    Raises:
        NotEstimable: no blanks, or signals without a calibration; blanks censored or all equal.

    References:
        IUPAC, Pure Appl. Chem. 45 (1976) 99; Compendium of Chemical Terminology, L03540 (k = 3).  ACS
        Committee on Environmental Improvement, Anal. Chem. 52 (1980) 2242 (k = 10, from memory).
    """
    scatter = blank_signal_scatter(inputs) if inputs.blank_concentrations is None else blank_scatter(inputs)
    fit = None if scatter.unit == "concentration" else calibration(inputs)
    direction = 1.0 if fit is None else math.copysign(1.0, fit.slope.value)

    generator = np.random.default_rng(inputs.seed)
    sigma = scatter.sd * sigma_draws(scatter.degrees_of_freedom, generator)
    mean = scatter.mean + sigma * generator.standard_normal(sigma.size) / math.sqrt(scatter.n)
    coefficients = None if fit is None else coefficient_draws(fit, generator)

    def limit(k: float) -> Estimate:
        value, draws = scatter.mean + direction * k * scatter.sd, mean + direction * k * sigma
        if fit is not None and coefficients is not None:
            value, draws = float(levels_of(fit, value)), level_draws(fit, draws, coefficients)
        return simulated(value, draws, inputs.confidence, scatter.degrees_of_freedom)

    return result_of(
        scatter,
        detection_limit=limit(3.0),
        quantification_limit=limit(10.0),
        k=3.0,
        quantification_k=10.0,
        source=IUPAC_1976,
        notes=(
            "The limits include the mean blank"
            + ("." if fit is None else ", less the intercept of the calibration."),
            "The factor 10 is that of the ACS Committee on Environmental Improvement (1980).",
        ),
        numbers={"mean_blank": scatter.mean, **({} if fit is None else {"intercept": fit.intercept.value})},
    )


def _single(inputs: DetectionInputs) -> tuple[str, ...]:
    """That the mean of several readings is not regarded, where a routine result is one."""
    m = inputs.replicates_for_sample
    return (f"Sigma is that of a single reading; that a result is the mean of {m} is not regarded.",) * (
        m > 1
    )


def blank_3_3(inputs: DetectionInputs) -> LimitResult:
    r"""3.3 and 10 standard deviations of single blanks over the slope.

    .. math:: x_D = 3.3\, s_B/|b|, \qquad x_Q = 10\, s_B/|b|

    Raises:
        NotEstimable: see :func:`~validator.statistics.detection.scatter.blank_scatter`.

    References:
        ICH Q2(R2), 2023, 3.2.3.
    """
    return multiples_of_sigma(
        inputs, blank_scatter(inputs), detection=3.3, quantification=10.0, source=ICH, notes=_single(inputs)
    )


def eur_28099(inputs: DetectionInputs) -> LimitResult:
    r"""3.9 standard deviations of ten blanks over the slope; the quantification limit is 3.3 times that.

    .. math:: x_D = 3.9\, s_B/|b|, \qquad x_Q = 3.3\, x_D

    3.9 is about 2 t(0.95; 9) √(1 + 1/10), for ten blanks and a difference of one reading and their mean.

    Raises:
        NotEstimable: see :func:`~validator.statistics.detection.scatter.blank_scatter`.

    References:
        EUR 28099 EN, 2016 (3.9 from memory; "LOQ = 3.3 LOD" as quoted in teaching material).
    """
    return multiples_of_sigma(
        inputs, blank_scatter(inputs), detection=3.9, quantification=3.9 * 3.3, source=EUR_28099
    )


def iso_13530(inputs: DetectionInputs) -> LimitResult:
    r"""Three standard deviations of blank results, and three times that limit.

    .. math:: x_D = 3\, s_0/|b|, \qquad x_Q = 3\, x_D

    Raises:
        NotEstimable: see :func:`~validator.statistics.detection.scatter.blank_scatter`.

    References:
        ISO/TS 13530:2009 (from memory).
    """
    return multiples_of_sigma(
        inputs, blank_scatter(inputs), detection=3.0, quantification=9.0, source=ISO_13530
    )


def error_propagation(inputs: DetectionInputs) -> LimitResult:
    r"""3 standard deviations of the blank with the doubt of the line propagated.

    .. math:: x_D = \frac{3}{|b|}\sqrt{s_B^2 + s_a^2 + (a/b)^2 s_b^2}

    as printed, without the covariance of a and b.  ν by Welch and Satterthwaite.

    Raises:
        NotEstimable: no straight line with an intercept; see
            :func:`~validator.statistics.detection.scatter.blank_scatter` for the blanks.

    References:
        G. L. Long, J. D. Winefordner, Anal. Chem. 55 (1983) 712A (from memory).
    """
    fit = straight_line(inputs, "the propagation of errors")
    blanks = blank_signal_scatter(inputs)
    s_a, s_b = fit.intercept.standard_error or 0.0, fit.slope.standard_error or 0.0
    line = s_a**2 + (fit.intercept.value / fit.slope.value * s_b) ** 2
    parts = ((blanks.sd**2, blanks.degrees_of_freedom), (line, float(fit.degrees_of_freedom)))
    scatter = replace(
        blanks,
        sd=math.sqrt(blanks.sd**2 + line),
        degrees_of_freedom=effective_degrees_of_freedom(parts),
        source=BLANKS_AND_LINE,
    )
    return multiples_of_sigma(
        inputs,
        scatter,
        detection=3.0,
        source=PROPAGATION,
        notes=(
            "The covariance of intercept and slope is left out, as in the source; the limit depends on the "
            "zero of the signal.",
        ),
        numbers={
            "blank_standard_deviation": blanks.sd,
            "intercept": fit.intercept.value,
            "intercept_standard_error": s_a,
        },
    )


def residual_3_3(inputs: DetectionInputs) -> LimitResult:
    r"""3.3 and 10 residual standard deviations over the slope.

    .. math:: x_D = 3.3\, s_{y/x}/(\sqrt{w_0}\,|b|), \qquad x_Q = 10\, s_{y/x}/(\sqrt{w_0}\,|b|)

    w_0 is the weight at level 0 (1 for an ordinary fit), so that sigma is that of a single signal there.

    Raises:
        NotEstimable: no calibration, slope not told from zero, residuals all zero.

    References:
        ICH Q2(R2), 2023, 3.2.3; the weighted form is an extension of this package.
    """
    fit = calibration(inputs)
    return multiples_of_sigma(
        inputs,
        residual_scatter(inputs),
        detection=3.3,
        quantification=10.0,
        source=ICH,
        notes=_single(inputs),
        numbers={"residual_standard_deviation": fit.residual_standard_deviation},
    )


def intercepts_3_3(inputs: DetectionInputs) -> LimitResult:
    r"""3.3 and 10 standard deviations of the intercepts of several lines over the slope.

    .. math:: x_D = 3.3\, s(a_1 \dots a_k)/|b|, \qquad x_Q = 10\, s(a_1 \dots a_k)/|b|, \qquad \nu = k - 1

    with the slope of the line over all series.

    Raises:
        NotEstimable: fewer than three series with a line each, slope not told from zero.

    References:
        ICH Q2(R2), 2023, 3.2.3: "standard deviation of y-intercepts of regression lines".
    """
    fit = straight_line(inputs, "the standard deviation of intercepts")
    if inputs.series_intercepts is None or inputs.series_intercepts.size < FEWEST_LINES:
        raise NotEstimable(
            "fewer than three series of the calibration have a line of their own",
            "calibrations on three or more days, each over three levels or more, with their series",
        )
    sample = scattered(inputs.series_intercepts, "intercept", "intercepts of three or more lines")
    scatter = with_slope(
        Scatter(
            sd=sample.sd or 0.0,
            degrees_of_freedom=sample.degrees_of_freedom,
            n=sample.n,
            mean=sample.mean,
            unit="signal",
            source=INTERCEPTS,
        ),
        fit,
    )
    return multiples_of_sigma(inputs, scatter, detection=3.3, quantification=10.0, source=ICH)


def intercept_3_3(inputs: DetectionInputs) -> LimitResult:
    r"""3.3 and 10 standard deviations of the intercept over the slope.

    .. math:: x_D = 3.3\, s_a/|b|, \qquad x_Q = 10\, s_a/|b|, \qquad
              s_a = s_{y/x} \sqrt{1/n + \bar x^2/S_{xx}}

    s_a is the doubt of the line at level 0, not the scatter of a result: it falls with every further
    calibrator and then understates the limit of a single result.

    Raises:
        NotEstimable: no straight-line calibration with an intercept, slope not told from zero, residuals all
            zero.

    References:
        ICH Q2(R2), 2023, 3.2.3.
    """
    fit = straight_line(inputs, "the standard deviation of the intercept")
    residual = residual_scatter(inputs)
    return multiples_of_sigma(
        inputs,
        replace(
            residual,
            sd=(fit.intercept.standard_error or 0.0) * scale(inputs, fit),
            source=INTERCEPT,
            notes=(),
            cautions=(),
        ),
        detection=3.3,
        quantification=10.0,
        source=ICH,
        notes=(
            "The standard deviation of the intercept of one line is a reading of the guideline, which speaks "
            "of the intercepts of lines; it does not include the variation of the sample signal.",
        ),
        numbers={"residual_standard_deviation": fit.residual_standard_deviation},
    )
