"""How often the tests of lack of fit, curvature and bias would find a stated departure."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from msgspec import Struct
from msgspec.structs import replace

from validator.planning.simulating import Simulator
from validator.statistics.proportion import proportion

if TYPE_CHECKING:
    from collections.abc import Sequence
    from concurrent.futures import Executor

    from validator.planning.trials import Purpose, Trial, Trials
    from validator.statistics.interval import Estimate
    from validator.study.models.plan import ToDetect

TestName = Literal["lack_of_fit", "curvature", "bias"]

_BLOCKS: dict[Purpose, tuple[str, ...]] = {
    "lack_of_fit": ("calibration",),
    "bias": ("calibration", "recovery"),
}
"""What has to be simulated for a test."""


class Power(Struct, frozen=True, kw_only=True):
    """How often a test at *alpha* is significant.

    Attributes:
        test: which.
        departure_percent: what there is to find.
        level, what: where the bias is tested.
        alpha: level of significance.
        false_alarms: share of significant tests without the departure.
        power: share with it.
    """

    test: TestName
    departure_percent: float
    level: float | None = None
    what: str = ""
    alpha: float
    false_alarms: Estimate
    power: Estimate


def powers(
    trials: Trials,
    detect: ToDetect | None,
    found: Sequence[Trial],
    alpha: float,
    count: int,
    pool: Executor | None,
) -> list[Power]:
    """The power against every departure that is stated, each beside the false alarms without it.

    *found* are trials of the plan as it is: straight lines, for the false alarms of lack of fit.
    """
    if detect is None:
        return []
    shown: list[Power] = []
    if detect.curvature_percent is not None:
        curvature = detect.curvature_percent
        bent = _run(trials, "lack_of_fit", count, pool, curvature=curvature / 100)
        shown.extend(_of_calibration((found, bent), curvature, alpha))
    if detect.bias_percent is not None:
        bias = detect.bias_percent
        pair = [_run(trials, "bias", count, pool, recovery=100 - b) for b in (0.0, bias)]
        shown.extend(_of_bias(pair, bias, alpha))
    return shown


def _run(
    trials: Trials,
    purpose: Purpose,
    count: int,
    pool: Executor | None,
    *,
    curvature: float = 0.0,
    recovery: float | None = None,
) -> list[Trial]:
    simulator = trials.simulator
    assumed = simulator.truth.assumed
    if recovery is not None:
        assumed = assumed.model_copy(update={"recovery_percent": recovery})
    reduced = Simulator(
        simulator.base,
        simulator.analyte,
        replace(simulator.truth, assumed=assumed, curvature=curvature),
        tuple(layout for layout in simulator.layouts if layout.block in _BLOCKS[purpose]),
    )
    return replace(trials, simulator=reduced, purpose=purpose).run(count, pool)


def _of_calibration(pair: Sequence[Sequence[Trial]], departure: float, alpha: float) -> list[Power]:
    tests: tuple[TestName, ...] = ("lack_of_fit", "curvature")
    found = []
    for test in tests:
        null, other = (
            [t.p_of_calibration[test] for t in some if test in t.p_of_calibration] for some in pair
        )
        if null and other:
            found.append(
                Power(
                    test=test,
                    departure_percent=departure,
                    alpha=alpha,
                    false_alarms=_share_below(null, alpha),
                    power=_share_below(other, alpha),
                )
            )
    return found


def _of_bias(pair: Sequence[Sequence[Trial]], departure: float, alpha: float) -> list[Power]:
    found = []
    for key in dict.fromkeys(key for trial in pair[1] for key in trial.p_of_bias):
        null, other = ([t.p_of_bias[key] for t in some if key in t.p_of_bias] for some in pair)
        if null and other:
            found.append(
                Power(
                    test="bias",
                    departure_percent=departure,
                    level=key.level,
                    what=key.matrix or key.kind,
                    alpha=alpha,
                    false_alarms=_share_below(null, alpha),
                    power=_share_below(other, alpha),
                )
            )
    return found


def _share_below(p_values: Sequence[float], alpha: float) -> Estimate:
    return proportion(sum(p < alpha for p in p_values), len(p_values))
