"""Writing files so that a reader never meets half of one, and no input is ever overwritten."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from validator.errors import OutputProblem

if TYPE_CHECKING:
    from collections.abc import Iterable


def check_ending(output: Path | None, ending: str) -> None:
    """Refuse a name that promises another format than what is written; None is none.

    Raises:
        OutputProblem: the ending of *output* is not *ending*.
    """
    if output is not None and output.suffix.lower() != ending:
        raise OutputProblem(f"{output}: the extension must be {ending}, the format that is written")


def check_outputs(outputs: Iterable[Path | None], inputs: Iterable[Path] = ()) -> None:
    """Refuse *outputs* that cannot be written or would overwrite one of *inputs* or each other; None is none.

    Two paths name one file if the system says so, whatever links, ``..`` or working folder they go through.

    Raises:
        OutputProblem: the first such output, and what to name instead.
    """
    read = {_identity(file) for file in inputs}
    written: set[object] = set()
    for file in outputs:
        if file is None:
            continue
        if not file.parent.is_dir():
            raise OutputProblem(f"{file}: the folder {file.parent} does not exist")
        if file.is_dir():
            raise OutputProblem(f"{file}: is a folder; name a file")
        this = _identity(file)
        if this in read:
            raise OutputProblem(
                f"{file}: is an input of this command; write the output to another file or folder"
            )
        if this in written:
            raise OutputProblem(f"{file}: is named for two outputs; name a different file for each")
        written.add(this)


def _identity(file: Path) -> object:
    try:
        found = file.stat()
    except OSError:  # not there yet
        return os.path.realpath(file)
    return found.st_dev, found.st_ino


def write_atomically(path: Path, content: bytes | str) -> None:
    """Write *content* to a temporary file beside *path*, then rename it into place.

    An existing file stays intact until the new one is complete on disk.

    Raises:
        OutputProblem: the folder is missing or read-only, or the disk is full.
    """
    data = content.encode("utf-8") if isinstance(content, str) else content
    temporary: Path | None = None
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
        temporary = Path(name)
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        temporary.chmod(_permissions_of_a_new_file())
        temporary.replace(path)
    except OSError as error:
        if temporary is not None:
            temporary.unlink(missing_ok=True)
        raise OutputProblem(f"{path}: cannot be written ({error.strerror or error})") from error
    except BaseException:
        if temporary is not None:
            temporary.unlink(missing_ok=True)
        raise


def _permissions_of_a_new_file() -> int:
    # mkstemp makes files private; a dossier gets the permissions the user's umask would give it
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask
