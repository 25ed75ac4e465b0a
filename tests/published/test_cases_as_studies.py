"""Published examples written as the blocks of a study in ``cases``, evaluated by the command.

Each file names its source, whether its text was seen or is from memory, and the printed figures by their
places in the results: a name or number picks an entry of a list, ``^2`` squares a standard deviation.
"""

from __future__ import annotations

import json
from decimal import Decimal
from pathlib import Path

import pytest
import yaml

CASES = sorted((Path(__file__).parent / "cases").glob("*.yaml"))


def value_at(found, place):
    """The value at *place* of the results."""
    path, _, power = place.partition("^")
    for step in path.split("."):
        if isinstance(found, dict):
            found = found[step]
        else:
            (found,) = [one for at, one in enumerate(found) if step == str(at) or step in one.values()]
    return found ** int(power or 1)


def agrees(value, figure):
    """*value* rounds to the printed *figure*, or lies where the file says."""
    if isinstance(figure, str):
        half_a_unit = 0.5 * 10.0 ** Decimal(figure).as_tuple().exponent
        figure = {"printed": figure, "within": half_a_unit * (1 + 1e-6)}
    if "between" in figure:
        low, high = figure["between"]
        return low < value < high
    return abs(value - float(figure["printed"])) <= figure["within"]


@pytest.mark.parametrize("file", CASES, ids=lambda file: file.stem)
def test_case(file, folder_with, command, described, tmp_path):
    known = yaml.safe_load(file.read_text(encoding="utf-8"))
    results = tmp_path / "results.json"

    done = command("evaluate", folder_with(described(**known["blocks"])), "--results", results)

    assert (done.status, done.err, known["text"] in ("seen", "memory")) == (0, "", True)
    found = json.loads(results.read_text(encoding="utf-8"))["analytes"]["x"]["configurations"]["default"]
    values = {place: value_at(found, place) for place in known["figures"]}
    assert {place: x for place, x in values.items() if not agrees(x, known["figures"][place])} == {}
