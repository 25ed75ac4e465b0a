"""Many studies in one go: each evaluated for itself, one summary of all. No statistics of its own."""

from validator.batch.places import StudyPlace, find_studies
from validator.batch.rows import FigureRow, StudyRow
from validator.batch.running import run_batch
from validator.batch.summary import check_summary, write_summary
from validator.batch.trend import TrendRow, trend

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
