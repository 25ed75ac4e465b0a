"""Caveats on the blanks behind a limit."""

from __future__ import annotations

import math
from collections import Counter
from itertools import pairwise

import numpy as np

from validator import numbers
from validator.assessment.caveats.of_calibration import blank_mean
from validator.assessment.caveats.raising import Raised, Subject, Trigger, deciding, listed, rests_on, unlike
from validator.errors import NotEstimable
from validator.evaluation.rows import kept
from validator.statistics.detection import VARIANTS
from validator.statistics.distributions import t_two_sided_p
from validator.statistics.interval import Estimate
from validator.statistics.residuals import shapiro_wilk

NOT_NORMAL = 0.01
"""Significance of the test of normality: a diagnosis, not a decision (customary)."""
MOST_OF_ROUNDING = 1 / 3
"""Share of the standard deviation that rounding may make up (customary)."""
FEWEST_CLIPPED = 3
"""Zeros from which blanks without a negative value look clipped (customary)."""
FEWEST = 3
SIGNIFICANCE = 0.05
NEGLIGIBLE_OF_LIMIT = 1 / 3
"""Share of the detection limit below which an offset of the blanks is negligible (customary)."""


def blanks_censored_or_rounded(subject: Subject) -> Trigger:
    """Identical, censored, clipped, coarse or skewed blanks, where limits matter."""
    runs = kept(subject.runs("blanks"))
    if not subject.limits_are_claimed:
        return
    censored = sum(len(getattr(run, "below", ())) for run in runs)
    if censored:
        total = censored + sum(len(getattr(run, "values", ())) for run in runs)
        yield _blanks("censored", censored=numbers.count(censored), n=numbers.count(total))
    values = [value.value for value in subject.values("blanks")]
    if (len(values) >= FEWEST and rests_on(subject, "blanks")) or len(set(values)) == 1 < len(values):
        yield from _doubts(subject, values)


def _doubts(subject: Subject, values: list[float]) -> Trigger:
    """The first that applies: what is rounded is neither clipped nor skewed in a telling way."""
    n = numbers.count(len(values))
    most = max(Counter(values).values())
    if most > len(values) / 2:
        yield _blanks("identical", identical=numbers.count(most), n=n)
        return
    zeros = values.count(0.0)
    if min(values) == 0.0 and zeros == most >= FEWEST_CLIPPED:
        yield _blanks("clipped", zeros=numbers.count(zeros), n=n)
        return
    step = min(after - before for before, after in pairwise(sorted(set(values))))
    if step / math.sqrt(12) > MOST_OF_ROUNDING * float(np.std(values, ddof=1)):
        unit = getattr(subject.values("blanks")[0].run, "axis", "signal")
        shown = numbers.significant(step, 2)
        yield _blanks(
            "resolution",
            n=n,
            resolution=numbers.quantity(
                shown, subject.analyte.signal_unit if unit == "signal" else subject.analyte.unit
            ),
        )
        return
    try:
        test = shapiro_wilk(values)
    except NotEstimable:
        return
    if test.p is not None and test.p < NOT_NORMAL:
        yield _blanks("skewed", n=n, p=numbers.p_text(test.p))


def _blanks(case: str, **values: str) -> Raised:
    return Raised(id="blanks_censored_or_rounded", case=case, values=values, characteristic="detection_limit")


def blank_not_matrix_matched(subject: Subject) -> Trigger:
    """A limit rests on blanks of another matrix than the samples, or on reagent blanks."""
    sample = subject.matrix
    runs = kept(subject.runs("blanks"))
    if sample is None or not runs or not rests_on(subject, "blanks"):
        return
    kinds = {getattr(run, "kind", None) for run in runs}
    other = sorted({run.matrix for run in runs if run.matrix and unlike(run.matrix, sample)})
    if kinds == {"reagent"} or (other and "matrix" not in kinds):
        yield Raised(
            id="blank_not_matrix_matched",
            case="other_matrix",
            values={"blank_matrix": other[0] if other else "reagent blanks", "sample_matrix": sample},
        )


def blanks_off_the_line(subject: Subject) -> Trigger:
    """The blanks do not read zero, and a limit that decides is measured from zero."""
    limits = [one for one in deciding(subject) if VARIANTS[one.id].from_zero]
    found = _blank_reading(subject) if limits else None
    if found is None or not found.standard_error:
        return
    reads, t = found.value, found.value / found.standard_error
    p = t_two_sided_p(t, found.degrees_of_freedom or 1.0)
    if p >= SIGNIFICANCE:
        return
    smallest = min(limits, key=lambda one: one.limit.value)
    if abs(reads) <= NEGLIGIBLE_OF_LIMIT * smallest.limit.value:
        return
    yield Raised(
        id="blanks_off_the_line",
        case="offset",
        values={
            "reads": subject.unit(reads, 2),
            "t": numbers.significant(t),
            "p": numbers.p_text(p),
            "variant": listed([one.title for one in limits]),
            "limit": subject.unit(smallest.limit.value, 2),
        },
        characteristic=limits[0].characteristic,
        bars=tuple(one.characteristic for one in limits[1:]),
        effect=abs(reads) / smallest.limit.value if smallest.limit.value > 0 else None,
    )


def _blank_reading(subject: Subject) -> Estimate | None:
    """Mean of the blanks as a concentration, where nothing was subtracted from them."""
    line = subject.calibration
    slope = None if line is None else line.slope.value
    given = blank_mean(subject, axis="concentration")
    error_of_line = 0.0
    if line is not None and slope:
        error_of_line = (line.intercept.standard_error or 0.0) / abs(slope)
        signal = blank_mean(subject)
        if signal is not None:
            shifted = Estimate(
                value=signal.value - (line.intercept.value or 0.0),
                standard_error=signal.standard_error,
                degrees_of_freedom=signal.degrees_of_freedom,
            )
            given = shifted.scaled(1 / slope)
    if given is None:
        return None
    known = [given.degrees_of_freedom or 1.0]
    if error_of_line and line is not None:
        known.append(float(line.degrees_of_freedom))
    return Estimate(
        value=given.value,
        standard_error=math.hypot(given.standard_error or 0.0, error_of_line),
        degrees_of_freedom=min(known),
    )


TRIGGERS = (blanks_censored_or_rounded, blank_not_matrix_matched, blanks_off_the_line)
