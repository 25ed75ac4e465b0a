"""From an acceptance as written to the limit that holds for one analyte at one mass fraction."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import TYPE_CHECKING

from msgspec import Struct, structs

from validator.errors import NotEstimable
from validator.guidance.acceptance import (
    UNITS,
    Acceptance,
    AnalyteRow,
    Band,
    Bounds,
    MassFractionTable,
    Point,
    PredictedRsd,
)
from validator.statistics.horwitz import horwitz_rsd, thompson_rsd

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.guidance.acceptance import Consulted

_SAME = 1e-12
"""Relative distance within which a mass fraction counts as the end of a band: unit conversion rounds."""


class Limit(Struct, frozen=True, kw_only=True):
    """What a figure must keep; an absent side is None.

    Attributes:
        lower, upper: in the unit of the figure.
        exclusive: the ends themselves are not allowed ("lower than").
        source: where the number itself was seen, where its row of the table says so.
    """

    lower: float | None
    upper: float | None
    exclusive: bool = False
    source: Consulted | None = None

    def admits(self, value: float) -> bool:
        """Whether *value* keeps the limit; compared at full precision."""
        if self.exclusive:
            return (self.lower is None or value > self.lower) and (self.upper is None or value < self.upper)
        return (self.lower is None or value >= self.lower) and (self.upper is None or value <= self.upper)


def limit_for(
    acceptance: Acceptance,
    *,
    mass_fraction: float | None = None,
    analyte_names: Sequence[str] = (),
    legal_limit: float | None = None,
) -> Limit:
    """The limit an acceptance sets for one analyte at one level.

    Args:
        acceptance: as the profile writes it.
        mass_fraction: of the analyte in the sample, as a plain number (1 mg/kg is 1e-6).
        analyte_names: id and name of the analyte; letter case does not matter.
        legal_limit: of the analyte, as a mass fraction too.

    Raises:
        NotEstimable: the limit depends on the mass fraction or the legal limit, which is unknown or outside
            the table, or on the analyte, which the table does not list.
    """
    if acceptance.by_mass_fraction is not None:
        limit = _from_table(acceptance.by_mass_fraction, _known(mass_fraction))
    elif acceptance.predicted_rsd is not None:
        limit = _from_prediction(acceptance.predicted_rsd, _known(mass_fraction))
    elif acceptance.by_analyte is not None:
        limit = _from_analyte(acceptance, analyte_names, legal_limit)
    else:
        limit = _plain(acceptance)
    return structs.replace(limit, exclusive=limit.exclusive or acceptance.exclusive)


def _known(mass_fraction: float | None) -> float:
    if mass_fraction is None or not 0 < mass_fraction <= 1:
        reason = "the limit depends on the mass fraction of the analyte, which cannot be calculated"
        needs = (
            "a unit of mass fraction (mg/kg, %), or the density of the matrix where the unit is per volume"
        )
        raise NotEstimable(reason, needs)
    return mass_fraction


def _plain(bounds: Bounds) -> Limit:
    return Limit(lower=bounds.lower, upper=bounds.upper, exclusive=bounds.exclusive)


def _same(a: float, b: float) -> bool:
    return math.isclose(a, b, rel_tol=_SAME, abs_tol=0.0)


def _in_table(table: MassFractionTable, mass_fraction: float) -> Limit | None:
    scaled = mass_fraction * UNITS[table.unit]
    return _from_bands(table.bands, scaled) if table.bands else _from_points(table.points, scaled)


def _from_table(table: MassFractionTable, mass_fraction: float) -> Limit:
    limit = _in_table(table, mass_fraction)
    if limit is None:
        reason = f"the table of limits does not cover a mass fraction of {mass_fraction:.3g}"
        raise NotEstimable(reason, "a criterion of the study for this level")
    return limit


def _holds(band: Band, x: float) -> bool:
    return _starts_by(band, x) and _ends_after(band, x)


def _starts_by(band: Band, x: float) -> bool:
    if band.start is None:
        return True
    return band.from_ is not None if _same(x, band.start) else x > band.start


def _ends_after(band: Band, x: float) -> bool:
    if band.end is None:
        return True
    return band.to is not None if _same(x, band.end) else x < band.end


def _from_bands(bands: Sequence[Band], x: float) -> Limit | None:
    return next((_plain(band) for band in bands if _holds(band, x)), None)


def _from_points(points: Sequence[Point], x: float) -> Limit | None:
    for point in points:
        if _same(x, point.at):
            return _plain(point)
    for low, high in pairwise(points):
        if low.at < x < high.at:
            share = math.log(x / low.at) / math.log(high.at / low.at)
            return Limit(
                lower=_between(low.lower, high.lower, share), upper=_between(low.upper, high.upper, share)
            )
    return None


def _between(a: float | None, b: float | None, share: float) -> float | None:
    return None if a is None or b is None else a + share * (b - a)


def _from_prediction(predicted: PredictedRsd, mass_fraction: float) -> Limit:
    expected = horwitz_rsd if predicted.model == "horwitz" else thompson_rsd
    return Limit(lower=None, upper=predicted.factor * expected(mass_fraction))


def row_for(acceptance: Acceptance, names: Sequence[str]) -> AnalyteRow | None:
    """The row of a table by analyte that lists one of *names*; letter case does not matter."""
    wanted = {name.strip().casefold() for name in names}
    for row in acceptance.by_analyte or ():
        if wanted & {name.casefold() for name in row.analytes}:
            return row
    return None


def _from_analyte(acceptance: Acceptance, names: Sequence[str], legal_limit: float | None) -> Limit:
    row = row_for(acceptance, names)
    if row is not None and row.by_legal_limit is None:
        return structs.replace(_plain(row), source=row.source)
    if row is not None and row.by_legal_limit is not None:
        return structs.replace(_by_legal_limit(row.by_legal_limit, legal_limit), source=row.source)
    once = {name.strip().casefold(): name for name in reversed(names)}
    listed = " or ".join(f"'{name}'" for name in reversed(once.values())) or "this analyte"
    reason = f"the table of limits does not list {listed}"
    raise NotEstimable(reason, "a criterion of the study, or the name of the analyte as used in the document")


def _by_legal_limit(table: MassFractionTable, legal_limit: float | None) -> Limit:
    needs = "the legal limit of the analyte, in a unit that is a mass fraction (mg/kg)"
    if legal_limit is None:
        raise NotEstimable(
            "the limit depends on the legal limit, which is not known as a mass fraction", needs
        )
    limit = _in_table(table, legal_limit)
    if limit is None:
        raise NotEstimable(f"the table of limits does not reach a legal limit of {legal_limit:.3g}", needs)
    return limit
