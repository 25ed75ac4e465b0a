"""From a profile's id to the profile: finding the file, reading it, merging what it extends."""

from __future__ import annotations

import re
from difflib import get_close_matches
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

from pydantic import ValidationError

from validator.errors import GuidanceError, Problem
from validator.guidance.profile import Profile, ProfileFile
from validator.guidance.reading import read_document, validated
from validator.guidance.rules import Sourced

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

_SHIPPED = Path(__file__).parent / "profiles"
_ID = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_OPENING = re.compile(r"\s*(#[^\n]*\n\s*)*format:\s*[\"']?guidance-profile/")
_NEEDED = ("edition", "issuing_body", "scope")

Rule = TypeVar("Rule", bound=Sourced | None)


def profile_names(search_folders: Iterable[Path] = ()) -> tuple[str, ...]:
    """Ids of the shipped profiles and of those in *search_folders*, sorted.

    In a search folder only files that open with ``format: guidance-profile/1`` count.
    """
    names = {path.stem for path in _SHIPPED.glob("*.yaml")}
    for folder in search_folders:
        names |= {path.stem for path in folder.glob("*.yaml") if _ID.fullmatch(path.stem) and _opens(path)}
    return tuple(sorted(names))


def resolve(profile_id: str, search_folders: Iterable[Path] = ()) -> Path:
    """The file that holds a profile: a shipped one, or ``<id>.yaml`` in the first search folder that has it.

    Raises:
        GuidanceError: the id is malformed or unknown, or a user's file takes the id of a shipped profile.
    """
    if not _ID.fullmatch(profile_id):
        message = (
            f"'{profile_id}' is not the id of a guidance profile; ids are in lower case with hyphens, "
            "such as iupac-single-laboratory-2002"
        )
        raise GuidanceError(message)
    folders = tuple(search_folders)
    shipped = _SHIPPED / f"{profile_id}.yaml"
    own = next((path for folder in folders if (path := _inside(folder, profile_id)) is not None), None)
    if shipped.is_file():
        if own is not None:
            message = (
                f"{own.name}: the id '{profile_id}' belongs to a shipped profile; give yours another id "
                f"and write 'extends: {profile_id}'"
            )
            raise GuidanceError(message)
        return shipped
    if own is None:
        raise GuidanceError(_unknown(profile_id, profile_names(folders)))
    return own


def load_profile(profile_id: str, search_folders: Iterable[Path] = ()) -> Profile:
    """Read a profile and everything it extends.

    Args:
        profile_id: such as ``iupac-single-laboratory-2002``.
        search_folders: folders with the user's own profiles (the study's folder, a laboratory's folder).

    Raises:
        GuidanceError: unknown id, malformed file, or profiles that extend each other in a circle.
    """
    folders = tuple(search_folders)
    if resolve(profile_id, folders).parent == _SHIPPED:
        return _shipped(profile_id)
    return _load(profile_id, folders, ())


@cache
def _shipped(profile_id: str) -> Profile:
    return _load(profile_id, (), ())


def _load(profile_id: str, folders: tuple[Path, ...], chain: tuple[str, ...]) -> Profile:
    path = resolve(profile_id, folders)
    if profile_id in chain:
        circle = " -> ".join((*chain[chain.index(profile_id) :], profile_id))
        message = f"{path.name}: extends: circular extension of profiles ({circle})"
        raise GuidanceError(message)
    document = read_document(path)
    written = validated(ProfileFile, document)
    if written.id != path.stem:
        message = f"is '{written.id}'; it must be the file's name, '{path.stem}'"
        raise GuidanceError(str(Problem(path.name, document.line_of(("id",)), "id", message)))
    if written.extends is None:
        return _complete(written, path.name)
    return _merged(written, _load(written.extends, folders, (*chain, profile_id)), path.name)


def _complete(written: ProfileFile, name: str) -> Profile:
    missing = [field for field in _NEEDED if getattr(written, field) is None]
    if missing:
        message = f"{name}: {missing[0]}: is missing; write it, or name a profile under 'extends'"
        raise GuidanceError(message)
    own = {field: value for field, value in _own_fields(written).items() if value is not None}
    try:
        return Profile.model_validate(own)
    except ValidationError as error:
        message = "\n".join(f"{name}: {one['ctx']['error']}" for one in error.errors() if "ctx" in one)
        raise GuidanceError(message) from error


def _merged(written: ProfileFile, parent: Profile, name: str) -> Profile:
    """The parent with the child's fields; a child's rule replaces the parent's rule of the same id."""
    known = [rule.id for rule in (*parent.requirements, *parent.practices)]
    unknown = [rule_id for rule_id in written.without if rule_id not in known]
    if unknown:
        message = (
            f"{name}: without: '{parent.id}' has no rule '{unknown[0]}'{_did_you_mean(unknown[0], known)}"
        )
        raise GuidanceError(message)
    own = _own_fields(written)
    dropped = {*written.without, *(rule.id for rule in (*written.requirements, *written.practices))}
    return parent.model_copy(
        update={
            **{field: value for field, value in own.items() if value is not None},
            "extends": (parent.id, *parent.extends),
            "requirements": tuple(rule for rule in parent.requirements if rule.id not in dropped)
            + own["requirements"],
            "practices": tuple(rule for rule in parent.practices if rule.id not in dropped)
            + own["practices"],
        }
    )


def _own_fields(written: ProfileFile) -> dict[str, Any]:
    """The fields the file itself sets; every rule that names no document of its own gets this file's."""
    name, edition = written.short_title or written.title, written.edition or ""
    fields = {field: getattr(written, field) for field in Profile.model_fields if field != "extends"}
    return {
        **fields,
        "short_title": name,
        "default_detection_limit": _attributed(written.default_detection_limit, name, edition),
        "default_quantification_limit": _attributed(written.default_quantification_limit, name, edition),
        "asked_for": _attributed(written.asked_for, name, edition),
        "requirements": tuple(_attributed(rule, name, edition) for rule in written.requirements),
        "practices": tuple(_attributed(rule, name, edition) for rule in written.practices),
    }


def _attributed(rule: Rule, document: str, edition: str) -> Rule:
    if rule is None or rule.document:
        return rule
    changes = {"document": document, "edition": rule.edition or edition}
    return cast("Rule", rule.model_copy(update=changes))


def _inside(folder: Path, profile_id: str) -> Path | None:
    """The profile's file in *folder*, unless a link leads out of it."""
    path = folder / f"{profile_id}.yaml"
    if not path.is_file():
        return None
    if not path.resolve().is_relative_to(folder.resolve()):
        message = f"{path.name}: is a link that leaves its folder; put the file itself there"
        raise GuidanceError(message)
    return path


def _opens(path: Path) -> bool:
    try:
        with path.open(encoding="utf-8-sig", errors="replace") as file:
            return _OPENING.match(file.read(4096)) is not None
    except OSError:
        return False


def _unknown(profile_id: str, names: Sequence[str]) -> str:
    near = _did_you_mean(profile_id, names)
    return f"no guidance profile '{profile_id}'{near}" + ("" if near else f"; known: {', '.join(names)}")


def _did_you_mean(word: str, names: Sequence[str]) -> str:
    near = get_close_matches(word, names, n=1)
    return f"; did you mean '{near[0]}'?" if near else ""
