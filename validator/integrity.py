"""A dossier recomputed from what it carries: hashes of its files, then every figure of its results."""

from __future__ import annotations

import hashlib
import json
import math
import tempfile
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

from msgspec import Struct

from validator.assessment import assess
from validator.dossier.attachments import attached_files
from validator.dossier.building import RESULTS_FILE
from validator.errors import DossierError, GuidanceError, StudyError
from validator.evaluation import evaluate
from validator.evaluation.results import FORMAT
from validator.evaluation.serialise import to_json
from validator.reading import read_study

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

_ABSENT = object()
_LONGEST_TEXT = 90
_CONTEXT = 25
_SPACES = "\n\u00a0\u2009\u202f"


class Difference(Struct, frozen=True, kw_only=True):
    """A place where the dossier and what was recomputed disagree.

    Attributes:
        field: keys and positions on the way to it, such as ``analytes.cd.unit``, or the name of a file.
        text: what stands there and what should, as it is to be printed.
        relative: size of the difference of two numbers, relative to the larger; None for all else.
    """

    field: str
    text: str
    relative: float | None = None

    def __str__(self) -> str:
        return f"{printable(self.field)}: {self.text}"


class Comparison:
    """Walks two trees and keeps what differs; numbers may differ by *tolerance*, relative to the larger."""

    def __init__(self, tolerance: float = 0.0) -> None:
        self.tolerance = tolerance
        self.count = 0
        self.differences: list[Difference] = []

    def compare(self, stated: object, recomputed: object, field: str = "") -> None:
        """Compare what the dossier states under *field* with what was recomputed."""
        if isinstance(stated, dict) and isinstance(recomputed, dict):
            for key in dict.fromkeys((*recomputed, *stated)):
                inner = f"{field}.{key}" if field else key
                self.compare(stated.get(key, _ABSENT), recomputed.get(key, _ABSENT), inner)
        elif isinstance(stated, list) and isinstance(recomputed, list):
            for index in range(max(len(stated), len(recomputed))):
                left, right = (side[index] if index < len(side) else _ABSENT for side in (stated, recomputed))
                self.compare(left, right, f"{field}[{index}]")
        else:
            self.count += 1
            self._compare_leaves(stated, recomputed, field)

    def _compare_leaves(self, stated: object, recomputed: object, field: str) -> None:
        relative = relative_difference(stated, recomputed)
        if relative is None and type(stated) is type(recomputed) and stated == recomputed:
            return
        if relative is not None and relative <= self.tolerance:
            return
        self.differences.append(
            Difference(field=field, text=_sentence(stated, recomputed), relative=relative)
        )


def relative_difference(a: object, b: object) -> float | None:
    """Difference of two numbers relative to the larger, zero for equal ones; None where one is no number."""
    if not (isinstance(a, int | float) and isinstance(b, int | float)):
        return None
    if isinstance(a, bool) or isinstance(b, bool):
        return None
    if a == b:
        return 0.0
    try:
        scale = max(abs(float(a)), abs(float(b)))
        return abs(float(a) / scale - float(b) / scale) if math.isfinite(scale) else math.inf
    except OverflowError:  # an integer beyond every double
        return math.inf


def printable(text: str) -> str:
    """*text* without the signs that would steer a terminal."""
    return "".join(sign if sign.isprintable() or sign in _SPACES else f"\\u{ord(sign):04x}" for sign in text)


def _sentence(stated: object, recomputed: object) -> str:
    if stated is _ABSENT:
        return "recomputed, not in the dossier"
    if recomputed is _ABSENT:
        return "in the dossier, not recomputed"
    left, right = _side_by_side(_written(stated), _written(recomputed))
    return f"{left} in the dossier, {right} recomputed"


def _written(value: object) -> str:
    if isinstance(value, dict):
        return "an object"
    if isinstance(value, list):
        return "a list"
    return printable(json.dumps(value, ensure_ascii=False))


def _side_by_side(left: str, right: str) -> tuple[str, str]:
    """Both as they are; of long texts the part about the first character that differs."""
    if max(len(left), len(right)) <= _LONGEST_TEXT:
        return left, right
    pairs = enumerate(zip(left, right, strict=False))
    first = next((index for index, (a, b) in pairs if a != b), min(len(left), len(right)))
    start = max(0, first - _CONTEXT)
    return _part(left, start), _part(right, start)


def _part(text: str, start: int) -> str:
    end = start + _LONGEST_TEXT
    return ("…" if start else "") + text[start:end] + ("…" if end < len(text) else "")


ACROSS_VERSIONS = 1e-9
"""Relative difference of two numbers that counts as none where the software versions differ."""

EARLIER_FORMAT = "validation-results/1"
"""Results judged by earlier rules: their estimates are compared, their findings and verdict are not."""

_ADDED = frozenset({"total_content", "found_rsd_percent", "one_sided"})
"""Keys of estimates that the earlier format lacks in some places."""

_MOST_FOLDERS = 16
_LONGEST_NAME = 255  # bytes, on every file system in use


class Verification(Struct, frozen=True, kw_only=True):
    """What recomputing a dossier has shown.

    Attributes:
        files: attached files that the results were computed from.
        figures: values that were compared, numbers and texts.
        tolerance: relative difference of two numbers that counts as none.
        written_by, installed: name and version of the software, then and now.
        differences: changed files first, then the results in the order of their file.
    """

    files: tuple[str, ...]
    figures: int
    tolerance: float
    written_by: Mapping[str, str]
    installed: Mapping[str, str]
    differences: tuple[Difference, ...]

    @property
    def is_same_software(self) -> bool:
        """True when the versions then and now are the same."""
        return self.written_by == self.installed

    @property
    def is_rounding(self) -> bool:
        """True when numbers alone differ, and none by more than is accepted between versions."""
        sizes = [one.relative for one in self.differences]
        return bool(sizes) and all(size is not None and size <= ACROSS_VERSIONS for size in sizes)


def verify(dossier: Path, tolerance: float | None = None) -> Verification:
    """Recompute *dossier* from its attachments and compare every figure of the attached results.

    The printed pages are not read.

    Args:
        dossier: the PDF.
        tolerance: relative difference of two numbers that counts as none; where None, zero with the
            versions that wrote the dossier and :data:`ACROSS_VERSIONS` with any other.

    Raises:
        DossierError: the file is no dossier, or what it carries cannot be recomputed.
    """
    files = attached_files(dossier)
    try:
        stated = _results(files)
        inputs = _inputs(stated, files)
        changed = tuple(_changed(inputs, files))
        installed, differences, figures = _versions(stated), changed, 0
        recomputed = _recomputed(inputs, files, may_refuse=bool(changed))
    except DossierError as error:
        raise DossierError(f"{dossier}: {error}") from error
    accepted = 0.0 if tolerance is None else tolerance
    if isinstance(recomputed, Difference):
        differences = (*changed, recomputed)
    else:
        installed = _versions(recomputed)
        if tolerance is None and installed != _versions(stated):
            accepted = ACROSS_VERSIONS
        comparison = Comparison(accepted)
        if stated["format"] == EARLIER_FORMAT:
            changed = (*changed, _judged_anew(stated, recomputed))
            earlier = _estimates(stated)
            comparison.compare(earlier, _known_to(earlier, _estimates(recomputed)))
        else:
            comparison.compare(_compared(stated), _compared(recomputed))
        differences, figures = (*changed, *comparison.differences), comparison.count
    return Verification(
        files=tuple(inputs),
        figures=figures,
        tolerance=accepted,
        written_by=_versions(stated),
        installed=installed,
        differences=differences,
    )


def summary(found: Verification, most: int | None = None) -> str:
    """What is printed: the files, the versions, then at most *most* differences, one to a line."""
    lines = [f"attached: {printable(', '.join(found.files))}"]
    if not found.is_same_software:
        lines.append(f"computed with:  {_named(found.written_by)}")
        lines.append(f"recomputed with: {_named(found.installed)}")
    shown = found.differences[:most]
    lines.extend(str(one) for one in shown)
    if len(found.differences) > len(shown):
        lines.append(f"… and {len(found.differences) - len(shown)} more; --all lists them")
    count = len(found.differences)
    if found.is_rounding and found.is_same_software:
        told = "The relative difference is" if count == 1 else "All relative differences are"
        lines.append(
            f"{told} at most {ACROSS_VERSIONS:g}, as expected for a processor with different rounding; "
            f"--tolerance {ACROSS_VERSIONS:g} accepts {'it' if count == 1 else 'them'}."
        )
    equal = (
        "identical" if found.tolerance == 0 else f"equal within a relative tolerance of {found.tolerance:g}"
    )
    lines.append(
        f"{count} difference{'s' if count != 1 else ''} in {found.figures} results"
        if count
        else f"no differences: {found.figures} results recomputed, all {equal}"
    )
    return "\n".join(lines)


def _named(software: Mapping[str, str]) -> str:
    words = [f"{name} {version}" for name, version in software.items() if name not in ("name", "version")]
    return printable(", ".join([f"{software.get('name')} {software.get('version')}", *words]))


# --- what the dossier says ------------------------------------------------------------------------------


def _results(files: Mapping[str, bytes]) -> dict[str, Any]:
    if RESULTS_FILE not in files:
        raise DossierError(f"not a dossier: {RESULTS_FILE} is not attached")
    try:
        stated = json.loads(files[RESULTS_FILE], object_pairs_hook=_distinct, parse_constant=_refused)
    except (ValueError, RecursionError) as error:
        raise DossierError(f"{RESULTS_FILE} cannot be read ({printable(str(error))})") from error
    if not isinstance(stated, dict) or stated.get("format") not in (FORMAT, EARLIER_FORMAT):
        raise DossierError(f"{RESULTS_FILE} is not of the format {FORMAT}")
    return stated


def _distinct(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        raise ValueError("a key stands twice in one object")
    return found


def _refused(name: str) -> None:
    raise ValueError(f"{name} is no number of JSON")


def _inputs(stated: dict[str, Any], files: Mapping[str, bytes]) -> dict[str, dict[str, str]]:
    """Files the results were computed from by path, each attached, each with a path inside a folder."""
    listed = stated.get("inputs")
    records: list[Any] = listed if isinstance(listed, list) else []
    for record in records:
        texts = (
            [record.get(key) for key in ("path", "sha256", "role")] if isinstance(record, dict) else [None]
        )
        if not all(isinstance(text, str) for text in texts):
            raise DossierError(f"an entry of 'inputs' in {RESULTS_FILE} lacks path, sha256 or role")
    inputs: dict[str, dict[str, str]] = {record["path"]: record for record in records}
    if [record["role"] for record in inputs.values()].count("study") != 1 or len(inputs) < len(records):
        raise DossierError(f"{RESULTS_FILE} does not name one study and each file once among its inputs")
    for path in inputs:
        if not _stays_inside(path):
            raise DossierError(f"{path!r} in {RESULTS_FILE} is not a path inside a study folder")
    missing = [path for path in inputs if path not in files]
    if missing:
        raise DossierError(f"not attached: {', '.join(missing)}")
    return inputs


def _stays_inside(path: str) -> bool:
    parts = PurePosixPath(path).parts
    return (
        path == PurePosixPath(path).as_posix()
        and path.isprintable()
        and not any(sign in path for sign in '\\:*?"<>|')
        and 0 < len(parts) <= _MOST_FOLDERS
        and all(part not in ("/", ".", "..") and len(part.encode()) <= _LONGEST_NAME for part in parts)
    )


def _changed(inputs: Mapping[str, Mapping[str, str]], files: Mapping[str, bytes]) -> Iterator[Difference]:
    for path, record in inputs.items():
        found = hashlib.sha256(files[path]).hexdigest()
        if found != record["sha256"]:
            stated = printable(record["sha256"])
            text = (
                f"not the file that was computed from: SHA-256 {stated} in {RESULTS_FILE}, {found} attached"
            )
            yield Difference(field=path, text=text)


# --- the same again -------------------------------------------------------------------------------------


def _recomputed(
    inputs: Mapping[str, Mapping[str, str]], files: Mapping[str, bytes], *, may_refuse: bool
) -> dict[str, Any] | Difference:
    """The results again; where a changed file cannot be used any more, that is the difference."""
    with tempfile.TemporaryDirectory(prefix="validator-") as name:
        folder = Path(name)
        for path in inputs:
            _unpack(folder, path, files[path])
        study_file = next(path for path, record in inputs.items() if record["role"] == "study")
        try:
            study = read_study(folder / study_file)
            results = assess(study, evaluate(study))
        except (StudyError, GuidanceError) as refusal:
            reason = printable(str(refusal))
            if not may_refuse:
                raise DossierError(f"this version cannot use the attached study:\n{reason}") from refusal
            return Difference(field="recomputation", text=f"no longer possible: {reason}")
    # through the text, as the dossier's own results went
    recomputed: dict[str, Any] = json.loads(to_json(results))
    return recomputed


def _unpack(folder: Path, path: str, content: bytes) -> None:
    try:
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).write_bytes(content)
    except OSError as error:  # a name the disk refuses; "a" and "a/b", which cannot both be files
        raise DossierError(f"{path!r} cannot be unpacked ({error.strerror or error})") from error


def _versions(results: dict[str, Any]) -> dict[str, str]:
    software = results.get("software")
    return {key: str(value) for key, value in software.items()} if isinstance(software, dict) else {}


def _compared(results: dict[str, Any]) -> dict[str, Any]:
    """What is compared: all but the software; hashes have been compared with the files themselves."""
    inputs = {one["path"]: {"role": one["role"]} for one in results["inputs"]}
    return {key: value for key, value in results.items() if key != "software"} | {"inputs": inputs}


# --- results of the earlier format ----------------------------------------------------------------------


def _judged_anew(stated: dict[str, Any], recomputed: dict[str, Any]) -> Difference:
    """That the rules of the verdict changed, with the word then and now."""
    earlier, present = (
        printable(json.dumps(judged.get("verdict") if isinstance(judged, dict) else None))
        for judged in (stated.get("assessment"), recomputed["assessment"])
    )
    text = (
        f"the rules of the verdict have changed since {EARLIER_FORMAT}; {earlier} in the dossier, {present} "
        "by the present rules; findings and caveats are not compared"
    )
    return Difference(field="assessment", text=text)


def _estimates(results: dict[str, Any]) -> dict[str, Any]:
    """What both formats have in common: all but format, judgement and the count of results below a limit."""
    apart = ("format", "assessment", "censored")
    return {key: value for key, value in _compared(results).items() if key not in apart}


def _known_to(stated: object, recomputed: object) -> object:
    """*recomputed* without the keys that were added to the format and that *stated* lacks."""
    if isinstance(stated, dict) and isinstance(recomputed, dict):
        return {
            key: _known_to(stated.get(key), value)
            for key, value in recomputed.items()
            if key in stated or key not in _ADDED
        }
    if isinstance(stated, list) and isinstance(recomputed, list):
        shared = zip(stated, recomputed, strict=False)
        return [_known_to(*pair) for pair in shared] + recomputed[len(stated) :]
    return recomputed
