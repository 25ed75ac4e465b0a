"""The smallest design that meets each criterion with a stated probability.

Closed forms for normal data give the number of results to begin with; the design made of them is then
simulated as a whole, and what falls short is raised until the simulation confirms it.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

from msgspec import Struct
from msgspec.structs import replace

from validator.planning.carrying import Question, Size, carrying_block, question
from validator.planning.outcomes import Chance, chances
from validator.study.models.plan import PLANNED_BLOCKS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from concurrent.futures import Executor

    from validator.planning.trials import Trials
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
        smallest: None where no criterion rests on it, or none that more results could help.
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
    reach it.
    """

    chance: Chance
    cause: Cause


class SmallestDesign(Struct, frozen=True, kw_only=True):
    """The smallest design found, and how it did in the simulation.

    Attributes:
        sizes: block by block.
        chances: outcomes of every criterion with that design.
        out_of_reach: criteria that it does not bring to the probability.
        probability: that was asked for.
    """

    sizes: tuple[BlockSize, ...]
    chances: tuple[Chance, ...]
    out_of_reach: tuple[OutOfReach, ...]
    probability: float


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
        tried: tuple[Chance, ...] = ()
        short: list[Chance] = []
        for _ in range(ROUNDS):
            tried = self._simulated(sizes)
            short = [one for one in tried if one.key in asked and self._is_short(one)]
            if not short:
                break
            for block, growth in self._growth(short).items():
                if block in sizes:
                    sizes[block] = _larger(block, sizes[block], growth)
        out_of_reach += [OutOfReach(chance=one, cause="simulation") for one in short]
        return SmallestDesign(
            sizes=tuple(self._block_sizes(sizes, questions)),
            chances=tried,
            out_of_reach=tuple(out_of_reach),
            probability=self.probability,
        )

    def _growth(self, short: Sequence[Chance]) -> dict[str | None, float]:
        growth: dict[str | None, float] = {}
        for one in short:
            is_much = one.meets < (self.probability - MUCH) * one.n
            block = carrying_block(one)
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

    def _simulated(self, sizes: Mapping[str, Size]) -> tuple[Chance, ...]:
        changed = {
            block: getattr(self.choices, block).model_copy(update=size._asdict())
            for block, size in sizes.items()
        }
        simulator = self.trials.simulator.with_design(self.choices.model_copy(update=changed))
        return chances(replace(self.trials, simulator=simulator, stream=1).run(self.count, self.pool))

    def _block_sizes(self, sizes: Mapping[str, Size], questions: Sequence[Question]) -> Iterator[BlockSize]:
        for block in PLANNED_BLOCKS:
            if getattr(self.choices, block) is None:
                continue
            own = [one for one in questions if one.block == block]
            yield BlockSize(
                block=block,
                planned=self._planned(block),
                smallest=sizes.get(block),
                decided_by=_hardest(own, sizes[block]) if own else None,
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
    if block == "precision" or (block == "recovery" and series > 1):
        return Size(series + math.ceil(growth * series), replicates)
    return Size(series, replicates + math.ceil(growth * replicates))


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
