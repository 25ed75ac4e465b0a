"""Study to results: picks rows, calls statistics, records what cannot be assessed. No verdicts, no output."""

from validator.evaluation.evaluate import evaluate
from validator.evaluation.results import NotAssessed, Results
from validator.evaluation.rows import Cell

__all__ = ["Cell", "NotAssessed", "Results", "evaluate"]
