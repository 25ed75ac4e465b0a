"""Limits that are fixed multiples of one standard deviation divided by the slope."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.statistics.detection.intervals import Doubt, doubt_of, proportional
from validator.statistics.detection.result import LimitResult

if TYPE_CHECKING:
    from collections.abc import Mapping

    from validator.sources import Source
    from validator.statistics.detection.inputs import DetectionInputs
    from validator.statistics.detection.scatter import Scatter
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
    )


def _limit(factor: float | None, scatter: Scatter, doubt: Doubt) -> Estimate | None:
    if factor is None:
        return None
    return proportional(factor * scatter.concentration, doubt, scatter.degrees_of_freedom)
