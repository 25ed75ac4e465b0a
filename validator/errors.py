"""Everything this package raises on purpose.

ValidatorError
├── StudyError           the study files cannot be used; carries every problem found
├── NotEstimable         a statistic says no: the data cannot carry the estimate
├── GuidanceError        a guidance profile is malformed or unknown
├── DossierError         a dossier cannot be verified: no PDF, nothing attached, nothing to recompute
├── LaboratoryError      a laboratory's own templates, logo or colours cannot be used
├── EnvironmentProblem   the machine lacks something; carries the command that installs it
└── OutputProblem        the result could not be written (full disk, read-only folder)
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct

if TYPE_CHECKING:
    from collections.abc import Sequence


class ValidatorError(Exception):
    """Parent of every error that is foreseen and told in a sentence."""


class Problem(Struct, frozen=True, order=True):
    """One thing that is wrong with the study files, and where."""

    file: str
    line: int
    field: str
    message: str
    column: str = ""

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}" if self.line else self.file
        if self.column:
            place += f" (column '{self.column}')"
        return f"{place}: {self.field}: {self.message}" if self.field else f"{place}: {self.message}"


class StudyError(ValidatorError):
    """The study files cannot be used; ``problems`` lists all of them in reading order."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class NotEstimable(ValidatorError):
    """The data cannot carry the estimate.

    Attributes:
        reason: what is missing or unsuitable, as a clause ("only 2 levels").
        needs: what would make it possible ("at least 3 distinct levels").
    """

    def __init__(self, reason: str, needs: str) -> None:
        self.reason = reason
        self.needs = needs
        super().__init__(f"{reason}; needs {needs}")

    def __eq__(self, other: object) -> bool:
        """Refusals are values: results that hold them can be compared."""
        if not isinstance(other, NotEstimable):
            return NotImplemented
        return (self.reason, self.needs) == (other.reason, other.needs)

    def __hash__(self) -> int:
        return hash((self.reason, self.needs))

    def __reduce__(self) -> tuple[type[NotEstimable], tuple[str, str]]:
        """Pickle by the two parts, so that a refusal survives the way to a worker and back."""
        return NotEstimable, (self.reason, self.needs)


class GuidanceError(ValidatorError):
    """A guidance profile is malformed or unknown."""


class DossierError(ValidatorError):
    """A dossier cannot be verified, because it is not one or does not carry what it takes."""


class LaboratoryError(ValidatorError):
    """A laboratory's own templates, logo or colours cannot be used."""


class EnvironmentProblem(ValidatorError):
    """The machine lacks something the command needs; the message says how to install it."""


class OutputProblem(ValidatorError):
    """A file could not be written; nothing half-written was left behind."""
