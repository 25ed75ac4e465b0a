"""One study of a batch, in whichever process: taken over where nothing changed, else computed and written."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

import numpy as np
import scipy
from msgspec.structs import replace

from validator.assessment import assess
from validator.batch.of_results import row_of
from validator.batch.rows import StudyRow
from validator.errors import OutputProblem, StudyError, ValidatorError
from validator.evaluation import evaluate
from validator.evaluation.inputs import files_of, input_records
from validator.evaluation.results import Results, Software
from validator.evaluation.serialise import from_json, to_json
from validator.reading import read_study
from validator.version import __version__
from validator.writing import check_outputs, write_atomically

if TYPE_CHECKING:
    from validator.batch.places import StudyPlace
    from validator.study import Study

_LOG = logging.getLogger(__name__)


def work(place: StudyPlace) -> StudyRow:
    """The line of the study at *place*; whatever goes wrong with it is told there and stops no other."""
    try:
        study = read_study(place.folder)
        kept = unchanged_results(place, study)
        return row_of(place.name, kept or _computed(place, study), reused=kept is not None)
    except StudyError as error:
        return StudyRow(path=place.name, problem="; ".join(str(one) for one in error.problems))
    except ValidatorError as error:
        return StudyRow(path=place.name, problem=str(error))
    except Exception as error:
        _LOG.info("%s", place.name, exc_info=True)
        return StudyRow(path=place.name, problem=f"unexpected error: {type(error).__name__}: {error}")


def unchanged_results(place: StudyPlace, study: Study) -> Results | None:
    """The results written before, if every input still has its hash and the same software would compute them.

    Findings and verdict are judged anew: a results file that says anything else was edited, and counts for
    nothing. A dossier counts as belonging to the results when it was written after them.
    """
    try:
        results = from_json(place.results.read_bytes())
        if place.with_dossier and place.dossier.stat().st_mtime_ns < place.results.stat().st_mtime_ns:
            return None
        if results.software != _software() or results.inputs != input_records(study):
            return None
        return results if assess(study, replace(results, assessment=None)) == results else None
    except Exception:  # no such file, or not as it was written; whatever else it is, computing will say it
        return None


def _computed(place: StudyPlace, study: Study) -> Results:
    results = assess(study, evaluate(study))
    try:
        place.output.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputProblem(f"{place.output}: cannot be made ({error.strerror or error})") from error
    check_outputs((place.results, place.dossier if place.with_dossier else None), files_of(study))
    write_atomically(place.results, to_json(results))
    if place.with_dossier:
        from validator.dossier import render

        write_atomically(place.dossier, render(study, results))
    return results


def _software() -> Software:
    return Software(name="validator", version=__version__, numpy=np.__version__, scipy=scipy.__version__)
