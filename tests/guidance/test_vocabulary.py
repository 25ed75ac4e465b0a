"""The lists a profile may draw on are complete, and everything in them has a use."""

import pytest

from validator.characteristics.order import CHARACTERISTICS, FIGURES, ORDER
from validator.guidance import Counter, load_profile, profile_names


def test_every_counter_has_a_use():
    """No counter is listed that nothing can ask for, and none is asked for that is not listed."""
    assert frozenset().union(*(one.counters for one in ORDER)) == frozenset(Counter)


@pytest.mark.parametrize("name", FIGURES)
def test_every_figure_has_a_meaning(name):
    """Each figure says what it is; one in percent carries the unit in its name, any other does not."""
    figure = FIGURES[name]

    assert figure.meaning
    assert figure.unit in {"%", ""}
    assert (figure.unit == "%") == ("percent" in name)


@pytest.mark.parametrize("figure", [figure for one in ORDER for figure in one.figures.values()], ids=str)
def test_a_figure_that_criteria_read_is_one_that_a_criterion_may_limit(figure):
    """Characteristic and limit exist, and the limit is one of those that the characteristic takes."""
    if figure.criterion is not None:
        name, limit = figure.criterion
        assert limit in CHARACTERISTICS[name].takes


def test_every_counter_and_figure_of_the_shipped_profiles_can_be_told_apart():
    """What the shipped profiles use is part of the lists; the assessment needs to know no more than these."""
    counters, figures = set(), set()
    for name in profile_names():
        for rule in load_profile(name).requirements:
            counters |= rule.design.counters if rule.design else frozenset()
            figures |= {limit.figure for limit in rule.acceptance} | set(rule.user_sets)

    assert {Counter.LEVELS, Counter.BLANKS, Counter.SERIES, Counter.DEVICES} <= counters <= set(Counter)
    assert {"mean_recovery_percent", "lack_of_fit_p"} <= figures <= set(FIGURES)
