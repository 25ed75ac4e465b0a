"""What every characteristic must bring, whichever package it lives in."""

import subprocess
import sys
from typing import get_args

import pytest
import yaml

from validator.assessment.observations import READERS
from validator.characteristics.order import ORDER, PACKAGES
from validator.evaluation.results import ConfigurationRecord
from validator.guidance import Counter
from validator.resources import templates_folder
from validator.study import Study

# a criterion in these words is read as min and max, or beside them
_OTHER_WORDS = {"max_change", "tolerated_ratio_min"}
PARTS = ("runs", "results", "assessing", "telling")
NAMES = yaml.safe_load((templates_folder() / "language/en/names.yaml").read_text("utf-8"))["characteristic"]


@pytest.mark.parametrize("one", ORDER, ids=lambda one: one.name)
def test_every_limit_has_its_reader_and_every_name_its_words(one):
    """A criterion that may be written can be judged, told, counted and found."""
    readers = one.part("assessing").READERS if one.home else READERS[one.name]

    assert set(readers) == set(one.takes) - _OTHER_WORDS
    assert one.counters <= set(Counter)
    assert one.name in NAMES
    assert {path.partition(".")[0] for path in one.found} <= set(ConfigurationRecord.__struct_fields__)
    assert {one.block, *one.excluded_in, *one.deviation_in} <= set(Study.model_fields)


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("one", PACKAGES, ids=lambda one: one.name)
def test_every_part_of_a_package_loads_alone(one, part):
    """In a fresh interpreter, before anything else of the program."""
    code = f"import {one.home}.{part}, sys; print('validator.dossier.html' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)

    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.strip() == "False" or part == "telling"


@pytest.mark.parametrize("one", PACKAGES, ids=lambda one: one.name)
def test_a_package_stands_in_study_and_results_under_its_name(one):
    """Its block is read, its record is written."""
    assert one.part("runs").BLOCK in get_args(Study.model_fields[one.block].annotation)
    assert one.part("results").RECORD in get_args(ConfigurationRecord.__annotations__[one.name])
