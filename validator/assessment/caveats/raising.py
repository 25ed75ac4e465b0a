"""What a trigger is given and what it raises."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Literal

from msgspec import Struct, field

from validator import numbers
from validator.assessment.design import Demand, demands
from validator.evaluation.chosen_guidance import kind_of
from validator.evaluation.results import (
    CalibrationRecord,
    Caveat,
    CaveatSource,
    ConfigurationRecord,
    DeclaredLimit,
    DesignFinding,
    DetectionRecord,
    EstimateRecord,
    Finding,
    LimitVariant,
    NotAssessed,
    PrecisionRecord,
    RecoveryRecord,
    Results,
)
from validator.evaluation.rows import Cell, Value, independent_values, kept, runs_of
from validator.guidance import Kind, Profile, caveat_texts
from validator.statistics.detection import VARIANTS, resolve_detection, resolve_quantification

if TYPE_CHECKING:
    from validator.study import Study
    from validator.study.models.analysis import AnalysisChoices
    from validator.study.models.method import Analyte
    from validator.study.models.runs import Run

CUSTOMARY_BIAS = 15.0
"""Bias in percent that an effect is held against where the study limits none (customary)."""


class Subject(Struct, frozen=True):
    """One analyte with the configuration that is validated.

    Attributes:
        study, results, cell, profiles: what is looked at.
        findings: those that speak of this analyte.
        all_findings: those on every analyte.
        design: the minimum designs that guidance asks for this analyte.
    """

    study: Study
    results: Results
    cell: Cell
    profiles: tuple[Profile, ...]
    findings: tuple[Finding, ...]
    all_findings: tuple[Finding, ...]
    design: tuple[DesignFinding, ...]

    @property
    def analyte(self) -> Analyte:
        """The analyte."""
        return self.study.analyte(self.cell.analyte)

    @property
    def matrix(self) -> str | None:
        """The matrix of the samples."""
        return self.study.study.matrix

    @property
    def kind(self) -> Kind:
        """What the method is for."""
        return kind_of(self.study)

    @property
    def choices(self) -> AnalysisChoices:
        """Declared choices."""
        return self.study.analysis_for(self.cell.analyte)

    @property
    def record(self) -> ConfigurationRecord:
        """What was found."""
        return self.results.analytes[self.cell.analyte].configurations[self.cell.configuration]

    @property
    def calibration(self) -> CalibrationRecord | None:
        """The calibration, if it was assessed."""
        found = self.record.calibration
        return None if isinstance(found, NotAssessed) else found

    @property
    def detection(self) -> DetectionRecord | None:
        """The limits, if any was assessed."""
        found = self.record.detection
        return None if isinstance(found, NotAssessed) else found

    @property
    def precision(self) -> tuple[PrecisionRecord, ...]:
        """Precision by level."""
        found = self.record.precision
        return () if isinstance(found, NotAssessed) else found

    @property
    def recovery(self) -> tuple[RecoveryRecord, ...]:
        """Recovery by level, kind and matrix."""
        found = self.record.recovery
        return () if isinstance(found, NotAssessed) else found

    @property
    def quantification_limit(self) -> DeclaredLimit | None:
        """The deciding quantification limit, if it was assessed and matters."""
        found = self.detection.quantification_limit if self.detection and self.limits_are_claimed else None
        return found if isinstance(found, DeclaredLimit) else None

    @property
    def detection_limit(self) -> DeclaredLimit | None:
        """The deciding detection limit, if it was assessed and matters."""
        found = self.detection.detection_limit if self.detection and self.limits_are_claimed else None
        return found if isinstance(found, DeclaredLimit) else None

    @property
    def lowest_standard(self) -> float | None:
        """Lowest calibration level above zero."""
        points = self.calibration.points if self.calibration else ()
        return min((point.level for point in points if point.level > 0), default=None)

    @property
    def highest_standard(self) -> float | None:
        """Highest calibration level."""
        points = self.calibration.points if self.calibration else ()
        return max((point.level for point in points), default=None)

    @property
    def demands(self) -> tuple[Demand, ...]:
        """Minimum designs that the chosen guidance asks for this analyte."""
        return demands(self.design)

    @property
    def recovery_limits(self) -> tuple[float, float] | None:
        """Two-sided limits of the recovery, the study's own first."""
        for finding in self.findings:
            if finding.characteristic != "recovery" or finding.analyte != self.cell.analyte:
                continue
            if finding.lower is not None and finding.upper is not None:
                return finding.lower, finding.upper
        return None

    @property
    def allowed_bias(self) -> float:
        """Bias in percent that the use allows: by the limits of the recovery, else the customary 15 %."""
        limits = self.recovery_limits
        distances = () if limits is None else (100 - limits[0], limits[1] - 100)
        return min((one for one in distances if one > 0), default=CUSTOMARY_BIAS)

    def runs(self, block: str) -> tuple[Run, ...]:
        """Every run of a block for this analyte and configuration, excluded ones too."""
        return runs_of(getattr(self.study, block), self.cell)

    def values(self, block: str) -> tuple[Value, ...]:
        """Independent values of a block."""
        return independent_values(kept(self.runs(block)))

    def unit(self, value: float | None, digits: int = 3) -> str:
        """A level as text with its unit."""
        return numbers.quantity(numbers.significant(value, digits), self.analyte.unit)

    def level(self, value: float | None) -> str:
        """A level as it was recorded, with its unit."""
        return numbers.quantity(numbers.as_given(value), self.analyte.unit)

    @property
    def scatter_percent(self) -> float | None:
        """Largest relative standard deviation of results over the levels, within and between series."""
        found = [
            figure.value
            for record in self.precision
            for figure in (record.intermediate_rsd, record.repeatability_rsd)
            if isinstance(figure, EstimateRecord) and figure.value is not None
        ]
        return max(found, default=None)

    @property
    def limits_are_claimed(self) -> bool:
        """True when a limit matters here: declared, asked for, or blanks measured. An assay needs none."""
        declared = self.detection is not None and self.detection.declared_by == "study"
        asked = self.is_limited("detection_limit") or self.is_limited("quantification_limit")
        return declared or asked or bool(self.runs("blanks")) or bool(self.runs("low_level"))

    def is_limited(self, *characteristics: str) -> bool:
        """True when a criterion of the study or of guidance speaks of one of *characteristics*."""
        return any(finding.characteristic in characteristics for finding in self.findings)

    def is_asked(self, characteristic: str) -> bool:
        """True when a chosen profile asks for *characteristic* for a method of this kind."""
        return any(characteristic in profile.characteristics(self.kind) for profile in self.profiles)


class Raised(Struct, frozen=True, kw_only=True):
    """A caveat that applies: its id and case in the catalogue, and the values of its sentence.

    Attributes:
        bars: characteristics that a stop holds back besides ``characteristic``.
        effect: size relative to what is allowed or to the uncertainty: 1 is as large as allowed.
    """

    id: str
    case: str
    values: Mapping[str, str | int] = field(default_factory=dict)
    characteristic: str | None = None
    whole_study: bool = False
    bars: tuple[str, ...] = ()
    effect: float | None = None


Trigger = Iterator[Raised]


def listed(names: Sequence[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``, each once."""
    once = list(dict.fromkeys(names))
    return " and ".join(part for part in (", ".join(once[:-1]), once[-1]) if part)


_GRAVITY = {"stop": 0, "condition": 1, "caution": 2, "note": 3}


def as_caveats(raised: Sequence[tuple[Raised, Cell | None]]) -> tuple[Caveat, ...]:
    """The raised caveats filled with their numbers, each once.

    The order is by rank, then by effect, the largest first, then that of the catalogue.
    """
    texts = caveat_texts()
    found: dict[Caveat, None] = {}
    for one, cell in raised:
        text = texts[one.id]
        filled = text.fill(one.case, one.values)
        usual = text.characteristics[0] if text.characteristics else "whole study"
        found.setdefault(
            Caveat(
                id=one.id,
                severity=filled.severity,
                characteristic=one.characteristic or usual,
                analyte=None if cell is None or one.whole_study else cell.analyte,
                configuration=None if cell is None or one.whole_study else cell.configuration,
                text=filled.text,
                because=filled.because,
                remedy=filled.remedy,
                sources=tuple(CaveatSource(text=one.text, status=one.status) for one in filled.sources),
                title=filled.title,
                bars=one.bars,
                effect=None if one.effect is None or not math.isfinite(one.effect) else one.effect,
            )
        )
    place = {name: index for index, name in enumerate(texts)}
    return tuple(
        sorted(found, key=lambda one: (_GRAVITY[one.severity], -abs(one.effect or 0.0), place[one.id]))
    )


Which = Literal["detection_limit", "quantification_limit"]


class Deciding(Struct, frozen=True):
    """A declared limit with the variant that gave it."""

    characteristic: Which
    id: str
    limit: DeclaredLimit
    variant: LimitVariant

    @property
    def title(self) -> str:
        """The variant as the dossier names it."""
        return VARIANTS[self.id].title

    def rests_on(self, block: str) -> bool:
        """True where the limit is a multiple of a standard deviation that results of *block* give."""
        variant = VARIANTS[self.id]
        return block in variant.rests_on and not variant.is_level


def deciding(subject: Subject) -> tuple[Deciding, ...]:
    """The deciding limits that were assessed, the detection limit first; none where no limit matters."""
    found: list[Deciding] = []
    for characteristic, limit in (
        ("detection_limit", subject.detection_limit),
        ("quantification_limit", subject.quantification_limit),
    ):
        if limit is None or subject.detection is None:
            continue
        of_detection = characteristic == "detection_limit"
        name = (resolve_detection if of_detection else resolve_quantification)(limit.variant).id
        variant = subject.detection.variants[name]
        if isinstance(variant, LimitVariant):
            which: Which = "detection_limit" if of_detection else "quantification_limit"
            found.append(Deciding(which, name, limit, variant))
    return tuple(found)


def rests_on(subject: Subject, block: str) -> bool:
    """True when a deciding limit rests on results of *block*."""
    return any(one.rests_on(block) for one in deciding(subject))


_UNTELLING = frozenset(
    {
        "and", "for", "from", "the", "with", "without",
        "analyte", "artificial", "blank", "certified", "filtered", "free", "material", "matrix", "reference",
        "sample", "samples", "solution", "spiked", "standard", "synthetic", "treated",
    }
)  # fmt: skip
"""Words that say nothing of what a material is."""

_CLEAN = frozenset(
    {
        "buffer", "deionised", "deionized", "demineralised", "distilled", "eluent", "electrolyte", "pure",
        "purified", "solvent", "ultrapure",
    }
)  # fmt: skip
"""Words of a clean solution, which no sample is."""


def unlike(one: str | None, other: str | None) -> bool:
    """True when the two have no telling word in common, or only one of them is a clean solution.

    Names are free text, so the doubt is raised only where nothing speaks for likeness: ``river water`` and
    ``canal water`` may be alike, ``seawater`` and ``sediment`` are not.
    """
    first, second = _words(one), _words(other)
    if not first or not second:
        return False
    return bool(first & _CLEAN) != bool(second & _CLEAN) or not first & second


def _words(text: str | None) -> frozenset[str]:
    return frozenset(re.findall(r"[^\W\d_]{3,}", (text or "").casefold())) - _UNTELLING
