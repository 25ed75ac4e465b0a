"""Many studies in one go: each evaluated for itself, one summary of all. No statistics of its own."""

from validator.batch.rows import FigureRow, StudyPlace, StudyRow, find_studies
from validator.batch.running import run_batch
from validator.batch.summary import TrendRow, check_summary, trend, write_summary

__all__ = [
    "FigureRow",
    "StudyPlace",
    "StudyRow",
    "TrendRow",
    "check_summary",
    "find_studies",
    "run_batch",
    "trend",
    "write_summary",
]
