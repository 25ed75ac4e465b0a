"""A dossier attaches the very bytes that were computed from, or is not written."""

from __future__ import annotations

import shutil

import pytest

from validator import assess, evaluate, read_study
from validator.dossier import dossier_pdf
from validator.errors import OutputProblem


@pytest.fixture
def own_folder(study_folder, tmp_path):
    return shutil.copytree(study_folder, tmp_path / "study")


def made_of(folder, *, between=lambda: None):
    study = read_study(folder)
    results = assess(study, evaluate(study))
    between()
    return dossier_pdf("<p>page</p>", study, results)


def test_a_file_changed_meanwhile_is_not_attached(own_folder):
    """Data that were saved again while the dossier was made would not be those of its numbers."""
    data = own_folder / "data" / "calibration.csv"

    with pytest.raises(
        OutputProblem, match=r"data/calibration\.csv: changed while the dossier was being written"
    ):
        made_of(own_folder, between=lambda: data.write_text(data.read_text() + "80,1,1,1\n"))


def test_a_file_removed_meanwhile_is_said(own_folder):
    """The sentence names the file."""
    profile = own_folder / "our-base.yaml"

    with pytest.raises(OutputProblem, match=r"our-base\.yaml: cannot be attached \(No such file"):
        made_of(own_folder, between=profile.unlink)


def test_no_file_of_the_study_takes_the_name_of_the_results(own_folder):
    """Two attachments of one name could not be told apart."""
    (own_folder / "results.json").write_text("{}")
    study = (own_folder / "study.yaml").read_text()
    (own_folder / "study.yaml").write_text(study.replace("notes/recorded.txt", "results.json"))

    with pytest.raises(OutputProblem, match=r"results\.json: the dossier attaches its results"):
        made_of(own_folder)


def test_guidance_that_the_study_also_attaches_is_listed_once(own_folder):
    """The role is the one the study gives it."""
    study = (own_folder / "study.yaml").read_text()
    (own_folder / "study.yaml").write_text(study.replace("notes/recorded.txt", "our-base.yaml"))
    results = evaluate(read_study(own_folder))

    listed = [(one.path, one.role) for one in results.inputs]
    assert listed[2:] == [("our-base.yaml", "attachment"), ("our-rules.yaml", "guidance")]
