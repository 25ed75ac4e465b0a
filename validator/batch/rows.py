"""What the summary says of one study: verdict, counts, and the figures that are followed over versions."""

from __future__ import annotations

import os
from pathlib import Path

from msgspec import Struct

from validator.errors import Problem, StudyError

UNREADABLE = "not read"


class FigureRow(Struct, frozen=True, kw_only=True):
    """One figure of one study with its interval; ``level`` in the unit of the analyte."""

    analyte: str
    configuration: str
    figure: str
    level: float | None
    unit: str
    value: float
    lower: float | None
    upper: float | None


class StudyRow(Struct, frozen=True, kw_only=True):
    """One study in a line.

    Attributes:
        path: its folder relative to that of the batch.
        title, id, version, matrix, analytes: as in the study.
        verdict: the verdict, "draft" for a study without one, or "not read".
        reason: the sentence behind it.
        meets, does_not_meet, inconclusive, not_assessed: findings that decide, by outcome.
        stops, conditions, cautions: open caveats by severity.
        design_short: requirements of the guidance on the design that are not met.
        problem: why it could not be read.
        figures: figures that are followed over versions.
        reused: unchanged since its results were written, which were taken over.
    """

    path: str
    title: str = ""
    id: str = ""
    version: str = ""
    matrix: str = ""
    analytes: str = ""
    verdict: str = UNREADABLE
    reason: str = ""
    meets: int = 0
    does_not_meet: int = 0
    inconclusive: int = 0
    not_assessed: int = 0
    stops: int = 0
    conditions: int = 0
    cautions: int = 0
    design_short: int = 0
    problem: str = ""
    figures: tuple[FigureRow, ...] = ()
    reused: bool = False


STUDY_FILE = "study.yaml"
"""As in ``study.reading``, which is not loaded for it: whoever only hands studies out needs no models."""
RESULTS_FILE = "results.json"
DOSSIER_FILE = "dossier.pdf"


class StudyPlace(Struct, frozen=True, kw_only=True):
    """A study of a batch.

    Attributes:
        name: its folder relative to the folder of the batch, with forward slashes.
        folder: where its ``study.yaml`` is.
        output: the folder that its results go to.
        with_dossier: a dossier is asked for besides.
    """

    name: str
    folder: Path
    output: Path
    with_dossier: bool = False

    @property
    def results(self) -> Path:
        """The results file."""
        return self.output / RESULTS_FILE

    @property
    def dossier(self) -> Path:
        """The dossier."""
        return self.output / DOSSIER_FILE


def find_studies(
    folder: Path, output: Path | None = None, *, with_dossier: bool = False
) -> tuple[StudyPlace, ...]:
    """Every folder in *folder*, itself included, that holds ``study.yaml``; sorted by name.

    Hidden folders are left out, links to folders are not followed. Results go beside each study, or to the
    same path under *output*.

    Raises:
        StudyError: there is no such folder, or no study in it.
    """
    root = folder.resolve()
    found = []
    for here, below, files in os.walk(root):
        below[:] = [name for name in below if not name.startswith(".")]
        if STUDY_FILE in files:
            found.append(Path(here).relative_to(root))
    if not found:
        message = f"no {STUDY_FILE} in this folder or its subfolders"
        raise StudyError([Problem(str(folder), 0, "", message)])
    return tuple(
        StudyPlace(
            name=path.as_posix(),
            folder=root / path,
            output=(root if output is None else output.resolve()) / path,
            with_dossier=with_dossier,
        )
        for path in sorted(found, key=lambda one: one.parts)
    )
