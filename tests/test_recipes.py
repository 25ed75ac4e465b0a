"""The three recipes of DEVELOPERS.md, each followed to the letter in a copy of the package.

What a recipe leaves out fails here: the copy gets the edits of the recipe and no others, and every file that
is written or changed must be one that the recipe names.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path

import pytest
import yaml

PROJECT = Path(__file__).parent.parent
RECIPES = {
    title: text
    for title, _, text in (
        part.partition("\n") for part in (PROJECT / "DEVELOPERS.md").read_text("utf-8").split("\n## ")[1:]
    )
}

CALIBRATION = [
    {"level": level, "signals": [round(0.05 * level + shift, 4) for shift in (0.001, -0.002, 0.0015)]}
    for level in (2.0, 4.0, 8.0, 12.0, 16.0)
]
BLANKS = [{"signals": [0.0011, 0.0008, 0.0013, 0.0009, 0.0012, 0.0010, 0.0011, 0.0007, 0.0012, 0.0010]}]


@dataclass
class Checkout:
    """A copy of the package in which a recipe is followed."""

    root: Path
    recipe: str
    touched: list[str] = field(default_factory=list)

    def write(self, name: str, text: str) -> None:
        """A new file."""
        file = self.root / name
        assert not file.exists()
        file.write_text(text, encoding="utf-8")
        self.touched.append(name)

    def insert(self, name: str, after: str, text: str, at: int | None = None) -> None:
        """New lines *text* behind the only line that is *after*, or behind line *at*."""
        file = self.root / name
        lines = file.read_text(encoding="utf-8").split("\n")
        if at is None:
            (at,) = (number for number, line in enumerate(lines) if line == after)
        file.write_text("\n".join([*lines[: at + 1], text, *lines[at + 1 :]]), encoding="utf-8")
        self.touched.append(name)

    def add_import(self, name: str, line: str) -> None:
        """The import *line* before the first one from the package."""
        lines = (self.root / name).read_text(encoding="utf-8").split("\n")
        first = next(at for at, one in enumerate(lines) if one.startswith("from validator."))
        self.insert(name, "", line, at=first - 1)

    def follows_its_recipe(self) -> bool:
        """Every file that was touched lies where the recipe says, and every place it says was visited."""
        named = [name for name in re.findall(r"`([^`\s<>*]+)`", RECIPES[self.recipe]) if "/" in name]
        places = [name if name.startswith(("validator/", "tests/", "report_")) else "" for name in named]
        folders = [place for place in places if place]
        assert [one for one in self.touched if not one.startswith(tuple(folders))] == []
        return all(any(one.startswith(place) for one in self.touched) for place in folders)

    def run(self, *arguments: object) -> str:
        """What a Python process with the copy prints."""
        done = subprocess.run(
            [sys.executable, *map(str, arguments)],
            cwd=self.root,
            env={**os.environ, "PYTHONPATH": str(self.root)},
            capture_output=True,
            text=True,
            encoding="utf-8",
            check=False,
        )
        assert done.returncode == 0, done.stderr
        return done.stdout

    def study(self, **blocks: object) -> Path:
        """A study with these blocks."""
        folder = self.root / "study"
        folder.mkdir()
        study = {
            "format": "validation-study/1",
            "study": {"title": "A study for a recipe", "guidance": blocks.pop("guidance", [])},
            "method": {
                "analytes": [
                    {"id": "x", "name": "analyte x", "unit": "mg/L", "signal": "signal", "signal_unit": "1"}
                ]
            },
            **blocks,
        }
        (folder / "study.yaml").write_text(yaml.safe_dump(study, sort_keys=False), encoding="utf-8")
        return folder

    def results(self, study: Path) -> dict:
        """The results of *study*, by the command of the copy."""
        file = self.root / "results.json"
        self.run("-m", "validator", "evaluate", study, "--results", file, "--always-succeed")
        return json.loads(file.read_text(encoding="utf-8"))

    def page(self, study: Path) -> str:
        """The page of the dossier of *study*."""
        code = (
            "import sys; from validator import assess, evaluate, read_study\n"
            "from validator.dossier import build_document, render_html\n"
            "study = read_study(sys.argv[1]); results = assess(study, evaluate(study))\n"
            "sys.stdout.reconfigure(encoding='utf-8')\n"
            "print(render_html(build_document(study, results), medium='print'))\n"
        )
        return self.run("-c", code, study)


@pytest.fixture
def checkout(tmp_path):
    """A copy of the package for the recipe of that title."""

    def checkout(recipe: str, *further: str) -> Checkout:
        ignore = shutil.ignore_patterns(".*_cache")
        for name in ("validator", "report_templates", *further):
            source, target = PROJECT / name, tmp_path / name
            target.parent.mkdir(parents=True, exist_ok=True)
            if source.is_dir():
                shutil.copytree(source, target, ignore=ignore)
            else:
                shutil.copy(source, target)
        return Checkout(tmp_path, recipe)

    return checkout


PLAN = {
    "calibration": {"levels": [2, 4, 8, 16], "series": 2},
    "blanks": {"series": 4, "replicates": 10},
    "assumed": {"slope": 0.05, "signal_sd": 0.001},
    "simulations": 20,
}


def test_a_limit_variant(checkout):
    """A function and an entry: it is computed, declared, in results, table, figure and formula appendix."""
    copy = checkout("How to add a limit variant", "tests/published/test_detection.py", "pyproject.toml")
    folder = "validator/statistics/detection"

    # step 1
    copy.write(
        f"{folder}/difference_based.py",
        '"""A limit for the difference between a reading and a blank."""\n'
        "import math\n"
        "from validator.sources import Source\n"
        "from validator.statistics.detection.multiples import multiples_of_sigma\n"
        "from validator.statistics.detection.scatter import blank_scatter\n"
        "SOURCE = Source('E. Xample, J. Readings 1 (1999) 2', 'memory')\n\n"
        "def blank_difference(inputs):\n"
        "    scatter = blank_scatter(inputs)\n"
        "    k = 3 * math.sqrt(2)\n"
        "    return multiples_of_sigma(inputs, scatter, detection=k, quantification=10.0, source=SOURCE)\n",
    )
    # step 2
    registry = f"{folder}/registry.py"
    copy.add_import(
        registry, "from validator.statistics.detection.difference_based import SOURCE, blank_difference"
    )
    copy.insert(
        registry,
        "_ALL = (",
        "    Variant(id='blank_difference', title='Reading less blank, 3 s', function=blank_difference,\n"
        "        formula=r'x_D = \\frac{3\\sqrt2\\,s_B}{b}', symbols='s_B, b as above', source=SOURCE,\n"
        "        sigma_contains='scatter of the blank', rests_on=('blanks',),\n"
        "        needs='at least 2 independent blanks',\n"
        "        gives=('detection', 'quantification')),",
    )
    # step 3
    published = "tests/published/test_detection.py"
    with (copy.root / published).open("a", encoding="utf-8") as stream:
        stream.write(
            "\n\ndef test_difference_of_reading_and_blank():\n"
            "    inputs = DetectionInputs(blank_concentrations=blanks_with(10))\n"
            "    assert round(limits('blank_difference', inputs).detection_limit.value, 2) == 4.24\n"
        )
    copy.touched.append(published)

    assert copy.follows_its_recipe()
    copy.run("-m", "pytest", "-q", "-p", "no:cacheprovider", "-n0", published, "-k", "difference_of_reading")
    study = copy.study(
        calibration={"runs": CALIBRATION},
        blanks={"runs": [{**one, "matrix": "pure water"} for one in BLANKS]},
        study={"title": "A study for a recipe", "matrix": "river water"},
        analysis={"detection_limit": {"variant": "blank_difference"}},
        criteria=[{"characteristic": "detection_limit", "max": 1}],
        plan=PLAN,
    )
    results = copy.results(study)
    limits = results["analytes"]["x"]["configurations"]["default"]["detection"]
    value = limits["variants"]["blank_difference"]["detection_limit"]["value"]
    assert limits["detection_limit"]["value"] == value
    assert value == pytest.approx(2**0.5 * limits["variants"]["blank_3s"]["detection_limit"]["value"])
    assert [one["outcome"] for one in results["assessment"]["findings"]] == ["meets"]
    caveats = {one["id"]: one["because"] for one in results["assessment"]["caveats"]}
    assert caveats["blank_not_matrix_matched"] == "Blanks: pure water; samples: river water."
    reduced = copy.run(
        "-c",
        "import sys; from validator import read_study; from validator.planning import predict\n"
        "(found,) = predict(read_study(sys.argv[1]))\n"
        "print(*(one.block for one in found.smallest.sizes if one.decided_by))",
        study,
    )
    assert reduced.split() == ["blanks"]
    page = copy.page(study)
    assert page.count("Reading less blank, 3 s") >= 3
    assert "E. Xample, J. Readings 1 (1999) 2†" in page


MODEL = '''"""The block ``dilution_integrity``."""
from validator.study.models.base import Numbers, Positive
from validator.study.models.runs import Block, Run


class DilutionRun(Run):
    """Results of a sample of known content that was diluted into the working range."""

    in_analyte_unit = frozenset({"expected", "found"})
    factor: Positive
    expected: Positive
    found: Numbers

    @property
    def values(self) -> tuple[float, ...]:
        """The results, the dilution counted in."""
        return self.found


class DilutionBlock(Block):
    """The block ``dilution_integrity``."""

    runs: tuple[DilutionRun, ...]


BLOCK = DilutionBlock
'''

STATISTICS = '''"""What is found of a known content after dilution."""
import math
import numpy as np
from validator.errors import NotEstimable
from validator.statistics.distributions import student


def found_after_dilution(found, expected, *, confidence=0.95):
    """Mean of found over expected in percent, with Student's interval."""
    percent = 100 * np.asarray(found, dtype=np.float64) / expected
    if percent.size < 2 or np.ptp(percent) == 0:
        raise NotEstimable("the results do not scatter", "at least 2 independent results")
    u = float(percent.std(ddof=1)) / math.sqrt(percent.size)
    return student(float(percent.mean()), u, percent.size - 1, confidence)
'''

RECORD = '''"""Records of dilution."""
from __future__ import annotations
from validator.records import EstimateRecord, Record


class DilutionRecord(Record, frozen=True, kw_only=True):
    """What was found of a known content after dilution by one factor, in percent."""

    factor: float
    n: int
    found_percent: EstimateRecord


RECORD = tuple[DilutionRecord, ...]
'''

STEP = '''"""Dilution: samples above the range, diluted into it."""
from validator.evaluation.convert import attempt
from validator.statistics.interval import estimate_record
from validator.evaluation.results import NotAssessed
from validator.characteristics.dilution_integrity.results import DilutionRecord
from validator.assessment.observation import figure
from validator.characteristics.dilution_integrity.runs import DilutionRun
from validator.evaluation.rows import independent_values, kept
from validator.characteristics.dilution_integrity.statistic import found_after_dilution


def evaluate(given):
    """Every dilution."""
    runs = kept(given.runs("dilution_integrity", DilutionRun))
    if not runs:
        return NotAssessed(not_assessed="the study holds no dilutions", needs="samples that were diluted")
    confidence = given.study.analysis_for(given.cell.analyte).confidence
    records = [attempt(lambda run=run: _record(run, confidence)) for run in runs]
    return tuple(one for one in records if isinstance(one, DilutionRecord)) or records[0]


def _record(run, confidence):
    found = [value.value for value in independent_values([run])]
    estimate = found_after_dilution(found, run.expected, confidence=confidence)
    return DilutionRecord(factor=run.factor, n=len(found), found_percent=estimate_record(estimate))

def _observations(found, _units):
    for entry in found:
        yield figure(entry.found_percent, what=f"diluted {entry.factor:g}-fold", n=entry.n)


READERS = {"min": _observations, "max": _observations}
TRIGGERS = ()
'''

TELLING = '''"""Dilution in the dossier."""
from validator import numbers
from validator.dossier.document import Column, Table
from validator.dossier.sections.context import estimate_text, row
from validator.sources import Source


def blocks(context, item, found):
    """The table of the dilutions."""
    say = context.say
    yield Table(
        id=item.id("dilution-table"),
        caption=say("dilution_integrity.caption", name=item.name),
        columns=(Column(say.text("dilution_integrity.factor")), Column(say.text("dilution_integrity.found"))),
        rows=tuple(
            row(numbers.as_given(one.factor), estimate_text(one.found_percent, "%")) for one in found
        ),
    )


def sentences(context, found):
    """What a manuscript says."""
    for one in found:
        yield context.say("dilution_integrity.sentence", factor=numbers.as_given(one.factor))


FORMULAS = {
    "dilution_integrity": ("D = 100 c / c_0", "found over known content", (Source("A. Xample", "memory"),)),
}
'''

SENTENCES = """title: Dilution
lead: Samples above the working range are diluted into it; known contents show whether that may be done.
caption: "Known contents found after dilution, {name}"
factor: Factor
found: Found
sentence: "Dilutions by {factor} were tested."
"""


KNOWN = '''"""Dilution: samples above the range, diluted into it."""
from validator.characteristics import Characteristic, Figure

DILUTION = Characteristic(
        name="dilution_integrity",
        home=__name__,
        takes=("min", "max"),
        quantity="part found after dilution",
        unit="%",
        ideal=100.0,
        block="dilution_integrity",
        counters=frozenset({"determinations"}),
        figures={
            "diluted_percent": Figure("part found after dilution", "%", ("dilution_integrity", "min")),
        },
        found=("dilution_integrity",),
        section="dilution",
        excluded_in=("dilution_integrity",),
)
'''


def part_of(page: str, name: str) -> str:
    """The page from the element with that id to the end of its section."""
    return page.partition(f'id="{name}"')[2].partition("</section>")[0]


OF_THE_HOUSE = """format: guidance-profile/1
id: house-dilution
title: House rules on dilution
short_title: House rules
edition: "1"
issuing_body: a laboratory
scope: Everything that is diluted there.
note: An example.

requirements:
  - id: house-dilution-1
    characteristic: dilution_integrity
    clause: "1"
    source: seen
    text: Dilutions are repeated.
    design:
      minimums: {determinations: 9}
    acceptance:
      - figure: diluted_percent
        min: 80
"""


def test_a_characteristic(checkout):
    """A package, its place in the list and its words: read, computed, judged and printed."""
    copy = checkout("How to add a characteristic")
    name = "dilution_integrity"

    # step 1
    home = f"validator/characteristics/{name}"
    (copy.root / home).mkdir()
    for part, text in (
        ("__init__", KNOWN),
        ("runs", MODEL),
        ("statistic", STATISTICS),
        ("results", RECORD),
        ("assessing", STEP),
        ("telling", TELLING),
    ):
        copy.write(f"{home}/{part}.py", text)
    # step 2
    known = "validator/characteristics/order.py"
    copy.add_import(known, f"from {home.replace('/', '.')} import DILUTION")
    copy.insert(known, "ORDER: tuple[Characteristic, ...] = (", "    DILUTION,")
    # step 3
    copy.insert(
        "validator/study/descriptions.yaml",
        "Study:",
        f"  {name}: Samples of known content that were diluted into the working range.",
    )
    # step 4
    copy.write(f"report_templates/language/en/{name}.yaml", SENTENCES)
    copy.insert("report_templates/language/en/names.yaml", "characteristic:", f"  {name}: Dilution integrity")
    copy.insert(
        "report_templates/language/en/formulas.yaml",
        "carry_over: Carry-over",
        f"{name}: Content after dilution",
    )
    copy.insert("report_templates/language/en/design.yaml", "block:", f"  {name}: Dilutions")

    assert copy.follows_its_recipe()
    study = copy.study(
        calibration={"runs": CALIBRATION},
        dilution_integrity={
            "runs": [
                {"factor": 10, "expected": 100, "found": [99.0, 101.0, 100.5, 98.5]},
                {"factor": 50, "expected": 500, "found": [430.0, 441.0, 436.0, 433.0]},
                {"factor": 50, "expected": 500, "found": [300.0], "excluded": "too low"},
            ]
        },
        criteria=[{"characteristic": name, "min": 95, "max": 105}],
        guidance=["house-dilution"],
    )
    (study / "house-dilution.yaml").write_text(OF_THE_HOUSE, encoding="utf-8")
    results = copy.results(study)
    records = results["analytes"]["x"]["configurations"]["default"][name]
    assert [one["found_percent"]["value"] for one in records] == pytest.approx([99.75, 87.0])
    assessment = results["assessment"]
    findings = {(one["what"], one["own"]): one for one in assessment["findings"]}
    assert findings["diluted 50-fold", True]["outcome"] == "does not meet"
    held = [one["held_by"] for key, one in findings.items() if key != ("diluted 50-fold", True)]
    assert held == ["exclusion_without_cause"] * 3
    assert [(one["counter"], one["provided"]) for one in assessment["design"]] == [("determinations", 8)]
    assert ("exclusion_without_cause", name) in [
        (one["id"], one["characteristic"]) for one in assessment["caveats"]
    ]
    assert assessment["verdict"] == "not fit"
    page = copy.page(study)
    assert "Known contents found after dilution" in page
    assert "Dilution integrity" in page
    assert "Content after dilution" in page
    runs, annex, cross = (part_of(page, part) for part in ("runs", "data", "cross-reference"))
    assert "Dilutions" in runs
    assert "Dilutions" in annex
    assert 'href="#dilution"' in cross
    schema = copy.root / "schema.json"
    copy.run("-m", "validator", "schema", "--output", schema)
    assert name in json.loads(schema.read_text(encoding="utf-8"))["properties"]


PROFILE = """format: guidance-profile/1
id: house-rules-4
title: House rules of a laboratory
short_title: House rules
edition: "4"
issuing_body: a laboratory
scope: Everything that is measured there.
note: An example.

asked_for:
  clause: "2"
  source: seen
  by_kind:
    any: [linearity, quantification_limit]

requirements:
  - id: house-lack-of-fit
    characteristic: lack_of_fit
    clause: "3.1"
    source: seen
    text: The calibration function must fit.
    acceptance:
      - figure: lack_of_fit_p
        p_min: 0.001
"""


@pytest.mark.parametrize("place", ["validator/guidance/profiles", "study"])
def test_a_guidance_profile(checkout, place):
    """One file, in the package or beside the study: its limit is judged, its clause is cited."""
    copy = checkout("How to add a guidance profile")
    study = copy.study(calibration={"runs": CALIBRATION}, guidance=["house-rules-4"])
    file = copy.root / place / "house-rules-4.yaml"

    file.write_text(PROFILE, encoding="utf-8")

    results = copy.results(study)
    (finding,) = results["assessment"]["findings"]
    assert (finding["characteristic"], finding["lower"], finding["upper"], finding["outcome"]) == (
        "lack_of_fit",
        0.001,
        None,
        "meets",
    )
    assert "House rules" in finding["source"]
    assert "3.1" in finding["source"]
    if place == "study":
        assert "House rules" in copy.page(study)
