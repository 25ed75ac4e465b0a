"""What was not certain when a file was read is a caveat, and `check` says it too."""

from __future__ import annotations

import io

import openpyxl
import pytest


def studied(file):
    return {
        "format": "validation-study/1",
        "study": {"title": "t"},
        "method": {"analytes": [{"id": "x", "name": "x", "unit": "µg/L", "signal": "s", "signal_unit": "1"}]},
        "calibration": {"file": file},
    }


def latin():
    rows = "".join(f"{level};{0.1 * level:.3f};25 °C\n" for level in range(1, 8))
    return f"level (µg/L);signal;note\n{rows}".encode("latin-1")


def workbook():
    book = openpyxl.Workbook()
    book.active.append(["level", "signal 1", "signal 2"])
    for level in range(1, 8):
        book.active.append([level, 0.1 * level, f"=B{level + 1}*1.01"])
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


@pytest.mark.parametrize(
    ("file", "content", "found"),
    [
        (
            "c.csv",
            latin,
            [("note", "c.csv: not UTF-8; read as Latin-1. Check these characters: ° µ.")],
        ),
        (
            "c.xlsx",
            workbook,
            [
                (
                    "caution",
                    "c.xlsx: formulas without a stored value, read as empty cells: "
                    "C2, C3, C4, C5, C6 and 2 more.",
                ),
                ("note", "c.xlsx: 7 cells with formulas; the stored results were read."),
            ],
        ),
    ],
)
def test_a_file_read_with_doubt(judged_from, command, file, content, found):
    """The caveat cites the file and the cells; values that may be missing weigh more than a code page."""
    folder, results = judged_from(studied(file), {file: content()})

    raised = [one for one in results.assessment.caveats if one.id == "file_read_with_doubt"]
    assert [(one.severity, one.because) for one in raised] == found
    checked = command("check", folder).out
    for _, because in found:
        assert f"  {because.rstrip('.')}" in checked


@pytest.fixture
def judged_from(folder_with):
    """The folder of a study with binary files, and its judged results."""
    from validator import assess, evaluate, read_study

    def judged_from(study, files):
        folder = folder_with(study)
        for name, content in files.items():
            (folder / name).write_bytes(content)
        read = read_study(folder)
        return folder, assess(read, evaluate(read))

    return judged_from
