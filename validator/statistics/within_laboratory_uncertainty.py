"""u(Rw), the within-laboratory reproducibility component of a top-down uncertainty.

References:
    ISO 11352:2012, 8.2; Nordtest TR 537, ed. 3.1 (2012), chapters 3 to 5 (both from memory).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

import numpy as np

from validator.errors import NotEstimable
from validator.statistics.precision import duplicates
from validator.statistics.uncertainty_budget import BudgetRow
from validator.statistics.uncertainty_part import UncertaintyPart

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

MEAN_RANGE = 2 / math.sqrt(math.pi)
"""d_2 = 1.128: mean range of two normal results, in units of their standard deviation."""

WITHOUT_BETWEEN_BATCHES = "between-batch variation is not included; u(Rw) is underestimated"


def from_control_limits(
    half_width: float,
    *,
    factor: float = 2.0,
    level: float | None = None,
    degrees_of_freedom: float = math.inf,
    relative: bool = False,
) -> UncertaintyPart:
    """From the limits of a control chart, ±half_width = ±factor·s (warning limits 2, action limits 3).

    Args:
        half_width: distance of the limits from the centre line, in the unit of the level or in percent.
        factor: what s was multiplied by.
        level: centre line.
        degrees_of_freedom: ν of s, where it is known.
        relative: *half_width* is in percent.

    Raises:
        NotEstimable: limits without a width.

    References:
        Nordtest TR 537, ed. 3.1 (2012), chapter 3 (from memory).
    """
    if not (half_width > 0 and factor > 0):
        raise NotEstimable("the control limits have zero width", "a positive distance from the centre line")
    return UncertaintyPart(
        rows=(_row("control chart limits", half_width / factor, degrees_of_freedom, divisor=factor),),
        relative=relative,
        n=None,
        lowest=level,
        highest=level,
        method=f"limits of a control chart divided by {factor:g}",
    )


def from_duplicates(
    pairs: Sequence[tuple[float, float]] | ArrayLike,
    *,
    form: Literal["standard deviation", "range"] = "standard deviation",
    relative: bool = False,
    between_batches: UncertaintyPart | None = None,
) -> UncertaintyPart:
    r"""From duplicates of routine samples, with the part between batches from elsewhere.

    .. math::
        s_r = \sqrt{\sum d_i^2/2k}\;(\nu = k) \quad\text{or}\quad s_r = \bar{|d|}/d_2\;(\nu = k/(\pi-2)),
        \qquad u(R_w) = \sqrt{u_{bat}^2 + s_r^2}

    with d in percent of the mean of its pair for the relative form, and d_2 = 2/√π = 1.128.  The range form
    is that of control charts; it needs 14 % more pairs for the same ν.

    Args:
        pairs: (k, 2) results of samples that may differ in level.
        form: from squared differences, or from the mean range.
        relative: in percent.
        between_batches: u of a stable standard solution over batches, in the same form.

    Raises:
        NotEstimable: no pairs, no scatter, relative figures for a mean that is not positive, or a part
            between batches in the other form.

    References:
        ISO 11352:2012, 8.2.3; Nordtest TR 537, ed. 3.1 (2012), 4.3 and 5 (from memory);
        ν of the mean range: variance σ²(2 − 4/π) of |d|, exact for k → ∞.
    """
    table = np.asarray(pairs, dtype=np.float64).reshape(-1, 2)
    spread = duplicates(table)
    k = spread.pairs
    if form == "standard deviation":
        figure = spread.repeatability_rsd if relative else spread.repeatability_sd
        if isinstance(figure, NotEstimable):
            raise figure
        s, nu, divisor = figure.value, float(k), math.sqrt(2)
    else:
        s, nu, divisor = _from_ranges(table, relative), k / (math.pi - 2), MEAN_RANGE
    if between_batches is not None and between_batches.relative != relative:
        raise NotEstimable(
            "the between-batch contribution is not in the same form (relative or absolute)",
            "both contributions in percent, or both in the unit of the analyte",
        )
    means = table.mean(axis=1)
    extra = () if between_batches is None else between_batches.rows
    return UncertaintyPart(
        rows=(_row("duplicates, within batches", s, nu, divisor=divisor), *extra),
        relative=relative,
        n=k,
        lowest=float(means.min()),
        highest=float(means.max()),
        method=f"duplicates, {form} form"
        + ("" if between_batches is None else f" + {between_batches.method}"),
        note=WITHOUT_BETWEEN_BATCHES if between_batches is None else "",
    )


def _from_ranges(pairs: np.ndarray[tuple[int, ...], np.dtype[np.float64]], relative: bool) -> float:
    ranges, means = np.abs(pairs[:, 0] - pairs[:, 1]), pairs.mean(axis=1)
    if relative:
        if (means <= 0).any():
            raise NotEstimable("the mean of a pair is not positive", "pairs with means above zero")
        ranges = 100 * ranges / means
    if not ranges.any():
        raise NotEstimable(
            "the two results of every duplicate are identical", "results recorded with higher resolution"
        )
    return float(ranges.mean()) / MEAN_RANGE


def _row(name: str, u: float, nu: float, *, divisor: float = 1.0) -> BudgetRow:
    return BudgetRow(
        name=name,
        value=u * divisor,
        standard_uncertainty=u,
        evaluation="A",
        divisor=divisor,
        degrees_of_freedom=float(nu),
    )
