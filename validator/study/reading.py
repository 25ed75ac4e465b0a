"""The way from a path to a ``Study``, or to every problem that stands between."""

from __future__ import annotations

import gc
import re
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from pydantic import ValidationError

from validator.errors import Problem, StudyError
from validator.study.blocks import data_blocks, with_data
from validator.study.composing import compose
from validator.study.curves import Curve, CurveFiles, CurveName
from validator.study.files import Remark, StudyFolder, Unusable, decoded
from validator.study.headings import Doubt
from validator.study.keys import known_keys
from validator.study.models.study import Study
from validator.study.places import Leaf, Listing, Place, Table, find, plain, text_of, written_in
from validator.study.plan_record import PlanRecord, read_plan_record
from validator.study.problems import Problems, add_validation_errors, unknown_key
from validator.study.references import check_references

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from validator.study.models.calibration import CalibrationRun
    from validator.study.models.recordings import RecordedRun
    from validator.study.places import Loc

MOST_CURVES = 5000
MOST_POINTS = 5_000_000


def read_curves(study: Study, root: Table, folder: StudyFolder, problems: Problems) -> dict[CurveName, Curve]:
    """Every curve that a run of ``recordings`` names; what is wrong goes to *problems*, once a cause."""
    curves: dict[CurveName, Curve] = {}
    block = study.recordings
    if block is None:
        return curves
    files = CurveFiles(folder, block.recording_decimal, block.skip or 0)
    refused: dict[CurveName, None] = {}
    causes: dict[str, tuple[Place, Loc, str, set[str]]] = {}
    points = 0

    def refuse(name: CurveName, place: Place, loc: Loc, message: str) -> None:
        refused[name] = None
        causes.setdefault(_QUOTED.sub("", message), (place, loc, message, set()))[3].add(name[0])

    for index, run in enumerate(block.runs):
        loc: Loc = ("recordings", "runs", index, "recording")
        name = (run.recording, run.column)
        if name in curves or name in refused:
            continue
        if len(curves) >= MOST_CURVES or points > MOST_POINTS:
            message = f"the study names more than {MOST_CURVES} curves or {MOST_POINTS} points"
            problems.add(find(root, loc)[0], loc, message)
            break
        curve = None
        try:
            curve = files.curve(run.recording, block.x, run.column or block.y)
            curves[name] = _in_unit_of_signal(study, run, curve, folder)
            points += len(curve.x)
        except Unusable as error:
            in_file = Place(run.recording, error.line, in_table=True)
            if error.line:
                refuse(name, in_file, ("recordings",), str(error))
            else:
                refuse(name, find(root, loc)[0], loc, f"{run.recording}: {error}")
        except Doubt as doubt:
            row, header = (curve.header_row, curve.header) if curve else (0, "")
            place = Place(run.recording, row, header, in_table=True)
            refuse(name, place, ("recordings",), str(doubt))
    for place, loc, message, named in causes.values():
        more = "another file" if len(named) == 2 else f"{len(named) - 1} more files"
        problems.add(place, loc, f"{message} (and in {more})" if len(named) > 1 else message)
    return curves


_QUOTED = re.compile(r"'[^']*'|^[^ ]+: ")


def _in_unit_of_signal(study: Study, run: RecordedRun, curve: Curve, folder: StudyFolder) -> Curve:
    """The curve with ordinates in the unit of the signal that becomes of it; a conversion is noted."""
    peak = study.recordings.peak_for(run.analyte, run.configuration) if study.recordings else None
    if peak is None:
        return curve
    wanted = study.analyte(run.analyte).signal_unit
    found = curve.in_unit(wanted, "second derivative" if peak.is_derivative else peak.measure)
    if found is not curve:
        into = found.y_unit or "that of the signal"
        text = f"recordings: unit of the ordinates converted from {curve.y_unit} to {into}"
        folder.remark(run.recording, Remark(text, is_certain=True))
    return found


STUDY_FILE = "study.yaml"
_FEW = 3


def read_study(path: Path | str) -> Study:
    """The study that *path* describes, with all its files read and checked.

    Args:
        path: a study file, or a folder that holds ``study.yaml``.

    Raises:
        StudyError: the files cannot be used; it carries every problem of all of them.
    """
    file = _study_file(Path(path))
    folder = StudyFolder(file.parent)
    problems = Problems()
    study = None
    try:
        text = decoded(folder.read(file.name, "study"))
        with _no_search_for_cycles():
            study = _study(text, file.name, folder, problems)
    except Unusable as error:
        problems.add(Place(file.name, error.line), (), str(error))
    if study is None or problems:
        found = problems.in_reading_order()
        raise StudyError([*found, *_missing_values(found, folder)])
    return study


def _missing_values(found: Sequence[Problem], folder: StudyFolder) -> Iterator[Problem]:
    """What explains that readings are missing from a workbook that *found* names."""
    for file in folder.inputs:
        named = any(problem.file.partition(" [")[0] == file.path for problem in found)
        for remark in file.remarks if named else ():
            if remark.values_missing:
                message = f"{remark.text}; open the workbook in a spreadsheet program and save it there"
                yield Problem(file.path, 0, "", message)


@contextmanager
def _no_search_for_cycles() -> Iterator[None]:
    """Reading makes many objects and hardly any cycles; searching for these takes longer than the reading."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def _study_file(path: Path) -> Path:
    try:
        if path.is_dir():
            if (path / STUDY_FILE).exists():
                return path / STUDY_FILE
            message = f"no {STUDY_FILE} in this folder{_other_studies(path)}"
        elif path.exists():
            return path
        else:
            message = "file or folder not found"
    except OSError as error:  # a name that is too long, a folder that may not be entered
        message = f"cannot be read ({error.strerror})"
    raise StudyError([Problem(str(path), 0, "", message)])


def _other_studies(folder: Path) -> str:
    """Files in the *folder* that may be meant, as the end of a sentence."""
    others = sorted(one.name for one in folder.glob("*.y*ml") if one.is_file())
    if not others:
        return ""
    return f"; name the file itself if you mean {' or '.join(others[:_FEW])}"


def _study(text: str, name: str, folder: StudyFolder, problems: Problems) -> Study | None:
    root = compose(text, name, problems)
    if root is None:
        return None
    if "method" not in root.entries and _tell_of_keys(root, problems):
        return None  # every analyte and configuration would be unknown: no problem of its own
    root, incomplete = with_data(root, folder, problems)
    check_references(root, problems)
    _read_attachments(root, folder, problems)
    planned = _recorded_plan(root, folder, problems)
    try:
        study = Study.model_validate(plain(root))
    except ValidationError as error:
        add_validation_errors(problems, error, root, Study, incomplete)
        return None
    for block_name, _, _ in data_blocks():
        block = root.table(block_name)
        written = block.get("runs") if block else None
        for run, node in zip(
            study.runs(block_name), written.items if isinstance(written, Listing) else (), strict=True
        ):
            if isinstance(node, Table):
                run.stand_at(str(node.place), written_in(node))
    _note_exchanged_columns(study, folder)
    study._curves = read_curves(study, root, folder, problems)
    study._head = _without_data(root)
    study._folder = folder.folder
    study._inputs = folder.inputs
    study._recorded_plan = planned
    return study


_FEWEST_TO_TELL = 6
_MOST_KEYS = 20


def _tell_of_keys(root: Table, problems: Problems) -> bool:
    """Note top-level keys that are unknown, one of which may be the one that is missing."""
    known = known_keys(Study, ())
    unknown = [key for key in root.entries if key not in known]
    for key in unknown[:_MOST_KEYS]:
        problems.add(root.place_of(key), (key,), unknown_key((key,), root, known))
    return bool(unknown)


def _note_exchanged_columns(study: Study, folder: StudyFolder) -> None:
    """Note calibration tables whose levels all differ while the signals repeat: it is the other way round."""
    by_file: dict[str, list[CalibrationRun]] = {}
    for run in study.calibration.runs if study.calibration else ():
        by_file.setdefault(run.place.rpartition(_ROW)[0].partition(" [")[0], []).append(run)
    for file, runs in by_file.items():
        levels, signals = {run.level for run in runs}, [value for run in runs for value in run.values]
        repeat = len(set(signals)) <= len(signals) / 2
        if file and len(levels) == len(runs) >= _FEWEST_TO_TELL and repeat:
            text = "calibration: every level differs while signals repeat; are the two columns exchanged?"
            folder.remark(file, Remark(text))


_ROW = " row "


def _without_data(root: Table) -> Table:
    """The study without its data blocks, which know their places themselves."""
    data = {name for name, _, _ in data_blocks()}
    return Table(root.place, {key: entry for key, entry in root.entries.items() if key not in data})


def _recorded_plan(root: Table, folder: StudyFolder, problems: Problems) -> PlanRecord | None:
    plan = root.table("plan")
    name = plan.text("record") if plan else None
    if plan is None or name is None:
        return None
    try:
        return read_plan_record(folder.read(name, "plan"))
    except Unusable as error:
        problems.add(plan.place_of("record"), ("plan", "record"), str(error))
        return None


def _read_attachments(root: Table, folder: StudyFolder, problems: Problems) -> None:
    identity = root.table("study")
    attachments = identity.get("attachments") if identity else None
    if not isinstance(attachments, Listing):
        attachments = Listing(root.place, [attachments] if attachments else [])
    for index, item in enumerate(attachments.items):
        if not isinstance(item, Leaf) or (name := text_of(item)) is None:
            continue
        try:
            folder.read(name, "attachment")
        except Unusable as error:
            problems.add(item.place, ("study", "attachments", index), str(error))
