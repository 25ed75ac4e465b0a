"""Caveats on the files: what was not certain when they were read."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.assessment.caveats.raising import Raised, Subject, Trigger

if TYPE_CHECKING:
    from collections.abc import Callable


def file_read_with_doubt(subject: Subject) -> Trigger:
    """A file left open how to read it, or lacks values that it seems to hold."""
    if subject.cell.analyte != subject.study.analyte_ids[0]:
        return
    for file in subject.study.inputs:
        for remark in file.remarks:
            yield Raised(
                id="file_read_with_doubt",
                case="values_missing" if remark.values_missing else "taken",
                values={"file": file.path, "remark": remark.text},
                whole_study=True,
            )


TRIGGERS: tuple[Callable[[Subject], Trigger], ...] = (file_read_with_doubt,)
