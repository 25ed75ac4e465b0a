"""A study description for a workbook that is there already: what its headings say, the rest asked for."""

from __future__ import annotations

import json
import re
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from msgspec import Struct, field

from validator.errors import OutputProblem, StudyError
from validator.study import read_study
from validator.study.blocks import data_blocks, result_blocks
from validator.study.columns import TableBlock
from validator.study.conversion import Inconvertible
from validator.study.files import Unusable
from validator.study.headings import heading, into, without_unit
from validator.study.problems import meant
from validator.study.workbook import open_workbook

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from validator.study.files import Row

_NUMBER = re.compile(r"<?[-+]?[0-9]*[.,]?[0-9]+(?:[eE][-+]?[0-9]+)?")
_LAST_NUMBER = re.compile(r"(.*?)[ _.-]*[0-9]{1,3}")
_ROWS_LOOKED_AT = 2000
_CONTENTS = ("g/L", "mol/L", "g/kg", "mol/kg", "%")
_SIGNALS = ("A", "A·V", "C", "V", "1", "counts", "cps", "S", "Ω")
_FIELDS_OF_READINGS = ("signals", "found", "concentrations")
_MASS_PER_MOLE = 100.0
"""Any: which dimension a unit has does not depend on it."""


class _Part(Struct):
    """A sheet with a table: where it stands, and what its columns are taken for."""

    sheet: str
    header_row: int
    first: str
    last: str
    ignored_rows: list[str]
    fields: dict[str, str] = field(default_factory=dict)
    readings: dict[str, list[str]] = field(default_factory=dict)
    """Headers of readings, by what stands before their number."""
    unknown: list[str] = field(default_factory=list)
    level_unit: str = ""
    signal_unit: str = ""
    block: str = ""
    table_is_all: bool = True


def sketch(workbook: Path) -> str:
    """The text of a ``study.yaml`` that reads *workbook*, which will stand beside it.

    Raises:
        OutputProblem: the file is no workbook, or holds no table.
        EnvironmentProblem: the package that reads workbooks is missing.
    """
    try:
        content = workbook.read_bytes()
        sheets = list(open_workbook(content, workbook.name).grids(_ROWS_LOOKED_AT))
    except OSError as error:
        raise OutputProblem(f"{workbook}: cannot be read ({error.strerror or error})") from error
    except Unusable as error:
        raise OutputProblem(f"{workbook}: {error}") from error
    parts = [part for title, rows in sheets if (part := _part(title, rows)) is not None]
    if not parts:
        raise OutputProblem(f"{workbook}: no sheet holds headings with numbers below them")
    groups = _grouped(parts)
    head = _head(workbook.name, parts, groups)
    blocks = [_block(workbook.name, group, len(sheets) > 1) for group in groups]
    return _checked(head, blocks, workbook.name, content)


# --- what a sheet holds -------------------------------------------------------------------------------


def _part(title: str, rows: Sequence[Row]) -> _Part | None:
    """The table on a sheet; None where no row of headings stands above numbers."""
    at = next((index for index in range(len(rows) - 1) if _is_header(rows, index)), None)
    if at is None:
        return None
    cells = rows[at].cells
    start = next(index for index, cell in enumerate(cells) if cell)
    end = next((index for index in range(start, len(cells)) if not cells[index]), len(cells))
    below = [row for row in rows[at + 1 :] if any(row.cells[start:end])]
    numeric = [row for row in below if any(map(_NUMBER.fullmatch, row.cells[start:end]))]
    if not numeric:
        return None
    data = below[: below.index(numeric[-1]) + 1]
    first_cells = [row.cells[start] for row in data]
    counted = sum(bool(_NUMBER.fullmatch(cell)) for cell in first_cells)
    ignored = [cell for cell in first_cells if cell and not _NUMBER.fullmatch(cell)]
    alone = all(not any((*row.cells[:start], *row.cells[end:])) for row in rows[at:])
    part = _Part(
        sheet=title,
        header_row=rows[at].number,
        first=f"{_letters(start)}{rows[at].number}",
        last=f"{_letters(end - 1)}{data[-1].number}",
        ignored_rows=list(dict.fromkeys(ignored)) if 2 * counted > len(first_cells) else [],
        table_is_all=alone and start == 0 and data[-1] is rows[-1],
    )
    columns = {
        cells[place]: [row.cells[place] for row in numeric if place < len(row.cells)]
        for place in range(start, end)
    }
    _name_columns(
        part, {header: all(map(_NUMBER.fullmatch, filter(None, some))) for header, some in columns.items()}
    )
    part.block = _block_of(part)
    return part


def _is_header(rows: Sequence[Row], index: int) -> bool:
    cells = rows[index].cells
    words = [place for place, cell in enumerate(cells) if cell and not _NUMBER.fullmatch(cell)]
    if len(words) < 1 or any(map(_NUMBER.fullmatch, cells)):
        return False
    below = rows[index + 1].cells
    under = [below[place] for place in words if place < len(below)]
    return sum(bool(_NUMBER.fullmatch(cell)) for cell in under) * 2 >= len(words)


def _letters(index: int) -> str:
    letters = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


_KNOWN = (
    *(
        "level",
        "added",
        "native",
        "interferent",
        "ratio",
        "analyte_level",
        "series",
        "day",
        "operator",
        "device",
    ),
    *("instrument", "date", "order", "use", "time", "condition", "sample", "kind", "matrix", "configuration"),
    *("found", "concentrations", "signals", "reference", "note", "preparation_id", "excluded", "analyte"),
)


def _name_columns(part: _Part, headers: Mapping[str, bool]) -> None:
    """What every heading is taken for: by its name, else by its unit, else what holds numbers by itself.

    *headers* says of each whether only numbers stand below it.
    """
    for header in headers:
        bare = without_unit(header)
        numbered = _LAST_NUMBER.fullmatch(bare)
        names = [bare, numbered[1]] if numbered and numbered[1] else [bare]
        plain = [one.lower().replace(" ", "_") for one in names]
        known = next((one for one in plain if one in _KNOWN), None) or meant(names[-1], _KNOWN)
        unit = heading(header).unit or ""
        if known in (None, "signals", "level") and (by_unit := _by_unit(unit)):
            known = by_unit
        if known == "signals" or known in _FIELDS_OF_READINGS:
            part.readings.setdefault(names[-1], []).append(header)
            part.fields.setdefault(known, "")
            part.signal_unit = part.signal_unit or (unit if known == "signals" else "")
        elif known is None or known in part.fields:
            part.unknown.append(header)
        else:
            part.fields[known] = header
            part.level_unit = part.level_unit or (unit if known == "level" else "")

    numbers = [header for header in part.unknown if headers[header]]
    if "level" in part.fields and not part.readings and numbers:
        part.fields["signals"] = ""
        for header in numbers:
            numbered = _LAST_NUMBER.fullmatch(without_unit(header))
            part.readings.setdefault(numbered[1] if numbered else without_unit(header), []).append(header)
            part.unknown.remove(header)


def _by_unit(unit: str) -> str | None:
    for kind, units in (("level", _CONTENTS), ("signals", _SIGNALS)):
        for one in units if unit else ():
            try:
                into(unit, one, _MASS_PER_MOLE)
            except Inconvertible:
                continue
            return kind
    return None


_SIGNS = (
    ("interference", {"interferent"}),
    ("standard_addition", {"sample", "added", "signals"}),
    ("recovery", {"added", "found"}),
    ("recovery", {"reference", "found"}),
    ("stability", {"time"}),
    ("repeated_use", {"use"}),
    ("precision", {"level", "series"}),
    ("precision", {"level", "day"}),
    ("precision", {"level", "device"}),
    ("calibration", {"level", "signals"}),
    ("precision", {"level", "concentrations"}),
    ("blanks", {"signals"}),
    ("blanks", {"concentrations"}),
)
"""Blocks by the fields that tell them; the first that fits."""


def _block_of(part: _Part) -> str:
    words = re.findall(r"[^\W\d_]+", part.sheet.lower())
    for word in (part.sheet, *words):
        if (named := meant(word, result_blocks())) and _close(word, named):
            return named
    there = set(part.fields)
    return next((block for block, needed in _SIGNS if needed <= there), "")


def _close(word: str, block: str) -> bool:
    """True where the word is the block's name or one of the trade for it, not merely like it."""
    plain = word.lower().rstrip("s")
    return plain[:4] == block[:4] or meant(plain, [block]) == block


# --- the text -----------------------------------------------------------------------------------------


def _grouped(parts: Sequence[_Part]) -> list[list[_Part]]:
    """Sheets of one block with the same headings belong together; others of that block stand alone."""
    groups: dict[tuple[object, ...], list[_Part]] = {}
    for part in parts:
        same = (part.block, tuple(part.fields), tuple(part.readings), part.header_row, bool(part.block))
        key = same if part.block else (part.sheet,)
        groups.setdefault(key, []).append(part)
    return list(groups.values())


def _configurations(groups: Sequence[Sequence[_Part]]) -> list[str]:
    named: dict[str, None] = {}
    for group in groups:
        if len(group) > 1:
            named.update(dict.fromkeys(_id(part.sheet) for part in group))
        elif group[0].block and len(group[0].readings) > 1:
            named.update(dict.fromkeys(_id(base) for base in group[0].readings))
    return list(named)


def _id(text: str) -> str:
    return re.sub(r"\W+", "-", text).strip("-") or "sensor"


def _head(name: str, parts: Sequence[_Part], groups: Sequence[Sequence[_Part]]) -> str:
    unit = next((part.level_unit for part in parts if part.level_unit), "<unit of the levels>")
    signal_unit = next((part.signal_unit for part in parts if part.signal_unit), "<unit of the signal>")
    lines = [
        f"# Study description for {name}. The workbook stays as it is: correct the mappings below "
        "where they are",
        "# wrong, complete the text in <angle brackets>, and run: validator check .",
        "format: validation-study/1",
        "study:",
        "  title: <analyte> in <matrix> by <technique>",
        "  matrix: <sample matrix>",
        "  intended_use: <what the results decide>",
        "method:",
        "  analytes:",
        "    - "
        f"{{id: analyte, name: <analyte>, unit: {_q(unit)}, signal: <signal>, "
        f"signal_unit: {_q(signal_unit)}}}",
    ]
    if configurations := _configurations(groups):
        lines.append("  configurations:  # as the headings and sheets name them")
        lines += [f"    - {{id: {_q(one)}, name: {_q(one)}}}" for one in configurations]
        lines.append(f"  configuration: {_q(configurations[-1])}  # the one to be validated")
    lines.append("# criteria: acceptance limits, for example - {characteristic: recovery, min: 90, max: 110}")
    return "\n".join(lines) + "\n"


def _q(text: str) -> str:
    """The *text* as YAML takes it: in quotation marks where it must be."""
    is_plain = re.fullmatch(r"[A-Za-zµ<][\w µ%/·⁻¹²³>.-]*", text) and text.lower() not in _WORDS_OF_YAML
    return text if is_plain else json.dumps(text, ensure_ascii=False)


_WORDS_OF_YAML = frozenset({"yes", "no", "on", "off", "true", "false", "null", "n", "y"})


def _block(name: str, group: Sequence[_Part], has_sheets: bool) -> tuple[str, str]:
    """The name of a block and its text; no name where the sheet was not recognised."""
    part = group[0]
    headings = [
        *filter(None, part.fields.values()),
        *(one for some in part.readings.values() for one in some),
    ]
    if not part.block:
        told = ", ".join([*headings, *part.unknown])
        return "", f"# Sheet {part.sheet} was not recognised; its headings are: {told}.\n"
    lines = [f"{part.block}:", f"  file: {_q(name)}"]
    if len(group) > 1:
        sheets = ", ".join(f"{_q(_id(one.sheet))}: {_q(one.sheet)}" for one in group)
        lines.append(f"  sheet: {{{sheets}}}")
    elif has_sheets:
        lines.append(f"  sheet: {_q(part.sheet)}")
    if not part.table_is_all and len(group) == 1:
        lines.append(f"  range: {part.first}:{part.last}")
    elif part.header_row > 1:
        lines.append(f"  header_row: {part.header_row}")
    if part.ignored_rows:
        lines.append(f"  ignored_rows: [{', '.join(map(_q, part.ignored_rows))}]")
    lines += _mapping(part)
    if part.unknown:
        lines.append(
            f"  ignored_columns: [{', '.join(map(_q, part.unknown))}]  # map them under columns "
            "if they are data"
        )
    return part.block, "\n".join(lines) + "\n"


def _mapping(part: _Part) -> Iterator[str]:
    run = next(run for name, _, run in data_blocks() if name == part.block)
    table = TableBlock(
        block=part.block, label="", file="", run=run, mapped={}, stated={}, ignored={}, decimal=".",
        analyte=None, units={}, preparation="",
    )  # fmt: skip
    reading = next((one for one in _FIELDS_OF_READINGS if one in part.fields), "")
    written = {name: [header] for name, header in part.fields.items() if header}
    if len(part.readings) == 1 and reading:
        written[reading] = next(iter(part.readings.values()))
    mapped = {
        name: headers
        for name, headers in written.items()
        if any(table.field_for(_plain(one), numbered=False) != name for one in headers)
    }
    if mapped:
        shown = (
            f"{name}: {_q(headers[0]) if len(headers) == 1 else '[' + ', '.join(map(_q, headers)) + ']'}"
            for name, headers in mapped.items()
        )
        yield f"  columns: {{{', '.join(shown)}}}"
    if len(part.readings) > 1:
        groups = (
            f"{_q(_id(base))}: [{', '.join(map(_q, headers))}]" for base, headers in part.readings.items()
        )
        yield f"  wide: {{configuration: {{{', '.join(groups)}}}}}  # or device, level, series"


def _plain(header: str) -> str:
    return without_unit(header).lower()


def _checked(head: str, blocks: Sequence[tuple[str, str]], name: str, content: bytes) -> str:
    """The text with those blocks as comments that the workbook does not fill as they stand."""
    done: dict[str, str] = {}
    text = head
    for block, written in blocks:
        problem = "a second table of this block; list its sheet with the first" if block in done else ""
        if block and not problem:
            problem = _problem(head + written, name, content)
        if block and not problem:
            done[block] = written
            text += f"\n{written}"
        else:
            told = f"# {problem}\n" if problem else ""
            text += f"\n{told}" + "".join(
                f"{'' if line.startswith('#') else '# '}{line}\n" for line in written.splitlines()
            )
    return text


def _problem(text: str, name: str, content: bytes) -> str:
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / name).write_bytes(content)
        (Path(folder) / "study.yaml").write_text(text, encoding="utf-8")
        try:
            read_study(Path(folder))
        except StudyError as error:
            return str(error.problems[0].message)
    return ""
