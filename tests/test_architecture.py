"""Data flow one way: each room imports only from those before it, and nothing heavy before it is needed."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "validator"
EXAMPLES = sorted(folder.name for folder in (PACKAGE.parent / "example_studies").iterdir() if folder.is_dir())

_LOW = ("characteristics", "errors", "numbers", "records", "sources", "version")
_UP_TO_ASSESSMENT = {"assessment", "evaluation", "guidance", "study", "statistics", *_LOW}

ROOMS = {
    "study": {"study", "characteristics", "errors", "yaml_loader"},
    "statistics": {"statistics", "errors", "numbers", "records", "sources"},
    "guidance": {"guidance", "characteristics", "statistics", "errors", "sources", "yaml_loader"},
    "evaluation": {"evaluation", "guidance", "study", "statistics", *_LOW},
    "assessment": _UP_TO_ASSESSMENT - {"version"},
    "planning": {"planning", *_UP_TO_ASSESSMENT},
    "qualification": {
        "qualification",
        "characteristics",
        "evaluation",
        "study",
        "statistics",
        "errors",
        "records",
        "resources",
        "version",
        "yaml_loader",
    },
    "dossier": {
        "dossier",
        "planning",
        "qualification",
        "resources",
        "writing",
        "yaml_loader",
        *_UP_TO_ASSESSMENT,
    },
    "batch": {"batch", "dossier", "reading", "writing", *_UP_TO_ASSESSMENT},
}
"""What each room may import."""

LEAVES = {
    "characteristics": set(),
    "characteristics.order": {"characteristics"},
    "errors": set(),
    "records": set(),
    "resources": set(),
    "sources": set(),
    "version": set(),
    "yaml_loader": set(),
    "writing": {"errors"},
    "numbers": set(),
}
"""Modules that everybody may lean on, and what they may import themselves."""

HEAVY = ("weasyprint", "matplotlib", "statsmodels", "scipy.stats", "pandas", "ziamath", "pypdf")


def module_name(path):
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {module_name(path): path for path in PACKAGE.rglob("*.py")}


def imported(path):
    """The modules of the package that *path* imports, wherever in the file: ``study.models.runs``."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            for alias in node.names:
                full = f"{node.module}.{alias.name}"
                is_module = full.removeprefix("validator.") in MODULES
                found.add(full if is_module else str(node.module))
    inside = {name for name in found if name.split(".")[0] == "validator"}
    return {name.removeprefix("validator").removeprefix(".") or "__init__" for name in inside}


def is_allowed(name, allowed):
    return any(name == one or name.startswith(f"{one}.") for one in allowed)


def strangers(names, allowed):
    """What the modules *names* import beyond *allowed*, as sentences."""
    return [
        f"validator.{name} imports validator.{target}"
        for name in sorted(names)
        for target in sorted(imported(MODULES[name]))
        if not is_allowed(target, allowed)
    ]


def test_every_folder_is_a_room_with_its_place():
    """A new folder of the package must be given its place in the list above."""
    assert {name.split(".")[0] for name in MODULES if "." in name} == {*ROOMS, "characteristics"}


@pytest.mark.parametrize("room", ROOMS)
def test_a_room_imports_only_what_comes_before_it(room):
    """Study and statistics know nothing of each other; guidance, evaluation, assessment, dossier follow."""
    inside = {name for name in MODULES if is_allowed(name, {room})}
    assert len(inside) > 3

    assert strangers(inside, ROOMS[room]) == []


@pytest.mark.parametrize("leaf", LEAVES)
def test_a_leaf_imports_no_room(leaf):
    """What everybody leans on leans on nothing."""
    assert strangers({leaf}, LEAVES[leaf]) == []


def test_nobody_imports_the_command_line():
    """The commands are the border: only ``python -m validator`` starts there."""
    assert {name for name in MODULES if "command_line" in imported(MODULES[name])} == {"__main__"}


def test_the_rule_sees_a_breach(tmp_path):
    """An import that is hidden in a function or behind TYPE_CHECKING counts as one at the top does."""
    module = tmp_path / "module.py"
    module.write_text(
        "from typing import TYPE_CHECKING\n"
        "if TYPE_CHECKING:\n    from validator.study import Study\n"
        "def f():\n    import validator.numbers\n    from validator.dossier import pdf\n",
        encoding="utf-8",
    )

    assert imported(module) == {"study", "numbers", "dossier.pdf"}
    assert not is_allowed("dossier.pdf", ROOMS["assessment"])
    assert is_allowed("numbers", ROOMS["assessment"])


def loaded_after(code):
    """The heavy modules that are loaded after a fresh interpreter ran *code*."""
    report = f"\nimport sys; print([name for name in {HEAVY!r} if name in sys.modules], file=sys.stderr)"
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code + report],
        capture_output=True,
        text=True,
        encoding="utf-8",
        cwd=PACKAGE.parent,
        check=True,
    )
    return ast.literal_eval(done.stderr.splitlines()[-1])


def test_checking_and_evaluating_load_nothing_heavy(tmp_path):
    """Every example is checked, one evaluated, without the PDF engine, plotting or heavy statistics."""
    calls = [["check", f"example_studies/{name}"] for name in EXAMPLES]
    calls += [
        ["evaluate", f"example_studies/{name}", "--results", f"{tmp_path}/{name}.json"]
        for name in EXAMPLES[:1]
    ]

    heavy = loaded_after(
        "from validator.command_line import main\n"
        f"statuses = [main(arguments) for arguments in {calls!r}]\n"
        "assert set(statuses) <= {0, 1}, statuses\n"
    )

    assert heavy == []
    assert [path.stem for path in tmp_path.iterdir()] == EXAMPLES[:1]


def test_importing_the_package_loads_no_room():
    """``import validator`` costs nothing: its functions load what they need when they are first used."""
    code = (
        "import sys, validator\n"
        "loaded = {name for name in sys.modules if name.startswith('validator.')}\n"
        "assert loaded <= {'validator.version'}, loaded\n"
        "assert 'numpy' not in sys.modules\n"
    )

    assert loaded_after(code) == []


def test_the_sensor_of_heavy_modules_works():
    """The check above can fail: what is imported is seen."""
    assert loaded_after("import scipy.stats") == ["scipy.stats"]
