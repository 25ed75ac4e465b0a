"""The shipped faces cover what the dossier prints and carry their licences."""

from __future__ import annotations

import json
import re

import pytest
from fontTools.ttLib import TTFont

from validator.resources import templates_folder

FONTS = templates_folder() / "fonts"
SIGNS = "≤≥√±²³⁻⁺₀αβχµμ→≈×·–—‰∞−°′″ΔΣσνδλ∂∑∏∫∈∝≠≡≪≫ₓₐₑᵢⱼ✓✗☐★▲▼◆●○□■⟨⟩ŷȳ…½\u00a0\u202f\u2009\u2011\ufffd"
LATIN = "".join(chr(c) for c in (*range(0x20, 0x7F), *range(0xA1, 0x180)) if c != 0xAD)


def _points(name: str) -> set[int]:
    return set(TTFont(FONTS / name).getBestCmap())


def _families() -> dict[tuple[str, str, str], str]:
    sheet = (templates_folder() / "styles" / "fonts.css").read_text()
    pattern = r'family: "([^"]+)"; font-weight: (\d+); font-style: (\w+); src: url\(fonts/([\w.-]+)\)'
    return {found[:3]: found[3] for found in re.findall(pattern, sheet)}


FACES = _families()


def test_the_style_sheet_names_a_face_for_every_weight_and_style():
    """Three families with four faces each, so that no renderer has to look elsewhere."""
    families = ("Dossier Text", "Dossier Figure", "Dossier Signs")

    assert set(FACES) == {(f, w, s) for f in families for w in ("400", "600") for s in ("normal", "italic")}
    assert all((FONTS / file).is_file() for file in FACES.values())


@pytest.mark.parametrize(
    ("weight", "style"), [("400", "normal"), ("600", "normal"), ("400", "italic"), ("600", "italic")]
)
@pytest.mark.parametrize("family", ["Dossier Text", "Dossier Figure"])
def test_letters_and_signs_are_covered(family, weight, style):
    """Every letter and sign is in the family itself or in the faces after it in the list."""
    own = _points(FACES[family, weight, style])
    after = _points(FACES["Dossier Figure", weight, style]) | _points(FACES["Dossier Signs", weight, style])

    assert [c for c in LATIN if ord(c) not in own | after] == []
    assert [c for c in SIGNS if ord(c) not in own | after] == []


@pytest.mark.parametrize("name", ["DossierFigure-Regular.ttf", "DossierFigure-Semibold.ttf"])
def test_drawings_have_the_signs_of_figures(name):
    """The faces of drawings hold letters, Greek and the signs of numbers and units."""
    signs = _points(f"drawing/{name.replace('Figure', 'Signs')}")

    assert [
        c
        for c in LATIN + "αβγδµμσΔΩ≤≥±×·–−∞⁻⁰¹²³⁴⁵⁶⁷⁸⁹₀₁₂ₓ▶°‰\u202f"
        if ord(c) not in _points(f"drawing/{name}") | signs
    ] == []


def test_widths_for_alignment_are_those_of_the_face():
    """The list by which tables are aligned agrees with the font file."""
    font = TTFont(FONTS / FACES["Dossier Figure", "400", "normal"])
    names, metrics, per_em = font.getBestCmap(), font["hmtx"], font["head"].unitsPerEm
    widths = json.loads((FONTS / "advance_widths.json").read_text("utf-8"))

    assert widths == {c: round(1000 * metrics[names[ord(c)]][0] / per_em) for c in widths}
    assert len({widths[digit] for digit in "0123456789"}) == 1


def test_changed_faces_do_not_bear_the_reserved_name():
    """The licences reserve the upstream names for unchanged fonts."""
    for file in FONTS.rglob("Dossier*.*"):
        names = TTFont(file)["name"]
        shown = " ".join(str(names.getDebugName(i)) for i in (1, 3, 4, 6, 16))
        assert "Source" not in shown
        assert "DejaVu" not in shown


def test_licences_are_shipped_and_the_folder_is_small():
    """Each upstream has its licence beside it; all faces together stay under 3 MB."""
    assert "SIL OPEN FONT LICENSE Version 1.1" in (FONTS / "LICENSE-SourceSerif4.md").read_text("utf-8")
    assert "SIL OPEN FONT LICENSE Version 1.1" in (FONTS / "LICENSE-SourceSans3.md").read_text("utf-8")
    assert "Bitstream" in (FONTS / "LICENSE-DejaVu.txt").read_text("utf-8")
    assert sum(file.stat().st_size for file in FONTS.rglob("*") if file.is_file()) < 3_000_000


def test_every_shipped_file_is_named_in_the_readme():
    """A face that README.md does not account for has no business here."""
    readme = (FONTS / "README.md").read_text("utf-8")
    for file in FONTS.rglob("*"):
        if file.is_file() and file.name != "README.md" and file.suffix != ".pyc":
            stem = re.sub(
                r"-(Regular|It|Semibold|SemiboldIt|Bold|Oblique|BoldOblique)\.woff2$", "-*.woff2", file.name
            )
            assert stem in readme or f"{file.parent.name}/" in readme, file
