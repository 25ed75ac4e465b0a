"""CCα and CCβ."""

import numpy as np
import pytest
from msgspec.structs import replace

from validator.errors import NotEstimable
from validator.statistics.detection import VARIANTS


def limits(inputs):
    return VARIANTS["decision_limit"].limits(inputs)


def test_permitted_substance(study):
    """CCα = L + 1.64 s and CCβ = CCα + 1.64 s with the precision at the legal limit."""
    result = limits(study)

    assert result.critical_level.value == pytest.approx(2.0 + 1.64 * 0.06)
    assert result.detection_limit.value == pytest.approx(2.0 + 3.28 * 0.06)
    assert result.critical_level.interval.lower > 2.0
    assert result.cautions == ()


def test_prohibited_substance(study):
    """CCα = 2.33 s and CCβ = CCα + 1.64 s of the blank."""
    result = limits(replace(study, prohibited=True))
    s = np.std(study.blank_signals, ddof=1) / study.fit.slope.value

    assert result.critical_level.value == pytest.approx(2.33 * s)
    assert result.detection_limit.value == pytest.approx(3.97 * s)
    assert "at least 20 blanks" in result.note
    enough = replace(study, prohibited=True, blank_signals=np.tile(study.blank_signals, 2))
    assert "at least 20 blanks" not in limits(enough).note


def test_precision_near_the_legal_limit(study):
    """Precision beyond a factor two of the limit does not count; between a quarter and that it is flagged."""
    assert "level_far_from_limit" in limits(replace(study, legal_limit=1.2)).cautions
    with pytest.raises(NotEstimable, match="no precision data are available near the legal limit"):
        limits(replace(study, legal_limit=20.0))


def test_neither_limit_nor_prohibition(study):
    """Without a legal limit or a prohibition there is nothing to decide against."""
    with pytest.raises(NotEstimable, match="no legal limit is stated"):
        limits(replace(study, legal_limit=None))
