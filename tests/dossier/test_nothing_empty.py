"""Whatever a study lacks, no table, list or section is printed with nothing in it."""

from __future__ import annotations

import pytest

from validator import assess, evaluate, read_study
from validator.dossier import build_document
from validator.dossier.document import BulletList, NotAssessedList, Paragraph, Section, Table
from validator.dossier.inline import plain
from validator.resources import examples_folder
from validator.study.blocks import result_blocks

EXAMPLES = sorted(path.parent.name for path in examples_folder().glob("*/study.yaml"))


def empty_blocks(blocks, path=()):
    """Every block without content, by the sections it stands in."""
    for one in blocks:
        match one:
            case Section():
                if not one.blocks:
                    yield (*path, one.id)
                yield from empty_blocks(one.blocks, (*path, one.id))
            case Table() if not one.rows:
                yield (*path, one.id)
            case BulletList() | NotAssessedList() if not one.items:
                yield (*path, type(one).__name__)
            case Paragraph() if not plain(one.content).strip():
                yield (*path, "Paragraph")


@pytest.fixture
def nothing_drawn(monkeypatch):
    """Figures are made but not laid out and written: that is two thirds of the time, and no block."""
    monkeypatch.setattr("validator.dossier.figure_style._written", lambda *_: b"<svg/>")
    monkeypatch.setattr("validator.dossier.figure_style.tidy", lambda text: text)


def without(study, names):
    return study.model_copy(update=dict.fromkeys(names))


@pytest.mark.parametrize("bare", [False, True], ids=["as it is", "bare"])
@pytest.mark.parametrize("example", EXAMPLES)
@pytest.mark.usefixtures("nothing_drawn")
def test_no_block_is_empty(example, bare):
    """All blocks of data, and each alone; with and without guidance, criteria and references."""
    study = read_study(examples_folder() / example).with_shortest_simulation()
    held = [name for name in result_blocks() if getattr(study, name) is not None]
    if bare:
        identity = study.study.model_copy(
            update={"guidance": (), "references": (), "people": (), "hazards": ()}
        )
        study = study.model_copy(update={"criteria": (), "study": identity})
    kept = [study, *(without(study, [one for one in held if one != name]) for name in held)]

    for changed in kept:
        document = build_document(changed, assess(changed, evaluate(changed)))
        assert list(empty_blocks((*document.summary, *document.sections))) == []
