"""A laboratory's own look comes in, and nothing else does."""

import pytest

from validator.dossier.document import Document
from validator.dossier.html import render_html
from validator.dossier.laboratory import read_laboratory
from validator.dossier.pdf import write_pdf
from validator.errors import LaboratoryError, OutputProblem

DOCUMENT = Document(title="Trial", identifier="T-1", version="2")
PICTURE = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9 9"><rect width="9" height="9"/></svg>'


def test_logo_colour_and_blocks_are_printed(tmp_path):
    """Name, logo, accent and both blocks stand in the page, values of the study escaped."""
    (tmp_path / "laboratory.yaml").write_text('name: Water lab\naccent: "#225533"\nlogo: logo.svg\n')
    (tmp_path / "logo.svg").write_text(PICTURE)
    (tmp_path / "title.html.j2").write_text("<p>Report {{ identifier }} on {{ title }}</p>")
    (tmp_path / "closing.html.j2").write_text("<p>End of report</p>")
    document = Document(title="A <b>bold</b> trial", identifier="T-1", version="2")

    page = render_html(document, laboratory=read_laboratory(tmp_path, document))

    assert '<p class="laboratory"><img class="logo" src="data:image/svg+xml;base64,' in page
    assert "<span>Water lab</span>" in page
    assert "<p>Report T-1 on A &lt;b&gt;bold&lt;/b&gt; trial</p>" in page
    assert "<p>End of report</p>" in page
    assert "#225533" in page
    assert "#1f3a4d" not in page


def test_an_empty_folder_changes_nothing(tmp_path):
    """Without any file the page is the one without a laboratory."""
    assert render_html(DOCUMENT, laboratory=read_laboratory(tmp_path, DOCUMENT)) == render_html(DOCUMENT)


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        (
            "laboratory.yaml",
            "colour: red\n",
            "laboratory.yaml: unknown key 'colour'; possible: name, accent, logo",
        ),
        ("laboratory.yaml", "accent: red\n", """accent: expected a colour such as "#1f3a4d", found 'red'"""),
        (
            "laboratory.yaml",
            "logo: ../../secret.png\n",
            "logo: '../../secret.png' is outside the folder",
        ),
        (
            "laboratory.yaml",
            "logo: notes.txt\n",
            "the logo must be an SVG, PNG or JPEG file, found text/plain",
        ),
        ("laboratory.yaml", "logo: absent.png\n", "absent.png: cannot be read (No such file or directory)"),
        ("laboratory.yaml", "!!python/object/apply:os.getcwd []\n", "is not YAML"),
        (
            "title.html.j2",
            "{{ ''.__class__.__mro__ }}",
            "access to attribute '__class__' of 'str' object is unsafe",
        ),
        ("title.html.j2", "{% include 'dossier.html.j2' %}", "line 1: include: a template may print values"),
        ("title.html.j2", "{{ absent }}", "'absent' is undefined"),
        ("title.html.j2", "{% for i in range(10**9) %}x{% endfor %}", "goes through a list by its name"),
        (
            "title.html.j2",
            "{% for i in title %}{% for j in title %}x{% endfor %}{% endfor %}",
            "a loop in a loop",
        ),
        ("title.html.j2", "{% macro m() %}{{ m() }}{{ m() }}{% endmacro %}{{ m() }}", "line 1: macro"),
        ("title.html.j2", "{% set x = title ~ title %}{{ x }}", "line 1: assign"),
        ("title.html.j2", "\n{{ 'x' * 10**9 }}", "line 2: mul"),
        ("title.html.j2", "{{ title|center(10) }}", "the filter center: possible: capitalize, default"),
    ],
)
def test_what_is_refused(tmp_path, name, content, message):
    """A fault names the file and what to write."""
    (tmp_path / name).write_text(content)

    with pytest.raises(LaboratoryError) as caught:
        read_laboratory(tmp_path, DOCUMENT)

    assert str(tmp_path / name.split(".")[0])[:-10] in str(caught.value)
    assert message in str(caught.value)


def test_a_missing_folder_is_told(tmp_path):
    """A folder that does not exist is named."""
    with pytest.raises(LaboratoryError, match="not a folder; --templates requires a folder"):
        read_laboratory(tmp_path / "none", DOCUMENT)


@pytest.mark.parametrize(
    "markup",
    [
        '<img src="http://127.0.0.1:9/x.png">',
        '<img src="file:///etc/hostname">',
        '<link rel="attachment" href="file:///etc/hostname">',
        '<style>@import url("file:///etc/hostname");</style>',
    ],
)
def test_a_block_fetches_nothing(tmp_path, markup):
    """A template that refers outside makes the report fail; nothing of the machine gets in."""
    (tmp_path / "title.html.j2").write_text(markup)
    page = render_html(DOCUMENT, laboratory=read_laboratory(tmp_path, DOCUMENT))

    with pytest.raises(OutputProblem):
        write_pdf(page)
