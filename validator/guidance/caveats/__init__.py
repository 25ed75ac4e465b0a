"""The catalogue of caveats: what a reader should be told when the data raise a doubt.

Only the words live here. Whether a caveat applies is computed by the assessment, which names the case and
hands over the values, already formatted, that the sentence needs.
"""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Annotated, Literal, Self

from msgspec import Struct
from pydantic import BaseModel, BeforeValidator, Field, model_validator

from validator.characteristics.order import CHARACTERISTICS, CharacteristicName
from validator.errors import GuidanceError
from validator.guidance.acceptance import STRICT, Text
from validator.guidance.reading import read_document, validated
from validator.sources import Source, SourceStatus

if TYPE_CHECKING:
    from collections.abc import Mapping

Severity = Literal["stop", "condition", "caution", "note"]

_FOLDER = Path(__file__).parent
_FIELD = re.compile(r"\{([^{}]*)\}")
_NAME = re.compile(r"[a-z][a-z0-9_]*")


class Case(BaseModel):
    """One way in which a doubt arises.

    Attributes:
        when: the condition, in words, for whoever computes it.
        because: the sentence that gives this study's numbers.
        severity: where this case weighs differently from the caveat as a whole.
        title, text, remedy: those of this case, where they differ from the caveat's.
    """

    model_config = STRICT
    when: Text
    because: Text
    severity: Severity | None = None
    title: Text | None = None
    text: Text | None = None
    remedy: Text | None = None


class _Cited(BaseModel):
    model_config = STRICT
    text: Text
    status: SourceStatus


class Caution(Struct, frozen=True, kw_only=True):
    """A caveat with this study's numbers in it."""

    id: str
    severity: Severity
    title: str
    text: str
    because: str
    remedy: str
    sources: tuple[Source, ...]


def _all(written: object) -> object:
    return tuple(CHARACTERISTICS) if written == "all" else written


class CaveatText(BaseModel):
    """One caveat of the catalogue.

    Attributes:
        characteristics: those it can weigh on, the usual one first, or ``all``; empty: the study as a whole.
        text: what it means, without numbers.
        cases: the ways it arises, by name.
        values: meaning of each value that the sentences of the cases name in braces.
        sources: clauses, each with how far it was consulted.
    """

    model_config = STRICT
    id: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$")]
    severity: Severity
    characteristics: Annotated[tuple[CharacteristicName, ...], BeforeValidator(_all)]
    title: Text
    text: Text
    cases: Annotated[dict[str, Case], Field(min_length=1)]
    values: dict[str, Text] = Field(default_factory=dict)
    remedy: Text
    sources: Annotated[tuple[_Cited, ...], Field(min_length=1)]

    def values_of(self, case: str) -> frozenset[str]:
        """Names of the values that one case needs."""
        return frozenset(_FIELD.findall(self.cases[case].because))

    def fill(self, case: str, values: Mapping[str, str | int] = MappingProxyType({})) -> Caution:
        """The caveat with this study's numbers.

        Args:
            case: which of ``cases`` applies.
            values: exactly those of ``values_of(case)``; numbers come formatted.

        Raises:
            KeyError: an unknown case, or values missing or too many.
        """
        wanted, given = self.values_of(case), frozenset(values)
        if wanted != given:
            message = f"{self.id}, case {case}: needs {sorted(wanted)}, got {sorted(given)}"
            raise KeyError(message)
        chosen = self.cases[case]
        return Caution(
            id=self.id,
            severity=chosen.severity or self.severity,
            title=chosen.title or self.title,
            text=chosen.text or self.text,
            because=_FIELD.sub(lambda match: str(values[match[1]]), chosen.because),
            remedy=chosen.remedy or self.remedy,
            sources=tuple(Source(one.text, one.status) for one in self.sources),
        )

    @model_validator(mode="after")
    def _values_are_explained(self) -> Self:
        used = {name for case in self.cases for name in self.values_of(case)}
        if used != set(self.values):
            odd = sorted(used ^ set(self.values))
            message = f"the value '{odd[0]}' must stand both in a sentence and under 'values'"
            raise ValueError(message)
        if not all(_NAME.fullmatch(name) for name in used):
            message = "values are named in lower case, such as {highest_level}"
            raise ValueError(message)
        return self


class _Chapter(BaseModel):
    model_config = STRICT
    format: Literal["guidance-caveats/1"]
    caveats: Annotated[tuple[CaveatText, ...], Field(min_length=1)]


@cache
def caveat_texts() -> Mapping[str, CaveatText]:
    """The whole catalogue by id, in the order of its files.

    Raises:
        GuidanceError: a file is malformed, or an id is used twice.
    """
    return read_catalogue(_FOLDER)


def read_catalogue(folder: Path) -> Mapping[str, CaveatText]:
    """The caveats of every YAML file in *folder*.

    Raises:
        GuidanceError: a file is malformed, or an id is used twice.
    """
    catalogue: dict[str, CaveatText] = {}
    for path in sorted(folder.glob("*.yaml")):
        for caveat in validated(_Chapter, read_document(path)).caveats:
            if caveat.id in catalogue:
                message = (
                    f"{path.name}: caveats: the id '{caveat.id}' is used twice; give each caveat its own"
                )
                raise GuidanceError(message)
            catalogue[caveat.id] = caveat
    return MappingProxyType(catalogue)
