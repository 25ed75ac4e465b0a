"""One study of a batch, in whichever process: taken over where nothing changed, else computed and written."""

from __future__ import annotations

import hashlib
import logging
from typing import TYPE_CHECKING

import numpy as np
import pydantic
import scipy

from validator.assessment import assess
from validator.batch.of_results import row_of
from validator.batch.places import RESULTS_FILE, StudyPlace
from validator.batch.rows import StudyRow
from validator.errors import OutputProblem, StudyError, ValidatorError
from validator.evaluation import evaluate
from validator.evaluation.results import Results, Software
from validator.evaluation.serialise import from_json, to_json
from validator.study import read_study
from validator.version import __version__
from validator.writing import write_atomically

if TYPE_CHECKING:
    from pathlib import Path

_LOG = logging.getLogger(__name__)


def work(place: StudyPlace) -> StudyRow:
    """The line of the study at *place*; whatever goes wrong with it is told there and stops no other."""
    try:
        kept = unchanged_results(place)
        if kept is not None:
            return row_of(place.name, kept, reused=True)
        return row_of(place.name, _computed(place))
    except StudyError as error:
        return StudyRow(path=place.name, problem="; ".join(str(one) for one in error.problems))
    except ValidatorError as error:
        return StudyRow(path=place.name, problem=str(error))
    except Exception as error:
        _LOG.info("%s", place.name, exc_info=True)
        return StudyRow(path=place.name, problem=f"unforeseen: {type(error).__name__}: {error}")


def unchanged_results(place: StudyPlace) -> Results | None:
    """The results written before, if every input still has its hash and the same software would compute them.

    A dossier counts as belonging to them when it was written after them.
    """
    try:
        results = from_json(place.results.read_bytes())
        if place.with_dossier and place.dossier.stat().st_mtime_ns < place.results.stat().st_mtime_ns:
            return None
    except (OSError, pydantic.ValidationError):
        return None
    if results.software != _software() or results.assessment is None:
        return None
    known = {one.path: one.sha256 for one in results.inputs}
    own_guidance = {f"{name}.yaml" for name in results.study.guidance}
    if any(name not in known and (place.folder / name).exists() for name in own_guidance):
        return None
    if any(_sha256(place.folder / name) != digest for name, digest in known.items()):
        return None
    return results


def _computed(place: StudyPlace) -> Results:
    study = read_study(place.folder)
    results = assess(study, evaluate(study))
    if place.output == place.folder and any(one.path == RESULTS_FILE for one in results.inputs):
        raise OutputProblem(f"{RESULTS_FILE}: is a file of the study; name an --output folder")
    try:
        place.output.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputProblem(f"{place.output}: cannot be made ({error.strerror or error})") from error
    write_atomically(place.results, to_json(results))
    if place.with_dossier:
        from validator.dossier import render

        write_atomically(place.dossier, render(study, results))
    return results


def _software() -> Software:
    return Software(name="validator", version=__version__, numpy=np.__version__, scipy=scipy.__version__)


def _sha256(file: Path) -> str:
    try:
        return hashlib.sha256(file.read_bytes()).hexdigest()
    except OSError:
        return ""
