"""Limits that a study states in another unit than the analyte's: what was written, and what it became."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from msgspec import Struct

from validator.study.models.method import LIMITS_OF_ANALYTE

if TYPE_CHECKING:
    from collections.abc import Iterator

    from validator.study.models.method import Analyte
    from validator.study.models.study import Study

Bound = Literal["min", "max"]


class StatedLimit(Struct, frozen=True, kw_only=True):
    """A limit that was turned into the analyte's unit.

    Attributes:
        of: a key of ``LIMITS_OF_ANALYTE``, ``specification`` or the characteristic of a criterion.
        bound: which end it is.
        analyte: whose unit it was turned into; the first of those that a criterion speaks of.
        written: the number as it stands in the study file.
        unit: the unit that stands there.
        value: the limit in the unit of the analyte.
    """

    of: str
    bound: Bound
    analyte: Analyte
    written: str
    unit: str
    value: float


def stated_limits(study: Study) -> tuple[StatedLimit, ...]:
    """Every limit that was turned into the unit of its analyte, in the order of the study file."""
    return tuple(
        limit
        for found in (_of_analytes(study), _of_criteria(study))
        for limit in found
        if limit.unit and limit.written
    )


def _of_analytes(study: Study) -> Iterator[StatedLimit]:
    for index, analyte in enumerate(study.method.analytes):
        above = ("method", "analytes", index)
        for key in LIMITS_OF_ANALYTE:
            limit = getattr(analyte, key)
            if limit is not None:
                yield StatedLimit(
                    of=key,
                    bound="max",
                    analyte=analyte,
                    written=study.written(*above, key, "value"),
                    unit=study.written(*above, key, "unit"),
                    value=limit,
                )
        ends: tuple[tuple[str, Bound], ...] = (("lower", "min"), ("upper", "max"))
        for name, bound in ends:
            end = getattr(analyte.specification, name, None)
            if end is not None:
                yield StatedLimit(
                    of="specification",
                    bound=bound,
                    analyte=analyte,
                    written=study.written(*above, "specification", name),
                    unit=study.written(*above, "specification", "unit"),
                    value=end,
                )


def _of_criteria(study: Study) -> Iterator[StatedLimit]:
    bounds: tuple[Bound, ...] = ("min", "max")
    for index, criterion in enumerate(study.criteria):
        analyte = next(one for one in study.method.analytes if criterion.analyte in (None, one.id))
        for bound in bounds:
            value = getattr(criterion, bound)
            if value is not None:
                yield StatedLimit(
                    of=criterion.characteristic,
                    bound=bound,
                    analyte=analyte,
                    written=study.written("criteria", index, bound)
                    or study.written("criteria", index, "within", bounds.index(bound)),
                    unit=study.written("criteria", index, "unit"),
                    value=value,
                )
