"""What the dossier says of outlier tests that were not made."""

from __future__ import annotations

import numpy as np
import pytest

from validator.dossier import build_document, render_html


@pytest.mark.parametrize(("n", "said"), [(40, False), (41, True)])
def test_pairs_are_not_tested_beyond_the_table(judged, described, n, said):
    """Critical values of Grubbs' tests of a pair end at 40 values; beyond, the reader is told."""
    values = [round(float(value), 4) for value in np.random.default_rng(1).normal(10, 0.2, n)]
    study = described(
        calibration={
            "runs": [{"level": x, "signals": [0.1 * x, 0.1 * x + 0.001]} for x in (2, 5, 10, 15, 20)]
        },
        precision={"runs": [{"level": 10, "concentrations": values}]},
    )

    page = render_html(build_document(*judged(study)))

    assert ("were not applied to more than 40 values" in page) is said
