"""Limits from the scatter about the calibration function (ICH Q2)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec.structs import replace

from validator.statistics.detection.blank_based import ICH
from validator.statistics.detection.multiples import multiples_of_sigma
from validator.statistics.detection.scatter import INTERCEPT, calibration, residual_scatter, straight_line

if TYPE_CHECKING:
    from validator.statistics.detection.inputs import DetectionInputs
    from validator.statistics.detection.result import LimitResult


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
        numbers={"residual_standard_deviation": fit.residual_standard_deviation},
    )


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
        replace(residual, sd=fit.intercept.standard_error or 0.0, source=INTERCEPT, notes=(), cautions=()),
        detection=3.3,
        quantification=10.0,
        source=ICH,
        notes=(
            ("The standard deviation of the intercept does not include the variation of the sample signal."),
        ),
        numbers={"residual_standard_deviation": fit.residual_standard_deviation},
    )
