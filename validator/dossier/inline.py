"""Running text of the document model: a few typed pieces, no markup language and no HTML.

Anything that takes :data:`Content` accepts a plain string, one piece, or a tuple of both. Strings are always
literal text: whatever the user wrote in a study stays as it is and is escaped by the templates.
Markup is written only through :func:`rich`, whose template comes from us and whose values are literal.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Literal, TypeAlias

from msgspec import Struct

if TYPE_CHECKING:
    from collections.abc import Iterator

OutcomeWord = Literal["meets", "does not meet", "inconclusive", "not assessed", "not applicable"]
VerdictWord = Literal["fit", "fit under conditions", "not assessed", "not demonstrated", "not fit"]
SeverityWord = Literal["stop", "condition", "caution", "note"]


class Text(Struct, frozen=True):
    """Literal text."""

    text: str


class Emphasis(Struct, frozen=True):
    """Text in italics."""

    text: str


class Strong(Struct, frozen=True):
    """Text in semibold."""

    text: str


class Code(Struct, frozen=True):
    """An identifier, a file name or a hash: set in the figure face, may break anywhere."""

    text: str


class Symbol(Struct, frozen=True):
    """A quantity symbol: an italic letter with an upright subscript and superscript (``s`` with ``r``)."""

    letter: str
    sub: str = ""
    sup: str = ""


class Struck(Struct, frozen=True):
    """Text struck through, for a value that does not count."""

    text: str


class Reference(Struct, frozen=True):
    """A link to a section, table, figure, formula or caveat by its id; without text its label is printed."""

    target: str
    text: str = ""


class WebLink(Struct, frozen=True):
    """A link to a page on the web; printed as its address where no text is given."""

    address: str
    text: str = ""

    def __post_init__(self) -> None:
        if not self.address.startswith(("https://", "http://", "mailto:")):
            raise ValueError(f"not a web address: {self.address!r}")


class Outcome(Struct, frozen=True):
    """An outcome as a drawn mark and its word; ``label`` replaces the word of the language catalogue."""

    outcome: OutcomeWord
    label: str = ""


class Severity(Struct, frozen=True):
    """The severity of a caveat as a drawn mark and its word."""

    severity: SeverityWord
    label: str = ""


class LineBreak(Struct, frozen=True):
    """A forced new line inside a paragraph or a cell."""


Inline: TypeAlias = (
    Text | Emphasis | Strong | Code | Symbol | Struck | Reference | WebLink | Outcome | Severity | LineBreak
)
Content: TypeAlias = str | Inline | tuple[str | Inline, ...]


def pieces(content: Content) -> tuple[Inline, ...]:
    """*content* as a flat tuple of pieces; strings become literal text."""
    if isinstance(content, tuple):
        return tuple(Text(piece) if isinstance(piece, str) else piece for piece in content)
    return (Text(content),) if isinstance(content, str) else (content,)


def plain(content: Content) -> str:
    """*content* without any markup, for alternative text, bookmarks and plain-text outputs."""
    return "".join(_plain_piece(piece) for piece in pieces(content))


def _plain_piece(piece: Inline) -> str:
    match piece:
        case Symbol():
            sub = f"_{piece.sub}" if piece.sub else ""
            return piece.letter + sub + (f"^{piece.sup}" if piece.sup else "")
        case Reference():
            return piece.text or piece.target
        case WebLink():
            return piece.text or piece.address
        case Outcome():
            return piece.label or piece.outcome
        case Severity():
            return piece.label or piece.severity
        case LineBreak():
            return " "
        case _:
            return piece.text


_MARKUP = re.compile(
    r"\*\*(?P<strong>[^*]+)\*\*"
    r"|(?<!\w)\*(?P<emphasis>[^*\s][^*]*)\*(?!\w)"
    r"|`(?P<code>[^`]+)`"
    r"|\$(?P<letter>[^\s$_^]+)(?:_(?P<sub>\{[^}]+\}|[^\s$^{]+))?(?:\^(?P<sup>\{[^}]+\}|[^\s$_{]+))?\$"
    r"|\[\[(?P<target>[^\]|]+)(?:\|(?P<label>[^\]]+))?\]\]"
    r"|\{(?P<name>[a-z_][a-z0-9_]*)\}"
)
_COUNTED = re.compile(r"\{(?P<name>[a-z_][a-z0-9_]*):(?P<one>[^|{}]+)\|(?P<many>[^|{}]+)\}")
_NAME = re.compile(r"\{([a-z_][a-z0-9_]*)\}")


def rich(template: str, **values: Content) -> tuple[Inline, ...]:
    """Text with a little markup, and values set into it as they are.

    ``**strong**``, ``*emphasis*``, ```code```, ``$s_r$`` or ``$R^2$`` or ``$s_{y/x}$`` (symbol),
    ``[[id]]`` or ``[[id|label]]`` (reference), ``{name}`` (a value, never read as markup; a name may also
    stand inside strong, emphasis, code and a reference), ``{n:sample is|samples are}`` (a number with the
    words for one and for any other). *template* is ours; what a user wrote belongs in *values*.

    Raises:
        KeyError: the template names a value that was not given.
    """
    return tuple(_read(_COUNTED.sub(lambda found: _counted(found, values), template), values))


def _counted(found: re.Match[str], values: dict[str, Content]) -> str:
    one, many = found["one"], found["many"]
    return f"{{{found['name']}}} {one if plain(values[found['name']]) == '1' else many}"


def _read(template: str, values: dict[str, Content]) -> Iterator[Inline]:
    end = 0
    for found in _MARKUP.finditer(template):
        if found.start() > end:
            yield Text(template[end : found.start()])
        end = found.end()
        yield from _piece(found, values)
    if end < len(template):
        yield Text(template[end:])


def _piece(found: re.Match[str], values: dict[str, Content]) -> Iterator[Inline]:
    def filled(text: str) -> str:
        return _NAME.sub(lambda name: plain(values[name[1]]), text)

    part = found.groupdict()
    if part["name"]:
        yield from pieces(values[part["name"]])
    elif part["strong"]:
        yield Strong(filled(part["strong"]))
    elif part["emphasis"]:
        yield Emphasis(filled(part["emphasis"]))
    elif part["code"]:
        yield Code(filled(part["code"]))
    elif part["letter"]:
        yield Symbol(part["letter"], (part["sub"] or "").strip("{}"), (part["sup"] or "").strip("{}"))
    else:
        yield Reference(filled(part["target"]), filled(part["label"] or ""))
