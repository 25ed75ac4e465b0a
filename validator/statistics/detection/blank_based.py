"""Limits from the scatter of blanks: Eurachem, IUPAC 1976, ICH."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from validator.sources import Source
from validator.statistics.detection.averaging import blank_mean_factor, corrected_factor
from validator.statistics.detection.intervals import coefficient_draws, level_draws, sigma_draws, simulated
from validator.statistics.detection.inversion import levels_of
from validator.statistics.detection.multiples import multiples_of_sigma, result_of
from validator.statistics.detection.scatter import blank_scatter, blank_signal_scatter, calibration

if TYPE_CHECKING:
    from validator.statistics.detection.inputs import DetectionInputs
    from validator.statistics.detection.result import LimitResult
    from validator.statistics.interval import Estimate

EURACHEM = Source(
    "Eurachem Guide, The Fitness for Purpose of Analytical Methods, 2nd ed. 2014, section 6.2", "quotation"
)
IUPAC_1976 = Source(
    "IUPAC, Nomenclature, symbols, units and their usage in spectrochemical analysis II (1976), "
    "Compendium of Chemical Terminology L03540 (k = 3 and 10)",
    "seen",
)
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
        ),
        numbers=numbers,
    )


def blank_mean_3s(inputs: DetectionInputs) -> LimitResult:
    r"""Mean blank signal plus three (ten) standard deviations, read on the calibration function.

    .. math:: x_D = (\bar y_B + 3 s_B - a)/b, \qquad x_Q = (\bar y_B + 10 s_B - a)/b

    For a curve the signal is read on it by solving f(x) = y; where the signal falls with the level, the
    multiples are subtracted.  The interval comes from draws of the blank mean, σ and the coefficients.

    Raises:
        NotEstimable: no blank signals or calibration; blanks censored or all equal.

    References:
        IUPAC, Pure Appl. Chem. 45 (1976) 99; Compendium of Chemical Terminology, L03540.
    """
    scatter = blank_signal_scatter(inputs)
    fit = calibration(inputs)
    direction = math.copysign(1.0, fit.slope.value)

    generator = np.random.default_rng(inputs.seed)
    sigma = scatter.sd * sigma_draws(scatter.degrees_of_freedom, generator)
    mean = scatter.mean + sigma * generator.standard_normal(sigma.size) / math.sqrt(scatter.n)
    coefficients = coefficient_draws(fit, generator)

    def limit(k: float) -> Estimate:
        value = float(levels_of(fit, scatter.mean + direction * k * scatter.sd))
        draws = level_draws(fit, mean + direction * k * sigma, coefficients)
        return simulated(value, draws, inputs.confidence, scatter.degrees_of_freedom)

    return result_of(
        scatter,
        detection_limit=limit(3.0),
        quantification_limit=limit(10.0),
        k=3.0,
        quantification_k=10.0,
        source=IUPAC_1976,
        notes=("The limits include the difference between the mean blank and the intercept.",),
        numbers={"mean_blank": scatter.mean, "intercept": fit.intercept.value},
    )


def blank_3_3(inputs: DetectionInputs) -> LimitResult:
    r"""3.3 and 10 standard deviations of single blanks over the slope.

    .. math:: x_D = 3.3\, s_B/|b|, \qquad x_Q = 10\, s_B/|b|

    Raises:
        NotEstimable: see :func:`~validator.statistics.detection.scatter.blank_scatter`.

    References:
        ICH Q2(R2), 2023, 3.2.3.
    """
    return multiples_of_sigma(inputs, blank_scatter(inputs), detection=3.3, quantification=10.0, source=ICH)
