"""Comparison with another method from the study to its record."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import yaml
from scipy import stats

from validator.evaluation.results import NotAssessed

PUBLISHED = Path(__file__).parents[1] / "published" / "data"
THIS = [[13.3, 13.9], [8.1, 8.3], [3.7, 3.6], [11.7, 11.3], [2.2, 2.1], [3.2, 2.8], [5.7, 6.0]]
REFERENCE = [[13.8, 14.0], [8.0, 8.2], [3.8, 3.9], [12.1, 12.4], [2.2, 2.3], [3.1, 3.0], [5.8, 5.7]]


@pytest.fixture
def compared(record_of, described):
    """The comparison record of a study."""

    def compared(runs, **more):
        return record_of(described(comparison={"runs": runs}, **more)).comparison

    return compared


def runs(this=THIS, reference=REFERENCE):
    return [
        {"sample": f"S{i}", "this_method": mine, "reference_method": its}
        for i, (mine, its) in enumerate(zip(this, reference, strict=True))
    ]


def means():
    return np.mean(THIS, axis=1), np.mean(REFERENCE, axis=1)


def test_samples_are_the_units_of_the_paired_test(compared):
    """Readings of a sample are averaged; the t test is the paired one of scipy."""
    record = compared(runs())
    expected = stats.ttest_rel(*means())

    assert record.n == 7
    assert record.paired.test.statistic == pytest.approx(expected.statistic, rel=1e-9)
    assert record.paired.test.p == pytest.approx(expected.pvalue, rel=1e-9)
    low, high = expected.confidence_interval(0.95)
    assert record.paired.mean_difference.ci == pytest.approx((low, high), rel=1e-9)
    inner = expected.confidence_interval(0.90)
    assert record.paired.mean_difference.one_sided == pytest.approx((inner.low, inner.high), rel=1e-9)


def test_relative_difference_is_the_mean_of_relative_differences(compared):
    """Each difference in percent of the mean of both results, averaged."""
    y, x = means()

    record = compared(runs())

    expected = np.mean(100 * (y - x) / ((y + x) / 2))
    assert record.paired.mean_difference_percent.value == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(("bound", "passes"), [(8, True), (1, False)])
def test_bounds_of_the_study_ask_for_equivalence(compared, bound, passes):
    """Two one-sided tests of the mean relative difference: both p of scipy's one-sided t tests."""
    y, x = means()
    percent = 100 * (y - x) / ((y + x) / 2)

    record = compared(runs(), criteria=[{"characteristic": "method_comparison", "min": -bound, "max": bound}])

    found = record.paired.equivalence
    p = max(
        stats.ttest_1samp(percent, -bound, alternative="greater").pvalue,
        stats.ttest_1samp(percent, bound, alternative="less").pvalue,
    )
    assert (found.lower, found.upper, found.passes) == (-bound, bound, passes)
    assert found.p == pytest.approx(p, rel=1e-9)
    assert compared(runs()).paired.equivalence is None


def test_replicates_of_both_methods_are_compared(compared):
    """F test of the pooled variances, two-sided (NIST/SEMATECH e-Handbook, 1.3.5.9), and F interval."""
    found = compared(runs()).replicates

    pooled = [np.mean(np.var(table, axis=1, ddof=1)) for table in (THIS, REFERENCE)]
    f = pooled[0] / pooled[1]
    assert found.variance_ratio.value == found.test.statistic == pytest.approx(f, rel=1e-9)
    assert found.test.df == (7, 7)
    assert found.test.p == pytest.approx(2 * min(stats.f.sf(f, 7, 7), stats.f.cdf(f, 7, 7)), rel=1e-9)
    limits = [f / stats.f.ppf(q, 7, 7) for q in (0.975, 0.025)]
    assert found.variance_ratio.ci == pytest.approx(limits, rel=1e-9)


def test_limits_of_agreement(compared):
    """Bias ± 1.96 s, each with an interval; the slope of the differences on the means beside."""
    y, x = means()
    d = y - x

    record = compared(runs()).bland_altman

    z = stats.norm.ppf(0.975)
    assert record.lower.value == pytest.approx(d.mean() - z * d.std(ddof=1), rel=1e-9)
    assert record.upper.value == pytest.approx(d.mean() + z * d.std(ddof=1), rel=1e-9)
    assert record.lower.ci[0] < record.lower.value < record.lower.ci[1]
    screen = stats.linregress((x + y) / 2, d)
    assert record.proportional_bias.value == pytest.approx(screen.slope, rel=1e-9)
    assert record.proportional_bias_test.p == pytest.approx(screen.pvalue, rel=1e-9)


def test_deming_takes_its_ratio_from_the_replicates(compared):
    """The ratio of the error variances is that of the pooled duplicates; the line minimises with it."""
    record = compared(runs())
    ratio = np.mean(np.var(THIS, axis=1, ddof=1)) / np.mean(np.var(REFERENCE, axis=1, ddof=1))

    assert record.deming.ratio_source == "replicates"
    assert record.deming.variance_ratio == pytest.approx(ratio, rel=1e-9)
    assert record.replicates.this_method == pytest.approx(
        math.sqrt(np.mean(np.var(THIS, axis=1, ddof=1))), rel=1e-9
    )
    assert (record.replicates.df_this, record.replicates.df_reference) == (7, 7)


def test_deming_without_replicates_is_orthogonal(compared):
    """With nothing known of the errors the ratio is taken as 1: the line is the first principal axis."""
    y, x = means()

    record = compared(runs([[v] for v in y.tolist()], [[v] for v in x.tolist()]))

    centred = np.column_stack([x - x.mean(), y - y.mean()])
    axis = np.linalg.svd(centred)[2][0]
    assert (record.deming.variance_ratio, record.deming.ratio_source) == (1.0, "assumed")
    assert record.deming.slope.value == pytest.approx(axis[1] / axis[0], rel=1e-9)
    assert record.replicates is None
    assert record.york is None


def test_passing_bablok_line(compared):
    """The slope is the median of the pairwise slopes, none of which is below -1 here."""
    y, x = means()
    slopes = [(y[j] - y[i]) / (x[j] - x[i]) for i in range(7) for j in range(i + 1, 7)]

    record = compared(runs()).passing_bablok

    assert min(slopes) > -1
    assert record.slope.value == pytest.approx(np.median(slopes), rel=1e-9)
    assert record.intercept.value == pytest.approx(np.median(y - record.slope.value * x), rel=1e-9)


def test_stated_uncertainties_give_the_line_of_york(compared):
    """York et al., Am. J. Phys. 72 (2004) 367 (seen): Pearson's data with York's weights."""
    book = yaml.safe_load((PUBLISHED / "cmp_york_pearson.yaml").read_text(encoding="utf-8"))
    given, printed, tolerance = book["inputs"], book["published"], book["tolerance"]
    study = [
        {
            "sample": f"P{i}",
            "this_method": y,
            "reference_method": x,
            "this_method_uncertainty": w_y**-0.5,
            "reference_method_uncertainty": w_x**-0.5,
        }
        for i, (x, y, w_x, w_y) in enumerate(
            zip(given["x"], given["y"], given["weight_x"], given["weight_y"], strict=True)
        )
    ]

    record = compared(study)

    assert record.york.slope.value == pytest.approx(float(printed["b"]), rel=tolerance["b"])
    assert record.york.intercept.value == pytest.approx(float(printed["a"]), rel=tolerance["a"])
    assert record.york.slope.standard_error == pytest.approx(
        float(printed["se_b_scaled"]), rel=tolerance["se_b_scaled"]
    )
    assert math.sqrt(record.york.chi_squared / record.york.degrees_of_freedom) == pytest.approx(
        float(printed["sqrt_reduced_chi2"]), rel=tolerance["sqrt_reduced_chi2"]
    )
    assert record.deming.ratio_source == "given"
    assert isinstance(record.passing_bablok, NotAssessed)


def test_a_result_below_a_limit_stands_at_that_limit(compared):
    """The sample takes part; the assessment repeats the computation with the result at zero."""
    extra = {"sample": "low", "this_method": [0.4, "<0.3"], "reference_method": 0.35}

    record = compared([*runs(), extra])

    assert record.n == 8
    assert (record.samples[-1].left_out, record.samples[-1].n_this) == (None, 2)
    assert record == compared([*runs(), extra | {"this_method": [0.4, 0.3]}])
    assert record.paired != compared([*runs(), extra | {"this_method": [0.4, 0.0]}]).paired


def test_an_excluded_sample_stays_in_sight(compared):
    """The cause is listed, and the mean difference with it stands beside."""
    extra = {"sample": "odd", "this_method": 9, "reference_method": 5, "excluded": "vial mixed up"}

    record = compared([*runs(), extra])

    y, x = means()
    assert record.samples[-1].left_out == "excluded: vial mixed up"
    assert record.paired.mean_difference.value == pytest.approx(np.mean(y - x), rel=1e-9)
    assert record.with_excluded.value == pytest.approx((np.sum(y - x) + 4) / 8, rel=1e-9)


def test_too_few_samples_refuse_each_figure_by_itself(compared):
    """Two samples carry a mean difference, but no limits of agreement and no line."""
    record = compared(runs(THIS[:2], REFERENCE[:2]))

    assert record.paired.test.df == 1
    assert record.bland_altman.not_assessed == "2 samples"
    assert isinstance(record.deming, NotAssessed)
    assert isinstance(record.passing_bablok, NotAssessed)


def test_absent_block(record_of, described):
    """Without runs the characteristic is not assessed."""
    record = record_of(described(precision={"runs": [{"level": 5, "concentrations": [4, 5, 6]}]})).comparison

    assert record.not_assessed == "no method comparison data were provided"
