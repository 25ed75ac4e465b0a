"""Precision at each level, of one laboratory or over several, with tests for outliers."""

from __future__ import annotations

from collections import Counter
from contextlib import suppress
from typing import TYPE_CHECKING, Literal

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from validator.errors import NotEstimable
from validator.evaluation.convert import attempt, figure_record, not_assessed
from validator.evaluation.factors import Grouping, grouping, laboratories, within_laboratories
from validator.evaluation.precision_components import split_within, within_laboratory
from validator.evaluation.predicted_precision import share_of, with_prediction
from validator.evaluation.results import (
    ConsistencyRecord,
    DuplicatesRecord,
    EstimateRecord,
    ExcludedPoint,
    LaboratoryRecord,
    NotAssessed,
    OutlierRecord,
    PrecisionRecord,
    RemovalRecord,
    value_of,
)
from validator.evaluation.rows import Cell, Value, excluded, independent_values, kept, runs_of
from validator.records import finite
from validator.statistics.interlaboratory import (
    InterlaboratoryResult,
    MandelStatistics,
    robust_interlaboratory,
)
from validator.statistics.interlaboratory import interlaboratory as over_laboratories
from validator.statistics.interval import Estimate, estimate_record
from validator.statistics.outliers import cochran, grubbs, outlier_tests, within_groups
from validator.statistics.precision import critical_difference
from validator.statistics.precision import duplicates as of_pairs
from validator.study.models.precision import PrecisionRun

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from validator.evaluation.concentrations import SignalReader
    from validator.evaluation.factors import Factor
    from validator.statistics.outliers import OutlierTest
    from validator.study import Study
    from validator.study.models.analysis import AnalysisChoices
    from validator.study.models.method import Analyte

    Without = Callable[[frozenset[int]], RemovalRecord]

    from validator.statistics.precision_intervals import Figure


def precision(study: Study, cell: Cell, reader: SignalReader) -> tuple[PrecisionRecord, ...] | NotAssessed:
    """Precision of *cell* by level, excluded readings left out and their effect shown."""
    runs = [run for run in runs_of(study.precision, cell) if isinstance(run, PrecisionRun)]
    if not runs:
        return NotAssessed(
            not_assessed="no precision data were provided",
            needs="replicates of the same material (for intermediate precision, on several days)",
        )
    at = _At(reader, study.analysis_for(cell.analyte), study.analyte(cell.analyte), share_of(study))
    by_level: dict[float, list[PrecisionRun]] = {}
    for run in runs:
        by_level.setdefault(run.level, []).append(run)
    return tuple(_at_level(level, here, at) for level, here in sorted(by_level.items()))


_SCATTER = (
    *("repeatability_sd", "repeatability_rsd", "between_sd", "intermediate_sd", "intermediate_rsd"),
    *("reproducibility_sd", "reproducibility_rsd"),
)


def without_scatter(
    records: tuple[PrecisionRecord, ...] | NotAssessed, below: Mapping[float, int]
) -> tuple[PrecisionRecord, ...] | NotAssessed:
    """The *records* without standard deviations at levels with results *below* a limit."""
    if isinstance(records, NotAssessed):
        return records

    def refused(record: PrecisionRecord, n: int) -> PrecisionRecord:
        told = "1 result is" if n == 1 else f"{n} results are"
        refusal = NotAssessed(
            not_assessed=f"{told} reported as less than a limit; a standard deviation is not assessed",
            needs="measured values",
        )
        return replace(record, **{one: refusal for one in _SCATTER if getattr(record, one) is not None})

    return tuple(
        refused(one, below[one.level]) if one.level is not None and one.level in below else one
        for one in records
    )


class _At(Struct, frozen=True):
    """What every level is evaluated with."""

    reader: SignalReader
    choices: AnalysisChoices
    analyte: Analyte
    horrat_share: float


def _at_level(level: float, here: Sequence[PrecisionRun], at: _At) -> PrecisionRecord:
    record = _record(level, kept(here), at)
    left_out = excluded(here)
    if not left_out:
        return record
    return replace(
        record,
        excluded=tuple(
            ExcludedPoint(level=level, value=value, place=run.place, cause=run.excluded or "")
            for run in left_out
            for value in run.values
        ),
        with_excluded=_record(level, here, at),
    )


def grouped(values: Sequence[Value]) -> tuple[str | None, dict[str, list[Value]]]:
    """The grouping factors in words and the values by their finest group, '' where nothing is recorded."""
    laboratory = laboratories(values)
    found = grouping(values) if laboratory is None else Grouping(laboratory.name, laboratory.labels)
    return found.name, found.groups(values)


def _record(level: float, runs: Sequence[PrecisionRun], at: _At) -> PrecisionRecord:
    values = independent_values(runs)
    try:
        return _figures(level, values, at)
    except NotEstimable as refusal:
        return _refused(level, values, refusal)


def _figures(level: float, values: Sequence[Value], at: _At) -> PrecisionRecord:
    if not values:
        raise NotEstimable("all readings at this level are excluded", "replicates of the same material")
    laboratory = laboratories(values)
    if laboratory is None:
        record = _of_one_laboratory(level, at.reader.concentrations(values), grouping(values), at.choices)
    else:
        record = _over_laboratories(level, values, laboratory, at)
    return with_prediction(record, at.analyte, at.horrat_share)


def _of_one_laboratory(
    level: float, results: Sequence[float], groups: Grouping, choices: AnalysisChoices
) -> PrecisionRecord:
    def without(suspects: frozenset[int]) -> RemovalRecord:
        places = [place for place in range(len(results)) if place not in suspects]
        left = [results[place] for place in places]
        figures = within_laboratory(level, left, groups.kept(places), choices.confidence)
        return removal(figures, [results[place] for place in sorted(suspects)])

    return replace(
        within_laboratory(level, results, groups, choices.confidence),
        outlier_tests=outlier_records(results, groups.labels, alpha=choices.alpha, without=without),
    )


def _over_laboratories(level: float, values: Sequence[Value], laboratory: Factor, at: _At) -> PrecisionRecord:
    by_laboratory = Grouping(laboratory.name, laboratory.labels).groups(values)
    readings = {label: at.reader.concentrations(members) for label, members in by_laboratory.items()}
    record = interlaboratory(level, readings, at.choices.confidence)
    within = within_laboratories(laboratory, values)
    if within is None:
        return record
    try:
        return split_within(record, at.reader.concentrations(values), within, at.choices.confidence)
    except NotEstimable:
        # too little data to split: what the laboratories report is taken as one condition each
        return record


def _refused(level: float, values: Sequence[Value], refusal: NotEstimable) -> PrecisionRecord:
    """A level without a figure stays in sight: it was planned, and its criteria are open."""
    why = not_assessed(refusal)
    between = bool(values) and grouped(values)[0] == "laboratory"
    return PrecisionRecord(
        level=level,
        n=len(values),
        groups=min(len(values), 1),
        mean=EstimateRecord(value=None, reason=refusal.reason),
        repeatability_sd=why,
        repeatability_rsd=why,
        between_sd=why,
        intermediate_sd=None if between else why,
        intermediate_rsd=None if between else why,
        reproducibility_sd=why if between else None,
        reproducibility_rsd=why if between else None,
        method="not assessed",
    )


MOST_FOR_DIXON = 30
"""Values up to which tables of Dixon's ratio go (Rorabacher, Anal. Chem. 63 (1991) 139; from memory)."""


def outlier_records(
    values: Sequence[float], labels: Sequence[str], *, alpha: float, without: Without
) -> tuple[OutlierRecord, ...]:
    """Tests of the single values, of the means of the groups, and of the scatter within the groups.

    Where groups have replicates, single values are tested within their groups: differences between groups
    would hide them.

    Args:
        values: in any order.
        labels: the group of each value.
        alpha: level of significance.
        without: the figures without the values at some places; asked for what a test flags.
    """
    places: dict[str, list[int]] = {}
    for place, label in enumerate(labels):
        places.setdefault(label, []).append(place)
    several = len(places) > 1
    if not several or len(values) == len(places):
        return tuple(
            with_effect(
                outlier_record(test, "single values", labels if several else None), test.index, without
            )
            for test in outlier_tests(values, alpha=alpha)
            if len(values) <= MOST_FOR_DIXON or test.kind != "dixon"
        )
    found = []
    with suppress(NotEstimable):
        test = within_groups(values, labels, alpha=alpha)
        found.append(with_effect(outlier_record(test, "single values", labels), test.index, without))
    groups = {label: [values[place] for place in some] for label, some in places.items()}
    found.extend(_of_groups(groups, places, alpha, without))
    return tuple(found)


def _of_groups(
    groups: Mapping[str, Sequence[float]], places: Mapping[str, Sequence[int]], alpha: float, without: Without
) -> list[OutlierRecord]:
    names = list(groups)
    tests: list[tuple[Callable[[], OutlierTest], str]] = [
        (lambda: grubbs([float(np.mean(some)) for some in groups.values()], alpha=alpha), "group means"),
        (lambda: cochran(list(groups.values()), alpha=alpha), "groups"),
    ]
    found: list[OutlierRecord] = []
    for compute, of in tests:
        with suppress(NotEstimable):
            test = compute()
            suspects = [place for at in test.index for place in places[names[at]]]
            found.append(with_effect(outlier_record(test, of, names), suspects, without))
    return found


def removal(figures: PrecisionRecord, removed: Sequence[float]) -> RemovalRecord:
    """What the *figures* without the *removed* values come to."""
    mean = figures.mean.value
    if mean is None:
        raise NotEstimable("all means are excluded", "results that are not excluded")
    return RemovalRecord(
        removed=tuple(removed),
        n=figures.n,
        mean=mean,
        repeatability_sd=value_of(figures.repeatability_sd),
        repeatability_rsd=value_of(figures.repeatability_rsd),
        intermediate_sd=value_of(figures.intermediate_sd),
        intermediate_rsd=value_of(figures.intermediate_rsd),
        reproducibility_sd=value_of(figures.reproducibility_sd),
        reproducibility_rsd=value_of(figures.reproducibility_rsd),
    )


def with_effect(record: OutlierRecord, places: Sequence[int], without: Without) -> OutlierRecord:
    """The record with the figures without its suspects, where they stand out."""
    if not record.flagged:
        return record
    return replace(record, without=attempt(lambda: without(frozenset(places))))


def outlier_record(test: OutlierTest, of: str, labels: Sequence[str] | None) -> OutlierRecord:
    """One test as a record; *of* says what it was applied to, *labels* name the group of each datum."""
    return OutlierRecord(
        test=f"{test.name}, {of}",
        statistic=test.statistic,
        critical=finite(test.critical),
        p=test.p,
        suspect=test.suspect,
        suspect_group=None if labels is None else ", ".join(dict.fromkeys(labels[at] for at in test.index)),
        flagged=test.flagged,
    )


FEWEST_PAIRS = 2


def duplicates(study: Study, cell: Cell, reader: SignalReader) -> DuplicatesRecord | None:
    """Repeatability from the levels of the precision runs that hold one pair each.

    A level with a single pair says next to nothing by itself; together such levels do. None where there are
    fewer than two of them.
    """
    runs = [run for run in kept(runs_of(study.precision, cell)) if isinstance(run, PrecisionRun)]
    values = independent_values(runs)
    per_level = Counter(getattr(value.run, "level", None) for value in values)
    by_level: dict[object, list[float]] = {}
    try:
        for value in values:
            level = getattr(value.run, "level", None)
            if per_level[level] == 2:
                by_level.setdefault(level, []).append(reader.concentration(value))
        pairs = [(first, second) for first, second in by_level.values()]
        if len(pairs) < FEWEST_PAIRS:
            return None
        confidence = study.analysis_for(cell.analyte).confidence
        found = of_pairs(pairs, level=confidence)
    except NotEstimable:
        # signals that cannot be read: the levels themselves say so
        return None
    return DuplicatesRecord(
        pairs=found.pairs,
        mean=found.mean,
        repeatability_sd=figure_record(found.repeatability_sd),
        repeatability_rsd=figure_record(found.repeatability_rsd),
        repeatability_limit=found.repeatability_limit,
    )


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
        consistency=_consistency(cells, found, beyond),
        robust=attempt(lambda: robust_interlaboratory(readings)),
        repeatability_limit_exact=critical_difference(found.repeatability_sd, exact=True),
        reproducibility_limit_exact=critical_difference(found.reproducibility_sd, exact=True),
        outlier_tests=_outliers(cells, found, beyond),
        method=found.method,
    )


def _consistency(
    cells: Mapping[str, Sequence[float]], found: InterlaboratoryResult, beyond: InterlaboratoryResult
) -> ConsistencyRecord:
    mandel = found.mandel if isinstance(found.mandel, MandelStatistics) else None
    laboratories = tuple(
        LaboratoryRecord(
            laboratory=name,
            n=found.cell_sizes[i],
            mean=found.cell_means[i],
            sd=found.cell_sds[i],
            h=None if mandel is None else mandel.h[i],
            k=None if mandel is None else mandel.k[i],
            k_critical=None if mandel is None else mandel.k_critical[i],
            outlying=(*_flagging(i, beyond.outlier_tests), *_inconsistent(i, mandel)),
        )
        for i, name in enumerate(cells)
    )
    outlying = frozenset(i for i, one in enumerate(laboratories) if one.outlying)
    return ConsistencyRecord(
        h_critical=None if mandel is None else mandel.h_critical,
        laboratories=laboratories,
        reason=found.mandel.reason if isinstance(found.mandel, NotEstimable) else None,
        without=attempt(lambda: _without(cells, outlying)) if outlying else None,
    )


def _flagging(at: int, tests: Sequence[OutlierTest]) -> Iterator[Literal["cochran", "grubbs", "grubbs_pair"]]:
    """The tests that flag one laboratory; a pair only where no single mean is flagged."""
    single = any(test.kind == "grubbs" and test.flagged for test in tests)
    for test in tests:
        if not test.flagged or at not in test.index:
            continue
        if test.kind in ("cochran", "grubbs") or (test.kind == "grubbs_pair" and not single):
            yield test.kind


def _inconsistent(at: int, mandel: MandelStatistics | None) -> Iterator[Literal["h", "k"]]:
    if mandel is None:
        return
    if abs(mandel.h[at]) > mandel.h_critical[1]:
        yield "h"
    k, bounds = mandel.k[at], mandel.k_critical[at]
    if k is not None and bounds is not None and k > bounds[1]:
        yield "k"


def _without(cells: Mapping[str, Sequence[float]], laboratories: frozenset[int]) -> RemovalRecord:
    """The figures without the laboratories at these places."""
    readings = list(cells.values())
    figures = over_laboratories([one for at, one in enumerate(readings) if at not in laboratories])
    return RemovalRecord(
        removed=tuple(value for at in sorted(laboratories) for value in readings[at]),
        n=figures.n,
        mean=figures.mean.value,
        repeatability_sd=_value(figures.repeatability_sd),
        repeatability_rsd=_value(figures.repeatability_rsd),
        reproducibility_sd=_value(figures.reproducibility_sd),
        reproducibility_rsd=_value(figures.reproducibility_rsd),
    )


def _outliers(
    cells: Mapping[str, Sequence[float]], found: InterlaboratoryResult, beyond: InterlaboratoryResult
) -> tuple[OutlierRecord, ...]:
    """Tests at 5 %, each graded by the same test at 1 %, and the figures without what they flag."""
    at_one_percent = {test.name: test.flagged for test in beyond.outlier_tests}
    records = []
    for test in found.outlier_tests:
        of = "laboratories" if test.kind == "cochran" else "laboratory means"
        record = outlier_record(test, of, list(cells))
        if test.flagged:
            record = replace(record, grade="outlier" if at_one_percent.get(test.name) else "straggler")
            record = with_effect(record, test.index, lambda suspects: _without(cells, suspects))
        records.append(record)
    return tuple(records)


def _value(figure: Figure) -> float | None:
    return figure.value if isinstance(figure, Estimate) else None
