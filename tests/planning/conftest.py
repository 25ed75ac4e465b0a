"""Planned studies without data."""

from __future__ import annotations

import pytest


@pytest.fixture(scope="session")
def planned(described, study_of):
    """A planned study of one analyte, read from its file."""

    def planned(plan, **more):
        return study_of(described(plan={"assumed": {"slope": 1.0, "signal_sd": 0.1}, **plan}, **more))

    return planned
