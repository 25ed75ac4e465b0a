"""Precision over laboratories at one level, by the estimators of ISO 5725-2."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec.structs import replace

from validator.errors import NotEstimable
from validator.evaluation.convert import attempt, estimate_record, figure_record
from validator.evaluation.outliers import outlier_record, with_effect
from validator.evaluation.results import (
    ConsistencyRecord,
    LaboratoryRecord,
    OutlierRecord,
    PrecisionRecord,
    RemovalRecord,
    RobustRecord,
)
from validator.statistics.interlaboratory import (
    InterlaboratoryResult,
    MandelStatistics,
    robust_interlaboratory,
)
from validator.statistics.interlaboratory import interlaboratory as over_laboratories
from validator.statistics.interval import Estimate
from validator.statistics.precision import critical_difference

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from validator.statistics.precision_intervals import Figure

STRAGGLER, OUTLIER = 0.05, 0.01
"""Beyond the 5 % point a result is a straggler, beyond the 1 % point an outlier (ISO 5725-2:1994, 7.3.2)."""


def interlaboratory(level: float, cells: Mapping[str, Sequence[float]], confidence: float) -> PrecisionRecord:
    """Precision at *level* from the results of each laboratory.

    Raises:
        NotEstimable: fewer than two laboratories.
    """
    readings = list(cells.values())
    found = over_laboratories(readings, level=confidence, alpha=STRAGGLER)
    beyond = over_laboratories(readings, level=confidence, alpha=OUTLIER)
    return PrecisionRecord(
        level=level,
        n=found.n,
        groups=found.laboratories,
        factor="laboratory",
        mean=estimate_record(found.mean),
        repeatability_sd=figure_record(found.repeatability_sd),
        repeatability_rsd=figure_record(found.repeatability_rsd),
        between_sd=figure_record(found.between_sd),
        reproducibility_sd=figure_record(found.reproducibility_sd),
        reproducibility_rsd=figure_record(found.reproducibility_rsd),
        repeatability_limit=found.repeatability_limit,
        reproducibility_limit=found.reproducibility_limit,
        consistency=_consistency(list(cells), found),
        robust=attempt(lambda: _robust(readings)),
        repeatability_limit_exact=critical_difference(found.repeatability_sd, exact=True),
        reproducibility_limit_exact=critical_difference(found.reproducibility_sd, exact=True),
        outlier_tests=_outliers(cells, found, beyond),
        method=found.method,
    )


def _consistency(names: Sequence[str], found: InterlaboratoryResult) -> ConsistencyRecord:
    mandel = found.mandel if isinstance(found.mandel, MandelStatistics) else None
    return ConsistencyRecord(
        h_critical=None if mandel is None else mandel.h_critical,
        laboratories=tuple(
            LaboratoryRecord(
                laboratory=name,
                n=found.cell_sizes[i],
                mean=found.cell_means[i],
                sd=found.cell_sds[i],
                h=None if mandel is None else mandel.h[i],
                k=None if mandel is None else mandel.k[i],
                k_critical=None if mandel is None else mandel.k_critical[i],
            )
            for i, name in enumerate(names)
        ),
        reason=found.mandel.reason if isinstance(found.mandel, NotEstimable) else None,
    )


def _robust(cells: Sequence[Sequence[float]]) -> RobustRecord:
    found = robust_interlaboratory(cells)
    return RobustRecord(
        mean=found.mean,
        standard_error=found.standard_error,
        repeatability_sd=found.repeatability_sd,
        between_sd=found.between_sd,
        reproducibility_sd=found.reproducibility_sd,
    )


def _outliers(
    cells: Mapping[str, Sequence[float]], found: InterlaboratoryResult, beyond: InterlaboratoryResult
) -> tuple[OutlierRecord, ...]:
    """Tests at 5 %, each graded by the same test at 1 %, and the figures without what they flag."""
    names = list(cells)

    def without(laboratories: frozenset[int]) -> RemovalRecord:
        left = [readings for at, readings in enumerate(cells.values()) if at not in laboratories]
        figures = over_laboratories(left, alpha=OUTLIER)
        return RemovalRecord(
            removed=tuple(value for at in sorted(laboratories) for value in cells[names[at]]),
            n=figures.n,
            mean=figures.mean.value,
            repeatability_sd=_value(figures.repeatability_sd),
            repeatability_rsd=_value(figures.repeatability_rsd),
            reproducibility_sd=_value(figures.reproducibility_sd),
            reproducibility_rsd=_value(figures.reproducibility_rsd),
        )

    at_one_percent = {test.name: test.flagged for test in beyond.outlier_tests}
    records = []
    for test in found.outlier_tests:
        of = "laboratories" if test.kind == "cochran" else "laboratory means"
        record = outlier_record(test, of, names)
        if test.flagged:
            record = replace(record, grade="outlier" if at_one_percent.get(test.name) else "straggler")
            record = with_effect(record, test.index, without)
        records.append(record)
    return tuple(records)


def _value(figure: Figure) -> float | None:
    return figure.value if isinstance(figure, Estimate) else None
