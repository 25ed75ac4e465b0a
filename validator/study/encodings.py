"""The bytes of a table file to text: UTF-8 as it should be, else what spreadsheets and instruments write.

A file that is not UTF-8 is not refused, but what it was taken for is said, with the characters to look at:
the same byte is µ in one code page and another sign in the next.
"""

from __future__ import annotations

import codecs
import io
import re
from typing import TYPE_CHECKING, TextIO

from msgspec import Struct

from validator.study.files import Unusable

if TYPE_CHECKING:
    from collections.abc import Iterator

_CHUNK = 1024 * 1024
_FEW = 6
_FIRST = 200
_OF_WINDOWS = re.compile(rb"[\x80-\x9f]")
_UNASSIGNED = re.compile(rb"[\x81\x8d\x8f\x90\x9d]")
"""Bytes that stand for nothing in Windows-1252."""


class TableText(Struct, frozen=True):
    """The text of a table file.

    Attributes:
        stream: the text, line ends as they are in the file.
        remark: how it was taken, where that is not certain; else empty.
    """

    stream: TextIO
    remark: str


def text_of_table(content: bytes) -> TableText:
    """The text in *content*: UTF-8, UTF-16 with a byte order mark, Windows-1252 or Latin-1.

    Raises:
        Unusable: it is text in none of these encodings.
    """
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        _check_utf16(content)
        return TableText(_stream(content, "utf-16"), "read as UTF-16")
    if (nul := content.find(b"\0")) >= 0:
        if not any(content[1:_FIRST:2]) or not any(content[:_FIRST:2]):
            raise Unusable("the text seems to be UTF-16 without its mark; save the file as UTF-8")
        raise Unusable("not a text file (it contains a zero byte)", _line_at(content, nul))
    if _is_utf8(content):
        return TableText(_stream(content, "utf-8-sig"), "")
    if (unassigned := _UNASSIGNED.search(content)) is not None:
        byte = content[unassigned.start()]
        raise Unusable(
            f"byte {byte:#04x} is valid in neither UTF-8 nor Windows-1252; save the file as UTF-8",
            _line_at(content, unassigned.start()),
        )
    name, codec = ("Windows-1252", "cp1252") if _OF_WINDOWS.search(content) else ("Latin-1", "latin-1")
    signs = sorted(set(_foreign(content)))
    shown = " ".join(bytes([sign]).decode(codec) for sign in signs[:_FEW])
    more = " …" if len(signs) > _FEW else ""
    remark = f"not UTF-8; read as {name}. Check these characters: {shown}{more}"
    return TableText(_stream(content, codec), remark)


def _stream(content: bytes, encoding: str) -> TextIO:
    return io.TextIOWrapper(io.BytesIO(content), encoding=encoding, newline="")


def _line_at(content: bytes, position: int) -> int:
    return content.count(b"\n", 0, position) + 1


def _foreign(content: bytes) -> Iterator[int]:
    for start in range(0, len(content), _CHUNK):
        yield from {byte for byte in set(content[start : start + _CHUNK]) if byte >= 0x80}


def _is_utf8(content: bytes) -> bool:
    # piece by piece: the text of a large file is never held as a whole
    if content.isascii():
        return True
    decoder = codecs.getincrementaldecoder("utf-8")()
    try:
        for start in range(0, len(content), _CHUNK):
            decoder.decode(content[start : start + _CHUNK])
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return False
    return True


def _check_utf16(content: bytes) -> None:
    try:
        content.decode("utf-16")
    except UnicodeDecodeError as error:
        raise Unusable("the text begins as UTF-16 and is cut or damaged; save the file as UTF-8") from error
