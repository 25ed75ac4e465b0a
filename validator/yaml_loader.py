"""The YAML parser for files of any origin: PyYAML's safe loader, the compiled one where it was built."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import yaml

if TYPE_CHECKING:
    SafeLoader = yaml.SafeLoader
else:
    SafeLoader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)

DEEPEST = 30
"""Lists and tables within each other; the compiled parser recurses without a guard of its own."""


class TooDeeplyNested(yaml.YAMLError):
    """Lists and tables stand within each other deeper than anybody writes them."""


def load(text: str) -> Any:  # noqa: ANN401 - whatever the text describes
    """The value that the YAML *text* describes.

    Raises:
        yaml.YAMLError: it is not YAML, holds a tag that is not plain data, or is nested too deeply.
    """
    refuse_deep_nesting(text)
    return yaml.load(text, Loader=SafeLoader)


def refuse_deep_nesting(text: str) -> None:
    """Go through the *text* once without recursion.

    Raises:
        TooDeeplyNested: it is nested deeper than ``DEEPEST``.
        yaml.YAMLError: it is not YAML.
    """
    depth = 0
    try:
        for event in yaml.parse(text, Loader=SafeLoader):
            if isinstance(event, yaml.CollectionStartEvent):
                depth += 1
                if depth > DEEPEST:
                    raise TooDeeplyNested(f"it is nested more than {DEEPEST} deep")
            elif isinstance(event, yaml.CollectionEndEvent):
                depth -= 1
    except yaml.MarkedYAMLError as error:
        if "nesting depth" in (error.problem or ""):  # the parser's own bound, met while it looks ahead
            raise TooDeeplyNested(str(error)) from error
        raise
