"""Carry-over: what a blank shows after a high sample."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

from validator.characteristics.carry_over.results import CarryOverRecord
from validator.errors import NotEstimable
from validator.statistics.distributions import student, t_two_sided_p
from validator.statistics.interval import Estimate, SignificanceTest, estimate_record, significance
from validator.statistics.sample import Sample, effective_degrees_of_freedom, summarise, vector

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

Kind = Literal["blank", "high"]
Baseline = Literal["blanks before the first high", "later blanks", "none"]


def carry_over(
    kinds: Sequence[Kind],
    signals: ArrayLike,
    *,
    response_at_low_limit: float | None = None,
    confidence: float = 0.95,
) -> CarryOverRecord:
    r"""Carry-over from a sequence of blanks and high samples in run order.

    .. math:: c = \bar y_{after} - \bar y_0, \qquad u^2 = s_{after}^2/n + s_0^2/n_0

    with Welch–Satterthwaite ν.  Undisturbed blanks are those before the first high sample; where there are
    none, blanks that follow another blank.

    Args:
        kinds: (N,) "blank" or "high", in run order.
        signals: (N,) signals.
        response_at_low_limit: signal above the blank at the low limit (quantification limit), positive.
        confidence: level of the interval.

    Raises:
        NotEstimable: no blank directly after a high sample, high signals not above the baseline, or a
            response at the low limit that is not positive.
    """
    y = vector(signals, "signals", size=len(kinds))
    after, before, kind = _blanks(kinds)
    if not after:
        raise NotEstimable(
            "no blank was measured directly after a high sample", "a blank after each high sample"
        )
    if response_at_low_limit is not None and not response_at_low_limit > 0:
        raise NotEstimable("the signal at the quantification limit is not positive", "a quantification limit")
    y_0 = float(summarise(y[before]).mean) if before else 0.0
    high = float(y[[i for i, k in enumerate(kinds) if k == "high"]].mean()) - y_0
    if not high > 0:
        raise NotEstimable(
            "the signals of the high samples are not above those of the blanks", "a high sample"
        )
    values = y[after] - y_0
    found, test, reason = _estimate(
        summarise(y[after]), summarise(y[before]) if before else None, y_0, confidence
    )
    low = response_at_low_limit
    largest = None if low is None else 100 * float(values.max()) / low
    return CarryOverRecord(
        n=len(after),
        highs=list(kinds).count("high"),
        baseline=kind,
        baseline_n=len(before),
        baseline_mean=y_0,
        carry_over=estimate_record(found, reason),
        test=None if test is None else significance(test),
        percent_of_high=estimate_record(found.scaled(100 / high)),
        percent_of_limit=None if low is None else estimate_record(found.scaled(100 / low), reason),
        largest_percent_of_limit=largest,
        values=tuple(float(v) for v in values),
        reason=reason or ("no quantification limit is available for comparison" if low is None else None),
    )


def _blanks(kinds: Sequence[Kind]) -> tuple[list[int], list[int], Baseline]:
    """Places of blanks directly after a high sample and of undisturbed blanks."""
    after = [i for i in range(1, len(kinds)) if kinds[i] == "blank" and kinds[i - 1] == "high"]
    first_high = next((i for i, kind in enumerate(kinds) if kind == "high"), len(kinds))
    if first_high:
        return after, list(range(first_high)), "blanks before the first high"
    later = [i for i in range(1, len(kinds)) if kinds[i] == "blank" and kinds[i - 1] == "blank"]
    return after, later, "later blanks" if later else "none"


def _estimate(
    after: Sample, before: Sample | None, y_0: float, confidence: float
) -> tuple[Estimate, SignificanceTest | None, str | None]:
    value = after.mean - y_0
    variances: list[tuple[float | None, int]] = [(after.variance_of_mean, after.degrees_of_freedom)]
    if before is not None:
        variances.append((before.variance_of_mean, before.degrees_of_freedom))
    known = [(v, nu) for v, nu in variances if v is not None]
    if len(known) < len(variances):
        where = "after a high sample" if after.n == 1 else "without carry-over"
        return Estimate(value=value), None, f"a single blank {where}"
    u = float(np.sqrt(sum(v for v, _ in known)))
    if u == 0:
        return Estimate(value=value), None, "the blanks show no variation"
    nu = effective_degrees_of_freedom(known)
    estimate = student(value, u, nu, confidence, "Welch t")
    test = SignificanceTest(name="carry-over", statistic=value / u, df=(nu,), p=t_two_sided_p(value / u, nu))
    return estimate, test, None
