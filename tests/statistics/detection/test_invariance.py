"""Units, offsets and run order do not matter."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from validator.errors import NotEstimable
from validator.statistics.detection import DetectionInputs, LimitResult, all_limits
from validator.statistics.regression import fit

FIELDS = ("critical_level", "detection_limit", "quantification_limit")
# Numbers that only 1 % noise separates from a straight line: all variants have a limit for them.
NOISE = st.lists(st.floats(-0.02, 0.02), min_size=10, max_size=10)


def values(inputs):
    """Every limit and its ends, by variant and field."""
    found = {}
    for variant, result in all_limits(inputs).items():
        if isinstance(result, NotEstimable):
            found[variant] = result.reason
            continue
        for field in FIELDS:
            estimate = getattr(result, field)
            if estimate is not None:
                found[variant, field] = estimate.value
                if estimate.interval is not None:
                    found[variant, field, "lower"] = estimate.interval.lower
                    found[variant, field, "upper"] = estimate.interval.upper
    return found


def assert_same(found, expected, factor=1.0, rel=1e-6):
    assert found.keys() == expected.keys()
    for key, value in expected.items():
        if isinstance(value, str):
            assert found[key] == value
        else:
            # ends near zero are differences of larger numbers: compare with the detection limit's size
            assert found[key] == pytest.approx(value * factor, rel=rel, abs=1e-9 * factor)


@settings(max_examples=15, deadline=None)
@given(exponent=st.integers(-12, 12), mantissa=st.floats(1.0, 9.9))
def test_unit_of_the_signal(study, rescaled, exponent, mantissa):
    """Signals in other units leave every limit and interval as they were, from 1e-12 to 1e12."""
    assert_same(values(rescaled(study, signal=mantissa * 10.0**exponent)), values(study))


@settings(max_examples=15, deadline=None)
@given(exponent=st.integers(-12, 12), mantissa=st.floats(1.0, 9.9))
def test_unit_of_the_level(study, rescaled, exponent, mantissa):
    """Levels in other units scale every limit and interval."""
    factor = mantissa * 10.0**exponent
    assert_same(values(rescaled(study, level=factor)), values(study), factor)


@settings(max_examples=15, deadline=None)
@given(offset=st.floats(-100.0, 100.0))
def test_constant_added_to_all_signals(study, rescaled, offset):
    """A constant on blanks and standards alike changes nothing, but where the formula takes a for itself."""
    found, expected = (
        {key: value for key, value in values(inputs).items() if key[0] != "error_propagation"}
        for inputs in (rescaled(study, offset=offset), study)
    )
    assert_same(found, expected, rel=1e-5)


@settings(max_examples=15, deadline=None)
@given(order=st.permutations(range(10)), blanks=st.permutations(range(10)))
def test_order_of_runs(study, order, blanks):
    """Standards and blanks in any order give the same limits."""
    line = study.fit
    shuffled = replace(
        study,
        fit=fit(line.x[list(order)], line.y[list(order)]),
        blank_signals=study.blank_signals[list(blanks)],
        blank_series=tuple(study.blank_series[i] for i in blanks),
        low_level=tuple(
            replace(sample, concentrations=sample.concentrations[::-1], series=sample.series[::-1])
            for sample in study.low_level
        ),
        precision_levels=study.precision_levels[::-1],
        recovery_levels=study.recovery_levels[::-1],
    )
    assert_same(values(shuffled), values(study))


@settings(max_examples=10, deadline=None)
@given(factor=st.floats(1e-6, 1e6))
def test_units_with_a_weighted_parabola(study, rescaled, factor):
    """The numerical ways keep the invariances too."""
    line = study.fit
    curve = fit(line.x, line.y - 0.01 * line.x**2, model="quadratic", weights=1 / (0.5 + line.x))
    inputs = replace(study, fit=curve)

    assert_same(values(rescaled(inputs, signal=factor)), values(inputs))
    assert_same(values(rescaled(inputs, level=factor)), values(inputs), factor)


@settings(max_examples=40, deadline=None)
@given(noise=NOISE, blanks=st.lists(st.floats(-0.05, 0.05), min_size=0, max_size=12), m=st.integers(1, 5))
def test_any_data_give_a_number_or_a_reason(study, noise, blanks, m):
    """No data of ordinary size make a variant fail in any other way."""
    inputs = DetectionInputs(
        fit=fit(study.fit.x, study.fit.x + np.array(noise)),
        blank_signals=np.array(blanks),
        low_level=study.low_level,
        replicates_for_sample=m,
    )
    for result in all_limits(inputs).values():
        if isinstance(result, LimitResult):
            limits = [getattr(result, field) for field in FIELDS if getattr(result, field) is not None]
            assert all(np.isfinite(limit.value) for limit in limits)
        else:
            assert result.reason
            assert result.needs


@settings(max_examples=20, deadline=None)
@given(m=st.integers(1, 20))
def test_averaging_more_readings_never_raises_a_limit(study, m):
    """A routine result of m + 1 readings has limits at or below those of m."""
    before = all_limits(replace(study, replicates_for_sample=m))
    after = all_limits(replace(study, replicates_for_sample=m + 1))
    for variant, result in before.items():
        for field in FIELDS:
            limit = getattr(result, field, None)  # not of what the study has no data for
            if limit is not None:
                assert getattr(after[variant], field).value <= limit.value * (1 + 1e-9)
