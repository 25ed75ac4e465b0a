"""Writing files so that a reader never meets half of one."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from validator.errors import OutputProblem


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
