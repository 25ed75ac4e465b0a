"""A starter study in a folder of its own: a commented description, tables to fill in, an editors' schema."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING

from validator.errors import OutputProblem
from validator.guidance.loading import profile_names
from validator.resources import starters_folder
from validator.statistics.detection.registry import QUANTIFICATION_ALIASES, VARIANTS
from validator.study import read_study
from validator.study.entry_tables import EntrySheet, entry_workbook
from validator.study.schema import SCHEMA_FILE, Names, study_schema
from validator.writing import write_atomically

if TYPE_CHECKING:
    from pathlib import Path
    from typing import Literal

STUDY_FILE = "study.yaml"
WORKBOOK = "measurements.xlsx"
_TABLE = re.compile(r"\bfile: (\w+)\.csv\}")
_ON_TEXT_FILES = re.compile(r"#\n# Semicolons stand .*?\n(?!#)", re.DOTALL)
"""What a starter says of tables that are text files."""
_FOR_EDITORS = f"# yaml-language-server: $schema={SCHEMA_FILE}\n"
"""By this line editors find the schema that completes keys and checks values."""


def schema_text() -> str:
    """The schema of the study description as it is written to a file."""
    variants = VARIANTS.values()
    names = Names(
        detection_limits=[one.id for one in variants if "detection" in one.gives],
        quantification_limits=[
            *(one.id for one in variants if "quantification" in one.gives),
            *QUANTIFICATION_ALIASES,
        ],
        profiles=profile_names(),
    )
    return json.dumps(study_schema(names), ensure_ascii=False, indent=1) + "\n"


def start_study(
    folder: Path, kind: str, tables: Literal["csv", "xlsx"], workbook: Path | None = None
) -> None:
    """Write the starter study for the technique *kind* into *folder*, which is new or empty.

    With a *workbook*, a copy of it and a study whose mappings fit it.

    Raises:
        OutputProblem: the folder holds something, or cannot be written; nothing is left in it then.
        EnvironmentProblem: the tables are to be a workbook, and the package for it is missing.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise OutputProblem(f"{folder}: already exists and is not an empty folder; specify a new folder")
    files = _files(kind, tables) if workbook is None else _files_for(workbook)
    was_there = folder.exists()
    written: list[Path] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, content in files.items():  # the study comes last: a folder with it is complete
            write_atomically(folder / name, content)
            written.append(folder / name)
    except BaseException as error:
        for path in written:
            path.unlink()
        if not was_there and folder.is_dir():
            folder.rmdir()
        if isinstance(error, OSError):
            raise OutputProblem(f"{folder}: cannot be written ({error.strerror or error})") from error
        raise


def _files_for(workbook: Path) -> dict[str, bytes]:
    from validator.sketching import sketch

    text = sketch(workbook)
    return {
        workbook.name: workbook.read_bytes(),
        SCHEMA_FILE: schema_text().encode("utf-8"),
        STUDY_FILE: (_FOR_EDITORS + text).encode("utf-8"),
    }


def _files(kind: str, tables: Literal["csv", "xlsx"]) -> dict[str, bytes]:
    source = starters_folder() / kind
    text = (source / STUDY_FILE).read_text(encoding="utf-8")
    files = {path.name: path.read_bytes() for path in sorted(source.glob("*.csv"))}
    if tables == "xlsx":
        study = read_study(source)
        blocks = _TABLE.findall(text)
        headers = {name: files[f"{name}.csv"].decode("utf-8").splitlines()[0].split(";") for name in blocks}
        sheets = [EntrySheet(block=name, header=headers[name]) for name in blocks]
        files = {WORKBOOK: entry_workbook(study, sheets)}
        text = _ON_TEXT_FILES.sub("", text)
        text = _TABLE.sub(rf"file: {WORKBOOK}, sheet: \1}}", text).replace(
            "tables (CSV)", f"sheets of {WORKBOOK}"
        )
    files[SCHEMA_FILE] = schema_text().encode("utf-8")
    return {**files, STUDY_FILE: (_FOR_EDITORS + text).encode("utf-8")}
