"""How much data is worked on: a study that would take minutes and gigabytes is refused with what to do."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.errors import Problem, StudyError
from validator.study.blocks import data_blocks

if TYPE_CHECKING:
    from validator.study import Study

MOST_RUNS = 1_000_000
"""Runs that are evaluated in a minute within a gigabyte and a half: time and memory grow with them."""


def number_of_runs(study: Study) -> int:
    """Runs in all data blocks together; curves count once, as the runs that were made of them."""
    return sum(len(study.runs(name)) for name, _, _ in data_blocks() if name != "recordings")


def check_size(study: Study) -> None:
    """Refuse a study with more runs than can be evaluated in bounded time.

    Raises:
        StudyError: it says how many there are and what would help.
    """
    count = number_of_runs(study)
    if count > MOST_RUNS:
        file = study.inputs[0].path if study.inputs else "study.yaml"
        message = (
            f"the study contains {count} runs; at most {MOST_RUNS} can be evaluated. Average "
            "repeated readings of one preparation, or provide raw curves as recordings"
        )
        raise StudyError([Problem(file, 0, "", message)])
