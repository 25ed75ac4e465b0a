"""The accuracy profile of a study: which results it rests on, its range, the limit that follows from it."""

from __future__ import annotations

import pytest

from validator.evaluation.results import NotAssessed
from validator.statistics.accuracy_profile import accuracy_profile

LEVELS = (2.0, 10.0, 40.0)
SERIES = (-0.6, 0.4, 0.9, -0.7)


def results(level, relative=0.05, absolute=0.25):
    """Four series of three results: a constant scatter and one in proportion to the level."""
    s = absolute + relative * level
    return [[level + s * (off + within) for within in (-0.3, 0.05, 0.25)] for off in SERIES]


def precision(levels=LEVELS):
    return {
        "runs": [
            {"level": level, "series": f"S{i}", "concentrations": found}
            for level in levels
            for i, found in enumerate(results(level))
        ]
    }


def recovery(levels=LEVELS, native=0.0):
    return {
        "runs": [
            {
                "native": native,
                "added": level,
                "series": f"S{i}",
                "found": [native + one for one in found],
            }
            for level in levels
            for i, found in enumerate(results(level))
        ]
    }


def choices(acceptance=20, **more):
    return {"accuracy_profile": {"acceptance_percent": acceptance, **more}}


def test_precision_in_series_makes_a_profile(record_of, described):
    """The record is the profile of the statistics on the same series."""
    expected = accuracy_profile(LEVELS, [results(level) for level in LEVELS], acceptance_percent=20)

    found = record_of(described(analysis=choices(), precision=precision())).accuracy_profile

    assert found.data == "precision"
    assert [one.level for one in found.levels] == list(LEVELS)
    for one, other in zip(found.levels, expected.levels, strict=True):
        assert one.expectation == pytest.approx((other.expectation.lower, other.expectation.upper))
        assert one.content == pytest.approx((other.content.lower, other.content.upper))
        assert one.risk_outside == pytest.approx(other.risk_outside)
        assert (one.n, one.series) == (12, 4)
    assert found.valid_range == pytest.approx(expected.valid_range)


@pytest.mark.parametrize("native", [0.0, 7.5])
def test_recoveries_in_series_make_the_same_profile(record_of, described, native):
    """What was found less the native content, against what was added."""
    by_precision = record_of(described(analysis=choices(), precision=precision())).accuracy_profile

    found = record_of(described(analysis=choices(), recovery=recovery(native=native))).accuracy_profile

    assert found.data == "recovery"
    for one, other in zip(found.levels, by_precision.levels, strict=True):
        assert one.relative_bias_percent == pytest.approx(other.relative_bias_percent, abs=1e-9)
        assert one.expectation == pytest.approx(other.expectation)


def test_the_declared_data_are_used(record_of, described):
    """Where both are there, precision is taken unless the study says recovery."""
    blocks = {"precision": precision(), "recovery": recovery(LEVELS[:2])}

    usual = record_of(described(analysis=choices(), **blocks)).accuracy_profile
    named = record_of(described(analysis=choices(data="recovery"), **blocks)).accuracy_profile

    assert (usual.data, len(usual.levels)) == ("precision", 3)
    assert (named.data, len(named.levels)) == ("recovery", 2)


def test_without_an_allowed_error_there_is_no_profile(record_of, described):
    """The error that the use allows for must be declared beforehand."""
    found = record_of(described(precision=precision())).accuracy_profile

    assert isinstance(found, NotAssessed)
    assert "an acceptance limit for the total error" in found.needs


def test_levels_in_one_series_are_refused(record_of, described):
    """One level that was measured in one series has no interval; the others keep theirs."""
    block = precision()
    block["runs"] = [run for run in block["runs"] if run["level"] != 10 or run["series"] == "S0"]

    found = record_of(described(analysis=choices(), precision=block)).accuracy_profile

    assert [one.level for one in found.levels] == [2.0, 40.0]
    (refused,) = found.refused
    assert refused.level == 10
    assert "series" in refused.reason.not_assessed


def test_the_limit_follows_from_the_profile(record_of, described):
    """The variant accuracy_profile gives the lower end of the valid range as quantification limit."""
    analysis = choices() | {"quantification_limit": {"variant": "accuracy_profile"}}

    record = record_of(described(analysis=analysis, precision=precision()))

    assert 2 < record.accuracy_profile.quantification_limit < 10
    limit = record.detection.quantification_limit
    assert (limit.variant, limit.value) == (
        "accuracy_profile",
        record.accuracy_profile.quantification_limit,
    )


def test_the_content_interval_may_decide(record_of, described):
    """The interval with confidence is wider, and so the range is shorter."""
    usual = record_of(described(analysis=choices(), precision=precision())).accuracy_profile
    content = record_of(
        described(analysis=choices(decided_by="content", gamma=0.9), precision=precision())
    ).accuracy_profile

    assert content.decided_by == "content"
    lower = content.quantification_limit
    assert lower is None or lower > usual.quantification_limit


@pytest.mark.parametrize(
    ("criterion", "acceptance", "outcome"),
    [
        ({"min": 10}, 20, "meets"),
        ({"min": 2}, 20, "does not meet"),
        ({"max": 40}, 20, "meets"),
        ({"max": 60}, 20, "does not meet"),
        ({"min": 2}, 90, "meets"),
        ({"min": 2}, 1, "does not meet"),
        ({"max": 40}, 1, "does not meet"),
    ],
)
def test_a_criterion_asks_how_far_the_range_reaches(judged, described, criterion, acceptance, outcome):
    """Levels named by min and max are what the valid range must reach; no range at all reaches nowhere."""
    study = described(
        analysis=choices(acceptance),
        criteria=[{"characteristic": "accuracy_profile", **criterion}],
        precision=precision(),
    )

    (finding,) = judged(study)[1].assessment.findings

    assert finding.outcome == outcome
    if acceptance == 1:
        assert finding.observed is None
        assert "the tolerance interval exceeds the acceptance limits at every level" in finding.reason


def test_uncertainty_has_its_criterion(judged, described):
    """U in percent at a level, and in the unit of the analyte, against a limit that is met or not."""
    stock = {"name": "stock solution", "value": 0.1, "relative": True, "kind": "standard", "source": "s"}
    blocks = {
        "precision": precision(),
        "recovery": recovery(),
        "uncertainty": {"components": [stock], "simulation": {"draws": 10_000}},
    }

    def outcome(**criterion):
        study = described(criteria=[{"characteristic": "uncertainty", "at": 40, **criterion}], **blocks)
        (finding,) = judged(study)[1].assessment.findings
        return finding

    percent = outcome(rsd_max=40)
    absolute = outcome(max=40)

    assert (percent.outcome, absolute.outcome) == ("meets", "meets")
    assert absolute.observed == pytest.approx(percent.observed * 0.4)
    assert percent.criterion == "U ≤ 40 %"
    assert absolute.criterion == "U ≤ 40 mg/L"
    assert outcome(rsd_max=percent.observed * 0.99).outcome == "does not meet"
