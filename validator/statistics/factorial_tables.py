"""Analysis of variance of balanced layouts of several factors, nested or crossed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct

from validator.statistics.precision_intervals import MeanSquareTerm
from validator.statistics.variance_components import FloatArray, differences_from_one

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.statistics.reml import CodeArray


class Stage(Struct, frozen=True, kw_only=True):
    """A factor or interaction: its name and, for each reading, the number of its level."""

    name: str
    codes: CodeArray

    @property
    def counts(self) -> FloatArray:
        """Readings at each level."""
        return np.bincount(self.codes).astype(np.float64)

    @property
    def levels(self) -> int:
        """Number of levels."""
        return int(self.codes.max()) + 1

    @property
    def is_balanced(self) -> bool:
        """True when every level holds as many readings."""
        return bool(np.ptp(self.counts) == 0)

    def means(self, y: FloatArray) -> FloatArray:
        """For each reading the mean of its level."""
        level_means: FloatArray = np.bincount(self.codes, y) / self.counts
        return level_means[self.codes]


class MeanSquareLine(Struct, frozen=True, kw_only=True):
    """A line of an analysis of variance.

    Attributes:
        name, levels: of the factor.
        mean_square, degrees_of_freedom: of the line.
        per_level: readings at each level, what divides the component.
        error: index of the line whose mean square has the same expectation but for this component.
    """

    name: str
    levels: int
    mean_square: float
    degrees_of_freedom: int
    per_level: float
    error: int


def coded(labels: Sequence[object]) -> CodeArray:
    """Labels of any kind as 0, 1, 2 ... in order of first occurrence."""
    numbers: dict[object, int] = {}
    return np.array([numbers.setdefault(label, len(numbers)) for label in labels], dtype=np.intp)


def paired(a: CodeArray, b: CodeArray) -> CodeArray:
    """Codes of the combinations of two factors that occur."""
    return coded(list(zip(a.tolist(), b.tolist(), strict=True)))


def joined(stages: Sequence[Stage], name: str) -> Stage:
    """The cells: combinations of all stages that occur."""
    codes = stages[0].codes
    for stage in stages[1:]:
        codes = paired(codes, stage.codes)
    return Stage(name=name, codes=codes)


def nested_table(y: FloatArray, stages: Sequence[Stage], last: str) -> list[MeanSquareLine]:
    """Analysis of variance of a balanced nested layout; the residual line carries the name *last*."""
    differences, _ = differences_from_one(y)
    fitted = np.full(len(y), differences.mean())
    lines, above = [], 1
    for k, stage in enumerate(stages):
        means = stage.means(differences)
        df = stage.levels - above
        lines.append(_line(stage, means - fitted, df, error=k + 1))
        fitted, above = means, stage.levels
    return [*lines, _residual_line(last, differences - fitted, len(y) - above, above, len(lines))]


def crossed_table(y: FloatArray, a: Stage, b: Stage, cells: Stage, last: str) -> list[MeanSquareLine]:
    """Analysis of variance of a balanced crossed layout; with single readings the interaction is *last*."""
    differences, _ = differences_from_one(y)
    differences = differences - differences.mean()
    means_a, means_b = a.means(differences), b.means(differences)
    additive = means_a + means_b
    df_cells = (a.levels - 1) * (b.levels - 1)
    lines = [_line(a, means_a, a.levels - 1, error=2), _line(b, means_b, b.levels - 1, error=2)]
    if cells.levels == len(y):
        return [*lines, _residual_line(last, differences - additive, df_cells, cells.levels, 2)]
    means_cells = cells.means(differences)
    lines.append(_line(cells, means_cells - additive, df_cells, error=3))
    return [*lines, _residual_line(last, differences - means_cells, len(y) - cells.levels, cells.levels, 3)]


def _line(stage: Stage, effects: FloatArray, df: int, error: int) -> MeanSquareLine:
    return MeanSquareLine(
        name=stage.name,
        levels=stage.levels,
        mean_square=float(effects @ effects) / df,
        degrees_of_freedom=df,
        per_level=float(stage.counts[0]),
        error=error,
    )


def _residual_line(name: str, residuals: FloatArray, df: int, levels: int, index: int) -> MeanSquareLine:
    return MeanSquareLine(
        name=name,
        levels=levels,
        mean_square=float(residuals @ residuals) / df,
        degrees_of_freedom=df,
        per_level=1.0,
        error=index,
    )


def total_terms(table: Sequence[MeanSquareLine]) -> list[MeanSquareTerm]:
    """The sum of all components as mean squares: each adds 1/m_k and takes 1/m_k off its error line."""
    coefficients = [1 / line.per_level for line in table]
    for line in table[:-1]:
        coefficients[line.error] -= 1 / line.per_level
    return [
        MeanSquareTerm(
            coefficient=max(0.0, coefficient),  # 2 x 2 crossed: zero but for rounding
            mean_square=line.mean_square,
            degrees_of_freedom=line.degrees_of_freedom,
        )
        for coefficient, line in zip(coefficients, table, strict=True)
    ]
