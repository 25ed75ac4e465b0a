"""Everything that the example studies give, before and after a change, figure by figure.

    python tests/golden/net.py make [REV]              what REV gives (default HEAD), kept in .golden/
    python tests/golden/net.py compare [--against REV] [--list]

``compare`` makes the same from the working tree and tells every difference (exit status 1). What was
made from another revision, or by another version of this file, is made again first.

Of each study: results.json, what ``check`` and ``evaluate`` print, the text of the web page and the section
of a manuscript; and the JSON Schema. In the web text a drawing stands as the numbers that were drawn, a
formula as LaTeX, so that nothing is rendered. Only the version of the software is left out.
"""

from __future__ import annotations

import argparse
import base64
import contextlib
import functools
import hashlib
import html.parser
import io
import os
import re
import shutil
import subprocess
import sys
import tarfile
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
STORED = ROOT / ".golden"
MADE_FROM = "made-from.txt"
SCHEMA = "schema.json"
NOT_MADE = "not made: "
PROCESSES = 2
MOST_LINES = 12
"""Lines of a difference that are printed of one file."""


# --- the old and the new


def make(revision, folder=STORED):
    """Let *folder* hold what the tree of *revision* gives."""
    key = _key(revision)
    archive = _git("archive", "--format=tar", key.split()[0])
    shutil.rmtree(folder, ignore_errors=True)
    with tempfile.TemporaryDirectory() as tree:
        with tarfile.open(fileobj=io.BytesIO(archive)) as packed:
            packed.extractall(tree, filter="data")
        produce(Path(tree), folder)
    (folder / MADE_FROM).write_text(key, encoding="utf-8")


def made_from(folder=STORED):
    file = folder / MADE_FROM
    return file.read_text(encoding="utf-8") if file.is_file() else ""


def _key(revision):
    commit = _git("rev-parse", "--verify", f"{revision}^{{commit}}").decode().strip()
    return f"{commit} {hashlib.sha256(Path(__file__).read_bytes()).hexdigest()}"


def _git(*arguments):
    return subprocess.run(["git", *arguments], cwd=ROOT, check=True, capture_output=True).stdout


def produce(tree, folder, names=None):
    """Write what the package in *tree* makes of its example studies (or of *names*) to *folder*."""
    tree, folder = Path(tree).resolve(), Path(folder).resolve()
    folder.mkdir(parents=True, exist_ok=True)
    all_names = sorted(file.parent.name for file in tree.glob("example_studies/*/study.yaml"))
    wanted = names or [SCHEMA, *all_names]
    environment = {**os.environ, "PYTHONPATH": str(tree), "SOURCE_DATE_EPOCH": "0", "PYTHONUTF8": "1"}
    shares = [share for share in (wanted[start::PROCESSES] for start in range(PROCESSES)) if share]
    running = [
        subprocess.Popen(
            [sys.executable, __file__, "produce", str(folder), *share], cwd=tree, env=environment
        )
        for share in shares
    ]
    if {process.wait() for process in running} != {0}:
        raise SystemExit(2)


def compare(old, new, *, only_names=False):
    """The difference of two folders as lines; none if they hold the same."""
    found = []
    for name in sorted(_files(old) | _files(new)):
        before, after = (_content(folder / name) for folder in (old, new))
        if before == after and not (after or b"").startswith(NOT_MADE.encode()):
            continue
        found.append(name)
        if not only_names:
            found += [f"  {line}" for line in _lines(old / name, new / name)]
    return found


def _files(folder):
    files = {file.relative_to(folder).as_posix() for file in folder.rglob("*") if file.is_file()}
    return files - {MADE_FROM}


def _content(file):
    return file.read_bytes() if file.is_file() else None


def _lines(old, new):
    both = [str(file) if file.is_file() else os.devnull for file in (old, new)]
    command = ["git", "-c", "color.ui=false", "diff", "--no-index", "--no-ext-diff", "--text", "-U0", *both]
    text = subprocess.run(command, check=False, capture_output=True).stdout.decode("utf-8")
    lines = [line for line in text.splitlines() if not line.startswith(("diff ", "index ", "---", "+++"))]
    more = [f"… and {len(lines) - MOST_LINES} lines more"] if len(lines) > MOST_LINES else []
    return [*lines[:MOST_LINES], *more]


# --- what is compared, in a process whose package is that of the tree


def _produce_here(folder, names):
    import validator

    if Path(validator.__file__).parent != Path.cwd() / "validator":
        raise SystemExit(f"{validator.__file__}: is not the package of this tree")
    _write_drawings_as_numbers()
    for name in names:
        if name == SCHEMA:
            _store(folder / name, lambda: _printed("schema"))
            continue
        (folder / name).mkdir(parents=True, exist_ok=True)
        for file, text in _of_study(f"example_studies/{name}", folder / name / "results.json"):
            _store(folder / name / file, text)


def _of_study(study, results):
    """The name of each text and what makes it; the commands are asked wherever they draw nothing."""
    judged = functools.cache(lambda: _judged(study))
    yield "check.txt", lambda: _printed("check", study)
    yield "evaluate.txt", lambda: _printed("evaluate", study, "--results", str(results))
    yield results.name, lambda: results.read_text(encoding="utf-8")
    yield "manuscript.md", lambda: _manuscript("manuscript.md", *judged())
    yield "manuscript.tex", lambda: _manuscript("manuscript.tex", *judged())
    yield "web.txt", lambda: _web_text(*judged())


def _judged(study):
    from validator import assess, evaluate, read_study

    read = read_study(study)
    return read, assess(read, evaluate(read))


def _store(file, text):
    from validator.version import __version__

    try:
        made = re.sub(rf"(?<![\d.]){re.escape(__version__)}(?![\w.])", "<version>", text())
    except Exception as error:
        made = f"{NOT_MADE}{type(error).__name__}: {error}\n"
    file.write_text(made, encoding="utf-8")


def _printed(*arguments):
    from validator.command_line import main

    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = main(arguments)
    return f"{out.getvalue()}{err.getvalue()}exit status {status}\n"


def _manuscript(name, study, results):
    from validator.dossier.journal import manuscript

    return manuscript(study, results, Path(name)).text


def _web_text(study, results):
    from validator.dossier import build_document, render_html

    text = _Text()
    text.feed(render_html(build_document(study, results), medium="web"))
    return text.text()


def _write_drawings_as_numbers():
    """Put the numbers of a drawing in the place of its SVG, and LaTeX in that of a formula's picture."""
    from validator.dossier import figures, html

    picture = sys.modules[html.formula_picture.__module__].FormulaPicture

    figures.to_svg = _drawn_numbers
    html.formula_picture = lambda latex: picture(_uri(f"formula {latex}"), 0.0, 0.0)


def _uri(text):
    return f"data:image/svg+xml;base64,{base64.b64encode(text.encode()).decode()}"


def _drawn_numbers(figure):
    lines = ["drawing"]
    for axes in figure.axes:
        lines.append(f"x {axes.get_xscale()} {axes.get_xlabel()} {_exact(axes.get_xlim())}")
        lines.append(f"y {axes.get_yscale()} {axes.get_ylabel()} {_exact(axes.get_ylim())}")
        for artist in axes.get_children():
            lines += _numbers_of(artist)
    for legend in figure.legends:
        lines += [f"legend {text.get_text()}" for text in legend.get_texts()]
    return "\n".join(lines)


def _numbers_of(artist):
    from matplotlib.collections import Collection
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch
    from matplotlib.text import Text

    match artist:
        case Line2D():
            points = [artist.get_xydata()]
        case Collection():
            points = [*(path.vertices for path in artist.get_paths()), artist.get_offsets()]
        case Patch():
            points = [artist.get_patch_transform().transform(artist.get_path().vertices)]
        case Text() if artist.get_text():
            return [f"text {artist.get_text()} at {_exact(artist.get_position())}"]
        case _:
            return []
    return [
        f"{type(artist).__name__} {artist.get_label()}",
        *(f" {_exact(point)}" for one in points for point in one),
    ]


def _exact(point):
    return " ".join(repr(one) if isinstance(one, str) else repr(float(one)) for one in point)


class _Text(html.parser.HTMLParser):
    """The words of a page, a line for each block, cells apart by strokes; pictures as what they carry."""

    _SILENT = frozenset({"style", "script"})
    _WITHIN = frozenset({"a", "b", "code", "em", "i", "s", "span", "strong", "sub", "sup"})

    def __init__(self):
        super().__init__()
        self._parts, self._silent = [], 0

    def handle_starttag(self, tag, attrs):
        if tag in self._SILENT:
            self._silent += 1
        if tag == "img":
            given = dict(attrs)
            self._parts.append(f"\n[{given.get('alt', '')}]\n{_carried(given.get('src', ''))}\n")
        elif tag not in self._WITHIN:
            self._parts.append(" | " if tag in ("td", "th") else "\n")

    def handle_endtag(self, tag):
        if tag in self._SILENT:
            self._silent -= 1
        if tag not in self._WITHIN and tag not in ("td", "th"):
            self._parts.append("\n")

    def handle_data(self, data):
        if not self._silent:
            self._parts.append(re.sub(r"[ \t\n]+", " ", data.replace("\N{SOFT HYPHEN}", "")))

    def text(self):
        lines = (line.strip(" ") for line in "".join(self._parts).split("\n"))
        return "".join(f"{line}\n" for line in lines if line)


def _carried(source):
    content = base64.b64decode(source.partition(";base64,")[2])
    if content.startswith((b"drawing", b"formula")):
        return content.decode()
    return f"picture {hashlib.sha256(content).hexdigest()}"


# --- the command


def main():
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    commands = parser.add_subparsers(dest="command", required=True)
    making = commands.add_parser("make", help="make and keep what a revision gives")
    making.add_argument("revision", nargs="?", default="HEAD")
    comparing = commands.add_parser("compare", help="hold the working tree against what was kept")
    comparing.add_argument("--against", metavar="REV", help="default: the revision that was kept, else HEAD")
    comparing.add_argument("--list", action="store_true", help="names of the files that differ, no lines")
    producing = commands.add_parser("produce")
    producing.add_argument("folder", type=Path)
    producing.add_argument("names", nargs="+")
    given = parser.parse_args()
    if given.command == "produce":
        _produce_here(given.folder, given.names)
        return 0
    if given.command == "make":
        make(given.revision)
        return 0
    revision = given.against or (made_from().split() or ["HEAD"])[0]
    if made_from() != _key(revision):
        make(revision)
    with tempfile.TemporaryDirectory() as folder:
        produce(ROOT, folder)
        found = compare(STORED, Path(folder), only_names=given.list)
    told = found or [f"no difference from {made_from()[:12]}"]
    sys.stdout.write("\n".join(told) + "\n")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
