"""The lists a profile may draw on are complete and agree with the study description."""

import pytest

from validator.guidance import (
    COUNTER_MEANINGS,
    COUNTERS_OF,
    FIGURE_MEANINGS,
    Characteristic,
    Counter,
    Figure,
    load_profile,
    profile_names,
)
from validator.study.models.criteria import CHARACTERISTICS


def test_characteristics_are_those_of_the_study_description():
    """A profile and a study speak of the same characteristics, by the same ids."""
    assert tuple(Characteristic) == CHARACTERISTICS


def test_every_counter_has_a_meaning_and_a_use():
    """No counter is listed that nothing can ask for, and each says in words what it counts."""
    assert set(COUNTER_MEANINGS) == set(Counter)
    assert frozenset().union(*COUNTERS_OF.values()) == frozenset(Counter)
    assert set(COUNTERS_OF) == set(Characteristic)


def test_every_figure_has_a_meaning():
    """Each figure says what it is, in which unit, where it is found, and what it belongs to."""
    assert set(FIGURE_MEANINGS) == set(Figure)
    for meaning in FIGURE_MEANINGS.values():
        assert meaning.meaning
        assert meaning.found_in
        assert meaning.characteristics
        assert meaning.unit in {"%", ""}


@pytest.mark.parametrize("figure", Figure)
def test_percent_figures_say_so_in_their_name(figure):
    """A figure in percent carries the unit in its name, any other does not."""
    assert (FIGURE_MEANINGS[figure].unit == "%") == ("percent" in figure)


def test_every_counter_and_figure_of_the_shipped_profiles_can_be_told_apart():
    """What the shipped profiles use is part of the lists; the assessment needs to know no more than these."""
    counters, figures = set(), set()
    for name in profile_names():
        for rule in load_profile(name).requirements:
            counters |= rule.design.counters if rule.design else frozenset()
            figures |= {limit.figure for limit in rule.acceptance} | set(rule.user_sets)

    assert {Counter.LEVELS, Counter.BLANKS, Counter.SERIES, Counter.DEVICES} <= counters <= set(Counter)
    assert {Figure.MEAN_RECOVERY_PERCENT, Figure.LACK_OF_FIT_P} <= figures <= set(Figure)
