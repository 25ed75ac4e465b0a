"""What the dossier says of configurations side by side."""

from __future__ import annotations

import numpy as np
import pytest

from validator.dossier import build_document
from validator.dossier.document import Paragraph, Section, Table
from validator.dossier.inline import plain

LEVELS = np.repeat([1.0, 2.0, 4.0, 6.0, 8.0], 3)
NOISE = {
    name: np.random.default_rng(i).standard_normal(15) for i, name in enumerate(("film", "bare", "mesh"))
}


def line(name, slope):
    return [
        {"configuration": name, "level": float(x), "signal": float(slope * x + 0.01 * noise)}
        for x, noise in zip(LEVELS, NOISE[name], strict=True)
    ]


def blanks(**scatter):
    return {
        "runs": [
            {"configuration": name, "signals": (sd * NOISE[name][:10]).tolist()}
            for name, sd in scatter.items()
        ]
    }


@pytest.fixture
def sentences(judged, described):
    """The paragraphs of the section on configurations, and the note of its first table."""

    def sentences(slopes, **more):
        runs = [run for name, slope in slopes.items() for run in line(name, slope)]
        study, results = judged(described(configurations=list(slopes), calibration={"runs": runs}, **more))
        (section,) = (
            one
            for one in build_document(study, results).sections
            if isinstance(one, Section) and one.id == "configurations-compared"
        )
        said = [plain(one.content) for one in section.blocks if isinstance(one, Paragraph)]
        notes = [plain(one.note) for one in section.blocks if isinstance(one, Table) and one.note]
        return said, notes

    return sentences


def test_a_real_difference_is_said_with_both_tests(sentences):
    """Twice the slope: Welch's test decides, the pooled one stands beside it."""
    said, _ = sentences({"film": 2.0, "bare": 1.0})

    (sentence,) = (one for one in said if "the sensitivity ratio" in one)
    assert "the sensitivity ratio (film to bare) is 1.9997 (1.9967 to 2.0027)" in sentence
    assert "(Welch: t = " in sentence
    assert "; pooled: t = " in sentence
    assert "ν = 26" in sentence


def test_equal_slopes_are_not_told_apart(sentences):
    """No difference is claimed where the test shows none."""
    said, _ = sentences({"film": 2.0, "bare": 2.0})

    assert any("do not differ significantly" in one for one in said)
    assert not any("common slope" in one for one in said)


@pytest.mark.parametrize(
    ("mesh", "outcome"),
    [(1.0, "configurations is rejected (F = "), (2.0, "configurations is not rejected (F = ")],
)
def test_three_configurations_are_asked_for_one_slope(sentences, mesh, outcome):
    """The F test of a common slope is told for more than two."""
    said, _ = sentences({"film": 2.0, "bare": 2.0, "mesh": mesh})

    (sentence,) = (one for one in said if "hypothesis of a common slope" in one)
    assert "for all 3 configurations" in sentence
    assert outcome in sentence


def test_weighted_lines_say_why_they_are_not_pooled(sentences):
    """The reason stands where the pooled test would."""
    said, _ = sentences({"film": 2.0, "bare": 1.0}, analysis={"calibration": {"weighting": "1/x"}})

    assert any("not pooled: the residual variances of weighted fits" in one for one in said)


@pytest.mark.parametrize(
    ("scatter", "words"),
    [
        (0.01, "includes 1; a difference is not demonstrated"),
        (0.2, "interval excludes 1; the difference is significant"),
    ],
)
def test_whether_a_detection_limit_is_really_another(sentences, scatter, words):
    """Twenty times the scatter of blanks is a real difference, the same scatter is none."""
    said, _ = sentences(
        {"film": 2.0, "bare": 2.0},
        blanks=blanks(film=0.01, bare=scatter),
        analysis={"detection_limit": {"variant": "blank_3s"}},
    )

    (sentence,) = (one for one in said if "the ratio of the detection limits (bare to film)" in one)
    assert words in sentence


def test_the_level_of_the_intervals_is_that_of_the_study(sentences):
    """90 % intervals are not printed as 95 %."""
    _, notes = sentences({"film": 2.0, "bare": 1.0}, analysis={"confidence": 0.9})

    assert any("Intervals: 90\N{NARROW NO-BREAK SPACE}% confidence intervals" in one for one in notes)
