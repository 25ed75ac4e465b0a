"""Calibration runs as arrays: one point for each independent preparation."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.evaluation.rows import Value, independent_values
from validator.study.models.calibration import CalibrationRun

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray


class Points(Struct, frozen=True):
    """Independent preparations as arrays."""

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    values: tuple[Value, ...]

    @property
    def signal_sd(self) -> NDArray[np.float64] | None:
        """Declared standard deviations of the signal, where every point has one."""
        return self._declared("signal_sd")

    @property
    def level_uncertainty(self) -> NDArray[np.float64] | None:
        """Standard uncertainties of the levels, where every point has one."""
        return self._declared("level_uncertainty")

    def _declared(self, field: str) -> NDArray[np.float64] | None:
        found = [getattr(value.run, field, None) for value in self.values]
        if not found or any(one is None for one in found):
            return None
        return np.array(found, dtype=np.float64)

    @property
    def order(self) -> NDArray[np.int64] | None:
        """Places in the run order, where every point has its own."""
        orders = [value.run.order for value in self.values]
        if any(order is None for order in orders) or len(set(orders)) != len(orders):
            return None
        return np.array(orders, dtype=np.int64)


def points_of(runs: Sequence[CalibrationRun]) -> Points:
    """The points of *runs*.

    Raises:
        NotEstimable: no run counts.
    """
    values = independent_values(runs)
    if not values:
        raise NotEstimable("all calibration data are excluded", "calibration data that are not excluded")
    levels = [value.run.level for value in values if isinstance(value.run, CalibrationRun)]
    return Points(np.array(levels), np.array([value.value for value in values]), values)
