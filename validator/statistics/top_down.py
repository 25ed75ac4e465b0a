"""The parts of a top-down uncertainty: u(Rw), within-laboratory reproducibility, and u(bias).

Observed biases enter squared: this approach does not correct results, it widens their uncertainty.

References:
    ISO 11352:2012, 8.2 and 8.3; Nordtest TR 537, ed. 3.1 (2012), chapters 3 to 6 (both from memory).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.statistics.precision import duplicates
from validator.statistics.sample import Vector, mean_of_series, vector
from validator.statistics.uncertainty_budget import BudgetRow

if TYPE_CHECKING:
    from collections.abc import Hashable, Sequence

    from numpy.typing import ArrayLike

    from validator.statistics.input_quantity import Evaluation


MEDIAN_FACTOR = 1.25
"""Standard error of a robust mean or median over that of a mean (ISO 13528:2015, 7.7.3; from memory)."""


def from_reference_material(
    values: ArrayLike,
    reference: float,
    reference_uncertainty: float,
    *,
    series: Sequence[Hashable] | None = None,
    relative: bool = False,
) -> UncertaintyPart:
    r"""From one certified reference material.

    .. math:: u(bias) = \sqrt{b^2 + s_b^2/n + u^2(C_{ref})}, \qquad b = \bar x - C_{ref}

    The bias b is one deviation, not a standard deviation: it enters with infinite ν, the scatter of the mean
    with the ν of the results.

    Args:
        values: (n,) results of the material.
        reference: certified value.
        reference_uncertainty: its standard uncertainty (not expanded), in the same unit.
        series: (n,) series of each result; the series are then the independent units.
        relative: in percent of the certified value.

    Raises:
        NotEstimable: fewer than two independent results, or percent of a value that is not positive.
        ValueError: a negative uncertainty.

    References:
        ISO 11352:2012, 8.3.2; Nordtest TR 537, ed. 3.1 (2012), 6.1 (from memory).
    """
    results = vector(values, "values")
    if results.size == 0:
        raise NotEstimable(
            "no results are available for the reference material",
            "at least 2 results of the reference material",
        )
    if reference_uncertainty < 0:
        message = "the uncertainty of the reference value must not be negative"
        raise ValueError(message)
    mean, u_mean, nu, _ = mean_of_series(results, series)
    if u_mean is None or nu is None:
        raise NotEstimable(
            "only one result is available for the reference material",
            "at least 2 independent results of the reference material",
        )
    factor = per_level(relative, reference)
    return UncertaintyPart(
        rows=(
            _row("bias", abs(mean - reference) * factor),
            _row("scatter of the mean bias", u_mean * factor, nu),
            _row("reference value", reference_uncertainty * factor, evaluation="B"),
        ),
        relative=relative,
        n=results.size,
        lowest=reference,
        highest=reference,
        method="one reference material",
    )


def from_reference_materials(
    means: ArrayLike,
    references: ArrayLike,
    reference_uncertainties: ArrayLike,
    *,
    relative: bool = False,
) -> UncertaintyPart:
    r"""From several reference materials, each with the mean of its results.

    .. math:: u(bias) = \sqrt{\tfrac1N\sum b_i^2 + \bar u(C_{ref})^2}, \qquad b_i = \bar x_i - C_{ref,i}

    The root mean square has ν = N, as that of N biases about zero.

    Args:
        means: (N,) mean result of each material.
        references: (N,) certified values.
        reference_uncertainties: (N,) or one, standard uncertainties of the certified values.
        relative: in percent of the certified values.

    Raises:
        NotEstimable: fewer than two materials, or percent of a value that is not positive.
        ValueError: arrays that do not match, a negative uncertainty.

    References:
        ISO 11352:2012, 8.3.2; Nordtest TR 537, ed. 3.1 (2012), 6.1 (from memory).
    """
    c = vector(references, "references")
    b = vector(means, "means", size=c.size) - c
    u = vector(reference_uncertainties, "reference_uncertainties", size=c.size)
    return _root_mean_square(b, u, c, relative, noun="reference material", reference="reference values")


def from_recoveries(
    recoveries_percent: ArrayLike, addition_uncertainty_percent: ArrayLike, *, levels: ArrayLike | None = None
) -> UncertaintyPart:
    r"""From recoveries of added amounts; in percent of the amount added.

    .. math:: u(bias) = \sqrt{\tfrac1N\sum (R_i - 100)^2 + u_{add}^2}

    Args:
        recoveries_percent: (N,) recoveries of different samples, each a result or a mean.
        addition_uncertainty_percent: one or (N,), standard uncertainty of the added amount.
        levels: (N,) levels of the samples, for the range.

    Raises:
        NotEstimable: fewer than two recoveries.
        ValueError: arrays that do not match, a negative uncertainty.

    References:
        ISO 11352:2012, 8.3.4; Nordtest TR 537, ed. 3.1 (2012), 6.3 (from memory).
    """
    r = vector(recoveries_percent, "recoveries_percent")
    u = vector(addition_uncertainty_percent, "addition_uncertainty_percent", size=r.size)
    known = None if levels is None else vector(levels, "levels", size=r.size)
    part = _root_mean_square(
        r - 100, u, np.full(r.size, 100.0), True, noun="recovery", reference="amounts added"
    )
    return UncertaintyPart(
        rows=part.rows,
        relative=True,
        n=part.n,
        lowest=None if known is None else float(known.min()),
        highest=None if known is None else float(known.max()),
        method=part.method,
    )


def from_stated_bias(
    bias: float, standard_uncertainty: float, *, relative: bool = False, level: float | None = None
) -> UncertaintyPart:
    """From a bias that is known from elsewhere, u(bias) = sqrt(b² + u²).

    Args:
        bias: b, in the unit of the level or in percent of it.
        standard_uncertainty: of the bias, in the same form.
        relative: both are in percent.
        level: level for which it was found.

    Raises:
        ValueError: a negative uncertainty.
    """
    if standard_uncertainty < 0:
        message = "the uncertainty of the bias must not be negative"
        raise ValueError(message)
    return UncertaintyPart(
        rows=(
            _row("bias", abs(bias), evaluation="B"),
            _row("uncertainty of the bias", standard_uncertainty, evaluation="B"),
        ),
        relative=relative,
        n=None,
        lowest=level,
        highest=level,
        method="stated bias",
    )


def from_interlaboratory_rounds(
    results: ArrayLike,
    assigned: ArrayLike,
    reproducibility_sd: ArrayLike,
    laboratories: ArrayLike,
    *,
    robust: bool | Sequence[bool] = False,
    relative: bool = False,
) -> UncertaintyPart:
    r"""From rounds of an interlaboratory comparison, one result of the laboratory each.

    .. math:: u(bias) = \sqrt{\tfrac1N\sum b_i^2 + \bar u(C_{ref})^2}, \qquad
              u(C_{ref,i}) = s_{R,i}/\sqrt{p_i}

    Args:
        results: (N,) results of the laboratory.
        assigned: (N,) assigned values.
        reproducibility_sd: one or (N,), standard deviation between laboratories, in the same unit.
        laboratories: one or (N,), number of laboratories p.
        robust: one or (N,), the assigned value is a robust mean or a median: u(C_ref) is 1.25 times as large.
        relative: in percent of the assigned values.

    Raises:
        NotEstimable: fewer than two rounds, or percent of a value that is not positive.
        ValueError: arrays that do not match, a negative standard deviation, fewer than one laboratory.

    References:
        ISO 11352:2012, 8.3.3; Nordtest TR 537, ed. 3.1 (2012), 6.2 (from memory).
    """
    c = vector(assigned, "assigned")
    b = vector(results, "results", size=c.size) - c
    s_r = vector(reproducibility_sd, "reproducibility_sd", size=c.size)
    p = vector(laboratories, "laboratories", size=c.size)
    if (p < 1).any():
        message = "a round has at least one laboratory"
        raise ValueError(message)
    u = np.where(robust, MEDIAN_FACTOR, 1.0) * s_r / np.sqrt(p)
    return _root_mean_square(b, u, c, relative, noun="interlaboratory round", reference="assigned values")


def _root_mean_square(
    b: Vector, u: Vector, c: Vector, relative: bool, *, noun: str, reference: str
) -> UncertaintyPart:
    """RMS of the biases *b* and mean of the uncertainties *u* of the references *c*."""
    plural = "recoveries" if noun == "recovery" else f"{noun}s"
    if b.size < 2:
        raise NotEstimable(f"fewer than 2 {plural}", f"at least 2 {plural}, preferably 6")
    if (u < 0).any():
        message = "uncertainties must not be negative"
        raise ValueError(message)
    factors = np.array([per_level(relative, float(level)) for level in c])
    b, u = b * factors, u * factors
    size = float(np.abs(b).max()) or 1.0
    rms = size * math.sqrt(float(np.mean((b / size) ** 2)))
    return UncertaintyPart(
        rows=(
            _row(f"root mean square bias of {b.size} {plural}", rms, b.size),
            _row(f"{reference}, mean", float(u.mean()), evaluation="B"),
        ),
        relative=relative,
        n=b.size,
        lowest=float(c.min()),
        highest=float(c.max()),
        method=f"{b.size} {plural}",
    )


def _row(name: str, u: float, nu: float = math.inf, *, evaluation: Evaluation = "A") -> BudgetRow:
    return BudgetRow(
        name=name, value=u, standard_uncertainty=u, evaluation=evaluation, degrees_of_freedom=float(nu)
    )


class UncertaintyPart(Struct, frozen=True, kw_only=True):
    """Within-laboratory reproducibility u(Rw) or bias u(bias).

    Attributes:
        rows: what it is made of.
        relative: in percent of the level, else in its unit.
        n: number of results, pairs, materials, recoveries or rounds behind it.
        lowest, highest: levels of the data behind it; None where they were not given.
        method: how it was found, in a few words.
        note: what the reader should know about it, or "".
    """

    rows: tuple[BudgetRow, ...]
    relative: bool
    n: int | None
    lowest: float | None
    highest: float | None
    method: str
    note: str = ""

    @property
    def standard_uncertainty(self) -> float:
        """Root of the sum of squares of the rows."""
        return math.hypot(*(row.contribution for row in self.rows))


def per_level(relative: bool, level: float) -> float:
    """Factor that turns a figure at *level* into the form asked for: 100/level for percent, 1 otherwise.

    Raises:
        NotEstimable: percent of a level that is not positive.
    """
    if not relative:
        return 1.0
    if level <= 0:
        raise NotEstimable(
            "a relative value is requested at a level that is not positive", "an absolute value"
        )
    return 100 / level


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
        rows=(_scatter_row("control chart limits", half_width / factor, degrees_of_freedom, divisor=factor),),
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
        rows=(_scatter_row("duplicates, within batches", s, nu, divisor=divisor), *extra),
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


def _scatter_row(name: str, u: float, nu: float, *, divisor: float = 1.0) -> BudgetRow:
    return BudgetRow(
        name=name,
        value=u * divisor,
        standard_uncertainty=u,
        evaluation="A",
        divisor=divisor,
        degrees_of_freedom=float(nu),
    )
