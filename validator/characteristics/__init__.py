"""What is known of a performance characteristic before any study: data for reading, judging and telling.

Rooms loop over ``order.ORDER``; what is said here of a characteristic is said nowhere else.
"""

from __future__ import annotations

from importlib import import_module
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal

from msgspec import Struct
from msgspec.structs import force_setattr

if TYPE_CHECKING:
    from collections.abc import Mapping


class Figure(Struct, frozen=True):
    """A figure that guidance may limit: the results hold it, or one step of arithmetic leads to it.

    Attributes:
        meaning: in words, precise enough to implement.
        unit: "%", "" for a plain ratio or a probability.
        criterion: characteristic and limit of the study's own criteria that read the same figure.
        per_level: one value per level; such a limit may say at which levels it holds.
        information_only: shown, never decisive.
    """

    meaning: str
    unit: str = ""
    criterion: tuple[str, str] | None = None
    per_level: bool = False
    information_only: bool = False


class Characteristic(Struct, frozen=True, kw_only=True):
    """A performance characteristic.

    Attributes:
        name: its id in study, results and guidance.
        home: its package, where it has one of its own.
        takes: the limits that a criterion on it may state.
        quantity: what ``min``, ``max`` and ``within`` limit.
        unit: its unit: ``%``, ``1``, that of the ``level``, of the ``signal`` or of the ``slope``.
        ideal: its value for the ideal method; None where no value is ideal.
        is_change: a change, whose ``max`` alone limits its size: max 10 means from -10 to +10.
        block: data block in which its runs are counted; of its name, where no other is named.
        told_by: field by which runs of that block belong to it.
        counters: what a minimum design may count (``guidance.Counter``).
        figures: what guidance may limit.
        found: paths of its figures in the record of a configuration; one that exists is enough.
            The one of its name, where none is named.
        section: of the dossier; of its name, where no other is named.
        family: characteristics of one family speak for one another.
        of: what carries its degrees of freedom, one and many.
        excluded_in: blocks whose excluded results weigh on it; that of its name, where it has one.
        deviation_in: blocks of which it is a standard deviation.
        tolerates: the kind of effect whose tolerable size its limits state.
        planned_in: block whose planned number of results carries a criterion on it.
        names_things: its criteria hold for several things that neither level nor criterion names.
    """

    name: str
    home: str = ""
    takes: tuple[str, ...]
    quantity: str = ""
    unit: Literal["%", "1", "level", "signal", "slope"] = "%"
    ideal: float | None = 0.0
    is_change: bool = False
    block: str = ""
    told_by: str | None = None
    counters: frozenset[str]
    figures: Mapping[str, Figure] = MappingProxyType({})
    found: tuple[str, ...] = ()
    section: str = ""
    family: str = ""
    of: tuple[str, str] | None = None
    excluded_in: tuple[str, ...] = ()
    deviation_in: tuple[str, ...] = ()
    tolerates: str = ""
    planned_in: str | None = None
    names_things: bool = False

    def __post_init__(self) -> None:
        """What has its own name is not named again."""
        for field, own in (
            ("block", self.name),
            ("found", (self.name,)),
            ("section", self.name.replace("_", "-")),
        ):
            if not getattr(self, field):
                force_setattr(self, field, own)
        if self.block == self.name and not self.excluded_in:
            force_setattr(self, "excluded_in", (self.name,))

    def part(self, name: Literal["runs", "results", "assessing", "telling"]) -> Any:  # noqa: ANN401 (each has contents of its own)
        """A module of its package, loaded when it is asked for.

        ``runs.BLOCK`` is the model of its data block, ``results.RECORD`` the type of what is found;
        ``assessing`` holds ``evaluate(given)``, ``READERS`` by kind of limit and ``TRIGGERS`` of caveats,
        ``telling`` the ``blocks(context, item, found)`` of its section, the ``sentences(context, found)`` of
        a manuscript and ``FORMULAS``.
        """
        return import_module(f"{self.home}.{name}")
