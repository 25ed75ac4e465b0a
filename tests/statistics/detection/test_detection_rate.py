"""The detection limit from rates of detection."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from validator.errors import NotEstimable
from validator.statistics.detection import VARIANTS, DetectionInputs, LowLevelSample


def limits(levels, detected, n, **choices):
    samples = tuple(
        LowLevelSample(level=level, concentrations=np.full(hits, level), censored=total - hits)
        for level, hits, total in zip(levels, detected, n, strict=True)
    )
    return VARIANTS["detection_rate"].limits(DetectionInputs(low_level=samples, **choices))


BLISS = (1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839)
KILLED = (6, 13, 18, 28, 52, 53, 61, 60)
EXPOSED = (59, 60, 62, 56, 63, 59, 62, 60)
"""C. I. Bliss, Ann. Appl. Biol. 22 (1935) 134: decadic logarithm of the dose, beetles killed and exposed."""


def test_the_probit_line_of_bliss():
    """Probit fit −34.94 + 19.73 log dose, as textbooks print it (from memory)."""
    found = limits(10 ** np.array(BLISS), KILLED, EXPOSED)

    printed = (stats.norm.ppf(0.95) + 34.935) / 19.728
    assert np.log10(found.detection_limit.value) == pytest.approx(printed, abs=2e-4)


@pytest.mark.parametrize("beta", [0.05, 0.5])
def test_the_line_and_its_doubt_are_those_of_statsmodels(beta):
    """Level by a binomial model with probit link; at the ends of the interval Fieller's equation holds."""
    u = np.log(10) * np.array(BLISS)
    found = limits(np.exp(u), KILLED, EXPOSED, beta=beta).detection_limit
    counts = np.column_stack([KILLED, np.subtract(EXPOSED, KILLED)])
    family = sm.families.Binomial(sm.families.links.Probit())
    model = sm.GLM(counts, sm.add_constant(u), family=family).fit(tol=1e-14)
    (a, b), V = model.params, model.cov_params()
    z = stats.norm.ppf(1 - beta)

    assert np.log(found.value) == pytest.approx((z - a) / b, rel=1e-8)
    for end in (found.interval.lower, found.interval.upper):
        at = np.array([1.0, np.log(end)])
        reach = stats.norm.ppf(0.975) * np.sqrt(at @ V @ at)
        assert abs(at @ model.params - z) == pytest.approx(reach, rel=1e-5)


@pytest.mark.parametrize(
    ("levels", "detected", "reason"),
    [
        ((1, 2), (3, 7), "fewer than 3 levels"),
        ((0, 1, 2), (0, 3, 7), "fewer than 3 levels"),
        ((1, 2, 4), (0, 5, 10), "no level below a level with undetected results gave detections"),
        ((1, 2, 4), (10, 10, 10), "no level below"),
        ((1, 2, 4), (0, 0, 0), "no level below"),
        ((1, 2, 4), (7, 5, 3), "does not increase with the level"),
        ((1, 2, 4), (4, 6, 5), "does not increase significantly"),
    ],
)
def test_rates_that_show_no_limit(levels, detected, reason):
    """Too few levels, a step without overlap, or rates that do not rise."""
    with pytest.raises(NotEstimable, match=reason):
        limits(levels, detected, [10] * len(levels))


def test_a_limit_beyond_the_levels_is_said_to_be():
    """Ninety-five per cent is read off above the highest level."""
    assert "extrapolated" in limits((1, 2, 4), (1, 4, 7), (10, 10, 10)).cautions
