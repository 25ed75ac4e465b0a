"""What the study records of the conditions of each result, and how these factors stand to each other."""

from __future__ import annotations

from collections import Counter
from itertools import combinations, pairwise
from typing import TYPE_CHECKING, Literal

from msgspec import Struct

from validator.evaluation.rows import group_label
from validator.statistics.nested import is_nested_in

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.evaluation.rows import Value
    from validator.study.models.runs import Run

Labels = tuple[str, ...]
Analysis = Literal["one way", "nested", "crossed"]

CONDITIONS = ("operator", "instrument", "device")
"""Conditions beside time, in this order."""

WITHIN = " within "


class Factor(Struct, frozen=True):
    """One condition and its label at each result."""

    name: str
    labels: Labels

    @property
    def levels(self) -> int:
        """Number of different labels."""
        return len(set(self.labels))

    def inside(self, outer: Factor) -> Factor:
        """The same factor, its labels told apart by those of *outer*: run 1 of each day is another run."""
        return Factor(
            self.name,
            tuple(f"{place} / {label}" for place, label in zip(outer.labels, self.labels, strict=True)),
        )


class Grouping(Struct, frozen=True):
    """How the results of one level are grouped.

    Attributes:
        name: the factors in words; None where nothing is recorded that would tell groups apart.
        labels: of the finest groups, at each result; what shares one was found under the same conditions.
        analysis: of one factor, or of several, nested or crossed.
        factors: outermost first where nested; none for one-way.
        time: names of those factors that stand for time.
    """

    name: str | None
    labels: Labels
    analysis: Analysis = "one way"
    factors: tuple[Factor, ...] = ()
    time: tuple[str, ...] = ()

    def kept(self, places: Sequence[int]) -> Grouping:
        """The grouping of the results at *places* alone."""
        factors = tuple(
            Factor(one.name, tuple(one.labels[place] for place in places)) for one in self.factors
        )
        labels = tuple(self.labels[place] for place in places)
        return Grouping(self.name, labels, self.analysis, factors, self.time)

    def groups(self, values: Sequence[Value]) -> dict[str, list[Value]]:
        """The values by their finest group, in the order written."""
        found: dict[str, list[Value]] = {}
        for label, value in zip(self.labels, values, strict=True):
            found.setdefault(label, []).append(value)
        return found


def grouping(values: Sequence[Value]) -> Grouping:
    """How *values* of one level are grouped by what their runs record.

    Days (or dates) and series tell the time; several series on a day are nested in it. Operators,
    instruments and devices that change within a day are nested in it, or crossed with it where they recur.
    One that changes from day to day only is what days are meant to bring along: it is split off where it is
    the only one and was in charge of two days or more each time.
    """
    if not values:
        return Grouping(None, ())
    time = _time(values)
    changing, steady = _beside(values, time)
    if not time:
        return _of_conditions(steady, len(values))
    if changing:
        return _within_time(time, changing)
    outer = [one for one in steady if _holds_two_each(one, time)]
    if len(steady) == 1 and outer:
        return _nested([*outer, *time], time)
    return _nested(time, time) if len(time) > 1 else Grouping(time[0].name, time[0].labels)


def series_labels(runs: Sequence[Run]) -> tuple[str | None, ...]:
    """The series (day, date) of each of *runs*; series labelled alike on several days are told apart.

    Run 1 and run 2 of each day are other series on the next day, while a series that goes on over days, alone
    on each of them, stays one.
    """
    labels = [group_label(run) for run in runs]
    days = [_day(run) for run in runs]
    if not runs or None in days or None in labels or any(run.series is None for run in runs):
        return tuple(labels)
    series_on: dict[str | None, set[str | None]] = {}
    days_of: dict[str | None, set[str | None]] = {}
    for label, day in zip(labels, days, strict=True):
        series_on.setdefault(day, set()).add(label)
        days_of.setdefault(label, set()).add(day)
    recur = max(map(len, days_of.values())) > 1 and max(map(len, series_on.values())) > 1
    if not recur:
        return tuple(labels)
    return tuple(f"{day} / {label}" for day, label in zip(days, labels, strict=True))


def laboratories(values: Sequence[Value]) -> Factor | None:
    """The laboratories, where every result names one of several."""
    found = _factor(values, "laboratory")
    return found if found is not None and found.levels > 1 else None


def within_laboratories(laboratory: Factor, values: Sequence[Value]) -> Grouping | None:
    """Days or series nested in the laboratories, where they hold replicates; None where they do not."""
    time = [one.inside(laboratory) for one in _time(values)]
    time = [one for one in time if one.levels > laboratory.levels]
    if not time or not _has_replicates(time[-1].labels):
        return None
    return _nested([laboratory, *time], time)


def _time(values: Sequence[Value]) -> list[Factor]:
    """Day and series, the outer one first; only one of them where the other adds nothing."""
    series, day = _factor(values, "series"), _factor(values, "day")
    if series is None and day is not None:
        return [day]
    if series is None or day is None:
        labels = tuple(group_label(value.run) for value in values)
        if any(label is None for label in labels):
            return []
        name = "day" if getattr(values[0].run, "series", None) is None else "series"
        return [Factor(name, tuple(label or "" for label in labels))]
    if day.levels == 1 or _same(series, day):
        return [series]
    if is_nested_in(day.labels, series.labels):
        # days inside a series, which is one unit unless each of its days has replicates
        inner = day.inside(series)
        if not _has_replicates(inner.labels):
            return [series]
        return [day] if series.levels == 1 else [series, day]
    return [day, series if is_nested_in(series.labels, day.labels) else series.inside(day)]


def _beside(values: Sequence[Value], time: Sequence[Factor]) -> tuple[list[Factor], list[Factor]]:
    """Conditions that change within the finest time, and those that change between times only."""
    changing: list[Factor] = []
    steady: list[Factor] = []
    for name in CONDITIONS:
        found = _factor(values, name)
        if found is None or found.levels == 1:
            continue
        if any(_same(found, one) for one in (*time, *changing, *steady)):
            continue
        if not time or is_nested_in(time[-1].labels, found.labels):
            steady.append(found)
        elif name != "device" or _has_replicates(found.inside(time[-1]).labels):
            # a new device for each reading is part of what one reading is
            changing.append(found)
    return changing, steady


def _of_conditions(factors: Sequence[Factor], n: int) -> Grouping:
    """Without days: operators, instruments or devices tell the groups apart."""
    if not factors:
        return Grouping(None, ("",) * n)
    factors = [one for one in factors if _has_replicates(one.labels)] or factors[:1]
    if len(factors) == 1:
        return Grouping(factors[0].name, factors[0].labels)
    chain = sorted(factors, key=lambda one: one.levels)
    if all(is_nested_in(inner.labels, outer.labels) for outer, inner in pairwise(chain)):
        return _nested(chain, ())
    return _crossed_or_joined(factors, ())


def _within_time(time: Sequence[Factor], changing: Sequence[Factor]) -> Grouping:
    finest = time[-1]
    if len(changing) == 1:
        (inner,) = changing
        if is_nested_in(inner.labels, finest.labels):
            return _nested([*time, inner], time)
        if len(time) > 1:
            # labels that recur within each series of each day cross it; told apart, they are nested
            return _nested([*time, inner.inside(finest)], time)
    return _crossed_or_joined([*time, *changing], time)


def _crossed_or_joined(factors: Sequence[Factor], time: Sequence[Factor]) -> Grouping:
    """Two factors crossed; more than two are taken together, each combination a group."""
    name = " and ".join(one.name for one in factors)
    joined = factors[0]
    for one in factors[1:]:
        joined = one.inside(joined)
    if len(factors) == 2 and not any(
        is_nested_in(one.labels, other.labels)
        for pair in combinations(factors, 2)
        for one, other in (pair, pair[::-1])
    ):
        return Grouping(name, joined.labels, "crossed", tuple(factors), tuple(one.name for one in time))
    return Grouping(name, joined.labels)


def _nested(factors: Sequence[Factor], time: Sequence[Factor]) -> Grouping:
    return Grouping(
        WITHIN.join(one.name for one in reversed(factors)),
        factors[-1].labels,
        "nested",
        tuple(factors),
        tuple(one.name for one in time),
    )


def _factor(values: Sequence[Value], name: str) -> Factor | None:
    """The factor, where every result names it; a date is a day."""
    labels = [_label(value, name) for value in values]
    return None if None in labels else Factor(name, tuple(str(label) for label in labels))


def _label(value: Value, name: str) -> str | None:
    if name == "day":
        return _day(value.run)
    label = getattr(value.run, name, None)
    return None if label is None else str(label)


def _day(run: Run) -> str | None:
    """The day as written, else the date."""
    day = getattr(run, "day", None)
    if day is not None:
        return str(day)
    return None if run.date is None else run.date.isoformat()


def _same(one: Factor, other: Factor) -> bool:
    """True when both tell the results apart in the same way."""
    return is_nested_in(one.labels, other.labels) and is_nested_in(other.labels, one.labels)


def _holds_two_each(outer: Factor, time: Sequence[Factor]) -> bool:
    """True when each level of *outer* holds two or more of the outermost times, and these no other level."""
    if not is_nested_in(time[0].labels, outer.labels):
        return False
    held = Counter(place for place, _ in set(zip(outer.labels, time[0].labels, strict=True)))
    return min(held.values()) > 1


def _has_replicates(labels: Labels) -> bool:
    return len(set(labels)) < len(labels)
