"""Screening designs."""

import numpy as np
import pytest

from validator.characteristics.robustness.statistic import is_orthogonal, plackett_burman, two_level, youden
from validator.errors import NotEstimable


@pytest.mark.parametrize("runs", [8, 12, 16, 20])
def test_plackett_burman_designs_are_orthogonal(runs):
    """Every pair of columns is balanced and uncorrelated: XᵀX = N·I."""
    x = plackett_burman(runs)

    assert x.shape == (runs, runs - 1)
    assert (x.T @ x == runs * np.eye(runs - 1)).all()
    assert (x.sum(axis=0) == 0).all()
    assert is_orthogonal(x)


def test_youden_design_is_orthogonal():
    """Seven factors in eight runs, the first all nominal."""
    x = youden()

    assert (x.T @ x == 8 * np.eye(7)).all()
    assert (x[0] == 1).all()
    assert is_orthogonal(x)


def test_other_numbers_of_runs_are_refused():
    """The sentence names the designs there are."""
    with pytest.raises(ValueError, match="no design of 10 runs here; there are 8, 12, 16, 20"):
        plackett_burman(10)


def test_a_missing_run_spoils_orthogonality():
    """Without one run the factors are neither balanced nor uncorrelated."""
    assert not is_orthogonal(youden()[1:])


def test_a_repeated_column_is_seen():
    """Two factors set alike are correlated, although each is balanced."""
    x = youden()[:, [0, 1, 1]]

    assert not is_orthogonal(x)


def test_settings_are_high_or_low():
    """A zero, or a factor that never changes, is refused; a vector is the caller's error."""
    with pytest.raises(NotEstimable, match=r"a setting is neither high \(\+\) nor low"):
        two_level([[1, 0], [-1, 1]])
    with pytest.raises(NotEstimable, match="factor 2 was not varied; needs both settings of every factor"):
        two_level([[1, 1], [-1, 1]])
    with pytest.raises(ValueError, match="matrix of runs by factors"):
        two_level([1, -1])
