"""What the registry knows about a variant, and the cautions that hold for any of them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from msgspec import Struct
from msgspec.structs import replace

from validator.statistics.detection.result import BELOW_CALIBRATION, NEGATIVE_LIMIT, LimitResult

if TYPE_CHECKING:
    from collections.abc import Callable

    from validator.sources import Source
    from validator.statistics.detection.inputs import DetectionInputs

Gives = Literal["critical", "detection", "quantification"]

FAR_BELOW = 3.0
"""A limit this many times below the lowest calibrator above zero is an extrapolation."""


class Variant(Struct, frozen=True, kw_only=True):
    """One way to a detection or quantification limit.

    Attributes:
        id: name in the study description and the results.
        title: name in the dossier.
        function: computes it or raises NotEstimable.
        formula: LaTeX.
        symbols: what the letters of the formula mean.
        source: published source.
        sigma_contains: what scatter its standard deviation holds, and what not.
        rests_on: data blocks whose scatter that is; more results of the first make the limit surer.
        is_level: the limit is a level that was tested or where a tolerance interval ends, no multiple of a σ.
        from_zero: it takes the standard deviation of the blanks and leaves their mean out.
        needs: what data it takes.
        gives: which limits it returns.
    """

    id: str
    title: str
    function: Callable[[DetectionInputs], LimitResult]
    formula: str
    symbols: str
    source: Source
    sigma_contains: str
    rests_on: tuple[str, ...]
    is_level: bool = False
    from_zero: bool = False
    needs: str
    gives: tuple[Gives, ...]

    def limits(self, inputs: DetectionInputs) -> LimitResult:
        """Limits by this variant, with the cautions that hold for any variant added.

        Raises:
            NotEstimable: the data cannot carry it.
        """
        result = self.function(inputs)
        cautions = result.cautions
        value = result.lowest.value
        if value <= 0:
            cautions = (*cautions, NEGATIVE_LIMIT)
        elif result.detection_limit is not None and _far_below_calibration(inputs, value):
            cautions = (*cautions, BELOW_CALIBRATION)
        return result if cautions is result.cautions else replace(result, cautions=cautions)


def _far_below_calibration(inputs: DetectionInputs, value: float) -> bool:
    if inputs.fit is None:
        return False
    positive = inputs.fit.x[inputs.fit.x > 0]
    return positive.size > 0 and value * FAR_BELOW < float(positive.min())
