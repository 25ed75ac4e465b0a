"""Names of matrices and causes of exclusions are free text: what may be read from them, and what may not."""

from __future__ import annotations

import pytest

from validator.assessment.caveats.of_exclusions import is_statistical
from validator.assessment.caveats.raising import unlike


@pytest.mark.parametrize(
    ("one", "other", "different"),
    [
        ("river water", "river water", False),
        ("seawater", "seawater, salinity 33 to 35, filtered", False),
        ("canal water", "irrigation water (canal and well water)", False),
        ("reference river water", "river water", False),
        ("Bovine liver", "bovine LIVER", False),
        ("estuarine sediment", "river water", True),
        ("acetate buffer", "river water", True),
        ("distilled water", "river water", True),
        ("distilled water", "ultrapure water", False),
        ("certified reference material", "river water", False),
        (None, "river water", False),
        ("river water", "", False),
    ],
)
def test_a_doubt_needs_names_without_a_word_in_common(one, other, different):
    """Where one word speaks for likeness, or nothing telling is said, no doubt is raised."""
    assert unlike(one, other) is different
    assert unlike(other, one) is different


@pytest.mark.parametrize(
    "cause",
    [
        "outlier",
        "Grubbs test, p < 0.05",
        "statistical outlier (Dixon, 95 %)",
        "deviates too far from the mean of the others",
        "implausible value, extremely high",
        "signal is too low",
    ],
)
def test_a_statistical_judgement_is_no_cause(cause):
    """However it is worded: that a result is unlike the others explains nothing."""
    assert is_statistical(cause)


@pytest.mark.parametrize(
    "cause",
    [
        "air bubble in the cell",
        "outlier; pipette dripped",
        "peak too low: wrong injection volume",
        "power failure during the run",
        "vial broken",
    ],
)
def test_a_technical_cause_is_one_whatever_is_said_beside_it(cause):
    """A reason that lies in the work stands, even where a test was done as well."""
    assert not is_statistical(cause)
