"""The smallest design that meets each criterion with a stated probability.

Closed forms for normal data give the number of results to begin with; the design made of them is then
simulated as a whole, what falls short is raised until the simulation confirms it, and each block is stepped
down again as far as the simulation allows.  What is printed was itself simulated.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

from msgspec import Struct
from msgspec.structs import replace

from validator.planning.carrying import Question, Size, carrying_block, question
from validator.planning.outcomes import Chance, all_met, chances
from validator.study.models.plan import PLANNED_BLOCKS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from concurrent.futures import Executor

    from validator.planning.outcomes import CriterionKey
    from validator.planning.trials import Trials
    from validator.statistics.interval import Estimate
    from validator.study.models.plan import PlanChoices

MOST = 200
"""Series, or preparations of one material, beyond which no design is sought."""

ROUNDS = 4
GROWTH, FASTER = 0.2, 0.5
"""By what share a block is raised that falls short a little, and one that falls short by much."""

MUCH = 0.1


Cause = Literal["value", "caveat", "test", "simulation"]


class BlockSize(Struct, frozen=True, kw_only=True):
    """A planned block and the smallest that does.

    Attributes:
        block: its name.
        planned: as planned.
        smallest: None where no criterion rests on it, none that more results could help, or where one that
            rests on it was not reached.
        decided_by: the criterion that asks for most.
    """

    block: str
    planned: Size
    smallest: Size | None
    decided_by: Chance | None


class OutOfReach(Struct, frozen=True, kw_only=True):
    """A criterion that no number of results up to the largest tried brings to the probability.

    ``cause``: "value" where what is assumed lies at or beyond the limit (or so close to it that more results
    than anybody makes would be needed), "caveat" where an open stop caveat holds the criterion back, "test"
    where the outcome does not depend on the number of results, "simulation" where raising the design did not
    reach it with ``largest``, the size of its block in the largest design simulated.
    """

    chance: Chance
    cause: Cause
    largest: Size | None = None


class SmallestDesign(Struct, frozen=True, kw_only=True):
    """The smallest design found, and how it did in the simulation.

    Attributes:
        sizes: block by block.
        chances: outcomes of every criterion with that design.
        out_of_reach: criteria that it does not bring to the probability.
        probability: that was asked for.
        all_met: probability that all criteria within reach are met in one study; None where there is none, or
            where one of them was not reached.
    """

    sizes: tuple[BlockSize, ...]
    chances: tuple[Chance, ...]
    out_of_reach: tuple[OutOfReach, ...]
    probability: float
    all_met: Estimate | None


def smallest_design(
    trials: Trials,
    choices: PlanChoices,
    found: Sequence[Chance],
    *,
    probability: float,
    count: int,
    pool: Executor | None,
) -> SmallestDesign:
    """The smallest design at which each of *found*, the outcomes with the planned one, is met often enough.

    Args:
        trials: what simulates and judges; its simulator draws the planned design.
        choices: the planned design.
        found: outcomes with the planned design.
        probability: asked for.
        count: studies to be simulated with each design that is tried.
        pool: of workers.
    """
    search = _Search(trials, choices, probability, count, pool)
    return search.run([one for one in found if one.is_answered])


class _Tried(Struct, frozen=True):
    """A design that was simulated, and the criteria that fell short with it."""

    sizes: Mapping[str, Size]
    chances: tuple[Chance, ...]
    short: tuple[Chance, ...]
    all_met: Estimate | None


class _Search(Struct, frozen=True):
    trials: Trials
    choices: PlanChoices
    probability: float
    count: int
    pool: Executor | None

    def run(self, found: Sequence[Chance]) -> SmallestDesign:
        questions, out_of_reach = self._questions(found)
        sizes = {
            block: self._by_closed_forms(block, [one for one in questions if one.block == block])
            for block in dict.fromkeys(one.block for one in questions)
        }
        asked = {one.key for one in found} - {one.chance.key for one in out_of_reach}
        tried = self._simulated(sizes, asked)
        for _ in range(ROUNDS):
            raised = {
                block: _larger(block, tried.sizes[block], growth)
                for block, growth in self._growth(tried.short).items()
                if block in tried.sizes
            }
            if not raised:
                break
            tried = self._simulated({**tried.sizes, **raised}, asked)
        if not tried.short:
            tried = self._stepped_down(tried, asked)
        out_of_reach += [
            OutOfReach(chance=one, cause="simulation", largest=tried.sizes.get(carrying_block(one) or ""))
            for one in tried.short
        ]
        lost = {carrying_block(one) for one in tried.short}
        reached = {block: size for block, size in tried.sizes.items() if block not in lost}
        return SmallestDesign(
            sizes=tuple(self._block_sizes(reached, questions)),
            chances=tried.chances,
            out_of_reach=tuple(out_of_reach),
            probability=self.probability,
            all_met=None if tried.short else tried.all_met,
        )

    def _stepped_down(self, tried: _Tried, asked: set[CriterionKey]) -> _Tried:
        """Each block as small as the simulation allows, the others as they are."""
        for block in tried.sizes:
            step = max(1, _steps(block, tried.sizes[block]) // 4)
            while step:
                smaller = _smaller(block, tried.sizes[block], step)
                probe = None if smaller is None else self._simulated({**tried.sizes, block: smaller}, asked)
                if probe is None or probe.short:
                    step //= 2
                else:
                    tried = probe
        return tried

    def _growth(self, short: Sequence[Chance]) -> dict[str, float]:
        growth: dict[str, float] = {}
        for one in short:
            is_much = one.meets < (self.probability - MUCH) * one.n
            block = carrying_block(one)
            if block is None:
                continue
            growth[block] = max(growth.get(block, 0.0), FASTER if is_much else GROWTH)
        return growth

    def _is_short(self, chance: Chance) -> bool:
        return chance.meets < self.probability * chance.n

    def _questions(self, found: Sequence[Chance]) -> tuple[list[Question], list[OutOfReach]]:
        questions: list[Question] = []
        out_of_reach: list[OutOfReach] = []
        confidence = self.trials.simulator.base.analysis.confidence
        assumed = self.trials.simulator.truth.assumed
        for chance in found:
            one = question(chance, self.choices, assumed, confidence)
            cause = self._cause(chance, one)
            if cause is not None:
                out_of_reach.append(OutOfReach(chance=chance, cause=cause))
            elif one is not None:
                questions.append(one)
        return questions, out_of_reach

    def _cause(self, chance: Chance, one: Question | None) -> Cause | None:
        if chance.meets + chance.held_back >= self.probability * chance.n and self._is_short(chance):
            return "caveat"
        if one is None:
            return "test" if self._is_short(chance) else None
        if one.probability is not None and self._is_short(chance):
            largest = _largest(one.block, self._planned(one.block))
            if one.probability(largest) < self.probability:
                return "value"
        return None

    def _planned(self, block: str) -> Size:
        plan = getattr(self.choices, block)
        return Size(plan.series, plan.replicates)

    def _by_closed_forms(self, block: str, questions: Sequence[Question]) -> Size:
        forms = [one.probability for one in questions if one.probability is not None]
        plan = self._planned(block)
        if not forms:
            return plan  # to begin with; the simulation raises what falls short

        def enough(size: Size) -> bool:
            return all(form(size) >= self.probability for form in forms)

        if block != "precision":
            return _least(lambda k: _along(block, plan, k), enough)
        widths = range(2, max(4, plan.replicates) + 1)
        # of equal effort, more series say more
        return min(
            (_least_series(n, enough) for n in widths), key=lambda size: (size.preparations, -size.series)
        )

    def _simulated(self, sizes: Mapping[str, Size], asked: set[CriterionKey]) -> _Tried:
        changed = {
            block: getattr(self.choices, block).model_copy(update=size._asdict())
            for block, size in sizes.items()
        }
        simulator = self.trials.simulator.with_design(self.choices.model_copy(update=changed))
        trials = replace(self.trials, simulator=simulator, stream=1).run(self.count, self.pool)
        outcomes = chances(trials)
        own = [one for one in outcomes if one.key in asked]
        return _Tried(
            sizes=dict(sizes),
            chances=outcomes,
            short=tuple(one for one in own if self._is_short(one)),
            all_met=all_met(trials, own) if own else None,
        )

    def _block_sizes(self, sizes: Mapping[str, Size], questions: Sequence[Question]) -> Iterator[BlockSize]:
        for block in PLANNED_BLOCKS:
            if getattr(self.choices, block) is None:
                continue
            own = [one for one in questions if one.block == block]
            yield BlockSize(
                block=block,
                planned=self._planned(block),
                smallest=sizes.get(block),
                decided_by=_hardest(own, sizes[block]) if own and block in sizes else None,
            )


def _hardest(questions: Sequence[Question], size: Size) -> Chance:
    """The criterion that would be met least often with *size*."""

    def ease(one: Question) -> float:
        return 1.0 if one.probability is None else one.probability(size)

    return min(questions, key=ease).chance


def _along(block: str, plan: Size, k: int) -> Size:
    """The size with *k* of what carries the degrees of freedom of a block."""
    if block == "calibration":
        return Size(plan.series, k)
    if block == "recovery":
        return Size(k, plan.replicates) if plan.series > 1 else Size(1, k)
    # blanks may be spread over fewer series, so that none is made for nothing
    spread = [Size(series, math.ceil(k / series)) for series in range(1, min(plan.series, k) + 1)]
    return min(spread, key=lambda size: (size.preparations, -size.series))


def _largest(block: str, plan: Size) -> Size:
    if block == "precision":
        return Size(MOST, max(4, plan.replicates))
    return _along(block, plan, MOST)


def _larger(block: str, size: Size, growth: float) -> Size:
    series, replicates = size
    if _grows_by_series(block, size):
        return Size(series + math.ceil(growth * series), replicates)
    return Size(series, replicates + math.ceil(growth * replicates))


def _steps(block: str, size: Size) -> int:
    """How many steps of one series, or of one preparation a series, a block is above nothing."""
    return size.series if _grows_by_series(block, size) or size.replicates == 1 else size.replicates


def _smaller(block: str, size: Size, step: int) -> Size | None:
    """The block *step* steps smaller; None where nothing would be left, or no scatter between series."""
    series, replicates = size
    if _grows_by_series(block, size) or replicates == 1:
        return Size(series - step, replicates) if series - step >= 2 else None
    return Size(series, replicates - step) if replicates - step >= 1 else None


def _grows_by_series(block: str, size: Size) -> bool:
    return block == "precision" or (block == "recovery" and size.series > 1)


def _least_series(replicates: int, enough: Callable[[Size], bool]) -> Size:
    return _least(lambda series: Size(series, replicates), enough)


def _least(size_of: Callable[[int], Size], enough: Callable[[Size], bool]) -> Size:
    """The first size that is enough, by doubling and bisection; the largest tried where none is."""
    low, high = 0, 1
    while high < MOST and not enough(size_of(high)):
        low, high = high, min(2 * high, MOST)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(size_of(middle)) else (middle, high)
    return size_of(high)
