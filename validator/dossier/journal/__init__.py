"""A validation section for a manuscript: one document model, written as Markdown, LaTeX or DOCX."""

from __future__ import annotations

from validator.dossier.journal.composing import journal_document
from validator.dossier.journal.drawing import JournalFigure, draw_figures

__all__ = ["JournalFigure", "draw_figures", "journal_document"]
