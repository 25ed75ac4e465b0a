"""The figures of a manuscript: the dossier's own, as wide as a column, in formats that publishers ask for."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Literal

from msgspec import Struct

from validator import numbers
from validator.dossier import figures
from validator.dossier.document import Figure
from validator.dossier.sections import pictures
from validator.dossier.sections.context import Context, Item, percent_level
from validator.dossier.sections.pictures_of_comparisons import draw_overlay
from validator.dossier.wording import wording
from validator.evaluation.results import LimitVariant, NotAssessed
from validator.evaluation.selectivity import interference_limit
from validator.evaluation.trueness import equivalence_bounds

if TYPE_CHECKING:
    from collections.abc import Container, Iterator

    from matplotlib.figure import Figure as Drawing

    from validator.dossier.figure_style import Width
    from validator.dossier.inline import Content
    from validator.evaluation.results import Results
    from validator.study import Study

DOTS_PER_INCH = 600
_MM_PER_INCH = 25.4
WIDTH: Literal["column"] = "column"
MOST_GROUPS_IN_A_COLUMN = 3
"""More groups than this side by side need the width of the text: their labels would run into each other."""


class JournalFigure(Struct, frozen=True, kw_only=True):
    """A figure with its files.

    Attributes:
        figure: caption and alternative text, for the document.
        name: of the files, without ending; letters, digits, hyphens and underscores only.
        svg: text as outlines, so that no program needs the faces.
        pdf: faces embedded.
        png: at 600 dots per inch.
    """

    figure: Figure
    name: str
    svg: str
    pdf: bytes
    png: bytes

    @property
    def files(self) -> dict[str, bytes | str]:
        """Content of each file by its name."""
        return {f"{self.name}.svg": self.svg, f"{self.name}.pdf": self.pdf, f"{self.name}.png": self.png}


def draw_figures(study: Study, results: Results, *, language: str = "en") -> tuple[JournalFigure, ...]:
    """Calibration, limits, recovery and interference of each analyte as validated, and the overlays."""
    context = Context(study, results, wording(language))
    found: dict[str, JournalFigure] = {}
    for name, drawing, caption, alternative in _drawings(context):
        unique = file_name(name, taken=found)
        found[unique] = JournalFigure(
            figure=Figure(
                id=f"journal-{unique}",
                svg="",
                caption=caption,
                alternative_text=alternative,
                width_mm=_width_mm(drawing),
            ),
            name=unique,
            svg=figures.to_outlined_svg(drawing),
            pdf=figures.to_pdf(drawing),
            png=figures.to_png(drawing, DOTS_PER_INCH),
        )
    return tuple(found.values())


def _width_mm(drawing: Drawing) -> float:
    inches: float = drawing.get_size_inches()[0]
    return round(inches * _MM_PER_INCH, 3)


def file_name(name: str, taken: Container[str]) -> str:
    """A name of letters, digits, hyphens and underscores that is none of those *taken*."""
    plain = re.sub(r"[^A-Za-z0-9_]+", "-", name).strip("-").lower()
    unique, count = plain, 1
    while unique in taken:
        count += 1
        unique = f"{plain}-{count}"
    return unique


_Drawn = tuple[str, "Drawing", "Content", str]


def _drawings(context: Context) -> Iterator[_Drawn]:
    """File name, drawing, caption and alternative text of each figure."""
    for item in context.validated_items():
        yield from _of_item(context, item)
    for analyte in context.results.comparison_of_configurations:
        items = [item for item in context.items() if item.cell.analyte == analyte]
        drawing = draw_overlay(context, items, width=WIDTH)
        if drawing is not None:
            count = sum(not isinstance(item.configuration.calibration, NotAssessed) for item in items)
            name = context.analyte_name(analyte)
            yield _drawn(context, "overlay", f"overlay {analyte}", drawing, name=name, count=count)


def _of_item(context: Context, item: Item) -> Iterator[_Drawn]:
    found, cell = item.configuration, item.cell
    level = percent_level(item.record.confidence)
    if not isinstance(found.calibration, NotAssessed):
        yield _drawn(
            context,
            "calibration",
            f"calibration {cell.analyte}",
            pictures.draw_calibration(context, item, found.calibration, width=WIDTH),
            name=item.name,
            level=level,
            n=found.calibration.n,
            levels=found.calibration.levels,
        )
    if not isinstance(found.detection, NotAssessed):
        drawing = pictures.draw_limits(context, item, found.detection, width=WIDTH)
        count = sum(isinstance(one, LimitVariant) for one in found.detection.variants.values())
        yield _drawn(
            context, "limits", f"limits {cell.analyte}", drawing, name=item.name, level=level, count=count
        )
    yield from _of_runs(context, item, level)


def _of_runs(context: Context, item: Item, level: str) -> Iterator[_Drawn]:
    found, cell = item.configuration, item.cell
    if not isinstance(found.recovery, NotAssessed):
        bounds = equivalence_bounds(context.study, cell)
        count = len(found.recovery)
        width: Width = WIDTH if count <= MOST_GROUPS_IN_A_COLUMN else "text"
        drawing = pictures.draw_recovery(context, item, found.recovery, bounds, width=width)
        if drawing is not None:
            title = f"recovery {cell.analyte}"
            yield _drawn(context, "recovery", title, drawing, name=item.name, level=level, count=count)
    if not isinstance(found.interference, NotAssessed):
        limit = interference_limit(context.study, cell)
        drawing = pictures.draw_interference(context, item, found.interference, limit, width=WIDTH)
        if drawing is not None:
            yield _drawn(
                context,
                "interference",
                f"interference {cell.analyte}",
                drawing,
                name=item.name,
                level=level,
                count=len(found.interference),
                limit=numbers.percent(limit, 2),
            )


def _drawn(context: Context, key: str, file: str, drawing: Drawing, /, **values: str | int) -> _Drawn:
    texts = {field: numbers.count(v) if isinstance(v, int) else v for field, v in values.items()}
    caption = context.say(f"pictures.{key}", **texts)
    return file, drawing, caption, context.say.text(f"pictures.{key}_alt", **texts)
