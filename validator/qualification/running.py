"""The published cases on this installation: what comes out, compared with what was printed."""

from __future__ import annotations

import hashlib
import math
import platform
import sys
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING, Any

from msgspec import Struct

from validator.qualification.adapters import ADAPTERS
from validator.qualification.case import Case, read_cases
from validator.resources import templates_folder
from validator.version import __version__

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

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


FORMAT = "validation-qualification/1"


class FigureResult(Struct, frozen=True, kw_only=True):
    """One published figure and ours.

    Attributes:
        name: of the figure.
        published: its digits as printed.
        obtained: at full precision; None where nothing came out.
        allowed: the largest difference that counts as agreement.
    """

    name: str
    published: str
    obtained: float | None
    allowed: float

    @property
    def agrees(self) -> bool:
        """True where the difference is no larger than allowed."""
        if self.obtained is None or not math.isfinite(self.obtained):
            return False
        return abs(self.obtained - float(self.published)) <= self.allowed


class CaseResult(Struct, frozen=True, kw_only=True):
    """A case with what came out; ``problem`` says what went wrong where it could not be computed."""

    case: Case
    figures: tuple[FigureResult, ...]
    problem: str = ""

    @property
    def agrees(self) -> bool:
        """True where every published figure was obtained."""
        return all(figure.agrees for figure in self.figures)


class Qualification(Struct, frozen=True, kw_only=True):
    """All cases on this installation."""

    installation: Installation
    cases: tuple[CaseResult, ...]

    @property
    def agrees(self) -> bool:
        """True where every case agrees, and there are any."""
        return bool(self.cases) and all(case.agrees for case in self.cases)

    @property
    def failed(self) -> tuple[CaseResult, ...]:
        """The cases that do not agree."""
        return tuple(case for case in self.cases if not case.agrees)

    def plain(self) -> dict[str, Any]:
        """As dictionaries and lists, ready for JSON."""
        here = self.installation
        return {
            "format": FORMAT,
            "software": {"name": "validator", "version": here.version, "fingerprint": here.fingerprint},
            "installation": {
                "python": here.python,
                "system": here.system,
                "machine": here.machine,
                "computer": here.computer,
                "significand_bits": here.significand_bits,
                "packages": here.packages,
            },
            "agrees": self.agrees,
            "cases": [_plain(case) for case in self.cases],
        }


def qualify(cases: Iterable[Case] | None = None) -> Qualification:
    """Run *cases*, those shipped with the package unless named, on this installation."""
    known = read_cases() if cases is None else cases
    return Qualification(installation=this_installation(), cases=tuple(run_case(case) for case in known))


def run_case(case: Case) -> CaseResult:
    """Run one case; whatever goes wrong in it is a disagreement of this case and stops no other."""
    try:
        obtained = ADAPTERS[case.run](case.inputs)
    except Exception as error:
        return CaseResult(
            case=case, figures=tuple(_figures(case, {})), problem=f"{type(error).__name__}: {error}"
        )
    return CaseResult(case=case, figures=tuple(_figures(case, obtained)))


def _figures(case: Case, obtained: Mapping[str, float]) -> Iterator[FigureResult]:
    for name, printed in case.published.items():
        value = obtained.get(name)
        yield FigureResult(
            name=name,
            published=printed,
            obtained=None if value is None else float(value),
            allowed=case.allowed(name),
        )


def _plain(result: CaseResult) -> dict[str, Any]:
    case = result.case
    return {
        "id": case.id,
        "area": case.area,
        "title": case.title,
        "source": case.source,
        "confirmed": case.confirmed,
        "agrees": result.agrees,
        **({"problem": result.problem} if result.problem else {}),
        "figures": [
            {
                "name": one.name,
                "published": one.published,
                "obtained": one.obtained if one.obtained is None or math.isfinite(one.obtained) else None,
                "allowed_difference": one.allowed,
                "agrees": one.agrees,
            }
            for one in result.figures
        ],
        "tolerances": [
            {"figure": name, "because": tolerance.because} for name, tolerance in case.tolerance.items()
        ],
    }
