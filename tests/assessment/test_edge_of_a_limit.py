"""A study on the edge of a limit: open under the guarded rule, met under the simple one; what it takes."""

from __future__ import annotations

import math

import pytest
from scipy import stats

from validator.dossier.building import build_document
from validator.dossier.document import Verdict
from validator.dossier.inline import plain

SCATTER = (-1.3, -0.7, -0.2, 0.3, 0.8, 1.1)


def replicates(rsd, n=6, mean=50.0):
    """*n* results with exactly that relative standard deviation, in percent."""
    z = [SCATTER[i % 6] + 0.01 * (i // 6) for i in range(n)]
    centre = math.fsum(z) / n
    s = math.sqrt(math.fsum((one - centre) ** 2 for one in z) / (n - 1))
    return [mean * (1 + rsd / 100 * (one - centre) / s) for one in z]


@pytest.fixture
def finding(judged, described):
    """The only finding of a study with replicates of that scatter, and the verdict."""

    def finding(rsd, *, n=6, limit=10, rule="guarded", purpose="validation", **more):
        study = described(
            analysis={"decision_rule": rule},
            criteria=[{"characteristic": "repeatability", "rsd_max": limit}],
            precision={"runs": [{"level": 50, "series": "A", "concentrations": replicates(rsd, n)}]},
            **more,
        )
        study["study"] |= {"purpose": purpose}
        _, results = judged(study)
        (only,) = results.assessment.findings
        return only, results.assessment.verdict

    return finding


def ordinary(text):
    """*text* with plain spaces before its units."""
    return text.replace("\N{NARROW NO-BREAK SPACE}", " ")


def upper_bound(s, nu):
    """One-sided 95 % bound of a standard deviation (ISO 2854:1976)."""
    return s * math.sqrt(nu / stats.chi2.ppf(0.05, nu))


def test_inconclusive_under_the_guarded_rule(finding):
    """RSD 9.6 % against 10 % with n = 6: the bound is 20 %, so nothing is shown, and the number says so."""
    found, verdict = finding(9.6)

    assert found.observed == pytest.approx(9.6)
    assert found.outcome == "inconclusive"
    assert verdict == "not demonstrated"
    assert finding(9.6, purpose="partial")[1] == "not demonstrated"  # not for want of trueness alone
    assert found.interval[1] == pytest.approx(upper_bound(9.6, 5), rel=1e-6)
    assert found.further is not None
    assert f"about {found.further} further independent results would resolve the point" in found.needs


def test_the_number_of_further_replicates_is_right(finding):
    """With that many more the chi-squared bound keeps the limit, with one less it does not."""
    more = finding(9.6)[0].further

    assert upper_bound(9.6, 5 + more) <= 10 < upper_bound(9.6, 5 + more - 1)


def test_met_under_the_simple_rule(finding):
    """The estimate alone keeps the limit."""
    found, verdict = finding(9.6, rule="simple", purpose="partial")

    assert (found.outcome, found.decision_rule, verdict) == ("meets", "simple", "fit")
    assert finding(9.6, rule="simple")[1] == "not demonstrated"  # a validation requires trueness as well
    assert found.further is None


def test_other_data_flip_it(finding):
    """The figure that would pass with the results at hand is named; data with it pass, with more do not."""
    open_still = finding(9.6)[0]
    most = 10 * 9.6 / upper_bound(9.6, 5)
    printed = math.floor(10 * most) / 10  # never rounded to a figure that would not pass

    assert f"an estimate of {printed:.1f} % or less would suffice" in ordinary(open_still.needs)
    assert finding(printed)[0].outcome == "meets"
    assert finding(most * 0.999)[0].outcome == "meets"
    assert finding(most * 1.001)[0].outcome == "inconclusive"
    assert finding(22)[0].outcome == "does not meet"  # even its lower bound is above 10 %


def test_what_would_pass_is_named_where_a_limit_is_not_kept(finding, judged, described):
    """The figure that the same number of results would show to keep the limit, rounded to the safe side."""
    failed, _ = finding(30)
    under_simple, _ = finding(30, rule="simple")

    assert (failed.outcome, ordinary(failed.needs)) == ("does not meet", "an estimate of 4.7 % or less")
    assert finding(4.7)[0].outcome == "meets"
    assert ordinary(under_simple.needs) == "an estimate of 10 % or less"


@pytest.mark.parametrize(
    ("limits", "found", "needs"),
    [
        ({"min": 90, "max": 110}, [40.0, 41.0, 40.0, 41.0], "an estimate of (91.9 to 108) %"),
        ({"min": 90}, [40.0, 41.0, 40.0, 41.0], "an estimate of 91.4 % or more"),
        (
            {"min": 99.5, "max": 100.5},
            [40.0, 41.0, 40.0, 41.0],
            "an estimate within the limits with a smaller standard deviation",
        ),
    ],
)
def test_what_recovery_would_pass(judged, described, limits, found, needs):
    """A mean recovery with the same interval about it, inside the limits; nothing where it is too wide."""
    study = described(
        criteria=[{"characteristic": "recovery", **limits}],
        recovery={"runs": [{"level": 50, "found": found}]},
    )
    (finding,) = judged(study)[1].assessment.findings

    assert (finding.outcome, ordinary(finding.needs)) == ("does not meet", needs)


def test_a_departure_is_not_cured_by_more_data(judged, described):
    """A test that rejects would reject more clearly with more data, and the finding does not ask for any."""
    curved = [{"level": x, "signals": [x**1.5, x**1.5 + 0.001]} for x in (1.0, 2.0, 4.0, 6.0, 8.0)]
    study = described(
        criteria=[{"characteristic": "lack_of_fit", "p_min": 0.05}], calibration={"runs": curved}
    )
    (finding,) = judged(study)[1].assessment.findings

    assert (finding.outcome, finding.needs) == (
        "does not meet",
        "a smaller deviation, since more data would not help",
    )


def test_that_many_results_of_the_same_scatter_pass(finding):
    """The study with the further results added is met: the plan holds where the figure stays."""
    more = finding(8.0)[0].further

    assert more < 100
    assert finding(8.0, n=6 + more)[0].outcome == "meets"
    assert finding(8.0, n=6 + more - 1)[0].outcome == "inconclusive"


def test_series_are_counted_where_the_doubt_is_theirs(judged, described):
    """Intermediate precision: the number is one of series, and that many more series of the kind decide."""

    def outcome(series):
        offsets = [(-1) ** i * 0.9 * (1 + 0.01 * i) for i in range(series)]
        runs = [
            {"level": 50, "series": f"S{i}", "concentrations": [50 + off - 0.6, 50 + off + 0.6]}
            for i, off in enumerate(offsets)
        ]
        study = described(
            criteria=[{"characteristic": "intermediate_precision", "rsd_max": 4.5}],
            precision={"runs": runs},
        )
        (found,) = judged(study)[1].assessment.findings
        return found

    few = outcome(4)

    assert few.outcome == "inconclusive"
    assert f"about {few.further} further series would resolve the point" in few.needs
    assert outcome(4 + few.further + 1).outcome == "meets"
    assert outcome(4 + max(few.further - 2, 0)).outcome == "inconclusive"


def test_a_reference_value_sets_a_floor(judged, described):
    """More results of a material do not lower the doubt of its certified value: the number allows for it."""

    def further(u):
        run = {"reference": 50, "found": replicates(3, 4, mean=50.5)}
        study = described(
            criteria=[{"characteristic": "recovery", "min": 98, "max": 102}],
            recovery={"runs": [run | ({"reference_uncertainty": u} if u else {})]},
        )
        (found,) = judged(study)[1].assessment.findings
        assert found.outcome == "inconclusive"
        return found.further

    without, small = further(None), further(0.15)

    assert without < small
    # 1.96 · 1 % alone is more than the 1 % that is left
    assert further(0.5) is None


def test_page_one_says_what_it_would_take(judged, described):
    """The open criterion stands on page one with the number of further results."""
    study = described(
        criteria=[{"characteristic": "repeatability", "rsd_max": 10}],
        precision={"runs": [{"level": 50, "series": "A", "concentrations": replicates(9.6)}]},
    )
    read, results = judged(study)
    (finding,) = results.assessment.findings

    (verdict,) = [block for block in build_document(read, results).summary if isinstance(block, Verdict)]

    said = " ".join(plain(point) for point in verdict.points)
    assert (
        f"Repeatability (about {finding.further} further independent results would resolve the point" in said
    )
