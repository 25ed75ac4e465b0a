"""A laboratory's own look: logo, accent colour and two extra blocks, from a folder of its own.

The folder may hold ``laboratory.yaml`` (keys ``name``, ``accent``, ``logo``), ``title.html.j2`` (printed
below the title block) and ``closing.html.j2`` (printed at the end). The templates run in a sandbox, see only
the study's identity, and can fetch nothing: what they refer to outside of themselves fails the report. They
may print values, ask, and go through a list; whatever could take time or room without end is no part of them.
"""

from __future__ import annotations

import base64
import mimetypes
import re
from typing import TYPE_CHECKING

import yaml
from markupsafe import Markup
from msgspec import Struct

from validator.errors import LaboratoryError
from validator.yaml_loader import load

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from jinja2 import nodes

    from validator.dossier.document import Document

ACCENT = "#1f3a4d"
"""Accent colour of the shipped style sheets, which a laboratory's own replaces."""

_COLOUR = re.compile(r"#[0-9a-fA-F]{6}")
_LOGOS = {".svg": "image/svg+xml", ".png": "image/png", ".jpg": "image/jpeg", ".jpeg": "image/jpeg"}
_LARGEST_FILE = 2_000_000
_LARGEST_TEMPLATE = 50_000
_LARGEST_BLOCK = 200_000
_KEYS = ("name", "accent", "logo")
_SETTINGS, _TITLE, _CLOSING = "laboratory.yaml", "title.html.j2", "closing.html.j2"
_FILTERS = frozenset({"upper", "lower", "title", "capitalize", "trim", "default", "length", "first", "last"})
_MAY = "a template may print values, ask (if) and go through a list (for)"


class Laboratory(Struct, frozen=True):
    """What a laboratory adds; everything may be absent.

    Attributes:
        name: printed with the logo, and its alternative text.
        accent: colour of rules and headings, ``#rrggbb``.
        logo: the picture as a data-URI.
        title_block, closing_block: rendered templates.
    """

    name: str = ""
    accent: str = ACCENT
    logo: str = ""
    title_block: str = ""
    closing_block: str = ""


def laboratory_files(folder: Path) -> tuple[Path, ...]:
    """The files that :func:`read_laboratory` reads, which no output must overwrite.

    Raises:
        LaboratoryError: the settings cannot be used.
    """
    logo = _settings(folder).get("logo")
    names = (_SETTINGS, _TITLE, _CLOSING, *(() if logo is None else (logo,)))
    return tuple(folder / name for name in names)


def read_laboratory(folder: Path, document: Document) -> Laboratory:
    """Read *folder* and render its templates for *document*.

    Raises:
        LaboratoryError: the folder or a file in it cannot be used; the message says what to write.
    """
    if not folder.is_dir():
        raise LaboratoryError(f"{folder}: not a folder; --templates requires a folder")
    settings = _settings(folder)
    accent = settings.get("accent", ACCENT)
    if not _COLOUR.fullmatch(accent):
        file = folder / _SETTINGS
        raise LaboratoryError(f'{file}: accent: expected a colour such as "#1f3a4d", found {accent!r}')
    return Laboratory(
        name=settings.get("name", ""),
        accent=accent,
        logo=_logo(folder, settings["logo"]) if "logo" in settings else "",
        title_block=_block(folder / _TITLE, document),
        closing_block=_block(folder / _CLOSING, document),
    )


def _settings(folder: Path) -> dict[str, str]:
    file = folder / _SETTINGS
    if not file.exists():
        return {}
    try:
        found = load(_content(file, _LARGEST_TEMPLATE).decode("utf-8")) or {}
    except (yaml.YAMLError, UnicodeDecodeError) as error:
        raise LaboratoryError(f"{file}: is not YAML: {error}") from error
    if not isinstance(found, dict) or not all(isinstance(value, str) for value in found.values()):
        raise LaboratoryError(f"{file}: write {', '.join(_KEYS)}, each with a text")
    unknown = sorted(set(map(str, found)) - set(_KEYS))
    if unknown:
        raise LaboratoryError(f"{file}: unknown key '{unknown[0]}'; possible: {', '.join(_KEYS)}")
    return {str(key): value for key, value in found.items()}


def _logo(folder: Path, name: str) -> str:
    file = _confined(folder, name)
    kind = _LOGOS.get(file.suffix.lower())
    if kind is None:
        guessed = mimetypes.guess_type(name)[0] or "an unknown kind"
        raise LaboratoryError(f"{file}: the logo must be an SVG, PNG or JPEG file, found {guessed}")
    content = base64.b64encode(_content(file, _LARGEST_FILE)).decode("ascii")
    return f"data:{kind};base64,{content}"


def _confined(folder: Path, name: str) -> Path:
    file = (folder / name).resolve()
    if not file.is_relative_to(folder.resolve()):
        raise LaboratoryError(f"{folder / _SETTINGS}: logo: '{name}' is outside the folder")
    return file


def _content(file: Path, largest: int) -> bytes:
    try:
        if file.stat().st_size > largest:
            raise LaboratoryError(f"{file}: is larger than {largest // 1000} kB")
        return file.read_bytes()
    except OSError as error:
        raise LaboratoryError(f"{file}: cannot be read ({error.strerror or error})") from error


def _block(file: Path, document: Document) -> str:
    if not file.exists():
        return ""
    from jinja2 import StrictUndefined, TemplateError
    from jinja2.sandbox import ImmutableSandboxedEnvironment

    # no loader: a template of a laboratory can include nothing
    environment = ImmutableSandboxedEnvironment(autoescape=True, undefined=StrictUndefined)
    try:
        source = _content(_confined(file.parent, file.name), _LARGEST_TEMPLATE).decode("utf-8")
        _check(environment.parse(source))
        text = environment.from_string(source).render(
            title=document.title,
            identifier=document.identifier,
            version=document.version,
            date=document.date,
            authors=document.authors,
        )
    except (TemplateError, UnicodeDecodeError, OverflowError, TypeError, ValueError) as error:
        raise LaboratoryError(f"{file}: {error}") from error
    if len(text) > _LARGEST_BLOCK:
        raise LaboratoryError(f"{file}: prints more than {_LARGEST_BLOCK // 1000} kB")
    return Markup(text)


def _check(tree: nodes.Template) -> None:
    """Refuse what could take time or room without end: the work stays in proportion to what is printed.

    Loops in loops, macros, assignments and most filters can each be made to grow what they are given.

    Raises:
        ValueError: the template holds more than values, conditions and loops over a list.
    """
    for line, excess in _excesses(tree):
        raise ValueError(f"line {line}: {excess}")


def _excesses(tree: nodes.Template) -> Iterator[tuple[int, str]]:
    from jinja2 import nodes

    harmless = (
        *(nodes.Output, nodes.TemplateData, nodes.Name, nodes.Const, nodes.Getattr, nodes.If, nodes.CondExpr),
        *(nodes.Compare, nodes.Operand, nodes.Not, nodes.And, nodes.Or, nodes.For, nodes.Test, nodes.Filter),
    )
    for found in tree.find_all(nodes.Node):
        if not isinstance(found, harmless):
            yield found.lineno, f"{type(found).__name__.lower()}: {_MAY}"
        elif isinstance(found, nodes.Filter) and found.name not in _FILTERS:
            yield found.lineno, f"the filter {found.name}: possible: {', '.join(sorted(_FILTERS))}"
        elif isinstance(found, nodes.For) and (found.recursive or next(found.find_all(nodes.For), None)):
            yield found.lineno, f"a loop in a loop: {_MAY}"
        elif isinstance(found, nodes.For) and not isinstance(found.iter, nodes.Name):
            yield found.lineno, "a loop goes through a list by its name: authors"
