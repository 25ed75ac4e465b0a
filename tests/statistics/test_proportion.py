"""Proportions with Wilson's interval, against statsmodels."""

from __future__ import annotations

import math

import pytest
from statsmodels.stats.proportion import proportion_confint

from validator.errors import NotEstimable
from validator.statistics.proportion import proportion


@pytest.mark.parametrize(("count", "n"), [(0, 10), (1, 10), (225, 250), (249, 250), (250, 250), (1, 1)])
@pytest.mark.parametrize("level", [0.9, 0.95])
def test_the_interval_is_wilsons(count, n, level):
    """The same ends as statsmodels' proportion_confint(method="wilson")."""
    lower, upper = proportion_confint(count, n, 1 - level, method="wilson")

    found = proportion(count, n, level=level)

    assert found.value == count / n
    assert found.interval.lower == pytest.approx(max(lower, 0), abs=1e-12)
    assert found.interval.upper == pytest.approx(min(upper, 1), abs=1e-12)
    assert found.standard_error == pytest.approx(math.sqrt(count / n * (1 - count / n) / n))


def test_nothing_counted_is_no_proportion():
    """No trial, no share."""
    with pytest.raises(NotEstimable, match="no trials were counted"):
        proportion(0, 0)
    with pytest.raises(ValueError, match="5 events in 4 trials"):
        proportion(5, 4)
