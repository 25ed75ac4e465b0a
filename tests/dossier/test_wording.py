"""The sentences of the catalogue with values set in: one thing is told in the singular."""

from __future__ import annotations

import re

import pytest

from validator.dossier.inline import plain, rich
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
