"""The PDF engine reads nothing but the shipped templates, however the page asks for it."""

from __future__ import annotations

import base64
import io
from typing import TYPE_CHECKING

import pytest
from pypdf import PdfReader

from validator.dossier import pdf
from validator.dossier.fetcher import ConfinedFetcher
from validator.errors import OutputProblem
from validator.resources import templates_folder

if TYPE_CHECKING:
    from pathlib import Path

SECRET = "top secret of the host"


@pytest.fixture
def secret(tmp_path) -> Path:
    file = tmp_path / "secret.txt"
    file.write_text(SECRET)
    return file


def _svg(content: str, prologue: str = "") -> str:
    svg = (
        f'{prologue}<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"'
        ' width="9" height="9">'
        f"{content}</svg>"
    )
    return f"data:image/svg+xml;base64,{base64.b64encode(svg.encode()).decode()}"


ATTACKS = {
    "remote image": lambda s: '<img src="http://127.0.0.1:9/x.png" alt="a">',
    "remote image, encrypted": lambda s: '<img src="https://127.0.0.1:9/x.png" alt="a">',
    "file image": lambda s: f'<img src="file://{s}" alt="a">',
    "FILE image": lambda s: f'<img src="FILE://{s}" alt="a">',
    "style sheet": lambda s: f'<link rel="stylesheet" href="file://{s}">',
    "import": lambda s: f'<style>@import url("file://{s}");</style>',
    "font face": lambda s: (
        f'<style>@font-face {{ font-family: x; src: url("file://{s}") }} p {{ font-family: x }}</style>'
    ),
    "background": lambda s: f'<p style="background: url(file://{s})">a</p>',
    "content": lambda s: f'<style>p::before {{ content: url("file://{s}") }}</style><p>a</p>',
    "attachment by link": lambda s: f'<link rel="attachment" href="file://{s}">',
    "attachment by anchor": lambda s: f'<a rel="attachment" href="file://{s}">a</a>',
    "object": lambda s: f'<object data="file://{s}"></object>',
    "embed": lambda s: f'<embed src="file://{s}">',
    "climbing out": lambda s: '<img src="../pyproject.toml" alt="a">',
    "climbing out, encoded": lambda s: '<img src="%2e%2e/pyproject.toml" alt="a">',
    "image in svg": lambda s: (
        f'<img alt="a" src="{_svg(f"""<image href="file://{s}" width="9" height="9"/>""")}">'
    ),
    "font face in svg": lambda s: (
        f"""<img alt="a" src="{
            _svg(f'<style>@font-face {{ font-family: x; src: url("file://{s}") }}</style><text>a</text>')
        }">"""
    ),
    "inline svg": lambda s: f'<svg><image href="file://{s}" width="9" height="9"/></svg>',
    "ftp": lambda s: '<img src="ftp://127.0.0.1:9/x.png" alt="a">',
}


@pytest.mark.parametrize("attack", ATTACKS)
def test_nothing_outside_is_read(attack, secret):
    """Each way of pulling in a file or an address fails the run and names what was asked for."""
    page = f"<html><head><title>t</title></head><body>{ATTACKS[attack](secret)}</body></html>"

    with pytest.raises(
        OutputProblem,
        match=r"not written because it refers to external resources: .*(secret\.txt|127\.0\.0\.1|pyproject)",
    ):
        pdf.write_pdf(page)


def test_a_symbolic_link_does_not_lead_out(tmp_path, secret):
    """The real path counts, not the name."""
    folder = tmp_path / "templates"
    folder.mkdir()
    (folder / "link.txt").symlink_to(secret)
    fetcher = ConfinedFetcher(folder)

    with pytest.raises(ValueError, match="not read"):
        fetcher.fetch((folder / "link.txt").as_uri())
    assert fetcher.refused == [(folder / "link.txt").as_uri()]


INLETS = {
    "use": lambda s: _svg(f'<use xlink:href="file://{s}#a" href="file://{s}#a"/>'),
    "entity": lambda s: _svg("<text y='9'>&x;</text>", f'<!DOCTYPE svg [<!ENTITY x SYSTEM "file://{s}">]>'),
}


@pytest.mark.parametrize("inlet", INLETS)
def test_what_the_engine_ignores_lets_nothing_in_either(inlet, tmp_path, monkeypatch):
    """A reference or an entity of a picture that names a file puts no word of it into the PDF."""
    file = tmp_path / "secret.svg"
    file.write_text(f'<svg xmlns="http://www.w3.org/2000/svg"><text id="a" y="9">{SECRET}</text></svg>')
    monkeypatch.setattr(pdf._LOG, "disabled", True)
    image = f'<img alt="a" src="{INLETS[inlet](file)}">'
    page = f"<html><head><title>t</title></head><body><p>seen</p>{image}</body></html>"

    text = PdfReader(io.BytesIO(pdf.write_pdf(page))).pages[0].extract_text()

    assert "seen" in text.split()
    assert set(text.split()) <= {"seen", "a"}  # "a" stands in for a picture that cannot be read


def test_shipped_files_and_data_are_served():
    """Faces of the templates' folder and data-URIs are what the page is made of."""
    fetcher = ConfinedFetcher(templates_folder())

    assert fetcher.fetch((templates_folder() / "marks" / "meets.svg").as_uri()).read().startswith(b"<svg")
    assert fetcher.fetch("data:text/plain;base64,YQ==").read() == b"a"
    assert fetcher.refused == []
