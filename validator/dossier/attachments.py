"""What a dossier carries, taken out again. The only module that reads a PDF, which is not to be trusted."""

from __future__ import annotations

import io
import itertools
from typing import TYPE_CHECKING, TypeVar

from pypdf import PdfReader
from pypdf.errors import DependencyError, FileNotDecryptedError
from pypdf.generic import ArrayObject, DictionaryObject, PdfObject, StreamObject, TextStringObject

from validator.errors import DossierError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

MEGABYTE = 1024 * 1024
LARGEST_DOSSIER = 500 * MEGABYTE
LARGEST_ATTACHMENT = 50 * MEGABYTE
LARGEST_TOGETHER = 200 * MEGABYTE
MOST_ATTACHMENTS = 1000
MOST_NODES = 10_000
_OPENING = b"%PDF-"
_OPENS_WITHIN = 1024

Kind = TypeVar("Kind", bound=PdfObject)


def attached_files(dossier: Path) -> dict[str, bytes]:
    """The files attached to *dossier* by name, none where it carries none.

    Names are as they stand in the PDF: nothing may be written under them before they are checked.

    Raises:
        DossierError: the file cannot be read, is no PDF, is encrypted or damaged, or carries more than any
            dossier does.
    """
    content = _content(dossier)
    try:
        return _files(PdfReader(io.BytesIO(content)), dossier)
    except DossierError:
        raise
    except (DependencyError, FileNotDecryptedError) as error:
        raise DossierError(f"{dossier}: encrypted; verify the original dossier") from error
    except Exception as error:  # on a damaged file the reader raises whatever it stumbled over
        raise DossierError(f"{dossier}: is not a PDF that can be read ({type(error).__name__})") from error


def _content(dossier: Path) -> bytes:
    try:
        if dossier.stat().st_size > LARGEST_DOSSIER:
            raise DossierError(f"{dossier}: is larger than {LARGEST_DOSSIER // MEGABYTE} MB; not a dossier")
        content = dossier.read_bytes()
    except OSError as error:
        raise DossierError(f"{dossier}: cannot be read ({error.strerror or error})") from error
    except ValueError as error:  # a NUL in the name
        raise DossierError(f"{str(dossier)!r}: is not the name of a file") from error
    if _OPENING not in content[:_OPENS_WITHIN]:
        raise DossierError(f"{dossier}: is not a PDF")
    return content


def _files(reader: PdfReader, dossier: Path) -> dict[str, bytes]:
    files: dict[str, bytes] = {}
    together = 0
    for name, stream in _streams(reader):
        content = stream.get_data()
        together += len(content)
        if name in files:
            raise DossierError(f"{dossier}: two attachments have the name {name!r}")
        files[name] = content
        if len(content) > LARGEST_ATTACHMENT or together > LARGEST_TOGETHER or len(files) > MOST_ATTACHMENTS:
            raise DossierError(f"{dossier}: not a dossier (number or size of the attachments)")
    return files


def _streams(reader: PdfReader) -> Iterator[tuple[str, StreamObject]]:
    """Name and content of every embedded file (ISO 32000-2, 7.11.3 and 7.11.4, from memory)."""
    names = _entry(_asserted(DictionaryObject, reader.trailer["/Root"]), "/Names", DictionaryObject)
    tree = None if names is None else _entry(names, "/EmbeddedFiles", DictionaryObject)
    for specification in _leaves(tree):
        name = _named(specification, TextStringObject)
        embedded = _asserted(DictionaryObject, specification["/EF"])
        yield str(name), _named(embedded, StreamObject)


def _leaves(tree: DictionaryObject | None) -> Iterator[DictionaryObject]:
    """File specifications of a name tree (ISO 32000-2, 7.9.6, from memory), however it is nested."""
    nodes = [] if tree is None else [tree]
    for visited in itertools.count():
        if not nodes:
            return
        if visited > MOST_NODES:  # a tree that bites its tail
            raise ValueError("endless tree of names")
        node = nodes.pop()
        names = _entry(node, "/Names", ArrayObject) or ()
        for position in range(1, len(names), 2):
            yield _asserted(DictionaryObject, names[position])
        kids = _entry(node, "/Kids", ArrayObject) or ()
        nodes.extend(_asserted(DictionaryObject, kid) for kid in kids[::-1])


def _named(dictionary: DictionaryObject, kind: type[Kind]) -> Kind:
    for key in ("/UF", "/F"):
        found = _entry(dictionary, key, kind)
        if found is not None:
            return found
    raise ValueError("an embedded file without name or content")


def _entry(dictionary: DictionaryObject, key: str, kind: type[Kind]) -> Kind | None:
    return _asserted(kind, dictionary[key]) if key in dictionary else None


def _asserted(kind: type[Kind], value: PdfObject) -> Kind:
    found = value.get_object()
    if not isinstance(found, kind):
        raise TypeError(f"{type(found).__name__} where {kind.__name__} belongs")
    return found
