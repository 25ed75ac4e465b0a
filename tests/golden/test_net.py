"""The net is not blind: a digit that changes anywhere is told, and nothing else is."""

from __future__ import annotations

import importlib.util
import re
import shutil
from pathlib import Path

import pytest

_spec = importlib.util.spec_from_file_location("net", Path(__file__).parent / "net.py")
net = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(net)

EXAMPLES = sorted(file.parent.name for file in net.ROOT.glob("example_studies/*/study.yaml"))
SMALLEST = "interlaboratory_moisture"
TEXTS = ("check.txt", "evaluate.txt", "manuscript.md", "manuscript.tex", "results.json", "web.txt")


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """What one example gives, and the schema."""
    folder = tmp_path_factory.mktemp("made")
    net.produce(net.ROOT, folder, [net.SCHEMA, SMALLEST])
    return folder


@pytest.fixture(scope="module")
def stored(made, tmp_path_factory):
    """The same texts in the place of every example: what a comparison goes through."""
    folder = tmp_path_factory.mktemp("stored")
    shutil.copy(made / net.SCHEMA, folder)
    for name in EXAMPLES:
        shutil.copytree(made / SMALLEST, folder / name)
    return folder


def test_every_text_is_made(made):
    """Nothing failed on the way, and every kind of text says something."""
    files = sorted(file.relative_to(made).as_posix() for file in made.rglob("*.*"))

    assert files == [*(f"{SMALLEST}/{name}" for name in TEXTS), net.SCHEMA]
    for file in files:
        text = (made / file).read_text(encoding="utf-8")
        assert not text.startswith(net.NOT_MADE), text
        assert re.search(r"\d", text)


def test_a_second_run_with_other_hashes_gives_the_same(made, tmp_path, monkeypatch):
    """Neither the order of hashes nor the clock decides anything."""
    monkeypatch.setenv("PYTHONHASHSEED", "31415")

    net.produce(net.ROOT, tmp_path, [net.SCHEMA, SMALLEST])

    assert net.compare(made, tmp_path) == []


@pytest.mark.parametrize("file", [net.SCHEMA, *(f"{name}/{text}" for name in EXAMPLES for text in TEXTS)])
def test_one_changed_digit_is_told(stored, tmp_path, file):
    """The first, the middle and the last digit of every text of every example."""
    shutil.copytree(stored, tmp_path / "new")
    text = (stored / file).read_text(encoding="utf-8")
    digits = [found.start() for found in re.finditer(r"\d", text)]
    for at in (digits[0], digits[len(digits) // 2], digits[-1]):
        other = "1" if text[at] == "0" else "0"
        (tmp_path / "new" / file).write_text(text[:at] + other + text[at + 1 :], encoding="utf-8")

        name, *lines = net.compare(stored, tmp_path / "new")

        assert name == file
        assert [line.split()[0][0] for line in lines] == ["@", "-", "+"]
    assert net.compare(stored, tmp_path / "new", only_names=True) == [file]


def test_a_text_that_could_not_be_made_is_told_even_if_it_never_could(stored, tmp_path):
    """Two failures are no agreement; nor is a text that is there on one side only."""
    for folder in (tmp_path / "old", tmp_path / "new"):
        shutil.copytree(stored / SMALLEST, folder)
        (folder / "web.txt").write_text(f"{net.NOT_MADE}ImportError", encoding="utf-8")
    (tmp_path / "new" / "check.txt").unlink()

    assert net.compare(tmp_path / "old", tmp_path / "new", only_names=True) == ["check.txt", "web.txt"]


def test_a_changed_reading_reaches_every_text_and_the_drawn_numbers(made, tmp_path):
    """The last digit of one reading in the data, through the whole engine."""
    tree = tmp_path / "tree"
    shutil.copytree(net.ROOT / "example_studies" / SMALLEST, tree / "example_studies" / SMALLEST)
    for name in ("validator", "report_templates"):
        (tree / name).symlink_to(net.ROOT / name, target_is_directory=True)
    table = tree / "example_studies" / SMALLEST / "moisture.csv"
    text = table.read_text(encoding="utf-8")
    last = [found.end() - 1 for found in re.finditer(r"\d\.\d+", text)][-1]
    table.write_text(text[:last] + str((int(text[last]) + 5) % 10) + text[last + 1 :], encoding="utf-8")

    net.produce(tree, tmp_path / "new", [SMALLEST])

    told = net.compare(made / SMALLEST, tmp_path / "new" / SMALLEST, only_names=True)
    assert told == [name for name in TEXTS if name != "check.txt"]  # which says what is there, not what it is
    before, after = ((one / SMALLEST / "web.txt").read_text("utf-8") for one in (made, tmp_path / "new"))
    assert drawings(before) != drawings(after)


def drawings(text):
    return re.findall(r"^drawing\n(?:.*\n)+?(?=\[|drawing\n|Figure )", text, re.MULTILINE)
