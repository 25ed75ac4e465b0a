"""What a study was computed from: files and their hashes, and how large it is."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

from validator.errors import Problem, StudyError
from validator.evaluation.results import InputRecord
from validator.guidance import load_profile, profile_names, resolve
from validator.study.blocks import data_blocks

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from validator.study import Study


def input_records(study: Study) -> tuple[InputRecord, ...]:
    """Every file of the study folder that the results rest on, with its hash: study, data, own guidance.

    Raises:
        GuidanceError: a guidance profile of the study's own is malformed.
    """
    read = [
        InputRecord(
            path=file.path,
            sha256=file.sha256,
            role=file.role,
            remarks=tuple(one.text for one in file.remarks) or None,
        )
        for file in study.inputs
    ]
    known = {record.path for record in read}
    own = {file.name: file for file in _own_profiles(study) if file.name not in known}
    return (*read, *(_guidance(file) for file in own.values()))


def files_of(study: Study) -> tuple[Path, ...]:
    """What no output may overwrite: every file that was read, and the guidance profiles beside them."""
    folder = study.folder
    profiles = (folder / f"{name}.yaml" for name in profile_names((folder,)))
    return (*(folder / file.path for file in study.inputs), *profiles)


def _own_profiles(study: Study) -> Iterator[Path]:
    """Files of the profiles that lie beside the study, with those of its own that they extend."""
    folder = study.folder
    for name in study.study.guidance:
        extended = load_profile(name, search_folders=(folder,)).extends
        for profile in (name, *extended):
            file = resolve(profile, search_folders=(folder,))
            if file.parent == folder:
                yield file


def _guidance(file: Path) -> InputRecord:
    digest = hashlib.sha256(file.read_bytes()).hexdigest()
    return InputRecord(path=file.name, sha256=digest, role="guidance")


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
