"""The list of variants: complete, described, and found by name."""

import re

import numpy as np
import pytest
from msgspec import structs

from validator.errors import NotEstimable
from validator.statistics.detection import (
    QUANTIFICATION_ALIASES,
    VARIANTS,
    DetectionInputs,
    LimitResult,
    all_limits,
    resolve_detection,
    resolve_quantification,
)
from validator.statistics.interval import Estimate
from validator.statistics.regression import fit
from validator.study.blocks import result_blocks

FIELDS = {
    "critical": "critical_level",
    "detection": "detection_limit",
    "quantification": "quantification_limit",
}
NOT_IN_ONE = {"detection_rate", "lowest_calibrator"}
"""Their data are not those of the others: results that are not numbers, calibrators in triplicate."""


@pytest.mark.parametrize("variant", VARIANTS.values(), ids=lambda variant: variant.id)
def test_every_variant_describes_itself(variant):
    """Title, formula with its letters, source, scatter and needs are told; braces of the formula match."""
    for text in (
        variant.title,
        variant.formula,
        variant.symbols,
        variant.source.text,
        variant.sigma_contains,
    ):
        assert text.strip()
    assert variant.needs
    assert set(variant.rests_on) <= set(result_blocks())
    assert variant.formula.count("{") == variant.formula.count("}")
    assert variant.id in VARIANTS


@pytest.mark.parametrize("variant", VARIANTS.values(), ids=lambda variant: variant.id)
def test_a_full_study_gives_the_limits_that_are_announced(study, screened, variant):
    """Each variant returns exactly the limits it announces, with numbers that are finite."""
    result = variant.limits(screened if variant.id in NOT_IN_ONE else study)
    given = {name for name, field in FIELDS.items() if getattr(result, field) is not None}

    assert given == set(variant.gives)
    assert result.source == variant.source
    assert all(np.isfinite(value) for value in result.inputs.values())
    for name in given:
        estimate = getattr(result, FIELDS[name])
        assert estimate.value > 0
        assert estimate.interval is None or estimate.value in estimate.interval
    if result.critical_level and result.detection_limit:
        assert result.critical_level.value < result.detection_limit.value


@pytest.mark.parametrize("variant", VARIANTS.values(), ids=lambda variant: variant.id)
def test_an_empty_study_gives_a_reason_and_a_need(variant):
    """Without data every variant says what is missing and what it would take."""
    with pytest.raises(NotEstimable) as refusal:
        variant.limits(DetectionInputs())
    assert refusal.value.reason
    assert refusal.value.needs
    # a reason is a clause inside a sentence: no capital, no full stop
    assert re.fullmatch(r"[a-zA-Z0-9].*[^.]", refusal.value.reason)
    assert not refusal.value.reason[0].isupper() or refusal.value.reason.startswith(("DIN", "ISO"))


def test_all_limits_come_in_the_order_of_the_registry(study):
    """Every variant appears once, as a result or as the reason why not."""
    found = all_limits(study)

    assert list(found) == list(VARIANTS)
    refused = {name for name, result in found.items() if not isinstance(result, LimitResult)}
    assert refused == NOT_IN_ONE
    empty = all_limits(DetectionInputs())
    assert all(isinstance(refusal, NotEstimable) for refusal in empty.values())
    assert all(refusal.__traceback__ is None for refusal in empty.values())


def test_limit_far_below_the_calibration_is_flagged(study):
    """A detection limit more than three times below the lowest calibrator above zero is an extrapolation."""
    assert "below_lowest_calibrator" in VARIANTS["blank_3s"].limits(study).cautions
    near = fit([0.0, 0.01, 0.02, 0.03, 0.04], [0.0110, 0.0162, 0.0208, 0.0263, 0.0309])
    assert (
        "below_lowest_calibrator"
        not in VARIANTS["blank_3s"].limits(structs.replace(study, fit=near)).cautions
    )


@pytest.mark.parametrize(
    ("name", "variant"),
    [
        ("blank_10s", "blank_3s"),
        ("blank_mean_10s", "blank_mean_3s"),
        ("blank_10", "blank_3.3"),
        ("residual_10", "residual_3.3"),
        ("intercept_10", "intercept_3.3"),
        ("intercepts_10", "intercepts_3.3"),
        ("low_level_10s", "low_level_3s"),
        ("currie_10", "currie"),
        ("residual_3.3", "residual_3.3"),
        ("precision_profile", "precision_profile"),
    ],
)
def test_quantification_limits_are_found_by_either_name(name, variant):
    """The name with the factor of the quantification limit means the same variant."""
    assert resolve_quantification(name) is VARIANTS[variant]


def test_aliases_lead_to_variants_that_give_a_quantification_limit():
    """No alias points to nothing."""
    for name, variant in QUANTIFICATION_ALIASES.items():
        assert name not in VARIANTS
        assert "quantification" in VARIANTS[variant].gives


@pytest.mark.parametrize(
    ("resolve", "name", "reason", "suggestion"),
    [
        (
            resolve_detection,
            "residual_33",
            "there is no variant 'residual_33'",
            "did you mean 'residual_3.3'?",
        ),
        (
            resolve_quantification,
            "residual_10s",
            "there is no variant 'residual_10s'",
            "did you mean 'residual_10'?",
        ),
        (
            resolve_detection,
            "residual_10",
            "there is no variant 'residual_10'",
            "did you mean 'residual_3.3'?",
        ),
        (
            resolve_detection,
            "precision_profile",
            "the variant 'precision_profile' gives no detection limit",
            "one of blank_3s",
        ),
        (
            resolve_quantification,
            "hubaux_vos",
            "the variant 'hubaux_vos' gives no quantification limit",
            "one of blank_3s",
        ),
        (resolve_detection, "zzz", "there is no variant 'zzz'", "one of blank_3s"),
    ],
)
def test_names_that_do_not_fit(resolve, name, reason, suggestion):
    """A wrong name gets the nearest right one; a right one for the wrong limit gets the list."""
    with pytest.raises(NotEstimable) as refusal:
        resolve(name)
    assert refusal.value.reason == reason
    assert suggestion in refusal.value.needs
    assert ("did you mean" in refusal.value.needs) is ("did you mean" in suggestion)


def test_lowest_limit_of_a_result():
    """The detection limit, else the quantification limit, else the critical level stands for a result."""
    one, two, three = (Estimate(value=value) for value in (1.0, 2.0, 3.0))
    base = LimitResult(sigma_source="test", source="test")

    assert structs.replace(base, critical_level=one, detection_limit=two).lowest is two
    assert structs.replace(base, critical_level=one, quantification_limit=three).lowest is three
    assert structs.replace(base, critical_level=one).lowest is one
    with pytest.raises(ValueError, match="without any limit"):
        _ = base.lowest


def test_ten_thousand_readings():
    """Large data give limits without delay or warning."""
    generator = np.random.default_rng(0)
    x = np.tile([0.0, 1.0, 2.0, 3.0, 4.0], 2000)
    inputs = DetectionInputs(
        fit=fit(x, 0.1 + x + generator.normal(0, 0.05, x.size)),
        blank_signals=generator.normal(0.1, 0.05, 10_000),
    )
    found = all_limits(inputs)

    for variant in ("blank_3s", "blank_mean_3s", "residual_3.3", "currie", "iso_11843", "hubaux_vos"):
        assert found[variant].detection_limit.value == pytest.approx(0.16, abs=0.02)
