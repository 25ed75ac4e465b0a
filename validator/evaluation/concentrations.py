"""Results in the analyte's unit: as given, or read from the calibration."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from msgspec import Struct

from validator.errors import NotEstimable
from validator.evaluation.results import NotAssessed
from validator.statistics.inverse_prediction import level_read

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.evaluation.calibration import Fitted
    from validator.evaluation.rows import Value
    from validator.statistics.regression import CalibrationFunction


class SignalReader(Struct, frozen=True):
    """Turns signals into concentrations; without a calibration it says why it cannot."""

    fit: CalibrationFunction | None
    refusal: NotEstimable | None = None

    def read(self, signal: float) -> float:
        """The concentration that gives *signal*.

        Raises:
            NotEstimable: no calibration, or a signal that its function never reaches.
        """
        if self.fit is None:
            reason = self.refusal.reason if self.refusal else "no calibration is available"
            raise NotEstimable(
                f"signals cannot be converted to concentrations because {reason}", "a calibration"
            )
        return level_read(self.fit, signal)

    def concentrations(self, values: Sequence[Value]) -> list[float]:
        """Every value as a concentration, whichever axis its run is written on."""
        return [self.concentration(value) for value in values]

    def concentration(self, value: Value) -> float:
        """One value as a concentration."""
        axis: Any = getattr(value.run, "axis", "concentration")
        return self.read(value.value) if axis == "signal" else value.value


def reader_of(fitted: Fitted | NotAssessed) -> SignalReader:
    """What reads signals from the calibration, or says why none can."""
    if isinstance(fitted, NotAssessed):
        return SignalReader(None, NotEstimable(fitted.not_assessed, fitted.needs))
    return SignalReader(fitted.fit)
