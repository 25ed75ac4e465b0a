"""Random draws of input quantities, in batches."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from validator.errors import NotEstimable
from validator.statistics.input_quantity import InputQuantity, checked_correlation
from validator.statistics.measurement_model import FloatArray, normal_form
from validator.statistics.type_b import DIVISORS, Distribution

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike


class InputDraws:
    """Draws of all inputs together; each input has a stream of its own, so batches of any size agree.

    Correlated inputs are drawn from a multivariate normal distribution, or, when all of them have the same
    finite ν, from the multivariate t distribution of means of quantities read together.

    References:
        JCGM 101:2008, 6.4.2 (rectangular), 6.4.5 (triangular), 6.4.6 (U-shaped), 6.4.7 and 6.4.8 (normal),
        6.4.9 (t); JCGM 102:2011, 5.3.2 (multivariate t) (all from memory).
    """

    def __init__(self, quantities: Sequence[InputQuantity], correlation: ArrayLike | None, seed: int) -> None:
        self._quantities = tuple(quantities)
        self._names = [normal_form(quantity.name) for quantity in self._quantities]
        r = checked_correlation(correlation, len(self._quantities))
        self._together = np.flatnonzero((r - np.eye(len(r))).any(axis=1))
        self._root = _root(r[np.ix_(self._together, self._together)])
        self._nu = self._common_freedom()
        self._freedoms = [self._freedom_of(i) for i in range(len(self._quantities))]
        streams = np.random.SeedSequence(seed).spawn(len(self._quantities) + 1)
        *self._streams, self._shared_stream = map(np.random.default_rng, streams)

    @property
    def have_variances(self) -> bool:
        """False when a drawn t distribution has ν ≤ 2 and with that no variance."""
        return all(
            quantity.degrees_of_freedom > 2 or quantity.distribution != "normal"
            for quantity in self._quantities
            if quantity.standard_uncertainty > 0
        )

    def next(self, size: int) -> dict[str, FloatArray]:
        """*size* draws of every input, by name."""
        standard = [
            _standard_draws(stream, quantity.distribution, nu, size)
            for stream, quantity, nu in zip(self._streams, self._quantities, self._freedoms, strict=True)
        ]
        if self._together.size:
            mixed = self._root @ np.stack([standard[i] for i in self._together])
            if math.isfinite(self._nu):
                mixed /= np.sqrt(self._shared_stream.chisquare(self._nu, size) / self._nu)
            for place, i in enumerate(self._together):
                standard[i] = mixed[place]
        for quantity, draws in zip(self._quantities, standard, strict=True):
            draws *= quantity.standard_uncertainty
            draws += quantity.value
        return dict(zip(self._names, standard, strict=True))

    def _freedom_of(self, i: int) -> float:
        """ν of the t distribution an input is drawn from by itself; the correlated ones share theirs."""
        return math.inf if i in self._together else self._quantities[i].degrees_of_freedom

    def _common_freedom(self) -> float:
        correlated = [self._quantities[i] for i in self._together]
        if any(quantity.distribution != "normal" for quantity in correlated):
            raise NotEstimable(
                "correlated input quantities can be simulated only if they are normally distributed",
                "normal distributions for the correlated inputs",
            )
        freedoms = {quantity.degrees_of_freedom for quantity in correlated}
        if len(freedoms) > 1:
            raise NotEstimable(
                ("correlated input quantities with different degrees of freedom cannot be simulated jointly"),
                "correlated input quantities observed simultaneously",
            )
        return freedoms.pop() if freedoms else math.inf


def _standard_draws(
    stream: np.random.Generator, distribution: Distribution, nu: float, size: int
) -> FloatArray:
    """Draws about 0 with standard deviation 1, or of Student's t where ν is finite."""
    if distribution == "normal":
        return stream.standard_t(nu, size) if math.isfinite(nu) else stream.standard_normal(size)
    a = DIVISORS[distribution]
    if distribution == "triangular":
        return stream.triangular(-a, 0.0, a, size)
    if distribution == "u_shaped":
        return a * np.sin(2 * math.pi * stream.random(size))
    return stream.uniform(-a, a, size)


def _root(r: FloatArray) -> FloatArray:
    """A matrix whose product with its transpose is *r*; unlike Cholesky's it exists for |r| = 1 too."""
    eigenvalues, vectors = np.linalg.eigh(r)
    return np.asarray(vectors * np.sqrt(np.maximum(eigenvalues, 0.0)))
