"""Labels of the ticks of a linear axis, all with the decimals that the finest of them needs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matplotlib.ticker import Formatter

from validator.numbers import as_given

if TYPE_CHECKING:
    from collections.abc import Iterable


class SameDecimals(Formatter):
    """``9.0, 9.5, 10.0`` in the number format of the dossier."""

    _decimals = 0

    def set_locs(self, locs: Iterable[float]) -> None:
        """Take the places of all ticks, which matplotlib tells before it asks for any label."""
        self._decimals = max((len(_after_the_point(as_given(at))) for at in locs), default=0)

    def __call__(self, x: float, pos: int | None = None) -> str:
        """The label at *x*."""
        del pos
        label = as_given(x)
        missing = self._decimals - len(_after_the_point(label))
        if missing <= 0 or not label[-1:].isdecimal() or "×" in label:
            return label
        return f"{label}{'' if '.' in label else '.'}{'0' * missing}"


def _after_the_point(label: str) -> str:
    return "" if "×" in label else label.partition(".")[2]
