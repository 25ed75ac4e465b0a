"""Proportions of simulated or counted events, with their binomial doubt."""

from __future__ import annotations

import math

from validator.errors import NotEstimable
from validator.statistics.distributions import normal_quantile
from validator.statistics.interval import Estimate, Interval


def proportion(count: int, n: int, *, level: float = 0.95) -> Estimate:
    r"""Share of *count* events in *n* independent trials, with Wilson's interval.

    .. math:: \frac{\hat p + z^2/2n \pm z\sqrt{\hat p(1-\hat p)/n + z^2/4n^2}}{1 + z^2/n}

    The standard error is the usual √(p̂(1−p̂)/n), which is 0 at the ends, where the interval is not.

    Raises:
        NotEstimable: no trial.

    References:
        E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209-212 (from memory).
    """
    if n < 1:
        raise NotEstimable("no trials were counted", "at least one trial")
    if not 0 <= count <= n:
        message = f"{count} events in {n} trials"
        raise ValueError(message)
    p = count / n

    def limits(level: float) -> tuple[float, float]:
        z = normal_quantile(0.5 + level / 2)
        centre = (p + z * z / (2 * n)) / (1 + z * z / n)
        half = z * math.sqrt(p * (1 - p) / n + (z / (2 * n)) ** 2) / (1 + z * z / n)
        # at 0 and n the formula reaches the end itself, but for rounding
        return 0.0 if count == 0 else max(0.0, centre - half), 1.0 if count == n else min(1.0, centre + half)

    return Estimate(
        value=p,
        standard_error=math.sqrt(p * (1 - p) / n),
        interval=Interval.by(limits, level, "Wilson"),
    )
