"""What was done, as a manuscript says it: one sentence for all of which the same can be said."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

from validator import numbers
from validator.dossier.document import Block, Formula, Paragraph, identifier
from validator.dossier.inline import Inline, Text, pieces
from validator.dossier.sections.context import Context, Item, percent_level
from validator.dossier.sections.formula_list import with_symbols
from validator.dossier.sections.summary import limits_are_claimed
from validator.evaluation.results import CalibrationRecord, DeclaredLimit, LimitVariant, NotAssessed
from validator.evaluation.selectivity import interference_limit
from validator.sources import has_marks
from validator.statistics.detection import VARIANTS, resolve_detection, resolve_quantification

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterable, Iterator, Sequence

    from validator.dossier.inline import Content
    from validator.dossier.sections.context import Context, Item
    from validator.evaluation.results import PrecisionRecord, RecoveryRecord


Key = TypeVar("Key", bound="Hashable")


def listed(context: Context, names: Sequence[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} {context.say.text('journal.and')} {names[-1]}"


def grouped(pairs: Iterable[tuple[Key, Item]]) -> dict[Key, list[Item]]:
    """Items of which the same can be said, in the order of their first member."""
    groups: dict[Key, list[Item]] = {}
    for key, item in pairs:
        groups.setdefault(key, []).append(item)
    return groups


def names_of(items: Sequence[Item]) -> str:
    """Names of *items*; semicolons, because a name may hold a comma."""
    return "; ".join(item.name for item in items)


def levels_text(levels: Iterable[float | None], unit: str) -> str:
    """``3, 8, 13 µg/L``: distinct levels in order, the unit once."""
    known = sorted({level for level in levels if level is not None})
    return numbers.quantity(", ".join(numbers.as_given(level) for level in known), unit)


def joined(sentences: Iterable[Content]) -> tuple[Inline, ...]:
    """Sentences one after the other, as one paragraph."""
    text: list[Inline] = []
    for sentence in sentences:
        if text:
            text.append(Text(" "))
        text.extend(pieces(sentence))
    return tuple(text)


_RESOLVERS = {"detection_limit": resolve_detection, "quantification_limit": resolve_quantification}
_TESTS = (
    "lack_of_fit", "quadratic_test", "intercept_test", "breusch_pagan", "cochran", "runs_test", "normality"
)  # fmt: skip


def methods(context: Context) -> tuple[Block, ...]:
    """The paragraphs on what was done; a characteristic that was not computed is not mentioned."""
    return (
        Paragraph(_lead(context)),
        *_calibration(context),
        *_limits(context),
        *(Paragraph(text) for text in _precision(context)),
        *(Paragraph(text) for text in _recovery(context)),
        *(Paragraph(text) for text in _interference(context)),
        *(Paragraph(text) for text in _comparison(context)),
        Paragraph(_statistics(context)),
    )


def _lead(context: Context) -> Content:
    say, study = context.say, context.study
    analytes = listed(context, [analyte.name for analyte in study.method.analytes])
    matrix = study.study.matrix or say.text("journal.matrix_not_stated")
    method = study.method.title
    lead = (
        say("journal.lead", method=method, analytes=analytes, matrix=matrix)
        if method
        else say("journal.lead_untitled", analytes=analytes, matrix=matrix)
    )
    if not context.has_several_configurations:
        return lead
    others = [one.name for one in study.method.configurations if one.id != study.validated_configuration]
    validated = context.configuration_name(study.validated_configuration)
    which = say("journal.lead_configurations", validated=validated, others=listed(context, others))
    return joined((lead, which))


def _what(context: Context, pairs: Sequence[tuple[Item, str]]) -> str:
    """Levels of each item by its name; the levels alone where there is one item."""
    if len(pairs) == 1 and not (context.has_several_analytes or context.has_several_configurations):
        return pairs[0][1]
    return "; ".join(
        context.say.text("journal.what", name=item.name, levels=levels) for item, levels in pairs
    )


# --- calibration ---------------------------------------------------------------------------------------


def _calibrated(context: Context) -> list[tuple[Item, CalibrationRecord]]:
    return [
        (item, item.configuration.calibration)
        for item in context.items()
        if not isinstance(item.configuration.calibration, NotAssessed)
    ]


def _calibration(context: Context) -> Iterator[Block]:
    say, found = context.say, _calibrated(context)
    if not found:
        return
    fits: dict[tuple[tuple[str, str], ...], list[tuple[Item, str]]] = {}
    for item, record in found:
        span = record.working_range
        reach = say.text(
            "journal.from_to",
            lower=numbers.as_given(span.lower),
            upper=numbers.as_given(span.upper, item.analyte.unit),
        )
        fits.setdefault(_fit(context, record), []).append((item, reach))
    sentences = [
        say("journal.fit", what=_what(context, members), **dict(fit)) for fit, members in fits.items()
    ]
    tests = [say.text(f"journal.test.{name}") for name in _TESTS if _was_done(found, name)]
    if tests:
        alpha = numbers.as_given(context.study.analysis.alpha)
        sentences.append(say("journal.tests", tests=listed(context, tests), alpha=alpha))
    rules = dict.fromkeys(
        record.linear_range.rule for _, record in found if not isinstance(record.linear_range, NotAssessed)
    )
    sentences.extend(say("journal.range_rule", rule=rule) for rule in rules)
    yield say.paragraph("journal.calibration", fits=joined(sentences))


def _fit(context: Context, record: CalibrationRecord) -> tuple[tuple[str, str], ...]:
    """What is said of a fit; equal for calibrations that were done alike."""
    say = context.say
    least_squares = (
        say.text("journal.unweighted")
        if record.weighting == "none"
        else say.text(
            "journal.weighted",
            weighting=numbers.with_powers(record.weighting),
            reason=record.weighting_reason,
        )
    )
    return (
        ("model", say.text(f"names.model.{record.model}")),
        ("least_squares", least_squares),
        ("n", numbers.count(record.n)),
        ("levels", numbers.count(record.levels)),
    )


def _was_done(found: list[tuple[Item, CalibrationRecord]], name: str) -> bool:
    tests = (getattr(record, name, None) or getattr(record.homoscedasticity, name) for _, record in found)
    return any(not isinstance(test, NotAssessed) for test in tests)


# --- limits --------------------------------------------------------------------------------------------


def _limits(context: Context) -> Iterator[Block]:
    """Each deciding variant once: what it was applied to, its formula, its source."""
    described: set[str] = set()
    for (limits, name, by, enters), items in grouped(_choices(context)).items():
        say, variant = context.say, VARIANTS[name]
        formula = identifier("formula", name)
        yield say.paragraph(
            "journal.limits",
            limits=say(f"journal.limit.{limits}"),
            names=names_of(items),
            title=variant.title,
            by=by,
            what_enters=enters,
        )
        if name not in described:
            described.add(name)
            yield Formula(id=formula, latex=variant.formula, spoken=variant.title)
            letters = with_symbols(variant.symbols)
            source = variant.source.marked
            yield say.paragraph("journal.limit_formula", formula=formula, symbols=letters, source=source)
    if has_marks("".join(VARIANTS[name].source.marked for name in described)):
        yield context.say.paragraph("common.source_marks")


def _choices(context: Context) -> Iterator[tuple[tuple[str, str, str, str], Item]]:
    for item in context.items():
        record = item.configuration.detection
        if isinstance(record, NotAssessed) or not limits_are_claimed(context, item):
            continue
        chosen: dict[str, list[str]] = {}
        for limit, resolver in _RESOLVERS.items():
            declared: DeclaredLimit | NotAssessed = getattr(record, limit)
            if not isinstance(declared, NotAssessed):
                chosen.setdefault(resolver(declared.variant).id, []).append(limit)
        for name, limits in chosen.items():
            kind = "both" if len(limits) > 1 else limits[0]
            yield (kind, name, record.declared_in, _enters(context, record.variants[name])), item


def _enters(context: Context, variant: LimitVariant | NotAssessed) -> str:
    if isinstance(variant, NotAssessed):
        return ""
    if variant.sigma is None or variant.degrees_of_freedom is None:
        return context.say.text("journal.enters_alone", sigma_source=variant.sigma_source)
    nu = numbers.degrees_of_freedom(variant.degrees_of_freedom)
    return context.say.text("journal.enters", sigma_source=variant.sigma_source, nu=nu)


# --- runs ----------------------------------------------------------------------------------------------


def _precision(context: Context) -> Iterator[Content]:
    designs: dict[tuple[str, str, str, str], list[tuple[Item, str]]] = {}
    for item in context.items():
        records = item.configuration.precision
        if not isinstance(records, NotAssessed):
            for design in dict.fromkeys(_design(record) for record in records):
                alike = (record.level for record in records if _design(record) == design)
                designs.setdefault(design, []).append((item, levels_text(alike, item.analyte.unit)))
    sentences = []
    for (n, groups, factor, method), members in designs.items():
        key = "journal.design" if factor else "journal.design_ungrouped"
        what = _what(context, members)
        sentences.append(context.say(key, n=n, groups=groups, factor=factor, what=what, method=method))
    if sentences:
        yield context.say("journal.precision", designs=joined(sentences))


def _design(record: PrecisionRecord) -> tuple[str, str, str, str]:
    return numbers.count(record.n), numbers.count(record.groups), record.factor or "", record.method


def _recovery(context: Context) -> Iterator[Content]:
    found: list[str] = []
    for item in context.items():
        records = item.configuration.recovery
        kinds: dict[str, list[RecoveryRecord]] = {}
        for record in () if isinstance(records, NotAssessed) else records:
            kinds.setdefault(record.kind, []).append(record)
        found.extend(_recovery_kind(context, item, kind, members) for kind, members in kinds.items())
    if found:
        yield context.say("journal.recovery", what="; ".join(found))


def _recovery_kind(context: Context, item: Item, kind: str, records: list[RecoveryRecord]) -> str:
    return context.say.text(
        f"journal.recovery_kind.{kind}",
        name=item.name,
        levels=levels_text((record.level for record in records), item.analyte.unit),
        n=sum(record.n for record in records),
    )


def _interference(context: Context) -> Iterator[Content]:
    pairs = []
    for item in context.items():
        records = item.configuration.interference
        if not isinstance(records, NotAssessed):
            count = numbers.count(len({record.interferent for record in records}))
            limit = numbers.percent(interference_limit(context.study, item.cell), 2)
            pairs.append(((count, limit), item))
    for (count, limit), items in grouped(pairs).items():
        yield context.say("journal.interference", names=names_of(items), count=count, limit=limit)


def _comparison(context: Context) -> Iterator[Content]:
    compared = [
        one for whole in context.results.comparison_of_configurations.values() for one in whole.compared
    ]
    if any(not isinstance(one.slope_ratio, NotAssessed) for one in compared):
        yield context.say("journal.comparison", adjustment=compared[0].adjustment)


def _statistics(context: Context) -> Content:
    say, software = context.say, context.results.software
    levels = {record.confidence for record in context.results.analytes.values()}
    return say(
        "journal.statistics",
        level=listed(context, [percent_level(level) for level in sorted(levels)]),
        rule=say(f"journal.rule.{context.study.analysis.decision_rule}"),
        software=say(
            "journal.software",
            name=software.name,
            version=software.version,
            numpy=software.numpy,
            scipy=software.scipy,
        ),
    )
