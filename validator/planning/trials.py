"""One simulated study after another, each from a stream of random numbers of its own.

A trial depends on the seed and its number alone, never on which process ran it or what ran before.
"""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import get_context
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np
from msgspec import Struct

from validator.assessment import assess_against
from validator.assessment.guidance_figures import OF_NAMED_LIMITS
from validator.errors import NotEstimable
from validator.evaluation.calibration import Fitted, calibrate
from validator.evaluation.detection import deciding_by_guidance
from validator.evaluation.evaluate import evaluate
from validator.evaluation.results import DeclaredLimit, EstimateRecord, FTest, Interval, NotAssessed
from validator.evaluation.rows import Cell
from validator.evaluation.trueness import recovery

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from concurrent.futures import Executor

    from validator.evaluation.results import (
        CalibrationRecord,
        ConfigurationRecord,
        DetectionRecord,
        Finding,
        PrecisionRecord,
        RecoveryRecord,
    )
    from validator.guidance import Profile
    from validator.planning.simulating import Simulator
    from validator.study import Study


class FigureKey(NamedTuple):
    """Which figure: its name, the level it belongs to, and of what it is."""

    figure: str
    level: float | None = None
    what: str = ""


class Figure(NamedTuple):
    """A value with the ends of its interval; None where a side is open."""

    value: float
    lower: float | None
    upper: float | None

    @property
    def half_width(self) -> float | None:
        """Half of the distance between the ends; None where a side is open."""
        return None if self.lower is None or self.upper is None else (self.upper - self.lower) / 2


def figures(record: ConfigurationRecord) -> dict[FigureKey, Figure]:
    """Every figure of *record* that has a value and an interval."""
    return {
        key: Figure(value, *interval)
        for key, value, interval in _all(record)
        if value is not None and interval is not None
    }


Found = tuple[FigureKey, float | None, Interval | None]


def _all(record: ConfigurationRecord) -> Iterator[Found]:
    if not isinstance(record.calibration, NotAssessed):
        yield from _of_calibration(record.calibration)
    if not isinstance(record.detection, NotAssessed):
        yield from _of_limits(record.detection)
    if not isinstance(record.precision, NotAssessed):
        for entry in record.precision:
            yield from _of_precision(entry)
    if not isinstance(record.recovery, NotAssessed):
        for one in record.recovery:
            key = FigureKey("recovery", one.level, one.matrix or one.kind)
            yield key, one.mean_recovery.value, one.mean_recovery.ci


def _of_calibration(record: CalibrationRecord) -> Iterator[Found]:
    yield FigureKey("slope"), record.slope.value, record.slope.ci
    yield FigureKey("intercept"), record.intercept.value, record.intercept.ci


def _of_limits(record: DetectionRecord) -> Iterator[Found]:
    limits = {"detection_limit": record.detection_limit, "quantification_limit": record.quantification_limit}
    for name, limit in limits.items():
        if isinstance(limit, DeclaredLimit):
            yield FigureKey(name, what=limit.variant), limit.value, limit.ci


def _of_precision(record: PrecisionRecord) -> Iterator[Found]:
    estimates = {
        "repeatability_rsd": record.repeatability_rsd,
        "intermediate_rsd": record.intermediate_rsd,
    }
    for name, found in estimates.items():
        if isinstance(found, EstimateRecord):
            yield FigureKey(name, record.level), found.value, found.ci


Purpose = Literal["judgement", "lack_of_fit", "bias"]

_STREAMS: dict[Purpose, int] = {"judgement": 0, "lack_of_fit": 1, "bias": 2}
_CHUNK = 20


class MaterialKey(NamedTuple):
    """A recovery: its level, what it is compared with, and the matrix."""

    level: float
    kind: str
    matrix: str | None


class Trial(Struct, frozen=True, kw_only=True):
    """What one simulated study showed.

    Attributes:
        figures: each figure with its interval.
        findings: what decides, as the report would say it.
        stops: titles of the stop caveats that were raised.
        p_of_calibration: p of lack of fit and of the test for curvature, where they could be done.
        p_of_bias: p of the bias test by material.
    """

    figures: dict[FigureKey, Figure]
    findings: tuple[Finding, ...]
    stops: tuple[str, ...]
    p_of_calibration: dict[str, float]
    p_of_bias: dict[MaterialKey, float]


class Trials(Struct, frozen=True, kw_only=True):
    """Trials to be run: what draws the studies, what they are held against, what is asked of them."""

    simulator: Simulator
    profiles: tuple[Profile, ...]
    purpose: Purpose
    seed: tuple[int, int]
    stream: int = 0

    def run(self, count: int, pool: Executor | None = None) -> list[Trial]:
        """*count* trials, in order; the same with and without a *pool* of workers."""
        chunks = [range(start, min(start + _CHUNK, count)) for start in range(0, count, _CHUNK)]
        spread = map if pool is None else pool.map
        return [trial for some in spread(self.chunk, chunks) for trial in some]

    def chunk(self, numbers: Sequence[int]) -> list[Trial]:
        """The trials of these numbers."""
        return [self._trial(number) for number in numbers]

    def _trial(self, number: int) -> Trial:
        source = np.random.SeedSequence(self.seed, spawn_key=(_STREAMS[self.purpose], self.stream, number))
        study = self.simulator.study(np.random.default_rng(source))
        match self.purpose:
            case "judgement":
                return self._judged(study)
            case "lack_of_fit":
                return _only(p_of_calibration=self._calibration(study))
            case "bias":
                return _only(p_of_bias=_bias(recovery(study, self._cell(study))))

    def _cell(self, study: Study) -> Cell:
        return Cell(self.simulator.analyte, study.validated_configuration)

    def _judged(self, study: Study) -> Trial:
        every = _ask_for_other_limits(self.profiles) or _every_approach_judged(study, self.profiles)
        found = evaluate(study, only_deciding_limits=not every)
        results = assess_against(study, found, self.profiles, alternatives=False)
        record = results.analytes[self.simulator.analyte].configurations[study.validated_configuration]
        assessment = results.assessment
        findings = assessment.findings if assessment else ()
        caveats = assessment.caveats if assessment else ()
        return Trial(
            figures=figures(record),
            findings=tuple(one for one in findings if one.decides),
            stops=tuple(dict.fromkeys(one.title for one in caveats if one.severity == "stop")),
            p_of_calibration=(
                {}
                if isinstance(record.calibration, NotAssessed)
                else _p_values(
                    lack_of_fit=record.calibration.lack_of_fit, curvature=record.calibration.quadratic_test
                )
            ),
            p_of_bias=_bias(record.recovery),
        )

    def _calibration(self, study: Study) -> dict[str, float]:
        if study.calibration is None:
            return {}
        try:
            fitted = calibrate(study.calibration.runs, study.analysis_for(self.simulator.analyte))
        except NotEstimable:
            return {}
        if not isinstance(fitted, Fitted):
            return {}
        return _p_values(lack_of_fit=fitted.record.lack_of_fit, curvature=fitted.record.quadratic_test)


def _ask_for_other_limits(profiles: Sequence[Profile]) -> bool:
    """True when a limit variant is asked for whether or not it decides."""
    asked = {
        limit.figure for profile in profiles for rule in profile.requirements for limit in rule.acceptance
    }
    return not asked.isdisjoint(OF_NAMED_LIMITS)


def _every_approach_judged(study: Study, profiles: Sequence[Profile]) -> bool:
    """True when nobody chose the approach to a limit that is judged: then every approach has to meet it."""
    limits = ("detection_limit", "quantification_limit")
    judged = any(one.characteristic in limits for one in study.criteria) or any(
        rule.characteristic in limits and rule.acceptance
        for profile in profiles
        for rule in profile.requirements
    )
    chosen = any(
        choices.detection_limit or choices.quantification_limit
        for choices in map(study.analysis_for, study.analyte_ids)
    )
    return judged and not chosen and deciding_by_guidance(study) is None


@contextmanager
def pool_of(workers: int) -> Iterator[Executor | None]:
    """A pool of that many processes, or None for one."""
    if workers < 2:
        yield None
        return
    # spawned, not forked: numerical libraries hold threads that do not survive a fork
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        yield pool


def _only(
    *, p_of_calibration: dict[str, float] | None = None, p_of_bias: dict[MaterialKey, float] | None = None
) -> Trial:
    return Trial(
        figures={},
        findings=(),
        stops=(),
        p_of_calibration=p_of_calibration or {},
        p_of_bias=p_of_bias or {},
    )


def _p_values(**tests: FTest | NotAssessed) -> dict[str, float]:
    return {name: test.p for name, test in tests.items() if isinstance(test, FTest)}


def _bias(records: tuple[RecoveryRecord, ...] | NotAssessed) -> dict[MaterialKey, float]:
    if isinstance(records, NotAssessed):
        return {}
    return {
        MaterialKey(one.level, one.kind, one.matrix): one.p_bias for one in records if one.p_bias is not None
    }
