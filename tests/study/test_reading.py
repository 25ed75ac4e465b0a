"""From a path to a study: defaults, places, provenance."""

from __future__ import annotations

import datetime as dt
import hashlib
import subprocess
import sys

import pytest
import yaml

import validator.study
from validator.errors import StudyError
from validator.study import read_study

SMALLEST = """\
format: validation-study/1
study:
  title: Nitrate in drinking water by UV photometry
  matrix: drinking water
  intended_use: compliance with a 50 mg/L limit
  guidance: [iupac-single-laboratory-2002]
method:
  analytes:
    - {id: nitrate, name: nitrate, unit: mg/L, signal: absorbance, signal_unit: "1"}
calibration:
  runs:
    - {level: 5,  signals: [0.061, 0.063, 0.060]}
    - {level: 10, signals: [0.121, 0.124, 0.122]}
    - {level: 20, signals: [0.243, 0.239, 0.241]}
    - {level: 40, signals: [0.480, 0.486, 0.483]}
    - {level: 60, signals: [0.722, 0.718, 0.725]}
blanks:
  runs:
    - {signals: [0.0011, 0.0008, 0.0013, 0.0009, 0.0012, 0.0010, 0.0011, 0.0007, 0.0012, 0.0010]}
"""

TWO = """\
format: validation-study/1
study: {title: Two analytes and two sensors, matrix: river water}
method:
  analytes:
    - {id: zn, name: zinc, unit: µg/L, signal: peak current, signal_unit: µA}
    - {id: cu, name: copper, unit: mg/L, signal: peak current, signal_unit: nA}
  configurations:
    - {id: bare, name: bare electrode, active_area: {value: 7.1, unit: mm²}}
    - {id: film, name: film electrode}
  configuration: film
"""


def test_smallest_useful_study(study_of):
    """The smallest study of the format description reads as it stands."""
    study = study_of(head=SMALLEST)

    assert study.study.title == "Nitrate in drinking water by UV photometry"
    assert study.study.guidance == ("iupac-single-laboratory-2002",)
    assert [run.level for run in study.calibration.runs] == [5, 10, 20, 40, 60]
    assert study.calibration.runs[0].values == (0.061, 0.063, 0.060)
    assert len(study.blanks.runs[0].values) == 10
    assert study.precision is None
    assert study.runs("precision") == ()


def test_a_study_is_a_file_or_its_folder(write):
    """The folder, the file and a file of another name give the same study."""
    folder = write(head=SMALLEST)
    (folder / "other.yml").write_text(SMALLEST)

    studies = [read_study(folder), read_study(folder / "study.yaml"), read_study(str(folder / "other.yml"))]

    assert studies[0].model_dump() == studies[1].model_dump() == studies[2].model_dump()
    assert [study.inputs[0].path for study in studies] == ["study.yaml", "study.yaml", "other.yml"]


def test_reading_what_was_written_gives_the_same_study(write, study_of):
    """A study dumped to YAML and read again is the same study."""
    more = """\
criteria: [{characteristic: recovery, min: 90, max: 110}]
analysis: {alpha: 0.01, calibration: {weighting: 1/x}}
blanks: {runs: [{signals: ["<0.5", 0.1], series: "007", date: 2026-03-02}]}
"""
    study = study_of(more)

    again = yaml.safe_dump(study.model_dump(mode="json", exclude_none=True, exclude_defaults=True))

    assert read_study(write(head=again)).model_dump() == study.model_dump()


def test_every_run_has_the_defaults_of_its_block(study_of):
    """Analyte, configuration, preparation and date of the block hold where the run has none of its own."""
    study = study_of(
        """\
calibration:
  analyte: zn
  date: 2026-03-02
  preparation: repeated_reading
  runs:
    - {level: 1, signal: 2}
    - {level: 1, signal: 2, analyte: cu, configuration: bare, date: 2026-03-03, preparation: independent}
""",
        head=TWO,
    )

    first, second = study.calibration.runs

    assert (first.analyte, first.configuration, first.date, first.preparation) == (
        "zn",
        "film",
        dt.date(2026, 3, 2),
        "repeated_reading",
    )
    assert (second.analyte, second.configuration, second.date, second.preparation) == (
        "cu",
        "bare",
        dt.date(2026, 3, 3),
        "independent",
    )


def test_what_need_not_be_named(study_of):
    """One analyte and no configuration: runs belong to that analyte and to the configuration 'default'."""
    study = study_of("blanks: {runs: [{signal: 1}]}\n")

    assert study.blanks.runs[0].analyte == "zn"
    assert study.blanks.runs[0].configuration == "default"
    assert study.configuration_ids == ("default",)
    assert study.validated_configuration == "default"


def test_a_single_configuration_is_the_validated_one(study_of):
    """A study that describes one configuration need not say that it is validated."""
    head = TWO.replace("    - {id: film, name: film electrode}\n  configuration: film\n", "")

    study = study_of("blanks: {analyte: zn, runs: [{signal: 1}]}\n", head=head)

    assert study.validated_configuration == "bare"
    assert study.blanks.runs[0].configuration == "bare"


def test_analytes_and_configurations_by_id(study_of):
    """Ids come in the order of the study and lead to their records."""
    study = study_of(head=TWO)

    assert study.analyte_ids == ("zn", "cu")
    assert study.analyte("cu").unit == "mg/L"
    assert study.configuration_ids == ("bare", "film")
    assert study.validated_configuration == "film"
    with pytest.raises(KeyError):
        study.analyte("pb")


def test_matrix_of_a_matrix_calibration(study_of):
    """A run names its matrix, else the block's holds, else the study's."""
    study = study_of(
        "matrix_calibration: {runs: [{level: 1, signal: 2}, {level: 1, signal: 2, matrix: well water}]}\n"
    )
    of_block = study_of("matrix_calibration: {matrix: brine, runs: [{level: 1, signal: 2}]}\n")

    assert [run.matrix for run in study.matrix_calibration.runs] == ["tap water", "well water"]
    assert of_block.matrix_calibration.runs[0].matrix == "brine"


def test_every_run_knows_its_place(study_of):
    """Runs of the study file know their line, runs of a table their row."""
    study = study_of(
        "calibration:\n  runs:\n    - {level: 1, signal: 2}\n    - level: 2\n      signal: "
        "4\nblanks: {file: b/blanks.csv}\n",
        {"b/blanks.csv": "# made on Monday\nsignal\n\n0.1\n0.2\n"},
    )

    assert [run.place for run in study.calibration.runs] == ["study.yaml:7", "study.yaml:8"]
    assert [run.place for run in study.blanks.runs] == ["b/blanks.csv row 4", "b/blanks.csv row 5"]


def test_provenance(study_of):
    """Each file is listed once with its hash and its part in the study, the study file first.

    The hash of "abc" is that of FIPS 180-4 as exemplified by NIST (SHA-256, one-block message sample).
    """
    study = study_of(
        "blanks: {file: ./data/b.csv, columns: {note: level}}\nlow_level: {file: data/b.csv}\n",
        {"data/b.csv": "signal;level\n0.1;2\n", "notes.txt": "abc"},
        head="format: validation-study/1\n"
        "study: {title: t, attachments: [notes.txt]}\n"
        "method: {analytes: [{id: zn, name: zinc, unit: µg/L, signal: current, signal_unit: µA}]}\n",
    )

    listed = [(file.path, file.role, file.size) for file in study.inputs]

    assert listed[1:] == [("data/b.csv", "data", 19), ("notes.txt", "attachment", 3)]
    assert listed[0][:2] == ("study.yaml", "study")
    assert study.inputs[2].sha256 == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert study.low_level.runs[0].place == "data/b.csv row 2"
    for file in study.inputs:
        assert file.sha256 == hashlib.sha256((study.folder / file.path).read_bytes()).hexdigest()


def test_overrides_for_one_analyte(study_of):
    """An analyte's own choices win, the study's hold for the rest, and what was declared stays known."""
    study = study_of(
        """\
analysis:
  confidence: 0.99
  calibration: {weighting: 1/x}
  detection_limit: {variant: blank_3s}
  per_analyte:
    cu: {alpha: 0.01, calibration: {model: quadratic}}
""",
        head=TWO,
    )

    zn, cu = study.analysis_for("zn"), study.analysis_for("cu")

    assert (zn.confidence, zn.alpha, zn.calibration.model, zn.calibration.weighting) == (
        0.99,
        0.05,
        "linear",
        "1/x",
    )
    assert (cu.confidence, cu.alpha, cu.calibration.model, cu.calibration.weighting) == (
        0.99,
        0.01,
        "quadratic",
        "1/x",
    )
    assert [
        cu.declared(choice) for choice in ("alpha", "beta", "calibration.model", "calibration.weighting")
    ] == [
        True,
        False,
        True,
        True,
    ]
    assert not zn.declared("alpha")
    assert not zn.declared("calibration.model")
    assert not zn.declared("quantification_limit.variant")
    assert zn.detection_limit.variant == "blank_3s"
    assert zn.quantification_limit is None
    assert zn.decision_rule == "guarded"


def test_a_study_cannot_be_changed(study_of):
    """What was read is frozen, from the study down to the run."""
    study = study_of("blanks: {runs: [{signal: 1}]}\n")

    for record, field in ((study, "study"), (study.study, "title"), (study.blanks.runs[0], "signal")):
        with pytest.raises(ValueError, match="frozen"):
            setattr(record, field, None)


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("", "no study.yaml in this folder"),
        ("absent.yaml", "file or folder not found"),
        ("x" * 5000, "cannot be read (File name too long)"),
        ("a\0b", "file or folder not found"),
    ],
)
def test_nothing_to_read(tmp_path, name, message):
    """A path that leads to no study is said to, with the path."""
    path = tmp_path / name
    with pytest.raises(StudyError) as caught:
        read_study(path)

    assert str(caught.value) == f"{path}: {message}"


def test_public_names():
    """What the package promises to others exists, each name once."""
    assert len(set(validator.study.__all__)) == len(validator.study.__all__)
    assert [name for name in validator.study.__all__ if not hasattr(validator.study, name)] == []


def test_reading_needs_no_numerics():
    """Reading a study loads neither numpy nor anything that draws or computes."""
    code = (
        "import sys, validator.study; "
        "print({name.partition('.')[0] for name in sys.modules} & {'numpy', "
        "'scipy', 'matplotlib', 'weasyprint'})"
    )

    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert done.stdout.strip() == "set()"
