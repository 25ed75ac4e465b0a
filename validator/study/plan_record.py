"""What a plan fixes, as one text with one hash; and the file that keeps it from the day it was made.

The canonical text is JSON with sorted keys and without blanks, of what was written and differs from the
defaults: comments, order of keys and layout of the study file do not change the hash.
"""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING, NoReturn

from msgspec import Struct

from validator.study.files import Unusable, decoded
from validator.study.models.base import printable

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from validator.study.models.study import Study

RECORD_FORMAT = "validation-plan/1"

_HOW_IT_IS_COMPUTED = {"record", "simulations"}
"""Keys of the plan that say nothing about the work itself."""

_ABOUT = ("id", "characteristic", "analyte", "configuration", "at")
"""What an analyte or a criterion is about: the rest is what is asked of it."""

_LONGEST_VALUE = 200
_REMEDY = "; use the file that validator plan wrote"


class PlanRecord(Struct, frozen=True):
    """What a plan fixes: the design, the criteria and the choices of data treatment.

    Attributes:
        content: values by key, as JSON knows them.
    """

    content: Mapping[str, object]

    @property
    def text(self) -> str:
        """The canonical text that is hashed."""
        return json.dumps(
            self.content, ensure_ascii=False, sort_keys=True, separators=(",", ":"), allow_nan=False
        )

    @property
    def sha256(self) -> str:
        """SHA-256 of the canonical text in UTF-8, in hexadecimal."""
        return hashlib.sha256(self.text.encode("utf-8")).hexdigest()

    def to_json(self) -> str:
        """The text of the record file."""
        whole = {"format": RECORD_FORMAT, "sha256": self.sha256, "content": self.content}
        return json.dumps(whole, ensure_ascii=False, indent=1) + "\n"


def plan_record(study: Study) -> PlanRecord | None:
    """What the plan of *study* fixes, as it stands in the study file now; None without a plan."""
    if study.plan is None:
        return None
    identity, method = study.study, study.method
    return PlanRecord(
        {
            "matrix": identity.matrix,
            "intended_use": identity.intended_use,
            "guidance": list(identity.guidance),
            "kind": method.kind,
            "analytes": [one.model_dump(mode="json", exclude_defaults=True) for one in method.analytes],
            "configuration": study.validated_configuration,
            "analysis": study.analysis.model_dump(mode="json", exclude_defaults=True),
            "criteria": [one.model_dump(mode="json", exclude_defaults=True) for one in study.criteria],
            "plan": study.plan.model_dump(mode="json", exclude_defaults=True, exclude=_HOW_IT_IS_COMPUTED),
        }
    )


def read_plan_record(content: bytes) -> PlanRecord:
    """The record in a file that ``PlanRecord.to_json`` wrote.

    Raises:
        Unusable: the file is no such record, or was changed after it was written.
    """
    try:
        found = json.loads(decoded(content), parse_constant=_no_number)
        return _checked(found)
    except (ValueError, RecursionError) as error:
        raise Unusable(f"this is not the record of a plan (no JSON){_REMEDY}") from error


def _checked(found: object) -> PlanRecord:
    if not isinstance(found, dict) or found.get("format") != RECORD_FORMAT:
        raise Unusable(f"this is not the record of a plan (its format is not {RECORD_FORMAT}){_REMEDY}")
    inner = found.get("content")
    if not isinstance(inner, dict):
        raise Unusable(f"the record of the plan has no content{_REMEDY}")
    record = PlanRecord(inner)
    if record.sha256 != found.get("sha256"):
        raise Unusable(f"the record of the plan was changed after it was written (hash mismatch){_REMEDY}")
    return record


def _no_number(text: str) -> NoReturn:
    raise ValueError(text)


class Change(Struct, frozen=True):
    """A value that differs between two records: its path, what it was and what it is."""

    path: str
    before: str | None
    after: str | None


def changes(before: PlanRecord, after: PlanRecord) -> list[Change]:
    """Every value that differs, by its path in the study file; None stands for an absent one."""
    return list(_changes("", before.content, after.content))


def _changes(path: str, before: object, after: object) -> Iterator[Change]:
    if before == after:
        return
    if isinstance(before, dict) and isinstance(after, dict):
        for key in dict.fromkeys([*before, *after]):
            yield from _changes(f"{path}.{key}".lstrip("."), before.get(key), after.get(key))
    elif isinstance(before, list) and isinstance(after, list) and _holds_tables(before, after):
        named = _named(before), _named(after)
        for name in dict.fromkeys([*named[0], *named[1]]):
            old, new = named[0].get(name), named[1].get(name)
            if old is None or new is None:  # the path says what the entry is about
                old, new = _asked(old), _asked(new)
            yield from _changes(f"{path}[{name}]", old, new)
    else:
        yield Change(printable(path, _LONGEST_VALUE), _written(before), _written(after))


def _holds_tables(*lists: list[object]) -> bool:
    return any(isinstance(item, dict) for some in lists for item in some)


def _named(entries: list[object]) -> dict[str, object]:
    """Entries of a list by what they are about, so that one put in between is one change and not many."""
    found: dict[str, object] = {}
    for entry in entries:
        about = [str(entry[key]) for key in _ABOUT if key in entry] if isinstance(entry, dict) else []
        name = first = ", ".join(about) or "entry"
        count = 1
        while name in found:
            count += 1
            name = f"{first}, {count}"
        found[name] = entry
    return found


def _written(value: object) -> str | None:
    if value is None:
        return None
    return printable(_told(value), _LONGEST_VALUE)


def _asked(entry: object) -> object:
    """What is asked of that which an entry is about."""
    if not isinstance(entry, dict):
        return entry
    return {key: one for key, one in entry.items() if key not in _ABOUT} or entry


def _told(value: object) -> str:
    """A value as a reader takes it in."""
    if isinstance(value, dict):
        return ", ".join(f"{key} {_told(one)}" for key, one in value.items())
    if isinstance(value, list):
        return f"[{', '.join(map(_told, value))}]"
    if isinstance(value, float) and value.is_integer():
        return f"{value:.15g}"
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
