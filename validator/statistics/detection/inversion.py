"""From signals to levels on the calibration function, one coefficient set or thousands of drawn ones."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from validator.errors import NotEstimable

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from validator.statistics.detection.inputs import Array
    from validator.statistics.regression import CalibrationFit


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
