"""Reading guidance YAML with suspicion, and saying what is wrong with file, line, field and a way out."""

from __future__ import annotations

from difflib import get_close_matches
from typing import TYPE_CHECKING, Any, TypeVar, cast, get_args

import yaml
from msgspec import Struct
from pydantic import BaseModel, ValidationError

from validator.errors import GuidanceError, Problem
from validator.yaml_loader import SafeLoader, TooDeeplyNested, refuse_deep_nesting

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

    from pydantic_core import ErrorDetails

MAXIMUM_BYTES = 1_000_000
"""No guidance document needs more; a larger file is a mistake or an attack."""

Model = TypeVar("Model", bound=BaseModel)

_WHAT_TO_WRITE: Mapping[str, str] = {
    "clause": 'write the clause, section or table where the rule stands, such as clause: "6.3"',
    "source": "write how far the passage was consulted: seen, reprint, quotation or memory",
    "characteristic": "write the id of a performance characteristic, such as repeatability",
    "figure": "write the figure the limit is held against, such as repeatability_rsd_percent",
    "text": "write the rule in your own words",
    "status": "write how far the source was consulted: seen, reprint, quotation, memory or practice",
    "id": "write an id in lower case with hyphens, such as my-rule-1",
    "format": "write format: guidance-profile/1",
    "topic": "write the subject of the rule, such as planning",
    "by_kind": "write the characteristics under 'any', and under other kinds of method where they differ",
    "binding": "write law, contract or guidance",
    "variant": "write the id of a limit variant, such as blank_3s",
}


_RENAMED: Mapping[str, str] = {
    "at_most": "max, or rsd_max for a relative standard deviation",
    "at_least": "min, or p_min for a p value",
    "confirmed": "source: seen, reprint, quotation or memory",
    "seen_in": "source: seen, reprint, quotation or memory",
}
"""What took the place of a key of earlier versions."""


class Document(Struct, frozen=True):
    """A YAML file: its data and the nodes that know the lines."""

    name: str
    data: Mapping[str, Any]
    root: yaml.Node

    def line_of(self, place: Sequence[int | str]) -> int:
        """Line of the field at *place*, or of its nearest ancestor that exists."""
        node, line = self.root, self.root.start_mark.line + 1
        for step in place:
            found = _child(node, step)
            if found is None:
                break
            line, node = found
        return line


def read_document(path: Path) -> Document:
    """Read one YAML mapping.

    Raises:
        GuidanceError: the file cannot be read, is too large, is not plain YAML, or is not a mapping.
    """
    try:
        size = path.stat().st_size
        if size > MAXIMUM_BYTES:
            message = f"{path.name}: the file has {size} bytes, more than the {MAXIMUM_BYTES} allowed"
            raise GuidanceError(message)
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        message = f"{path.name}: cannot be read ({error.strerror or error})"
        raise GuidanceError(message) from error
    except UnicodeDecodeError as error:
        message = f"{path.name}: is not UTF-8 text; save it with that encoding"
        raise GuidanceError(message) from error
    return _parsed(text, path.name)


def validated(model: type[Model], document: Document) -> Model:
    """The document as a *model*.

    Raises:
        GuidanceError: one line for each problem found, in the order of the file.
    """
    try:
        return model.model_validate(document.data)
    except ValidationError as error:
        problems = sorted({_problem(document, model, details) for details in _own_causes(error)})
        raise GuidanceError("\n".join(str(problem) for problem in problems)) from error


def _own_causes(error: ValidationError) -> Iterator[ErrorDetails]:
    """The errors less those that follow from others: a list whose entries are wrong also counts as short."""
    found = error.errors()
    for details in found:
        place = details["loc"]
        below = any(len(other["loc"]) > len(place) and other["loc"][: len(place)] == place for other in found)
        if not (details["type"] == "too_short" and below):
            yield details


def _parsed(text: str, name: str) -> Document:
    try:
        refuse_deep_nesting(text)
        loader = SafeLoader(text)
        root = loader.get_single_node()
        if not isinstance(root, yaml.MappingNode):
            message = f"{name}: the file must be a mapping that starts with a 'format' line"
            raise GuidanceError(message)
        _refuse_surprises(root, name)
        data = loader.construct_document(root)
    except yaml.MarkedYAMLError as error:
        line = error.problem_mark.line + 1 if error.problem_mark else 0
        raise GuidanceError(str(Problem(name, line, "", f"is not valid YAML ({error.problem})"))) from error
    except TooDeeplyNested as error:
        message = f"{name}: is nested too deeply for a guidance file"
        raise GuidanceError(message) from error
    except (yaml.YAMLError, ValueError) as error:  # ValueError: a date or number that cannot exist
        message = f"{name}: is not valid YAML ({' '.join(str(error).split())})"
        raise GuidanceError(message) from error
    return Document(name, cast("Mapping[str, Any]", data), root)


def _refuse_surprises(root: yaml.Node, name: str) -> None:
    """Duplicate keys, keys that are not text, and aliases are refused: each can hide what a profile says."""
    seen: set[int] = set()
    waiting = [root]
    while waiting:
        node = waiting.pop()
        if id(node) in seen:
            message = "anchors and aliases are not used in guidance files; write the value out"
            raise GuidanceError(str(Problem(name, node.start_mark.line + 1, "", message)))
        seen.add(id(node))
        if isinstance(node, yaml.MappingNode):
            _refuse_odd_keys(node, name)
            waiting.extend(value for _, value in node.value)
        elif isinstance(node, yaml.SequenceNode):
            waiting.extend(node.value)


def _refuse_odd_keys(node: yaml.MappingNode, name: str) -> None:
    keys: set[str] = set()
    for key, _ in node.value:
        line = key.start_mark.line + 1
        if not isinstance(key, yaml.ScalarNode):
            raise GuidanceError(str(Problem(name, line, "", "a key must be a word")))
        if key.value == "<<":
            raise GuidanceError(str(Problem(name, line, "", "merge keys are not used in guidance files")))
        if key.value in keys:
            raise GuidanceError(str(Problem(name, line, key.value, "is written twice; keep one")))
        keys.add(key.value)


def _child(node: yaml.Node, step: int | str) -> tuple[int, yaml.Node] | None:
    if isinstance(node, yaml.MappingNode):
        for key, value in node.value:
            if key.value == str(step):
                return key.start_mark.line + 1, value
    if isinstance(node, yaml.SequenceNode) and isinstance(step, int) and step < len(node.value):
        return node.value[step].start_mark.line + 1, node.value[step]
    return None


def _problem(document: Document, model: type[BaseModel], details: ErrorDetails) -> Problem:
    place = tuple(step for step in details["loc"] if step != "[key]")
    field = "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in place).lstrip(".")
    return Problem(document.name, document.line_of(place), field, _in_our_words(model, details))


_PHRASES: Mapping[str, str] = {
    "float_parsing": "a number is expected here, found '{found}'",
    "float_type": "a number is expected here, found '{found}'",
    "finite_number": "a finite number is expected here, found '{found}'",
    "greater_than": "a number above {least} is expected here, found '{found}'",
    "int_parsing": "a whole number is expected here, found '{found}'",
    "int_type": "a whole number is expected here, found '{found}'",
    "int_from_float": "a whole number is expected here, found '{found}'",
    "greater_than_equal": "a number of at least {least} is expected here, found '{found}'",
    "bool_parsing": "true or false is expected here, found '{found}'",
    "bool_type": "true or false is expected here, found '{found}'",
    "string_type": "text is expected here, found {found}; put it in quotation marks",
    "string_too_short": "is empty; {advice}",
    "string_pattern_mismatch": "'{found}' is not valid here; {advice}",
    "missing": "is missing; {advice}",
    "tuple_type": "a list is expected here: values in [ ] or one to a line after '- '",
    "model_type": "fields with names are expected here, found '{found}'",
    "dict_type": "fields with names are expected here, found '{found}'",
    "date_from_datetime_parsing": "a date is expected here, such as 2026-06-10, found '{found}'",
    "too_short": "is empty; write at least one entry",
    "value_error": "{error}",
}
"""What each kind of mistake is called; the validator's own wording is for programmers."""


def _in_our_words(model: type[BaseModel], details: ErrorDetails) -> str:
    place, context = details["loc"], details.get("ctx", {})
    last = str(place[-1]) if place else ""
    if details["type"] == "extra_forbidden" and last in _RENAMED:
        return f"unknown key '{last}'; write {_RENAMED[last]}"
    if details["type"] == "extra_forbidden":
        return _unknown(last, "key", _keys_at(model, place[:-1]))
    if details["type"] in {"enum", "literal_error"}:
        return _unknown(str(details["input"]), "value", str(context["expected"]).split("'")[1::2])
    if details["type"] == "string_type" and isinstance(details["input"], list | dict):
        return "text is expected here, one value without brackets"
    return _PHRASES.get(details["type"], details["msg"]).format(
        found=details["input"],
        least=f"{context.get('gt', context.get('ge', 0)):g}",
        error=context.get("error"),
        advice=_WHAT_TO_WRITE.get(last, "write it, or drop the entry it belongs to"),
    )


def _unknown(word: str, what: str, allowed: Sequence[str]) -> str:
    near = get_close_matches(word, allowed, n=1)
    advice = f"did you mean '{near[0]}'?" if near else f"possible: {', '.join(allowed)}"
    return f"unknown {what} '{word}'; {advice}"


def _keys_at(model: type[BaseModel], place: Sequence[int | str]) -> list[str]:
    """The keys that the model at *place* knows, as they are written."""
    for step in place:
        fields = {field.alias or name: field for name, field in model.model_fields.items()}
        if step in fields:
            model = next(_models_in(fields[str(step)].annotation), model)
    return [field.alias or name for name, field in model.model_fields.items()]


def _models_in(annotation: object) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from _models_in(part)
