"""The PDF holds its structure, its attachments and only our faces; nothing on it overflows."""

from __future__ import annotations

import builtins
import hashlib
import io
import subprocess
import sys

import pikepdf
import pytest
from pypdf import PdfReader

from validator.dossier import pdf as writer
from validator.dossier.document import Document, Paragraph, Section
from validator.dossier.fetcher import ConfinedFetcher
from validator.dossier.html import render_html
from validator.dossier.pdf import _with_whole_units, write_pdf
from validator.errors import EnvironmentProblem
from validator.resources import templates_folder

OUR_FAMILIES = ("Dossier-Text", "Dossier-Figure", "Dossier-Signs")


@pytest.fixture(scope="module")
def reader(pdf) -> PdfReader:
    return PdfReader(io.BytesIO(pdf))


@pytest.fixture(scope="module")
def opened(pdf):
    with pikepdf.open(io.BytesIO(pdf)) as file:
        yield file


def test_every_face_in_the_file_is_ours(opened):
    """No system face leaks in, whatever signs the text holds, and each is embedded."""
    fonts = [
        one for one in opened.objects if isinstance(one, pikepdf.Dictionary) and one.get("/Type") == "/Font"
    ]
    names = {
        str(font.BaseFont).partition("+")[2] or str(font.BaseFont) for font in fonts if "/BaseFont" in font
    }

    assert len(names) >= 6
    assert [name for name in names if not name.startswith(OUR_FAMILIES)] == []
    descriptors = [
        one
        for one in opened.objects
        if isinstance(one, pikepdf.Dictionary) and one.get("/Type") == "/FontDescriptor"
    ]
    assert all(any(f"/FontFile{n}" in one for n in ("", "2", "3")) for one in descriptors)


def test_it_is_written_as_pdf_a_with_tags_and_language(opened):
    """Part, conformance, output intent, marked structure, language and title are in the file."""
    with opened.open_metadata() as metadata:
        assert (metadata["pdfaid:part"], metadata["pdfaid:conformance"]) == ("3", "U")
        assert (
            metadata["dc:title"]
            == "Nickel in rinse water by adsorptive stripping voltammetry (NI-RW-2024-03 1.2)"
        )
    root = opened.Root
    assert root.MarkInfo.Marked
    assert str(root.Lang) == "en"
    assert root.ViewerPreferences.DisplayDocTitle
    assert len(root.OutputIntents) == 1
    assert "/StructTreeRoot" in root


def test_structure_has_headings_tables_and_described_figures(opened):
    """A reader that cannot see gets headings, header cells and alternative text."""
    elements = [
        one
        for one in opened.objects
        if isinstance(one, pikepdf.Dictionary) and one.get("/Type") == "/StructElem"
    ]
    kinds = {str(element.S) for element in elements}
    figures = [element for element in elements if element.S == "/Figure"]

    assert {"/H1", "/H2", "/H3", "/P", "/Table", "/TR", "/TH", "/TD", "/L", "/Figure"} <= kinds
    assert len(figures) == 5  # three drawings, two formulas
    assert all(str(figure.Alt).strip() for figure in figures)
    heads = [(str(one.A.Scope), str(one.P.P.S)) for one in elements if one.S == "/TH"]
    assert set(heads) <= {("/Column", "/THead"), ("/Row", "/TBody")}
    assert len(set(heads)) == 2


def test_bookmarks_follow_the_sections(reader):
    """Title and sections are bookmarks, sections inside sections one level down."""
    outline = reader.outline

    assert [entry.title for entry in outline if not isinstance(entry, list)] == [
        "Nickel in rinse water by adsorptive stripping voltammetry",
        "Contents",
        "1 Purpose and method",
        "2 Calibration and limits",
        "3 Caveats and limits of validity",
        "A Raw data",
    ]
    inner = outline[outline.index(next(e for e in outline if isinstance(e, list)))]
    assert inner[0].title == "1.1 Conditions"
    assert inner[1][0].title == "1.1.1 Electrode"


def test_every_page_says_which_it_is(reader):
    """Page x of y, identifier and version stand in the foot of each page."""
    total = len(reader.pages)
    for number, page in enumerate(reader.pages, start=1):
        text = page.extract_text()
        assert f"page {number} of {total}" in text
        assert "NI-RW-2024-03" in text
        assert "version 1.2" in text


def test_contents_name_the_page_of_each_section(reader):
    """The number after a line of contents is the page on which the section begins."""
    lines = [line for page in reader.pages for line in page.extract_text().splitlines()]
    line = next(line for line in lines if "Raw data" in line and line.split()[-1].isdigit())
    page = int(line.split()[-1])

    assert "Table 3" in reader.pages[page - 1].extract_text()


def test_heads_of_a_long_table_are_repeated(reader):
    """Every page of the table of data begins with its column heads."""
    pages = [page.extract_text() for page in reader.pages]
    pages_with_data = [text for text in pages if "P010" in text or "P059" in text]

    assert len(pages_with_data) == 2
    assert all("Preparation" in text and "Residual" in text for text in pages_with_data)


def test_attachments_come_back_whole(reader, opened, attachments):
    """Name, bytes, type, relationship and description are kept; each file is listed once, by name."""
    assert {name: content[0] for name, content in reader.attachments.items()} == {
        a.name: a.content for a in attachments
    }
    listed = opened.Root.AF
    assert [str(one.UF) for one in listed] == ["data/points.csv", "results.json"]
    assert [str(one.AFRelationship) for one in listed] == ["/Source", "/Data"]
    assert [str(one.EF.F.Subtype) for one in listed] == ["/text/csv", "/application/json"]
    assert str(listed[1].Desc) == "all numbers at full precision"
    assert "D:2000" in str(listed[0].EF.F.Params.CreationDate)


def test_the_same_document_gives_the_same_bytes(pdf, attachments, tmp_path):
    """A second process, later, with other hashes of strings, writes the identical file."""
    script = tmp_path / "again.py"
    script.write_text(
        "import importlib.util, sys\n"
        "def load(path):\n"
        "    spec = importlib.util.spec_from_file_location('m', path)\n"
        "    module = importlib.util.module_from_spec(spec); spec.loader.exec_module(module); return module\n"
        "conftest, folder = load(sys.argv[1]), sys.argv[2]\n"
        "sample, drawings = load(folder + '/sample.py'), load(folder + '/figure_sample.py')\n"
        "figures = drawings.sample_figures(('calibration', 'limits', 'precision'))\n"
        "attachments = conftest.attachments.__wrapped__()\n"
        "html = conftest.render_html(sample.sample_document(figures))\n"
        "content = conftest.write_pdf(html, attachments=attachments)\n"
        "import hashlib; print(hashlib.sha256(content).hexdigest())\n"
    )
    here = __file__.rpartition("/")[0]
    run = subprocess.run(
        [sys.executable, "-W", "ignore", str(script), f"{here}/conftest.py", here],
        capture_output=True,
        text=True,
        check=True,
        env={"PYTHONHASHSEED": "7", "PYTHONPATH": ":".join(sys.path), "TZ": "Asia/Tokyo"},
    )

    assert run.stdout.strip() == hashlib.sha256(pdf).hexdigest()


@pytest.fixture(scope="module")
def laid_out(sample):
    """Pages of boxes, on paper of both sizes."""
    import weasyprint

    pages = {}
    for paper, rows in (("a4", 60), ("letter", 5)):
        source = render_html(sample.sample_document(rows=rows), paper=paper)
        page = weasyprint.HTML(
            string=source,
            base_url=f"{templates_folder().as_uri()}/",
            url_fetcher=ConfinedFetcher(templates_folder()),
        )
        pages[paper] = page.render().pages
    return pages


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_nothing_overflows_the_page(laid_out, paper):
    """Every word and picture, in tables too wide for the page and words too long for a line, stays inside."""
    from weasyprint.formatting_structure import boxes

    checked = 0
    for page in laid_out[paper]:
        content = page._page_box
        left = content.margin_left
        right = content.margin_left + content.width
        for box in content.children[0].descendants():
            if isinstance(box, (boxes.TextBox, boxes.ReplacedBox)):
                checked += 1
                assert box.position_x >= left - 0.5, getattr(box, "text", box)
                assert box.position_x + box.width <= right + 1.5, getattr(box, "text", box)
    assert checked > 500


def test_the_text_is_as_wide_on_both_papers(laid_out):
    """A4 and Letter carry the same 160 mm of text, so figures fit both."""
    widths = [pages[0]._page_box.width * 25.4 / 96 for pages in laid_out.values()]
    heights = [pages[0].height * 25.4 / 96 for pages in laid_out.values()]

    assert widths == pytest.approx([160, 160], abs=0.1)
    assert heights == pytest.approx([297, 279.4], abs=0.1)


def test_no_row_is_split_between_pages(laid_out):
    """Each row of each table stands whole on one page."""
    from weasyprint.formatting_structure import boxes

    places: dict[int, set[int]] = {}
    for number, page in enumerate(laid_out["a4"]):
        for box in page._page_box.descendants():
            if isinstance(box, boxes.TableRowBox) and box.element_tag == "tr":
                places.setdefault(id(box.element), set()).add(number)

    assert len(places) > 70
    assert [len(pages) for pages in places.values() if len(pages) > 1] == [2]  # the head of the long table


def test_the_engine_has_nothing_to_complain_about(rendering):
    """No unknown property, no missing glyph, no picture that cannot be read."""
    assert rendering.complaints == []


def test_a_complaint_of_the_engine_reaches_our_log(caplog):
    """What the engine warns of is not lost."""
    writer.write_pdf(
        "<html><head><title>t</title></head><body><p style='no-such-property: 1'>a</p></body></html>"
    )

    assert "no-such-property" in caplog.text


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (
            OSError("cannot load library 'libpango-1.0-0'"),
            ("apt-get install libpango", "dnf install pango", "brew install", "conda install"),
        ),
        (ModuleNotFoundError("No module named 'weasyprint'"), ("pip install weasyprint",)),
    ],
)
def test_a_missing_engine_is_told_with_the_way_to_install_it(monkeypatch, capsys, error, words):
    """Without Pango or the package the message holds the command; the engine's own banner is not shown."""
    real = builtins.__import__

    def fails(name, *rest):
        if name == "weasyprint":
            raise error
        return real(name, *rest)

    monkeypatch.setattr(builtins, "__import__", fails)
    with pytest.raises(EnvironmentProblem) as caught:
        writer.write_pdf("<html></html>")

    assert all(word in str(caught.value) for word in words)
    assert capsys.readouterr() == ("", "")


def test_the_engine_is_imported_only_when_a_pdf_is_written():
    """Importing the modules of the dossier loads neither the PDF engine nor the drawing library."""
    code = (
        "import sys, validator.dossier.pdf, validator.dossier.html, validator.dossier.figures\n"
        "print([m for m in ('weasyprint', 'matplotlib', 'ziamath', 'jinja2') if m in sys.modules])"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert run.stdout.strip() == "[]"


def test_an_empty_document_is_still_a_page():
    """A title alone can be printed."""
    content = writer.write_pdf(
        render_html(Document(title="T", identifier="I", version="1", summary=(Paragraph("a"),)))
    )

    assert len(PdfReader(io.BytesIO(content)).pages) == 1


@pytest.mark.parametrize(
    ("text", "bound"),
    [
        ("near 1.2 µg/L of it", "near 1.2 µg/~L of it"),
        ("(0.27 to 0.29) µA·L/µg, then", "(0.27 to 0.29) µA·L/~µg, then"),
        ("0.513 µA·L/(µg·cm²).", "0.513 µA·L/~(µg·cm²)."),
        ("found / added, w/w/w, 15/20, https://example.org/a", None),
    ],
)
def test_a_unit_does_not_break_at_its_stroke(text, bound):
    """A joiner that shows nothing; addresses, fractions and what stands in a tag stay as they are."""
    page = f'<head><title>g/L</title></head><body class="g/L"><p>{text}</p><img src="data:a/b"></body>'

    assert _with_whole_units(page) == page.replace(text, (bound or text).replace("~", "\u2060"))


def test_the_joiner_is_not_copied_from_the_file():
    """Whoever searches for a unit finds it."""
    page = "<html lang=en><head><title>t</title></head><body><p>Found 1.2 µg/L of it.</p></body></html>"
    text = PdfReader(io.BytesIO(write_pdf(page))).pages[0].extract_text()

    assert "1.2 µg/L of it" in text


def test_long_contents_stay_on_one_page():
    """Two columns of entries that do not fit below the summary begin a page, and none runs into the text."""
    sections = tuple(
        Section(id=f"s{i}", title=f"Part {i} of the work", blocks=(Paragraph("x"),), new_page=i == 0)
        for i in range(60)
    )
    page = render_html(
        Document(
            title="t",
            identifier="i",
            version="1",
            summary=tuple(Paragraph("A line of the summary.") for _ in range(24)),
            sections=sections,
        )
    )
    texts = [one.extract_text() for one in PdfReader(io.BytesIO(write_pdf(page))).pages]

    (contents,) = (text for text in texts if "Contents" in text)
    assert all(f"Part {i} of the work" in contents for i in range(60))
    assert sum(text.count("Part 59 of the work") for text in texts) == 2
