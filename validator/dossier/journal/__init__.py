"""A validation section for a manuscript: one document model, written as Markdown, LaTeX or DOCX."""

from __future__ import annotations

from validator.dossier.journal.drawing import JournalFigure, draw_figures
from validator.dossier.journal.latex import to_latex
from validator.dossier.journal.manuscript import (
    ENDINGS,
    Manuscript,
    check_target,
    journal_document,
    manuscript,
)
from validator.dossier.journal.markdown import to_markdown
from validator.dossier.journal.word import to_word

__all__ = [
    "ENDINGS",
    "JournalFigure",
    "Manuscript",
    "check_target",
    "draw_figures",
    "journal_document",
    "manuscript",
    "to_latex",
    "to_markdown",
    "to_word",
]
