"""What the sections of a protocol share: their context and the small pieces of text."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct

from validator.dossier import numbers
from validator.statistics.detection import VARIANTS
from validator.statistics.detection.registry import QUANTIFICATION_ALIASES
from validator.statistics.proportion import proportion

if TYPE_CHECKING:
    from validator.dossier.sections.context import Context
    from validator.dossier.wording import Wording
    from validator.planning import Protocol
    from validator.planning.outcomes import Chance
    from validator.statistics.interval import Estimate
    from validator.study.models.method import Analyte


FINEST = 1.0
"""Doubt in percent below which shares gain no further decimals."""


class Parts(Struct, frozen=True):
    """The protocol and the wording."""

    protocol: Protocol
    context: Context

    @property
    def say(self) -> Wording:
        """The wording."""
        return self.context.say

    def analyte(self, analyte_id: str) -> Analyte:
        """An analyte by its id."""
        return self.protocol.study.analyte(analyte_id)

    def block(self, name: str) -> str:
        """A data block as it is written."""
        return self.say.text(f"design.block.{name}")

    def at(self, chance: Chance, analyte_id: str) -> str:
        """The level that a criterion holds at, with what it is of."""
        return level_text(chance.key.level, chance.key.what, self.analyte(analyte_id).unit)

    def criterion(self, chance: Chance) -> str:
        """Characteristic and requirement."""
        return f"{self.context.characteristic(chance.key.characteristic)}: {chance.key.criterion}"

    def devices(self, configurations: tuple[str, ...]) -> str:
        """Names of configurations; a dash where the study names none."""
        names = [self.context.configuration_name(one) for one in configurations]
        return ", ".join(name for name in names if name) or numbers.MISSING


def variant_title(name: str) -> str:
    """The title of a limit variant; other names as they are."""
    variant = VARIANTS.get(QUANTIFICATION_ALIASES.get(name, name))
    return name if variant is None else variant.title


def level_text(level: float | None, what: str, unit: str) -> str:
    """``3 µg/L, canal water``; the name of a limit variant; a dash for neither."""
    what = variant_title(what)
    parts = [numbers.quantity(numbers.as_given(level), unit)] if level is not None else []
    return ", ".join([*parts, *([what] if what else [])]) or numbers.MISSING


def percent(estimate: Estimate) -> str:
    """A probability with its interval, ``93.2 (90.4 to 95.3) %``."""
    interval = estimate.interval
    if interval is None:
        return numbers.percent(100 * estimate.value)
    shown = numbers.with_interval(100 * estimate.value, 100 * interval.lower, 100 * interval.upper)
    return numbers.quantity(shown, "%")


def percent_interval(estimate: Estimate) -> str:
    """The interval of a probability, ``95.0 to 99.2 %``."""
    if estimate.interval is None:
        return numbers.MISSING
    lower, upper = (100 * end for end in (estimate.interval.lower, estimate.interval.upper))
    ends = (numbers.value_only(end, FINEST) for end in (lower, upper))
    return numbers.quantity(f" {numbers.TO} ".join(ends), "%")


def share(count: int, n: int) -> str:
    """A share in percent to the place that its binomial doubt leaves."""
    if not n:
        return numbers.MISSING
    doubt = proportion(count, n).standard_error or 0.0
    return numbers.quantity(numbers.value_only(100 * count / n, max(100 * doubt, FINEST)), "%")
