"""Published cases run on this installation and compared digit by digit. No documents, no guidance."""

from validator.qualification.case import Case, read_cases
from validator.qualification.running import CaseResult, FigureResult, Installation, Qualification, qualify

__all__ = [
    "Case",
    "CaseResult",
    "FigureResult",
    "Installation",
    "Qualification",
    "qualify",
    "read_cases",
]
