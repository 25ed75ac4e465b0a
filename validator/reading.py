"""A study as everything after the reading sees it: with the signals of its raw recordings in their blocks."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.study import read_study as read_as_written

if TYPE_CHECKING:
    from pathlib import Path

    from validator.study import Study


def read_study(path: Path | str) -> Study:
    """The study that *path* (its file, or the folder with ``study.yaml``) describes, checked and complete.

    Raises:
        StudyError: the files cannot be used; it carries every problem found.
        EnvironmentProblem: a workbook is to be read, and the package for it is missing.
    """
    study = read_as_written(path)
    if study.is_reduced:
        return study
    from validator.evaluation.recordings import reduced

    return reduced(study)
