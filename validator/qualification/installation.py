"""What is installed here: versions, platform, and a fingerprint of the package's own files."""

from __future__ import annotations

import hashlib
import platform
import sys
from importlib import metadata
from pathlib import Path

from msgspec import Struct

from validator.resources import templates_folder
from validator.version import __version__

PACKAGES = (
    "numpy",
    "scipy",
    "pydantic",
    "msgspec",
    "pyyaml",
    "jinja2",
    "matplotlib",
    "weasyprint",
    "ziamath",
    "pypdf",
    "click",
)
_PACKAGE = Path(__file__).resolve().parents[1]
_COUNTED = (".py", ".yaml", ".j2", ".css")


class Installation(Struct, frozen=True, kw_only=True):
    """The installation that was examined.

    Attributes:
        version: of this package.
        fingerprint: SHA-256 over its programs, data and templates, in hexadecimal.
        python: implementation and version of the interpreter.
        system: operating system and its version.
        machine: kind of processor.
        computer: name of the computer on its network.
        packages: versions of the packages that compute and render; "not installed" where one is missing.
        significand_bits: of the floating-point numbers.
    """

    version: str
    fingerprint: str
    python: str
    system: str
    machine: str
    computer: str
    packages: dict[str, str]
    significand_bits: int


def this_installation() -> Installation:
    """The installation that runs."""
    return Installation(
        version=__version__,
        fingerprint=fingerprint(_PACKAGE, templates_folder()),
        python=f"{platform.python_implementation()} {platform.python_version()}",
        system=platform.platform(),
        machine=platform.machine(),
        computer=platform.node(),
        packages={name: _version(name) for name in PACKAGES},
        significand_bits=sys.float_info.mant_dig,
    )


def fingerprint(*folders: Path) -> str:
    """SHA-256 over names and contents of the files of *folders* that decide what is computed and said."""
    digest = hashlib.sha256()
    seen: set[Path] = set()
    for folder in folders:
        for file in sorted(folder.rglob("*"), key=lambda one: one.relative_to(folder).parts):
            if file.suffix in _COUNTED and file not in seen and file.is_file():
                seen.add(file)
                content = file.read_bytes()
                digest.update(f"{file.relative_to(folder).as_posix()}\0{len(content)}\0".encode())
                digest.update(content)
    return digest.hexdigest()


def _version(package: str) -> str:
    try:
        return metadata.version(package)
    except metadata.PackageNotFoundError:
        return "not installed"
