"""The sentences of the catalogue with values set in: one thing is told in the singular."""

from __future__ import annotations

import re

import pytest

from validator.dossier.document import Row
from validator.dossier.inline import Text, plain, rich
from validator.dossier.wording import Col, Num, Wording, table_of
from validator.resources import templates_folder


@pytest.mark.parametrize(
    ("count", "said"),
    [("1", "1 sample takes no part."), ("2", "2 samples take no part."), ("0", "0 samples take no part.")],
)
def test_one_thing_is_told_in_the_singular(count, said):
    """Number, noun and verb agree."""
    assert plain(rich("{n:sample takes|samples take} no part.", n=count)) == said


def test_the_words_may_stand_within_markup_and_values_stay_values():
    """Strong text too; a value that looks like markup is not read as it."""
    assert plain(rich("**{n:pair|pairs}** of {name}", n="1", name="{n:x|y}")) == "1 pair of {n:x|y}"


def test_no_count_is_followed_by_a_plural_alone():
    """The catalogue names both forms where a count may be one; where it never is, it stands in this list."""
    never_one = {
        "all_meet",
        "concerned",
        "analytes",
        "every",
        "caption",
        "claims",
        "of_many",
        "many",
        "overlay_alt",
    }
    pattern = re.compile(r"^\s*(?P<key>\w*):?.*\{count\} (?:\w+ )?\w+s\b")
    found = [
        f"{file.name}: {line.strip()}"
        for file in sorted((templates_folder() / "language" / "en").glob("*.yaml"))
        if file.stem not in ("planning", "batch", "configurations")
        for line in file.read_text(encoding="utf-8").splitlines()
        if (match := pattern.match(line)) and match["key"] not in never_one
    ]
    assert found == []


def declared(records, *columns, **more):
    entries = {"a.table": "Of {n:level|levels}", "a.level": "Level", "a.table_note": "n: {n}"}
    return table_of(Wording("en", entries), "a.table", records, *columns, id="t", **more)


def test_a_declared_table_has_a_row_for_each_record_and_its_words_from_the_catalogue():
    """Caption, head and note by their keys, values in both, totals as they are; a head may be given."""
    level = Num("level", lambda one: str(one), "mg/L")
    table = declared([3, 4, Row(("7", "sum"), "total")], level, Col(Text("k"), lambda one: f"k{one}"), n=2)

    assert [plain(column.header) for column in table.columns] == ["Level", "k"]
    assert (table.columns[0].unit, table.columns[0].align) == ("mg/L", "decimal")
    assert [(row.cells, row.kind) for row in table.rows] == [
        (("3", "k3"), "plain"),
        (("4", "k4"), "plain"),
        (("7", "sum"), "total"),
    ]
    assert (plain(table.caption), plain(table.note)) == ("Of 2 levels", "n: 2")
    assert declared([], level, n=1, note="").note == ""


def test_a_declared_table_refuses_a_head_without_words_and_a_row_without_a_cell():
    """A key that the catalogue lacks, and a row that is short of a column."""
    with pytest.raises(KeyError, match=r"a\.lvel"):
        declared([1], Col("lvel", str), n=1)
    with pytest.raises(ValueError, match="a row of 1 cells for 2 columns"):
        declared([1], Col("level", str), Col("level"), n=1)
