"""What every section builder is given, and the small pieces they share."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, TypeVar

from msgspec import Struct, field

from validator import numbers
from validator.characteristics.order import CHARACTERISTICS
from validator.dossier.document import (
    Block,
    BulletList,
    NotAssessedItem,
    NotAssessedList,
    Row,
    Section,
    identifier,
)
from validator.dossier.inline import Content, Reference, Severity, Text
from validator.evaluation.results import (
    AnalyteRecord,
    Assessment,
    Caveat,
    ConfigurationRecord,
    EstimateRecord,
    NotAssessed,
    Results,
)
from validator.evaluation.results import Finding as FindingRecord
from validator.evaluation.rows import Cell
from validator.sources import marked

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Iterator, Sequence

    from validator.dossier.wording import Wording
    from validator.evaluation.results import CalibrationRecord, InputRecord
    from validator.study import Study
    from validator.study.models.method import Analyte


R = TypeVar("R")

MOST_IN_FULL = 6
"""Analytes beyond which a matrix comes first and each has one compact section."""
MOST_NAMED = 3
"""More things than these are counted, not named, in a heading."""
MOST_LISTED = 12
"""More analytes than these are counted, not named, in a sentence about them."""


class Item(Struct, frozen=True):
    """One analyte with one configuration: a subsection of every characteristic."""

    cell: Cell
    analyte: Analyte
    record: AnalyteRecord
    configuration: ConfigurationRecord
    name: str

    def id(self, *parts: str) -> str:
        """An id that no other item has."""
        return identifier(*parts, self.cell.analyte, self.cell.configuration)


class Context(Struct, frozen=True):
    """The study, its results and the wording."""

    study: Study
    results: Results
    say: Wording
    sections_present: list[Section] = field(default_factory=list)
    sections_printed: list[Section] = field(default_factory=list)

    @property
    def assessment(self) -> Assessment:
        """The judgement; a dossier is made of judged results only."""
        if self.results.assessment is None:
            raise ValueError("results without an assessment")
        return self.results.assessment

    @property
    def has_several_analytes(self) -> bool:
        """True when names must say which analyte is meant."""
        return len(self.results.analytes) > 1

    @property
    def is_compact(self) -> bool:
        """True when there are too many analytes to give each a subsection of every characteristic."""
        return len(self.results.analytes) > MOST_IN_FULL

    @property
    def has_several_configurations(self) -> bool:
        """True when names must say which configuration is meant."""
        return len(self.study.configuration_ids) > 1

    def items(self) -> Iterator[Item]:
        """Every analyte and configuration, the validated configuration first."""
        for configuration in self._configurations_in_order():
            for analyte_id, record in self.results.analytes.items():
                if configuration in record.configurations:
                    yield Item(
                        Cell(analyte_id, configuration),
                        self.study.analyte(analyte_id),
                        record,
                        record.configurations[configuration],
                        self.title_of(analyte_id, configuration),
                    )

    def names_of(self, items: Sequence[Item]) -> str:
        """Several items as one phrase: analytes that share a configuration together."""
        by_configuration: dict[str, list[str]] = {}
        for item in items:
            by_configuration.setdefault(item.cell.configuration, []).append(item.analyte.name)
        parts = []
        for configuration, names in by_configuration.items():
            every = len(names) == len(self.results.analytes) > MOST_NAMED
            named = self.say.text("common.every", count=len(names)) if every else ", ".join(names)
            known = self.configuration_name(configuration) if self.has_several_configurations else ""
            parts.append(f"{named} ({known})" if known and self.has_several_analytes else known or named)
        return "; ".join(parts)

    def validated_items(self) -> Iterator[Item]:
        """Every analyte with the configuration that is validated."""
        return (
            item for item in self.items() if item.cell.configuration == self.study.validated_configuration
        )

    def _configurations_in_order(self) -> list[str]:
        validated = self.study.validated_configuration
        return [validated, *(c for c in self.study.configuration_ids if c != validated)]

    @property
    def use(self) -> str:
        """The intended use as a clause, without its full stop; a clause saying that there is none."""
        stated = self.study.study.intended_use
        return stated.strip().rstrip(".") if stated else self.say.text("summary.use_not_stated")

    def analyte_name(self, analyte_id: str | None) -> str:
        """Name of an analyte; empty for none."""
        return self.study.analyte(analyte_id).name if analyte_id else ""

    def configuration_name(self, configuration_id: str | None) -> str:
        """Name of a configuration; empty where the study names none."""
        for configuration in self.study.method.configurations:
            if configuration.id == configuration_id:
                return configuration.name
        return ""

    def title_of(self, analyte_id: str | None, configuration_id: str | None) -> str:
        """Analyte and configuration as far as they must be told apart."""
        parts = [
            self.analyte_name(analyte_id) if self.has_several_analytes or not configuration_id else "",
            self.configuration_name(configuration_id) if self.has_several_configurations else "",
        ]
        named = [part for part in parts if part]
        return ", ".join(named) or self.analyte_name(analyte_id)

    @property
    def verdict_word(self) -> str:
        """The verdict as page one prints it."""
        return self.say.text(f"frame.verdicts.{self.assessment.verdict}")

    def characteristic(self, name: str) -> str:
        """A characteristic as it is written in the dossier."""
        return self.say.maybe(f"names.characteristic.{name}", name.replace("_", " "))

    def caveat_groups(self) -> tuple[tuple[Caveat, ...], ...]:
        """Open caveats, gravest first; those that say the same of several things are one group."""
        groups: dict[tuple[str, ...], list[Caveat]] = {}
        for one in self.assessment.caveats:
            groups.setdefault(_same_words(one), []).append(one)
        return tuple(tuple(members) for members in groups.values())

    def caveat_id(self, caveat: Caveat) -> str:
        """The id under which the caveat stands in its section, alone or with others of the same words."""
        seen = dict.fromkeys(_same_words(one) for one in self.assessment.caveats)
        return f"caveat-{list(seen).index(_same_words(caveat)) + 1}"

    def caveat_heading(self, group: Sequence[Caveat]) -> str:
        """Title of a group of caveats with what they concern."""
        title = group[0].title or self.characteristic(group[0].characteristic)
        concerned = self.concerned_by(group)
        if not concerned:
            return title
        return f"{title} ({self.named_or_counted(concerned)})"

    def named_or_counted(
        self,
        names: Collection[str],
        most: int = MOST_NAMED,
        *,
        counted: Literal["concerned", "analytes"] = "concerned",
        apart: str = "; ",
    ) -> str:
        """*names*, or where they are more than *most* how many they are."""
        if len(names) > most:
            return self.say.text(f"caveats.{counted}", count=len(names))
        return apart.join(names)

    def concerned_by(self, group: Sequence[Caveat], most: int = MOST_NAMED) -> tuple[str, ...]:
        """What the caveats of a group concern, where the study has several things; *most* are named."""
        if not (self.has_several_analytes or self.has_several_configurations):
            return ()
        analytes: dict[str | None, dict[str | None, None]] = {}
        for one in group:
            if one.analyte is not None:
                analytes.setdefault(one.configuration, {})[one.analyte] = None
        return tuple(self._titles_of(names, configuration, most) for configuration, names in analytes.items())

    def _titles_of(self, analytes: Iterable[str | None], configuration: str | None, most: int) -> str:
        """Several analytes with one configuration, as far as they must be told apart."""
        ids = list(analytes)
        if len(ids) == 1 or not self.has_several_analytes:
            return self.title_of(ids[0], configuration)
        analyte_names = [self.analyte_name(one) for one in ids]
        names = self.named_or_counted(analyte_names, most, counted="analytes", apart=", ")
        named = self.configuration_name(configuration) if self.has_several_configurations else ""
        return f"{names}: {named}" if named else names

    def caveats_on(self, characteristics: Sequence[str], cell: Cell) -> list[Caveat]:
        """Open caveats on one of *characteristics* for *cell*."""
        return [
            caveat
            for caveat in self.assessment.caveats
            if caveat.characteristic in characteristics
            and caveat.analyte in (None, cell.analyte)
            and caveat.configuration in (None, cell.configuration)
        ]

    def findings_on(self, characteristics: Sequence[str], cell: Cell) -> list[FindingRecord]:
        """Findings on one of *characteristics* for *cell*."""
        return [
            finding
            for finding in self.assessment.findings
            if finding.characteristic in characteristics
            and finding.analyte in (None, cell.analyte)
            and finding.configuration in (None, cell.configuration)
        ]


_LONGEST_LEVEL = 7

RATIOS = ("interference", "selectivity")
"""Characteristics whose level is a ratio of interferent to analyte."""


def place_of(context: Context, finding: FindingRecord) -> str:
    """Level, ratio, substance, matrix or factor the finding belongs to; empty where it is of the whole."""
    level = ""
    if finding.level is not None and finding.characteristic in RATIOS:
        level = f"{numbers.as_given(finding.level)}:1"
    elif finding.level is not None:
        unit = context.study.analyte(finding.analyte).unit if finding.analyte else ""
        level = numbers.quantity(_level(finding.level), unit)
    named = finding.characteristic in (*RATIOS, "recovery", "trueness") or _names_things(finding)
    what = finding.what if named else ""
    joint = " " if finding.characteristic in RATIOS else ", "
    parts = (what, level) if finding.characteristic in RATIOS else (level, what)
    return joint.join(part for part in parts if part)


def _names_things(finding: FindingRecord) -> bool:
    return CHARACTERISTICS[finding.characteristic].names_things


def sources_of(caveat: Caveat) -> str:
    """The sources of a caveat in one line."""
    return "; ".join(marked(one.text, one.status) for one in caveat.sources)


def _same_words(caveat: Caveat) -> tuple[str, ...]:
    words = (caveat.title, caveat.characteristic, caveat.text, caveat.remedy, sources_of(caveat))
    return (caveat.severity, *(word or "" for word in words))


def _level(level: float) -> str:
    """A level as it was chosen; three figures of one that was computed."""
    given = numbers.as_given(level)
    return given if len(given) <= _LONGEST_LEVEL else numbers.significant(level)


def criterion_text(context: Context, finding: FindingRecord) -> str:
    """The requirement with the level it holds at."""
    text = f"{context.characteristic(finding.characteristic)}: {finding.criterion}"
    if finding.what and finding.characteristic in RATIOS:
        text += f" in the presence of {finding.what}"
    elif finding.what and _names_things(finding):
        text += f", {finding.what}"
    if finding.informs:
        text += f" ({finding.informs})"
    return text


def observed_text(context: Context, finding: FindingRecord) -> Content:
    """The figure with its interval, or why there is none."""
    if finding.observed is None:
        return context.say("common.no_figure", reason=finding.reason or "")
    text = figure_text(finding)
    if finding.outcome in ("inconclusive", "not assessed") and (finding.reason or finding.needs):
        return context.say(
            "common.figure_and_reason", figure=text, reason=finding.needs or finding.reason or ""
        )
    return text


def figure_text(finding: FindingRecord) -> str:
    """The observed figure with its interval and unit."""
    if finding.observed is None:
        return numbers.MISSING
    if finding.unit == "p":
        return f"p = {numbers.p_value(finding.observed)}".replace("= <", "<").replace("= >", ">")
    if finding.interval is None:
        return numbers.significant(finding.observed, 3, finding.unit, apart_from=_ends(finding))
    return numbers.quantity(numbers.with_interval(finding.observed, *finding.interval), finding.unit)


def _ends(finding: FindingRecord) -> list[float]:
    return [end for end in (finding.lower, finding.upper) if end is not None]


def open_caveats(context: Context, characteristics: Sequence[str], cell: Cell) -> tuple[Block, ...]:
    """References to the caveats that apply here; their text stands once, in the section of caveats."""
    caveats = context.caveats_on(characteristics, cell)
    if not caveats:
        return ()
    return (
        BulletList(
            tuple(
                (
                    Severity(caveat.severity),
                    Text(f" {caveat.title}: {caveat.because} "),
                    Reference(context.caveat_id(caveat)),
                )
                for caveat in caveats
            )
        ),
    )


def remarks_on_files(inputs: Iterable[InputRecord]) -> list[str]:
    """How the files were read, once for all of which the same is said."""
    files: dict[str, list[str]] = {}
    for one in inputs:
        for remark in one.remarks or ():
            files.setdefault(remark, []).append(one.path)
    return [
        f"{paths[0]}{f' and {len(paths) - 1} more' if len(paths) > 1 else ''}: {remark}"
        for remark, paths in files.items()
    ]


def section_of(
    context: Context,
    name: str,
    of: Callable[[Item], R | NotAssessed | None],
    blocks: Callable[[Context, Item, R], Iterable[Block]],
    *,
    id: str = "",
    part_id: str = "",
    before: tuple[Block, ...] = (),
) -> Section | None:
    """A section with a subsection for each analyte and configuration of which there is something to tell.

    *of* gives what was found of an item and *blocks* what is told of it; the catalogue *name* holds title and
    lead. Ids are *name* unless they are given. None where nothing is told.
    """
    parts, id = [], id or name
    for item in context.items():
        record = of(item)
        told = (
            () if record is None or isinstance(record, NotAssessed) else tuple(blocks(context, item, record))
        )
        if told:
            parts.append(Section(id=item.id(part_id or id), title=item.name, blocks=told))
    if not parts:
        return None
    lead = context.say.paragraph(f"{name}.lead", role="lead")
    return Section(id=id, title=context.say(f"{name}.title"), blocks=(lead, *before, *parts))


def estimate_text(estimate: EstimateRecord | NotAssessed | None, unit: str = "", *, digits: int = 3) -> str:
    """``12.3 (11.9 to 12.8) unit``; a dash where there is no figure."""
    if estimate is None or isinstance(estimate, NotAssessed) or estimate.value is None:
        return numbers.MISSING
    if estimate.ci is None:
        return numbers.significant(estimate.value, digits, unit)
    return numbers.quantity(numbers.with_interval(estimate.value, *estimate.ci), unit)


def value_text(estimate: EstimateRecord | NotAssessed | None) -> str:
    """The value to the place its interval justifies."""
    if estimate is None or isinstance(estimate, NotAssessed):
        return numbers.MISSING
    if estimate.ci is None or None in estimate.ci:
        return numbers.value_only(estimate.value, estimate.standard_error)
    lower, upper = estimate.ci
    half = (upper - lower) / 2 if lower is not None and upper is not None else None
    return numbers.value_only(estimate.value, half)


def interval_text(estimate: EstimateRecord | NotAssessed | None) -> str:
    """The interval alone; a dash where there is none."""
    if estimate is None or isinstance(estimate, NotAssessed) or estimate.ci is None:
        return numbers.MISSING
    return numbers.interval(*estimate.ci, value=estimate.value)


def refused(what: Content, refusal: NotAssessed) -> NotAssessedItem:
    """An entry of a list of what was not assessed."""
    return NotAssessedItem(what, refusal.not_assessed, refusal.needs)


def refusals(*entries: tuple[Content, object]) -> tuple[Block, ...]:
    """A list of those *entries* that are refusals; nothing where none is."""
    items = tuple(refused(what, value) for what, value in entries if isinstance(value, NotAssessed))
    return (NotAssessedList(items),) if items else ()


def residual_text(record: CalibrationRecord, unit: str = "") -> str:
    """The residual standard deviation; of a weighted fit it is that of a signal of weight 1."""
    text = numbers.significant(record.residual_standard_deviation, 2, unit)
    return text if record.weighting == "none" else f"{text} (w = 1)"


def per_area_unit(item: Item, record: CalibrationRecord) -> str:
    """Unit of the slope over the active area."""
    amount, slash, volume = item.analyte.unit.partition("/")
    signal = f"{item.analyte.signal_unit}·{volume}" if slash else item.analyte.signal_unit
    return f"{signal}/({amount}·{record.area_unit})"


def slope_unit(item: Item) -> str:
    """Unit of the slope."""
    signal, level = item.analyte.signal_unit, item.analyte.unit
    amount, slash, volume = level.partition("/")
    if not slash:
        return f"{signal}/{level}"
    return f"{volume}/{amount}" if signal == "1" else f"{signal}·{volume}/{amount}"


def row(*cells: Content, kind: str = "plain") -> Row:
    """A table row."""
    return Row(tuple(cells), kind)  # type: ignore[arg-type]


def percent_level(confidence: float) -> str:
    """``95 %`` from 0.95."""
    return numbers.as_given(round(confidence * 100, 6), "%")
