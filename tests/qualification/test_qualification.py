"""The published cases on this installation, the record of them, and what a broken formula does to it."""

from __future__ import annotations

import io
import json
from decimal import Decimal

import pydantic
import pypdf
import pytest

from validator.dossier.qualification_record import cases_table
from validator.qualification import Case, qualify, read_cases, running
from validator.qualification.adapters import ADAPTERS
from validator.qualification.case import EVERY, Tolerance, half_a_unit
from validator.qualification.running import fingerprint
from validator.statistics import horwitz, regression

CASES = {case.id: case for case in read_cases()}
AREAS = ("calibration", "limits", "precision", "outliers", "trueness", "robustness", "uncertainty", "whole")


@pytest.fixture(scope="session")
def qualified(command, tmp_path_factory):
    """The command on this machine, with its two files."""
    folder = tmp_path_factory.mktemp("qualification")
    pdf, results = folder / "record.pdf", folder / "record.json"
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SOURCE_DATE_EPOCH", "1741944360")
        done = command("qualify", "--output", pdf, "--results", results)
    return done, pdf.read_bytes(), results.read_text(encoding="utf-8")


def test_every_case_is_well_described():
    """Each names its source and place, has an adapter, and prints figures as digits."""
    for name, case in CASES.items():
        assert case.run in ADAPTERS, name
        assert len(case.source) > 10, name
        assert not case.title.endswith("."), name
        assert all(Decimal(printed).is_finite() for printed in case.published.values()), name


def test_at_least_25_cases_over_all_areas():
    """The record covers every area, and uses every adapter."""
    assert len(CASES) >= 25
    assert tuple(dict.fromkeys(case.area for case in CASES.values())) == AREAS
    assert {case.run for case in CASES.values()} == set(ADAPTERS)


def test_a_wider_tolerance_is_used_and_stays_narrow():
    """A stated tolerance gives its reason and stays below a tenth of the figure."""
    wider = [(case, figure) for case in CASES.values() for figure in case.tolerance]

    assert wider
    for case, figure in wider:
        names = case.published if figure == EVERY else [figure]
        assert case.tolerance[figure].because, case.title
        assert all(case.allowed(one) <= 0.1 * abs(float(case.published[one])) for one in names), case.title


def test_the_command_passes_here(qualified):
    """Every published figure comes out; the record is written as PDF and JSON."""
    done, pdf, results = qualified

    assert (done.status, done.err) == (0, "")
    assert f"All {len(CASES)} published cases agree" in done.out
    record = json.loads(results)
    assert record["format"] == "validation-qualification/1"
    assert record["agrees"] is True
    assert [one["id"] for one in record["cases"]] == list(CASES)
    assert len(record["not_covered"]) >= 5
    assert len(record["remains_for_the_laboratory"]) >= 5
    reader = pypdf.PdfReader(io.BytesIO(pdf))
    assert reader.attachments["qualification.json"][0].decode("utf-8") == results


def test_the_record_says_where_it_was_made(qualified):
    """Versions, platform, moment and fingerprint identify the installation that was examined."""
    _, pdf, results = qualified
    record = json.loads(results)

    assert record["made"] == "2025-03-14T09:26:00+00:00"
    assert record["installation"]["packages"]["numpy"][0].isdigit()
    assert record["installation"]["significand_bits"] == 53
    assert len(record["software"]["fingerprint"]) == 64
    pages = " ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages)
    assert record["installation"]["packages"]["scipy"] in pages
    for title in ("Scope not covered", "Actions required of the laboratory", "Released by"):
        assert title in pages


def test_a_broken_formula_fails_and_names_the_case(command, monkeypatch, tmp_path):
    """A formula that is 1 % off ends with 1 and the name of the case, still with a record."""
    true = horwitz.horwitz_rsd
    monkeypatch.setattr(horwitz, "horwitz_rsd", lambda c: 1.01 * true(c))
    some = tuple(CASES[name] for name in ("nist_norris", "horwitz_curve", "quam_a1_budget"))
    monkeypatch.setattr(running, "read_cases", lambda: some)
    file = tmp_path / "record.json"

    done = command("qualify", "--output", tmp_path / "record.pdf", "--results", file)

    assert done.status == 1
    assert "1 of 3 published cases do not agree: horwitz_curve" in done.out
    cases = json.loads(file.read_text(encoding="utf-8"))["cases"]
    assert [one["id"] for one in cases if not one["agrees"]] == ["horwitz_curve"]
    assert (tmp_path / "record.pdf").is_file()


def test_a_formula_that_raises_fails_its_cases_only(monkeypatch):
    """What cannot be computed is told with the case; the others are still run."""

    def broken(*_arguments, **_choices):
        raise ZeroDivisionError("by nothing")

    monkeypatch.setattr(regression, "fit", broken)

    found = qualify([CASES["fluorescein_samples"], CASES["nist_sirstv"]])

    samples, sirstv = found.cases
    assert (samples.agrees, samples.problem) == (False, "ZeroDivisionError: by nothing")
    assert sirstv.agrees
    assert "No result was obtained: ZeroDivisionError: by nothing" in cases_table(found)


def test_nothing_is_no_agreement():
    """A record without cases, or a figure that did not come out, never passes."""
    assert not qualify([]).agrees
    renamed = CASES["nist_norris"].model_copy(update={"published": {"unheard of": "1.0"}, "tolerance": {}})
    assert not qualify([renamed]).agrees


@pytest.mark.parametrize(
    ("printed", "half"), [("1.93", 0.005), ("93", 0.5), ("0.165E-01", 5e-5), ("-0.588", 5e-4), ("2e3", 500)]
)
def test_half_a_unit_of_the_last_digit(printed, half):
    """The tolerance follows from the digits as printed."""
    assert half_a_unit(printed) == half


def test_a_tolerance_needs_one_kind_and_a_reason():
    """Neither both nor none, and never without saying why."""
    for wrong in (
        {"because": "a reason that is long enough"},
        {"absolute": 1, "relative": 0.01, "because": "a reason that is long enough"},
        {"absolute": 1, "because": ""},
    ):
        with pytest.raises(pydantic.ValidationError):
            Tolerance(**wrong)


def test_a_case_refuses_a_tolerance_for_what_it_does_not_publish():
    """A misspelt figure would silently be held to another tolerance."""
    whole = CASES["nist_norris"].model_dump()
    whole["tolerance"] = {"slop": {"absolute": 1.0, "because": "a reason that is long enough"}}

    with pytest.raises(pydantic.ValidationError, match="slop"):
        Case(**whole)


def test_the_fingerprint_follows_the_files(tmp_path):
    """A changed, added or renamed program changes it; a compiled copy does not."""
    (tmp_path / "a.py").write_text("x = 1\n", encoding="utf-8")
    first = fingerprint(tmp_path)
    (tmp_path / "a.pyc").write_bytes(b"compiled")
    assert fingerprint(tmp_path) == first
    (tmp_path / "a.py").write_text("x = 2\n", encoding="utf-8")
    second = fingerprint(tmp_path)
    (tmp_path / "a.py").rename(tmp_path / "b.py")
    assert len({first, second, fingerprint(tmp_path)}) == 3
