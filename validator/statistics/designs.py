"""Two-level screening designs: Youden's eight runs and Plackett and Burman's 8, 12, 16 and 20."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Design = NDArray[np.int64]

# First rows of the cyclic designs; the last run has every factor low.
_GENERATORS = {
    8: "+++-+--",
    12: "++-+++---+-",
    16: "++++-+-++--+---",
    20: "++--++++-+-+----++-",
}
# One line per run, factors A to G.
_YOUDEN = ("+++++++", "++-+---", "+-+-+--", "+----++", "-++--+-", "-+--+-+", "--++--+", "---+++-")


class Orthogonality(Struct, frozen=True, kw_only=True):
    """Whether the effects of a design can be told apart.

    Attributes:
        balanced: every factor is high as often as low.
        orthogonal: balanced, and no two factors are correlated.
        correlated: pairs of factor numbers (from 0) whose settings are correlated.
    """

    balanced: bool
    orthogonal: bool
    correlated: tuple[tuple[int, int], ...]


def plackett_burman(runs: int) -> Design:
    """Settings (runs, runs − 1) of +1 and −1.

    Raises:
        ValueError: a number of runs other than 8, 12, 16 or 20.

    References:
        R. L. Plackett and J. P. Burman, Biometrika 33 (1946) 305–325; NIST/SEMATECH e-Handbook of
        Statistical Methods, 5.3.3.5.
    """
    if runs not in _GENERATORS:
        message = f"no design of {runs} runs here; there are {', '.join(map(str, _GENERATORS))}"
        raise ValueError(message)
    first = np.array(_signs(_GENERATORS[runs]), dtype=np.int64)
    rows = [np.roll(first, shift) for shift in range(runs - 1)]
    return np.vstack([*rows, -np.ones(runs - 1, dtype=np.int64)])


def youden() -> Design:
    """Settings (8, 7) of +1 (nominal) and −1 (changed) in Youden's arrangement.

    References:
        W. J. Youden and E. H. Steiner, Statistical Manual of the AOAC (1975), 33–36 (from memory).
    """
    return np.array([_signs(run) for run in _YOUDEN], dtype=np.int64)


def orthogonality(settings: ArrayLike) -> Orthogonality:
    """Balance of every factor and correlation of every pair.

    Args:
        settings: (runs, factors) of +1 and −1.
    """
    x = two_level(settings)
    centred = x - x.mean(axis=0)
    products = centred.T @ centred
    correlated = tuple(
        (i, j) for i, j in combinations(range(x.shape[1]), 2) if abs(products[i, j]) > 1e-9 * x.shape[0]
    )
    balanced = bool((x.sum(axis=0) == 0).all())
    return Orthogonality(balanced=balanced, orthogonal=balanced and not correlated, correlated=correlated)


def two_level(settings: ArrayLike) -> Design:
    """*settings* as an integer matrix of +1 and −1.

    Raises:
        NotEstimable: any other setting, or a factor that never changes.
    """
    x = np.asarray(settings)
    if x.ndim != 2 or x.size == 0:
        message = "settings must be a matrix of runs by factors"
        raise ValueError(message)
    if not np.isin(x, (-1, 1)).all():
        raise NotEstimable("a setting is neither high (+) nor low (−)", "settings of + and − only")
    constant = [int(k) + 1 for k in np.flatnonzero(np.abs(x.sum(axis=0)) == x.shape[0])]
    if constant:
        raise NotEstimable(f"factor {constant[0]} was not varied", "both settings of every factor")
    return x.astype(np.int64)


def _signs(text: str) -> list[int]:
    return [1 if sign == "+" else -1 for sign in text]
