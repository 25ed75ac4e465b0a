"""A small dossier that carries everything a dossier can, and ways to tamper with it."""

from __future__ import annotations

import io
import json

import pikepdf
import pytest

from validator import assess, evaluate, read_study
from validator.dossier import dossier_pdf

PAGE = '<html lang="en"><head><title>A dossier</title></head><body><p>Read the attachments.</p></body></html>'
STUDY = """\
format: validation-study/1
study:
  title: Nitrate in drinking water by UV photometry
  matrix: drinking water
  guidance: [our-rules]
  attachments: [notes/recorded.txt]
method:
  analytes:
    - {id: nitrate, name: nitrate, unit: mg/L, signal: absorbance, signal_unit: "1"}
criteria:
  - {characteristic: lack_of_fit, p_min: 0.05}
calibration: {file: data/calibration.csv}
blanks:
  runs:
    - {signals: [0.0011, 0.0008, 0.0013, 0.0009, 0.0012, 0.0010, 0.0011, 0.0007, 0.0012, 0.0010]}
"""
FILES = {
    "study.yaml": STUDY,
    "data/calibration.csv": "level,signal 1,signal 2,signal 3\n5,0.061,0.063,0.060\n10,0.121,0.124,0.122\n"
    "20,0.243,0.239,0.241\n40,0.480,0.486,0.483\n60,0.722,0.718,0.725\n",
    "notes/recorded.txt": "Read off the display by two people.\n",
    "our-rules.yaml": "format: guidance-profile/1\nid: our-rules\nextends: our-base\n"
    "title: Rules of the laboratory\n",
    "our-base.yaml": "format: guidance-profile/1\nid: our-base\nextends: iupac-single-laboratory-2002\n"
    "title: Rules of the house\n",
}


@pytest.fixture(scope="session")
def study_folder(tmp_path_factory):
    """A study with data in a folder of their own, an attachment, and guidance of its own in two steps."""
    folder = tmp_path_factory.mktemp("study")
    for name, content in FILES.items():
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_text(content, encoding="utf-8")
    return folder


@pytest.fixture(scope="session")
def study(study_folder):
    return read_study(study_folder)


@pytest.fixture(scope="session")
def results(study):
    return assess(study, evaluate(study))


@pytest.fixture(scope="session")
def dossier(study, results) -> bytes:
    """A dossier with a page of little and every attachment: the pages take no part in a verification."""
    return dossier_pdf(PAGE, study, results)


@pytest.fixture
def tampered(dossier, tmp_path):
    """The path of a copy of the dossier with attachments changed, taken out or added."""

    def tampered(changes, *, take_out=(), add=None, base=dossier, **save):
        with pikepdf.open(io.BytesIO(base)) as pdf:
            attached = {pdf.attachments[key].filename: key for key in pdf.attachments}
            for name, change in changes.items():
                specification = pdf.attachments[attached[name]]
                content = change(specification.get_file().read_bytes())
                specification.obj.EF.F.write(content)
            for name in take_out:
                del pdf.attachments[attached[name]]
            for name, content in (add or {}).items():
                specification = pikepdf.AttachedFileSpec(pdf, content, filename=name)
                pdf.attachments[f"added {name}"] = specification
            path = tmp_path / "dossier.pdf"
            pdf.save(path, **save)
        return path

    return tampered


@pytest.fixture
def with_results(tampered):
    """As ``tampered``, for a change of results.json as data."""

    def with_results(change, **more):
        def rewritten(content: bytes) -> bytes:
            stated = json.loads(content)
            change(stated)
            return json.dumps(stated, ensure_ascii=False).encode()

        return tampered({"results.json": rewritten}, **more)

    return with_results
