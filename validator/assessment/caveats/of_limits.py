"""Caveats that detection and quantification limits raise."""

from __future__ import annotations

import math
from collections import Counter
from itertools import pairwise

from validator.assessment.caveats.raising import Raised, Subject, Trigger, p_text
from validator.dossier import numbers
from validator.errors import NotEstimable
from validator.evaluation.results import LimitVariant
from validator.evaluation.rows import kept
from validator.statistics.detection import VARIANTS
from validator.statistics.residuals import shapiro_wilk

SPREAD = 3.0
FAR = 10.0
_CALIBRATION_BASED = ("residual_3.3", "intercept_3.3", "iso_11843", "din_32645_calibration", "hubaux_vos")


def quantification_limit_below_lowest_calibrator(subject: Subject) -> Trigger:
    """The declared quantification limit lies below the lowest standard."""
    limit, lowest = subject.quantification_limit, subject.lowest_standard
    if limit is not None and lowest is not None and limit.value < lowest:
        yield Raised(
            id="quantification_limit_below_lowest_calibrator",
            case="below",
            values={
                "limit": numbers.limit(limit.value),
                "lowest": numbers.as_given(lowest),
                "unit": subject.analyte.unit,
            },
        )


def detection_limit_extrapolated(subject: Subject) -> Trigger:
    """Nothing measured near the limit; or the calibration behind it reaches far above."""
    limit, lowest, highest = subject.detection_limit, subject.lowest_standard, subject.highest_standard
    if limit is None or lowest is None or highest is None or limit.value <= 0:
        return
    near = any(
        0.5 * limit.value <= getattr(value.run, "level", math.inf) <= 3 * limit.value
        for value in subject.values("low_level")
    )
    if limit.value < 0.5 * lowest and not near:
        yield Raised(
            id="detection_limit_extrapolated",
            case="nothing_near",
            values={
                "limit": numbers.limit(limit.value),
                "lowest": numbers.as_given(lowest),
                "unit": subject.analyte.unit,
            },
        )
    if limit.variant in _CALIBRATION_BASED and highest > FAR * limit.value:
        yield Raised(
            id="detection_limit_extrapolated",
            case="range_too_wide",
            values={
                "highest": numbers.as_given(highest),
                "limit": numbers.limit(limit.value),
                "ratio": numbers.significant(highest / limit.value, 2),
                "unit": subject.analyte.unit,
            },
        )


def limit_depends_on_definition(subject: Subject) -> Trigger:
    """Variants differ more than threefold; or the study declares none."""
    if subject.detection is None or not subject.limits_are_claimed:
        return
    found = {
        name: one.detection_limit.value
        for name, one in subject.detection.variants.items()
        if isinstance(one, LimitVariant)
        and one.detection_limit is not None
        and one.detection_limit.value > 0
        and name != "decision_limit"
    }
    if len(found) > 1 and max(found.values()) > SPREAD * min(found.values()):
        yield Raised(
            id="limit_depends_on_definition",
            case="spread",
            values={
                "ratio": numbers.significant(max(found.values()) / min(found.values()), 2),
                "smallest": numbers.limit(min(found.values())),
                "largest": numbers.limit(max(found.values())),
                "unit": subject.analyte.unit,
            },
        )
    limit = subject.detection_limit
    if subject.detection.declared_by != "study" and limit is not None and subject.study.blanks is not None:
        yield Raised(
            id="limit_depends_on_definition",
            case="undeclared",
            values={
                "variant": VARIANTS[limit.variant].title if limit.variant in VARIANTS else limit.variant,
                "origin": subject.detection.declared_by.replace("guidance: ", "the "),
            },
        )


def blanks_censored_or_rounded(subject: Subject) -> Trigger:
    """Identical, censored, coarse or skewed blanks."""
    runs = kept(subject.runs("blanks"))
    censored = sum(len(getattr(run, "below", ())) for run in runs)
    values = [value.value for value in subject.values("blanks")]
    n = len(values) + censored
    if n < 2:
        return
    if censored:
        yield _blanks("censored", censored=numbers.count(censored), n=numbers.count(n))
    most = max(Counter(values).values(), default=0)
    if len(values) > 2 and most > len(values) / 2:
        yield _blanks("identical", identical=numbers.count(most), n=numbers.count(len(values)))
        return
    resolution = _resolution(values)
    spread = _sd(values)
    if resolution is not None and 0 < spread < resolution / math.sqrt(12):
        yield _blanks(
            "resolution", n=numbers.count(len(values)), resolution=numbers.significant(resolution, 2)
        )
    try:
        test = shapiro_wilk(values)
    except NotEstimable:
        return
    if test.p is not None and test.p < 0.05:
        yield _blanks("skewed", n=numbers.count(len(values)), p=p_text(test.p))


def _blanks(case: str, **values: str) -> Raised:
    return Raised(id="blanks_censored_or_rounded", case=case, values=values, characteristic="detection_limit")


def _sd(values: list[float]) -> float:
    if len(values) < 2:
        return 0.0
    mean = sum(values) / len(values)
    return math.sqrt(sum((value - mean) ** 2 for value in values) / (len(values) - 1))


def _resolution(values: list[float]) -> float | None:
    """Smallest step between different readings: the last digit recorded, at best."""
    ordered = sorted(set(values))
    steps = [b - a for a, b in pairwise(ordered)]
    return min(steps, default=None)


def blank_not_matrix_matched(subject: Subject) -> Trigger:
    """The blanks are of another matrix than the samples, or reagent blanks."""
    sample = subject.study.study.matrix
    runs = kept(subject.runs("blanks"))
    if sample is None or not runs:
        return
    kinds = {getattr(run, "kind", None) for run in runs}
    matrices = {run.matrix for run in runs if run.matrix}
    other = sorted(matrix for matrix in matrices if matrix.casefold() != sample.casefold())
    if kinds == {"reagent"} or (other and "matrix" not in kinds):
        yield Raised(
            id="blank_not_matrix_matched",
            case="other_matrix",
            values={"blank_matrix": other[0] if other else "reagent blanks", "sample_matrix": sample},
        )


def limit_too_high_for_purpose(subject: Subject) -> Trigger:
    """The quantification limit exceeds the legal limit, or a profile's share of it."""
    limit, legal = subject.quantification_limit, subject.analyte.legal_limit
    if limit is None or legal is None:
        return
    share = 100 * limit.value / legal
    if share > 100:
        yield Raised(
            id="limit_too_high_for_purpose",
            case="above_legal_limit",
            values={"percent": numbers.significant(share, 2)},
        )
        return
    for finding in subject.findings:
        if (
            finding.characteristic == "quantification_limit"
            and finding.analyte == subject.cell.analyte
            and not finding.own
            and finding.unit == "%"
            and finding.outcome == "does not meet"
            and isinstance(finding.limit, float)
        ):
            yield Raised(
                id="limit_too_high_for_purpose",
                case="above_share",
                values={
                    "percent": numbers.significant(share, 2),
                    "allowed": numbers.as_given(finding.limit),
                    "document": finding.source,
                },
            )
            return


def results_below_quantification_limit(subject: Subject) -> Trigger:
    """Sample results below the quantification limit enter a recovery or a comparison unmarked."""
    limit = subject.quantification_limit
    if limit is None:
        return
    for block in ("recovery", "comparison"):
        found = [
            value
            for run in kept(subject.runs(block))
            for value in (*getattr(run, "found", ()), *getattr(run, "this_values", ()))
        ]
        below = [value for value in found if value < limit.value]
        if below:
            yield Raised(
                id="results_below_quantification_limit_as_numbers",
                case="unflagged",
                values={
                    "block": block,
                    "count": numbers.count(len(below)),
                    "total": numbers.count(len(found)),
                    "limit": numbers.limit(limit.value),
                    "unit": subject.analyte.unit,
                },
                characteristic="quantification_limit",
            )


TRIGGERS = (
    quantification_limit_below_lowest_calibrator,
    detection_limit_extrapolated,
    limit_depends_on_definition,
    blanks_censored_or_rounded,
    blank_not_matrix_matched,
    limit_too_high_for_purpose,
    results_below_quantification_limit,
)
