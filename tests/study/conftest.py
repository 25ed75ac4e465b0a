"""Studies written to a folder, and what the reader says about them."""

from __future__ import annotations

import pytest

from validator.errors import StudyError
from validator.study import read_study

HEAD = """\
format: validation-study/1
study: {title: Zinc in tap water by stripping voltammetry, matrix: tap water}
method:
  analytes: [{id: zn, name: zinc, unit: µg/L, signal: peak current, signal_unit: µA}]
"""
"""Four lines: what a test adds begins in line 5."""


@pytest.fixture
def write(tmp_path):
    """Write ``study.yaml`` (head and more) and further files into a folder, and return that."""

    def write(more="", files=None, head=HEAD):
        study = head if isinstance(head, bytes) else (head + more).encode()
        (tmp_path / "study.yaml").write_bytes(study)
        for name, content in (files or {}).items():
            path = tmp_path / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return tmp_path

    return write


@pytest.fixture
def study_of(write):
    """The study that reads without a problem."""

    def study_of(*written, **options):
        return read_study(write(*written, **options))

    return study_of


@pytest.fixture
def problems_of(write):
    """Every problem of a study that cannot be used, one line each."""

    def problems_of(*written, **options):
        with pytest.raises(StudyError) as caught:
            read_study(write(*written, **options))
        return str(caught.value).splitlines()

    return problems_of
