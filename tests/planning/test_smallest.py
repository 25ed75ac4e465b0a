"""The smallest design: sizes by closed forms, confirmed by simulation."""

from __future__ import annotations

import pytest
from scipy import stats

from validator.planning import predict
from validator.planning.carrying import Size, carrying_block
from validator.planning.smallest import _along, _larger, _least


def smallest_of(study, simulations=60):
    plan = study.plan.model_copy(update={"simulations": simulations})
    (prediction,) = predict(study.model_copy(update={"plan": plan}))
    return prediction.smallest


def test_repeatability_needs_as_many_degrees_of_freedom_as_chi_squared_says(planned):
    """σ = 6 % against 10 % at 0.9: the least ν with P(χ²_ν ≤ χ²_0.05,ν·(10/6)²) ≥ 0.9."""
    study = planned(
        {
            "precision": {"levels": [5], "series": 2, "replicates": 20},
            "assumed": {"slope": 1, "signal_sd": 0.3},
            "probability": 0.9,
        },
        criteria=[{"characteristic": "repeatability", "rsd_max": 10}],
    )
    least = next(
        nu for nu in range(1, 100) if stats.chi2.cdf(stats.chi2.ppf(0.05, nu) * (10 / 6) ** 2, nu) >= 0.9
    )

    found = smallest_of(study)

    (precision,) = found.sizes
    assert found.out_of_reach == ()
    assert precision.planned == Size(2, 20)
    freedom = precision.smallest.series * (precision.smallest.replicates - 1)
    # 60 studies tell 0.9 from 0.9 ± 0.08; a step is one series of some preparations
    assert 0.6 * least <= freedom <= least + 2 * precision.smallest.replicates
    assert precision.decided_by.key.characteristic == "repeatability"
    assert all(one.meets >= 0.9 * one.n for one in found.chances)


def test_blanks_are_reduced_where_fewer_do(planned):
    """A limit far above the expected value needs few blanks; the planned forty are too many."""
    study = planned(
        {
            "calibration": {"levels": [1, 2, 4, 8, 16], "replicates": 4},
            "blanks": {"series": 4, "replicates": 10},
            "assumed": {"slope": 1, "signal_sd": 0.3},
        },
        analysis={"detection_limit": {"variant": "blank_3s"}},
        criteria=[{"characteristic": "detection_limit", "max": 2}],
    )

    sizes = {one.block: one for one in smallest_of(study).sizes}

    assert sizes["blanks"].smallest.preparations < 20
    assert sizes["calibration"].smallest is None
    assert sizes["calibration"].decided_by is None


def test_the_design_printed_was_simulated_and_the_next_smaller_one_falls_short(planned):
    """Both criteria are met with it, both together less often; with one series less they are not."""
    study = planned(
        {
            "precision": {"levels": [5], "series": 3, "replicates": 2},
            "assumed": {"slope": 1, "signal_sd": 0.3, "between_series_rsd_percent": 5},
            "probability": 0.85,
        },
        criteria=[
            {"characteristic": "repeatability", "rsd_max": 10},
            {"characteristic": "intermediate_precision", "rsd_max": 15},
        ],
    )

    found = smallest_of(study)
    (precision,) = found.sizes

    assert found.out_of_reach == ()
    assert all(one.meets >= 0.85 * one.n for one in found.chances)
    assert found.all_met.value <= min(one.meets / one.n for one in found.chances)

    series, replicates = precision.smallest
    plan = study.plan.model_copy(
        update={
            "simulations": 1000,
            "precision": study.plan.precision.model_copy(
                update={"series": series - 1, "replicates": replicates}
            ),
        }
    )
    (prediction,) = predict(study.model_copy(update={"plan": plan}))
    assert min(one.meets / one.n for one in prediction.chances) < 0.85 + 0.1


def test_what_was_not_reached_has_no_smallest_design(planned):
    """No size is printed beside a criterion that the largest design simulated does not bring there."""
    study = planned(
        {
            "precision": {"levels": [5], "series": 2, "replicates": 2},
            "assumed": {"slope": 1, "signal_sd": 0.3},
            "probability": 0.95,
        },
        analysis={"accuracy_profile": {"acceptance_percent": 13}},
        criteria=[{"characteristic": "accuracy_profile", "max": 13}],
    )

    found = smallest_of(study, simulations=20)

    (precision,) = found.sizes
    (lost,) = found.out_of_reach
    assert lost.cause == "simulation"
    assert precision.smallest is None
    assert precision.decided_by is None
    assert found.all_met is None
    assert lost.largest.preparations > precision.planned.preparations


def test_what_no_number_of_results_can_reach_is_said(planned):
    """An assumed scatter beyond the limit, and a p that sound lines fail by construction."""
    study = planned(
        {
            "calibration": {"levels": [1, 2, 4, 8, 16], "replicates": 3},
            "precision": {"levels": [2], "series": 4, "replicates": 3},
            "assumed": {"slope": 1, "signal_sd": 0.3},
            "probability": 0.9,
        },
        criteria=[
            {"characteristic": "repeatability", "rsd_max": 12},
            {"characteristic": "lack_of_fit", "p_min": 0.5},
        ],
    )

    found = smallest_of(study)

    causes = {one.chance.key.characteristic: one.cause for one in found.out_of_reach}
    assert causes == {"repeatability": "value", "lack_of_fit": "test"}
    assert [one.smallest for one in found.sizes] == [None, None]


@pytest.mark.parametrize(
    ("block", "plan", "k", "size"),
    [
        ("blanks", Size(5, 3), 8, Size(4, 2)),
        ("blanks", Size(5, 3), 10, Size(5, 2)),
        ("blanks", Size(5, 3), 2, Size(2, 1)),
        ("recovery", Size(6, 2), 4, Size(4, 2)),
        ("recovery", Size(1, 6), 4, Size(1, 4)),
        ("calibration", Size(3, 1), 2, Size(3, 2)),
    ],
)
def test_a_block_grows_along_what_carries_its_degrees_of_freedom(block, plan, k, size):
    """Blanks in total, over no more series than planned; recoveries by series; calibrators by replicates."""
    assert _along(block, plan, k) == size


def test_the_least_size_is_found_by_doubling_and_bisection():
    """The first that is enough, and the largest that is tried where none is."""
    asked = []

    def enough(size):
        asked.append(size.replicates)
        return size.replicates >= 37

    assert _least(lambda k: Size(1, k), enough) == Size(1, 37)
    assert len(asked) < 20
    assert _least(lambda k: Size(1, k), lambda size: False) == Size(1, 200)
    assert _larger("precision", Size(5, 3), 0.2) == Size(6, 3)
    assert _larger("blanks", Size(5, 3), 0.5) == Size(5, 5)


def test_a_criterion_on_p_rests_on_no_number_of_results(planned):
    """Probabilities of tests have no block that could settle them by more results."""
    study = planned(
        {"calibration": {"levels": [1, 2, 4, 8, 16], "replicates": 3}, "simulations": 5},
        criteria=[{"characteristic": "lack_of_fit", "p_min": 0.05}],
    )
    (prediction,) = predict(study)

    assert [carrying_block(one) for one in prediction.chances] == [None]
