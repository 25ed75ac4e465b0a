"""Makes the font files of this folder from the releases named in README.md; run it only to renew them.

    python prepare.py SOURCE_SERIF_PACKAGE SOURCE_SANS_PACKAGE DEJAVU_FOLDER

Files whose name begins with ``Source`` are byte copies, ``Dossier*`` files subsets under names of our own,
as the licences ask of a changed font. Needs fonttools with brotli.
"""

from __future__ import annotations

import json
import shutil
import sys
from pathlib import Path

from fontTools import subset
from fontTools.ttLib import TTFont
from fontTools.ttLib.woff2 import WOFF2FlavorData

HERE = Path(__file__).resolve().parent
STYLES = ("Regular", "It", "Semibold", "SemiboldIt")
SIGN_STYLES = {"": "Regular", "-Bold": "Bold", "-Oblique": "Oblique", "-BoldOblique": "BoldOblique"}

SIGN_BLOCKS = (
    *((0x0180, 0x024F), (0x02B0, 0x036F), (0x1D00, 0x1DBF), (0x2000, 0x2BFF), (0x2C60, 0x2C7F)),
    *((0x1D400, 0x1D7FF), (0xFFFD, 0xFFFD)),
)
SPACES = {0x20, 0xA0}  # a run of signs may hold one, which must come from the same face
DRAWING_BLOCKS = (
    *((0x0020, 0x017F), (0x0218, 0x021B), (0x02B0, 0x036F), (0x0370, 0x03FF), (0x0400, 0x045F)),
    *((0x1E00, 0x1EFF), (0x2000, 0x214F), (0x2190, 0x22FF), (0x25A0, 0x25FF)),
)
SCREEN_BLOCKS = ((0x0020, 0x00FF), (0x0391, 0x03C9), (0x2002, 0x203A), (0x2070, 0x209C), (0x2190, 0x2265))
NUMERALS = "0123456789.,+-−±×<>≤≥≈∞%()[]–/ \u00a0\u202f\u2009\u2007⁰¹²³⁴⁵⁶⁷⁸⁹⁻⁺"
LETTERS = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"


def characters(blocks: tuple[tuple[int, int], ...]) -> set[int]:
    """Code points of *blocks*, ends included."""
    return {point for first, last in blocks for point in range(first, last + 1)}


def write_subset(source: Path, target: Path, points: set[int], family: str, style: str) -> None:
    """Write the glyphs of *points* from *source* as the face *style* of *family*."""
    options = subset.Options(
        layout_features=["kern", "mark", "mkmk", "ccmp"],
        name_IDs=[0, 13, 14],
        notdef_outline=True,
        hinting=False,
        desubroutinize=True,
        drop_tables=["DSIG", "FFTM", "MATH"],
    )
    font = subset.load_font(source, options)
    font.recalcTimestamp = False
    subsetter = subset.Subsetter(options)
    subsetter.populate(unicodes=points)
    subsetter.subset(font)
    rename(font, family, style)
    font["OS/2"].usWeightClass = 600 if style.startswith(("Semibold", "Bold")) else 400
    if target.suffix == ".woff2":
        # without the glyf transform, which costs the PDF engine half a second a face to undo
        font.flavor, font.flavorData = "woff2", WOFF2FlavorData(transformedTables=())
    target.parent.mkdir(exist_ok=True)
    font.save(target)


def rename(font: TTFont, family: str, style: str) -> None:
    """Give *font* a family name of our own; the copyright and licence entries stay."""
    full = f"{family} {style}"
    entries = {1: family, 2: style, 3: full, 4: full, 6: full.replace(" ", "-"), 16: family, 17: style}
    for name_id, text in entries.items():
        font["name"].setName(text, name_id, 3, 1, 0x409)


def advance_widths(face: Path) -> dict[str, int]:
    """Widths, in thousandths of the type size, of the characters that numbers are written with."""
    font = TTFont(face)
    names, metrics, per_em = font.getBestCmap(), font["hmtx"], font["head"].unitsPerEm
    return {c: round(1000 * metrics[names[ord(c)]][0] / per_em) for c in NUMERALS + LETTERS}


def main(serif: Path, sans: Path, dejavu: Path) -> None:
    """Renew every font file of this folder."""
    upstream = {"SourceSerif4": serif / "WOFF2/OTF", "SourceSans3": sans / "WOFF2/OTF"}
    for family, folder in upstream.items():
        for style in STYLES:
            shutil.copyfile(folder / f"{family}-{style}.otf.woff2", HERE / f"{family}-{style}.woff2")
    shutil.copyfile(serif / "LICENSE.md", HERE / "LICENSE-SourceSerif4.md")
    shutil.copyfile(sans / "LICENSE.md", HERE / "LICENSE-SourceSans3.md")

    present = set(TTFont(HERE / "SourceSans3-Regular.woff2").getBestCmap())
    signs = characters(SIGN_BLOCKS) - present | SPACES
    for suffix, style in SIGN_STYLES.items():
        face = dejavu / f"DejaVuSans{suffix}.ttf"
        write_subset(face, HERE / f"DossierSigns-{style}.woff2", signs, "Dossier Signs", style)
    drawing = characters(DRAWING_BLOCKS)
    for weight, signs_face in (("Regular", "DejaVuSans.ttf"), ("Semibold", "DejaVuSans-Bold.ttf")):
        target = HERE / f"drawing/DossierSigns-{weight}.ttf"
        write_subset(dejavu / signs_face, target, drawing & signs, "Dossier Signs", weight)
        face = sans / f"TTF/SourceSans3-{weight}.ttf"
        target = HERE / f"drawing/DossierFigure-{weight}.ttf"
        write_subset(face, target, drawing, "Dossier Figure", weight)
        screen = HERE / f"screen/DossierFigure-{weight}.woff2"
        write_subset(face, screen, characters(SCREEN_BLOCKS), "Dossier Figure", weight)

    widths = json.dumps(advance_widths(HERE / "SourceSans3-Regular.woff2"), ensure_ascii=True, indent=1)
    (HERE / "advance_widths.json").write_text(widths + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(*(Path(argument) for argument in sys.argv[1:4]))
