"""Whether what the parts of a study say about each other fits: ids, units, the validated configuration.

Works on what was written, not on the models, so that these problems show together with all others.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.study.blocks import configuration_ids, data_blocks, units_by_analyte
from validator.study.headings import same_unit
from validator.study.models.base import quoted
from validator.study.models.plan import PLANNED_BLOCKS
from validator.study.models.runs import Run
from validator.study.models.study import DEFAULT_CONFIGURATION
from validator.study.places import Leaf, Listing, text_of
from validator.study.problems import nearest

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.study.places import Loc, Table
    from validator.study.problems import Problems


def check_references(root: Table, problems: Problems) -> None:
    """Note every id that leads nowhere, every id that is taken twice, and every unit that differs."""
    method = root.table("method")
    if method is not None:
        _check_unique(method, "analytes", problems)
        _check_unique(method, "configurations", problems)
        _check_validated(method, configuration_ids(root), problems)
    checker = _Checker(root, problems)
    for name, _, _ in data_blocks():
        if (block := root.table(name)) is not None:
            checker.block(name, block)
    for index, criterion in root.tables("criteria"):
        checker.ids(criterion, ("criteria", index))
    if (recordings := root.table("recordings")) is not None:
        for index, peak in recordings.tables("peaks"):
            checker.ids(peak, ("recordings", "peaks", index))
    if (uncertainty := root.table("uncertainty")) is not None:
        for index, component in uncertainty.tables("components"):
            checker.ids(component, ("uncertainty", "components", index))
    checker.overrides()
    if (plan := root.table("plan")) is not None:
        checker.plan(plan)


def _check_unique(method: Table, key: str, problems: Problems) -> None:
    first: dict[str, int] = {}
    for index, item in method.tables(key):
        name = item.text("id")
        if name is not None and first.setdefault(name, index) != index:
            loc: Loc = ("method", key, index, "id")
            problems.add(
                item.place_of("id"),
                loc,
                f"the id {quoted(name)} is already used by {key}[{first[name]}]; choose another",
            )


def _check_validated(method: Table, known: Sequence[str], problems: Problems) -> None:
    validated = method.text("configuration")
    loc: Loc = ("method", "configuration")
    if validated is None and len(known) > 1:
        place = method.place_of("configurations")
        problems.add(place, loc, f"missing; say which one is validated: {' or '.join(known)}")
    elif validated is not None and validated not in known:
        problems.add(method.place_of("configuration"), loc, _nowhere("configuration", validated, known))


def _nowhere(kind: str, name: str, known: Sequence[str]) -> str:
    if list(known) == [DEFAULT_CONFIGURATION]:
        return f"unknown {kind} {quoted(name)}; method.configurations names none"
    meant = nearest(name, known)
    hint = f"did you mean '{meant}'?" if meant else f"method.{kind}s has: {', '.join(known)}"
    return f"unknown {kind} {quoted(name)}; {hint}"


class _Checker:
    def __init__(self, root: Table, problems: Problems) -> None:
        self._root = root
        self._problems = problems
        self._units = units_by_analyte(root)
        self._known = {"analyte": list(self._units), "configuration": configuration_ids(root)}

    def ids(self, table: Table, loc: Loc, inherited: Table | None = None) -> None:
        """Check the ids that *table* refers to, but for those it has from the block's defaults."""
        for kind, known in self._known.items():
            name = table.text(kind)
            if name is None or not known or name in known:
                continue
            if inherited is None or inherited.entries.get(kind) is not table.entries[kind]:
                self._problems.add(table.place_of(kind), (*loc, kind), _nowhere(kind, name, known))

    def block(self, name: str, block: Table) -> None:
        """Check the ids and the unit of a data block."""
        self.ids(block, (name,))
        analytes: dict[str | None, None] = {}
        for index, run in block.tables("runs"):
            self.ids(run, (name, "runs", index), inherited=block)
            analytes[run.text("analyte")] = None
        unit = block.text("unit")
        runs = block.get("runs")
        if unit is not None and isinstance(runs, Listing):
            analytes.update((run.analyte, None) for run in runs.items if isinstance(run, Run))
        for analyte in analytes:
            declared = self._units.get(analyte) if analyte is not None else None
            if unit is not None and declared is not None and not same_unit(unit, declared.level):
                message = (
                    f"the unit is '{unit}' here and '{declared.level}' in method.analytes; "
                    f"convert the values to {declared.level}"
                )
                self._problems.add(block.place_of("unit"), (name, "unit"), message)

    def overrides(self) -> None:
        """Check the analytes that have choices of their own."""
        for key in ("analysis", "plan"):
            choices = self._root.table(key)
            per_analyte = choices.table("per_analyte") if choices else None
            known = self._known["analyte"]
            for name, entry in per_analyte.entries.items() if per_analyte else ():
                if known and name not in known:
                    loc: Loc = (key, "per_analyte", name)
                    self._problems.add(entry.key_place, loc, _nowhere("analyte", name, known))

    def plan(self, plan: Table) -> None:
        """Check the configurations that a plan names, and that every analyte has its levels."""
        per_analyte = plan.table("per_analyte")
        own = {name: per_analyte.table(name) if per_analyte else None for name in self._units}
        parts: list[tuple[Table | None, Loc]] = [(plan, ("plan",))]
        parts += [(table, ("plan", "per_analyte", name)) for name, table in own.items()]
        for table, loc in parts:
            for name in PLANNED_BLOCKS if table else ():
                if table and (block := table.table(name)) is not None:
                    self._planned_configurations(block, (*loc, name))
        for name in PLANNED_BLOCKS:
            for analyte, table in own.items():
                blocks = [block for part in (plan, table) if part and (block := part.table(name))]
                keys = _LEVELS_IN.get(name, ())
                if blocks and keys and all(block.get(key) is None for block in blocks for key in keys):
                    message = f"no levels are planned for {analyte}; give {' or '.join(keys)}"
                    self._problems.add(blocks[-1].place, ("plan", name, "levels"), message)

    def _planned_configurations(self, block: Table, loc: Loc) -> None:
        written = block.get("configurations")
        known = self._known["configuration"]
        for index, item in enumerate(written.items if isinstance(written, Listing) else [written]):
            name = text_of(item)
            if name is not None and known and name not in known:
                message = _nowhere("configuration", name, known)
                place = item.place if isinstance(item, Leaf) else block.place
                self._problems.add(place, (*loc, "configurations", index), message)


_LEVELS_IN = {
    "calibration": ("levels",),
    "low_level": ("levels",),
    "precision": ("levels",),
    "recovery": ("levels", "references"),
}
"""The keys of a planned block that say at which levels it is measured."""
