"""What a study provides, counted as guidance counts it: independent values, the weakest part decides."""

from __future__ import annotations

from collections import Counter as Tally
from itertools import pairwise
from typing import TYPE_CHECKING

from msgspec import Struct

from validator.characteristics.order import CHARACTERISTICS, family
from validator.evaluation.device_to_device import device_block
from validator.evaluation.factors import laboratories, series_labels, within_laboratories
from validator.evaluation.rows import Cell, Value, independent_values, kept, runs_of
from validator.guidance import Counter
from validator.study.models.precision import PrecisionRun

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence

    from validator.study import Study
    from validator.study.models.runs import Run

_OWN_BLOCK: Mapping[Counter, str] = {
    Counter.BLANKS: "blanks",
    Counter.LOW_LEVEL_SAMPLES: "low_level",
    Counter.CONTROL_RESULTS: "precision",
    Counter.REFERENCE_MATERIALS: "recovery",
    Counter.RECOVERIES: "recovery",
    Counter.ADDITIONS: "standard_addition",
}
"""What these count stands in a block of its own, whatever the characteristic."""

_OF_CALIBRATORS = (Counter.LEVELS, Counter.LEVELS_ABOVE_ZERO, Counter.REPLICATES_PER_LEVEL)


class _Data(Struct, frozen=True):
    """Independent values that are counted for one cell, the runs they stand in, and the blocks beside."""

    study: Study
    cell: Cell
    values: tuple[Value, ...]
    kept: tuple[Run, ...]

    @property
    def runs(self) -> tuple[Run, ...]:
        """The run behind each value."""
        return tuple(value.run for value in self.values)

    def block(self, name: str) -> tuple[Value, ...]:
        """Independent values of another block."""
        return independent_values(kept(runs_of(getattr(self.study, name), self.cell)))


def provided(study: Study, cell: Cell, characteristic: str, counter: Counter) -> int | None:
    """The count that *study* provides for *cell*; None where nothing of the kind was measured."""
    if counter is Counter.LABORATORY_COMPARISONS:
        return _rounds(study)
    blocks = _blocks(study, cell, characteristic, counter)
    runs = tuple(run for name in blocks for run in kept(runs_of(getattr(study, name), cell)))
    told_by = CHARACTERISTICS[characteristic].told_by
    if told_by is not None:
        runs = tuple(run for run in runs if getattr(run, told_by, None) is not None)
    values = independent_values(runs)
    if not runs or (characteristic == "intermediate_precision" and _once_a_laboratory(values)):
        return None
    return _COUNTS[counter](_Data(study, cell, values, runs))


def _once_a_laboratory(values: Sequence[Value]) -> bool:
    """Whether laboratories took part and none of them changed anything between its results."""
    laboratory = laboratories(values)
    return laboratory is not None and within_laboratories(laboratory, values) is None


def _rounds(study: Study) -> int | None:
    """Rounds of interlaboratory comparison: they stand in the budget, not in runs."""
    bias = study.uncertainty.bias if study.uncertainty is not None else None
    return len(bias.rounds) or None if bias is not None else None


def _blocks(study: Study, cell: Cell, characteristic: str, counter: Counter) -> tuple[str, ...]:
    """The blocks whose runs are counted, where the study offers a choice those of the evaluation."""
    if characteristic in family("limits"):
        if counter in _OF_CALIBRATORS:
            return ("calibration",)
        # blanks or low-level samples: which of the two a limit rests on is the choice of its variant
        return ("blanks", "low_level")
    if counter is Counter.MATRICES and characteristic == "selectivity":
        return ("interference", "blanks")
    if counter in _OWN_BLOCK:
        return (_OWN_BLOCK[counter],)
    if characteristic == "device_to_device":
        return (device_block(study, cell),)
    if characteristic == "matrix_effect" and not runs_of(study.matrix_calibration, cell):
        return ("standard_addition",)
    return (CHARACTERISTICS[characteristic].block,)


def _level(run: Run) -> float | None:
    for name in ("level", "expected", "analyte_level"):
        value = getattr(run, name, None)
        if value is not None:
            return float(value)
    return None


def _distinct(labels: Iterable[Hashable]) -> int:
    return len({label for label in labels if label is not None})


def _groups(runs: Sequence[Run], key: Callable[[Run], Hashable]) -> dict[Hashable, list[Run]]:
    groups: dict[Hashable, list[Run]] = {}
    for run in runs:
        groups.setdefault(key(run), []).append(run)
    return groups


def _fewest(sizes: Iterable[int]) -> int:
    return min(sizes, default=0)


def _levels(data: _Data) -> int:
    return _distinct(map(_level, data.runs))


def _levels_above_zero(data: _Data) -> int:
    return _distinct(level for level in map(_level, data.runs) if level)


def _per_level(data: _Data) -> int:
    return _fewest(len(members) for members in _groups(data.runs, _level).values())


def _at_end(data: _Data, highest: bool) -> int:
    levels = _groups([run for run in data.runs if _level(run)], _level)
    if not levels:
        return 0
    end = (max if highest else min)(level for level in levels if isinstance(level, float))
    return len(levels[end])


def _series_at_fewest(data: _Data) -> int:
    return _fewest(
        max(_distinct(series_labels(members)), 1) for members in _groups(data.runs, _level).values()
    )


def _laboratory(run: Run) -> str | None:
    return run.laboratory if isinstance(run, PrecisionRun) else None


def _per_series(data: _Data) -> int:
    return _fewest(
        size
        for members in _groups(data.runs, _level).values()
        for size in Tally(zip(map(_laboratory, members), series_labels(members), strict=True)).values()
    )


def _batches(data: _Data) -> int:
    kinds = _groups(data.runs, type)
    return _fewest(_distinct(series_labels(runs)) for runs in kinds.values())


def _matrices(data: _Data) -> int:
    named = _distinct(run.matrix for run in data.runs)
    return max(named, 1) if data.runs else 0


def _sample(run: Run) -> Hashable:
    """The sample by its name; where runs name none, a level is a material of its own."""
    return getattr(run, "sample", (_level(run), run.matrix))


def _references(data: _Data) -> int:
    return _distinct(
        (run.matrix, value)
        for run in data.runs
        if isinstance(value := getattr(run, "reference", None), float) and not hasattr(run, "interferent")
    )


def _recoveries(data: _Data) -> int:
    return _distinct((getattr(run, "kind", None), _level(run), run.matrix) for run in data.runs)


def _amount(run: Run) -> Hashable:
    return getattr(run, "ratio", None) or getattr(run, "interferent_level", None)


def _interferent(run: Run) -> Hashable:
    return getattr(run, "interferent", None)


def _ratios(data: _Data) -> int:
    return _fewest(_distinct(map(_amount, members)) for members in _groups(data.runs, _interferent).values())


def _per_ratio(data: _Data) -> int:
    groups = _groups(data.runs, lambda run: (_interferent(run), _amount(run)))
    return _fewest(len(members) for members in groups.values())


def _time_points(data: _Data) -> int:
    groups = _groups(data.runs, lambda run: getattr(run, "condition", None))
    return _fewest(_distinct(getattr(run, "time", None) for run in members) for members in groups.values())


def _per_time_point(data: _Data) -> int:
    groups = _groups(
        data.runs, lambda run: (getattr(run, "condition", None), getattr(run, "time", None), _level(run))
    )
    return _fewest(len(members) for members in groups.values())


def _labels(name: str) -> Callable[[_Data], int]:
    return lambda data: _distinct(getattr(run, name, None) for run in data.runs)


def _per(name: str) -> Callable[[_Data], int]:
    def count(data: _Data) -> int:
        groups = _groups(
            [run for run in data.runs if getattr(run, name, None)], lambda run: getattr(run, name)
        )
        return _fewest(len(members) for members in groups.values())

    return count


def _determinations(data: _Data) -> int:
    return len(data.values) + sum(
        pair == ("high", "blank")
        for run in data.kept
        for pair in pairwise(injection.kind for injection in getattr(run, "sequence", ()))
    )


def _laboratories(data: _Data) -> int:
    return _fewest(
        _distinct(getattr(run, "laboratory", None) for run in members)
        for members in _groups(data.runs, _level).values()
    )


def _per_laboratory(data: _Data) -> int:
    named = [run for run in data.runs if getattr(run, "laboratory", None)]
    groups = _groups(named, lambda run: (_level(run), getattr(run, "laboratory", None)))
    return _fewest(len(members) for members in groups.values())


def _factors(data: _Data) -> int:
    return len(getattr(getattr(data.study, "robustness", None), "factors", ()))


_COUNTS: Mapping[Counter, Callable[[_Data], int]] = {
    Counter.LEVELS: _levels,
    Counter.LEVELS_ABOVE_ZERO: _levels_above_zero,
    Counter.REPLICATES_PER_LEVEL: _per_level,
    Counter.REPLICATES_AT_LOWEST_LEVEL: lambda data: _at_end(data, highest=False),
    Counter.REPLICATES_AT_HIGHEST_LEVEL: lambda data: _at_end(data, highest=True),
    Counter.DETERMINATIONS: _determinations,
    Counter.BLANKS: lambda data: len(data.block("blanks")),
    Counter.LOW_LEVEL_SAMPLES: lambda data: len(data.block("low_level")),
    Counter.BATCHES: _batches,
    Counter.SERIES: _series_at_fewest,
    Counter.REPLICATES_PER_SERIES: _per_series,
    Counter.DATES: lambda data: _distinct(run.date for run in data.runs),
    Counter.OPERATORS: _labels("operator"),
    Counter.INSTRUMENTS: _labels("instrument"),
    Counter.LABORATORIES: _laboratories,
    Counter.REPLICATES_PER_LABORATORY: _per_laboratory,
    Counter.DEVICES: _labels("device"),
    Counter.REPLICATES_PER_DEVICE: _per("device"),
    Counter.USES: _per("device"),
    Counter.SAMPLES: lambda data: _distinct(map(_sample, data.kept)),
    Counter.MATRICES: _matrices,
    Counter.REFERENCE_MATERIALS: _references,
    Counter.RECOVERIES: _recoveries,
    Counter.CONTROL_RESULTS: lambda data: len(data.values),
    Counter.INTERFERENTS: _labels("interferent"),
    Counter.RATIOS: _ratios,
    Counter.REPLICATES_PER_RATIO: _per_ratio,
    Counter.ADDITIONS: lambda data: _distinct(
        added for run in data.runs for added in getattr(run, "additions", ())
    ),
    Counter.FACTORS: _factors,
    Counter.RUNS: lambda data: _distinct(getattr(run, "settings", None) for run in data.kept),
    Counter.TIME_POINTS: _time_points,
    Counter.REPLICATES_PER_TIME_POINT: _per_time_point,
}
