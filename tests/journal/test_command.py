"""``validator journal``: the format by the file's ending, figures beside it, nothing half-written."""

from __future__ import annotations

import io
import sys

import docx
import pytest


@pytest.fixture(scope="module")
def folder(folder_with, described):
    levels = (1.0, 2.0, 4.0, 6.0, 8.0)
    return folder_with(
        described(
            calibration={"runs": [{"level": x, "signals": [0.1 * x, 0.1 * x + 0.003]} for x in levels]},
            criteria=[{"characteristic": "quantification_limit", "max": 1e-6}],
        )
    )


def test_without_a_file_markdown_is_printed(command, folder):
    """On standard output, nothing on standard error; an unfit method has a manuscript too."""
    run = command("journal", folder)

    assert (run.status, run.err) == (0, "")
    assert run.out.startswith("# A study for a test\n\n## Validation of the method\n")
    assert "(verdict: *not fit for the stated use*)" in run.out


@pytest.mark.parametrize("ending", [".md", ".tex", ".docx", ".DOCX"])
def test_the_ending_names_the_format(command, folder, tmp_path, ending):
    """Each of the three is written and is what its ending says."""
    target = tmp_path / f"section{ending}"

    run = command("journal", folder, "--to", target)

    assert (run.status, run.err) == (0, "")
    assert run.out == f"{target}: verdict: not fit\n"
    content = target.read_bytes()
    match ending:
        case ".md":
            assert content.startswith(b"# A study")
        case ".tex":
            assert content.startswith(b"% needs \\usepackage{amsmath}")
            assert b"\\begin{document}" not in content
        case _:
            assert docx.Document(io.BytesIO(content)).tables


def test_a_whole_article_can_be_asked_for(command, folder, tmp_path):
    """With LaTeX only; with another format the sentence says so."""
    target = tmp_path / "section.tex"

    assert command("journal", folder, "--to", target, "--standalone").status == 0
    assert "\\begin{document}" in target.read_text(encoding="utf-8")
    refused = command("journal", folder, "--standalone")
    assert (refused.status, refused.out) == (2, "")
    assert refused.err == "--standalone requires --to FILE.tex\n"


def test_figures_lie_in_their_folder_and_are_referred_to_from_the_file(command, folder, tmp_path):
    """SVG, PDF and PNG of each; the manuscript names them relative to itself."""
    target, figures = tmp_path / "text" / "section.md", tmp_path / "figures" / "fig"
    target.parent.mkdir()

    run = command("journal", folder, "--to", target, "--figures", figures)

    assert run.status == 0
    names = sorted(file.name for file in figures.iterdir())
    assert names == [
        f"{kind}-x.{ending}" for kind in ("calibration", "limits") for ending in ("pdf", "png", "svg")
    ]
    text = target.read_text(encoding="utf-8")
    assert "](<../figures/fig/calibration-x.png>)" in text
    assert (target.parent / "../figures/fig/calibration-x.png").is_file()


def test_what_cannot_be_written_is_said_before_anything_is(command, folder, tmp_path):
    """An ending without a format, a missing folder, a file for a folder, a path that LaTeX would misread."""
    (tmp_path / "file").write_text("", encoding="utf-8")
    cases = [
        (("--to", tmp_path / "section.pdf"), "unknown extension; use .md, .tex, .docx"),
        (("--to", tmp_path / "none" / "section.md"), "does not exist"),
        (
            ("--to", tmp_path / "section.md", "--figures", tmp_path / "file"),
            "not a folder; --figures requires a folder",
        ),
        (
            ("--to", tmp_path / "section.tex", "--figures", tmp_path / "50%"),
            "LaTeX cannot read a path with %",
        ),
    ]
    for arguments, reason in cases:
        run = command("journal", folder, *arguments)

        assert (run.status, run.out) == (2, ""), arguments
        assert reason in run.err
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


def test_without_the_library_for_word_the_way_to_it_is_said(command, folder, tmp_path, monkeypatch):
    """Exit 3, as for every lack of the environment; nothing is left behind."""
    monkeypatch.setitem(sys.modules, "docx", None)

    run = command("journal", folder, "--to", tmp_path / "section.docx")

    assert run.status == 3
    assert "pip install 'validator[word]'" in run.err
    assert list(tmp_path.iterdir()) == []
