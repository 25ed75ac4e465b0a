"""Conformity with limits."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from validator.errors import NotEstimable
from validator.statistics.conformity import (
    acceptance_limits,
    conformance_probability,
    decide,
    global_risks,
    guard_band,
)

quick = settings(max_examples=80, deadline=None)
INFINITY = math.inf


@quick
@given(
    st.floats(-5, 5),
    st.floats(0.01, 3),
    st.floats(-4, 0),
    st.floats(0.1, 4),
    st.sampled_from([3.0, 10.0, INFINITY]),
)
def test_probability_is_that_of_the_distribution(y, u, lower, width, nu):
    """p_c equals the probability between the limits of the normal or t distribution about the value."""
    reference = stats.norm(y, u) if math.isinf(nu) else stats.t(nu, y, u)
    upper = lower + width

    found = conformance_probability(y, u, lower=lower, upper=upper, degrees_of_freedom=nu)

    expected = reference.cdf(upper) - reference.cdf(lower)
    assert found == pytest.approx(expected, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("value", [20.0, -20.0])
def test_tails_keep_their_digits(value):
    """Far above or below the limits the probability is small, not zero."""
    found = conformance_probability(value, 1.0, lower=-1.0, upper=1.0)

    assert found == pytest.approx(stats.norm.sf(19) - stats.norm.sf(21), rel=1e-9, abs=0)


@quick
@given(st.floats(0.02, 0.4), st.floats(0.001, 0.4), st.sampled_from([5.0, INFINITY]))
def test_risk_at_the_acceptance_limit_is_the_risk_allowed(u, risk, nu):
    """At either acceptance limit 1 − p_c is the largest risk, and beyond it is larger."""
    limits = {"lower": 1.0, "upper": 2.0, "degrees_of_freedom": nu}
    try:
        found = acceptance_limits(u, max_risk=risk, **limits)
    except NotEstimable:
        assert 1 - conformance_probability(1.5, u, **limits) > risk
        return

    for end in (found.lower, found.upper):
        assert 1 - conformance_probability(end, u, **limits) == pytest.approx(risk, rel=1e-6)
    assume(found.upper < 2.0 - 1e-6)
    assert 1 - conformance_probability(found.upper + 1e-6, u, **limits) > risk


def test_one_sided_guard_band():
    """The band is 1.64·u for 5 %, and Student's t where u has few degrees of freedom."""
    found = acceptance_limits(2.0, upper=50.0)

    assert found.upper == pytest.approx(50 - 1.6449 * 2, abs=1e-3)
    assert found.lower == -INFINITY
    assert guard_band(1.0, degrees_of_freedom=4) == pytest.approx(stats.t.ppf(0.95, 4))


def test_narrow_tolerance_needs_more_than_the_one_sided_band():
    """Both tails count where the tolerance is narrow; where it is wide the band is the one-sided one."""
    narrow = acceptance_limits(0.25, lower=0.0, upper=1.0)
    wide = acceptance_limits(0.25, lower=0.0, upper=10.0)

    assert narrow.guard_band > guard_band(0.25) + 0.01
    assert wide.guard_band == pytest.approx(guard_band(0.25), rel=1e-9)


@pytest.mark.parametrize(
    ("value", "outcome"),
    [(45.0, "conforming"), (49.0, "inconclusive"), (50.0, "inconclusive"), (55.0, "non-conforming")],
)
def test_guarded_decision_leaves_doubt_open(value, outcome):
    """With u = 2 at an upper limit of 50, within 3.3 on either side nothing can be said at 5 %."""
    found = decide(value, 2.0, upper=50.0)

    assert found.outcome == outcome
    assert found.rule == "guarded"


def test_simple_decision_looks_at_the_value_alone():
    """Exactly at the limit the value is accepted, with a probability of one half of being right."""
    found = decide(50.0, 2.0, upper=50.0, rule="simple")

    assert found.outcome == "conforming"
    assert found.conformance_probability == pytest.approx(0.5)


def test_too_much_uncertainty_never_conforms():
    """With u as large as the tolerance nothing can be accepted, but far values still do not conform."""
    near = decide(0.5, 1.0, lower=0.0, upper=1.0)
    far = decide(5.0, 1.0, lower=0.0, upper=1.0)

    assert (near.outcome, near.acceptance) == ("inconclusive", None)
    assert far.outcome == "non-conforming"


@quick
@given(st.floats(-3, 3), st.floats(0.05, 2), st.sampled_from([0.01, 0.05, 0.2]))
def test_decision_is_wrong_no_more_often_than_allowed(value, u, risk):
    """Conforming means p_c ≥ 1 − α and non-conforming p_c ≤ α, within rounding."""
    found = decide(value, u, lower=-1.0, upper=1.0, max_risk=risk)

    if found.outcome == "conforming":
        assert found.conformance_probability >= 1 - risk - 1e-9
    elif found.outcome == "non-conforming":
        assert found.conformance_probability <= risk
    else:
        assert risk < found.conformance_probability < 1 - risk + 1e-9


def bivariate(mean, sd, u, lower, upper, accept_lower, accept_upper):
    """(R_C, R_P) from rectangle probabilities of the joint normal distribution of value and result."""
    joint = stats.multivariate_normal(
        [mean, mean], [[sd**2, sd**2], [sd**2, sd**2 + u**2]], abseps=1e-12, releps=1e-12, maxpts=10**6
    )

    def below(x, y):
        return joint.cdf([x, y])

    far = 40 * (sd + u) + abs(mean)
    a, b, c, d = max(lower, -far), min(upper, far), max(accept_lower, -far), min(accept_upper, far)
    both = below(b, d) - below(a, d) - below(b, c) + below(a, c)
    conforming = stats.norm(mean, sd).cdf(b) - stats.norm(mean, sd).cdf(a)
    accepted = stats.norm(mean, math.hypot(sd, u)).cdf(d) - stats.norm(mean, math.hypot(sd, u)).cdf(c)
    return accepted - both, conforming - both


@pytest.mark.parametrize(
    ("mean", "sd", "u", "lower", "upper", "band"),
    [
        (0.0, 0.12, 0.04, -0.2, 0.2, 0.0),
        (0.0, 0.12, 0.04, -0.2, 0.2, 0.05),
        (0.1, 0.12, 0.2, -0.2, 0.2, 0.0),
        (48.0, 2.0, 0.5, -INFINITY, 50.0, 0.8),
        (48.0, 2.0, 0.01, 45.0, INFINITY, 0.0),
        (0.0, 1.0, 3.0, -0.5, 0.5, -0.2),
    ],
)
def test_global_risks_are_those_of_the_joint_distribution(mean, sd, u, lower, upper, band):
    """Both risks equal rectangle probabilities of the bivariate normal distribution, another road."""
    found = global_risks(mean=mean, sd=sd, standard_uncertainty=u, lower=lower, upper=upper, guard_band=band)

    expected = bivariate(mean, sd, u, lower, upper, lower + band, upper - band)
    assert (found.consumers_risk, found.producers_risk) == pytest.approx(expected, abs=2e-9)
    assert found.conforming - found.producers_risk == pytest.approx(
        found.accepted - found.consumers_risk, abs=1e-12
    )


def test_global_risk_agrees_with_inspecting_many_items():
    """A million simulated items: accepted wrong ones and rejected right ones are as frequent as computed."""
    rng = np.random.default_rng(6)
    items = rng.normal(10, 1, 1_000_000)
    measured = items + rng.normal(0, 0.4, items.size)
    conforms, accepted = (items > 9) & (items < 11.5), (measured > 9.3) & (measured < 11.2)

    found = global_risks(mean=10, sd=1, standard_uncertainty=0.4, lower=9, upper=11.5, guard_band=0.3)

    assert np.mean(accepted & ~conforms) == pytest.approx(found.consumers_risk, abs=0.0008)
    assert np.mean(conforms & ~accepted) == pytest.approx(found.producers_risk, abs=0.0016)


def test_very_precise_measurement_has_no_risk_but_keeps_its_digits():
    """R_C shrinks in proportion to u when u is small beside the items' scatter."""
    risks = [
        global_risks(mean=0, sd=1, standard_uncertainty=u, upper=1.0).consumers_risk for u in (1e-3, 1e-6)
    ]

    density, _ = integrate.quad(stats.norm.sf, 0, np.inf)
    assert risks[0] == pytest.approx(stats.norm.pdf(1) * 1e-3 * density, rel=1e-3)
    assert risks[0] / risks[1] == pytest.approx(1000, rel=1e-3)


@pytest.mark.parametrize(
    "call",
    [
        lambda: conformance_probability(math.nan, 1.0, upper=1.0),
        lambda: conformance_probability(1.0, 0.0, upper=1.0),
        lambda: conformance_probability(1.0, 1.0),
        lambda: decide(1.0, 1.0, lower=2.0, upper=1.0),
        lambda: decide(1.0, 1.0, upper=1.0, max_risk=0.6),
        lambda: guard_band(1.0, max_risk=0.0),
        lambda: global_risks(mean=0, sd=0, standard_uncertainty=1, upper=1),
        lambda: global_risks(mean=0, sd=1, standard_uncertainty=1),
        lambda: global_risks(mean=0, sd=1, standard_uncertainty=1, lower=0, upper=1, guard_band=0.5),
    ],
)
def test_requests_without_sense_are_refused(call):
    """No limit, limits in the wrong order, no uncertainty, impossible risks."""
    with pytest.raises(ValueError, match=r"must|lies|leaves"):
        call()
