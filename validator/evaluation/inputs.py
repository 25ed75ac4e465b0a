"""The files a study was computed from: those the reading room read, and guidance profiles of its own."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

from validator.evaluation.results import InputRecord
from validator.guidance import load_profile, profile_names, resolve

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
