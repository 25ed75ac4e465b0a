"""u(bias), the component of method and laboratory bias of a top-down uncertainty.

Observed biases enter squared: this approach does not correct results, it widens their uncertainty.

References:
    ISO 11352:2012, 8.3; Nordtest TR 537, ed. 3.1 (2012), chapter 6 (both from memory).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from validator.errors import NotEstimable
from validator.statistics.sample import Vector, vector
from validator.statistics.series import mean_of_series
from validator.statistics.uncertainty_budget import BudgetRow
from validator.statistics.uncertainty_part import UncertaintyPart, per_level

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
