"""Many studies: found, spread, resumed, summarised; one failure never stops the others."""

from __future__ import annotations

import csv
import io
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import openpyxl
import pytest
import yaml

from validator.batch import find_studies, run_batch, running, trend, working
from validator.batch.rows import STUDY_FILE, FigureRow, StudyRow
from validator.batch.summary import guarded, natural_order, write_summary
from validator.dossier import building
from validator.errors import EnvironmentProblem, StudyError
from validator.reading import read_study
from validator.resources import examples_folder
from validator.study import reading


def study_text(described, number, **identity):
    """A small study that is fit, whose numbers depend on *number*."""
    levels = (1.0, 2.0, 4.0, 8.0)
    wiggle = [0.001 * ((7 * i + number) % 5 - 2) for i in range(8)]
    runs = [
        {"level": level, "signal": round(0.1 * level * (1 + number / 1000) + wiggle[2 * i + k], 6)}
        for i, level in enumerate(levels)
        for k in (0, 1)
    ]
    found = [3.96, 4.0, 4.02, 4.05]
    study = described(
        criteria=[
            {"characteristic": "lack_of_fit", "p_min": 1e-9},
            {"characteristic": "repeatability", "rsd_max": 10},
            {"characteristic": "recovery", "min": 80, "max": 120},
        ],
        calibration={"runs": runs},
        precision={"runs": [{"level": 4, "series": one, "concentrations": found} for one in "AB"]},
        recovery={"runs": [{"matrix": "water", "native": 0, "added": 4, "found": found}]},
    )
    study["study"] |= {"title": f"Study {number}", **identity}
    return yaml.safe_dump(study, sort_keys=False)


@pytest.fixture
def folder_of_studies(described, tmp_path):
    """Write that many studies into a folder."""

    def folder_of_studies(count):
        root = tmp_path / "studies"
        for number in range(count):
            place = root / f"group {number % 3}" / f"study {number:03}"
            place.mkdir(parents=True)
            (place / "study.yaml").write_text(study_text(described, number), encoding="utf-8")
        return root

    return folder_of_studies


def lines(file):
    return list(csv.DictReader(io.StringIO(file.read_text(encoding="utf-8-sig"))))


def test_studies_are_found_in_the_order_of_their_paths(folder_of_studies, tmp_path):
    """Every folder with study.yaml counts, hidden ones do not, links to folders are not followed."""
    root = folder_of_studies(4)
    (root / ".hidden").mkdir()
    shutil.copy(root / "group 0" / "study 000" / "study.yaml", root / ".hidden")
    (root / "link").symlink_to(root / "group 0", target_is_directory=True)

    places = find_studies(root, tmp_path / "out")

    names = ["group 0/study 000", "group 0/study 003", "group 1/study 001", "group 2/study 002"]
    assert [one.name for one in places] == names
    assert places[1].results == (tmp_path / "out" / "group 0" / "study 003" / "results.json").resolve()


def test_handing_out_studies_loads_neither_models_nor_numpy():
    """The workers load the engine, all at a time; whoever waits for them must not load it before."""
    code = (
        "import sys, validator.batch; print([n for n in ('numpy', 'pydantic', 'yaml') if n in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert done.stdout.strip() == "[]"
    assert STUDY_FILE == reading.STUDY_FILE


def test_a_folder_without_studies_is_refused(command, tmp_path):
    """Nothing to do is said, not passed over."""
    with pytest.raises(StudyError, match=r"no study\.yaml"):
        find_studies(tmp_path)
    assert command("batch", tmp_path).status == 2


def test_one_failure_never_stops_the_others(command, folder_of_studies, tmp_path):
    """A broken study is told with file and line; the others have results; the status is 2."""
    root = folder_of_studies(3)
    broken = root / "group 1" / "study 001" / "study.yaml"
    broken.write_text("format: validation-study/1\nstudy: 5\n", encoding="utf-8")

    done = command("batch", root, "--workers", 1, "--summary", tmp_path / "summary.csv")

    assert done.status == 2
    table = lines(tmp_path / "summary.csv")
    assert [bool(row["problem"]) for row in table] == [False, True, False]
    assert table[1]["problem"].startswith("study.yaml:")
    assert table[1]["verdict"] == "not read"
    assert [file.parent.name for file in sorted(root.rglob("results.json"))] == ["study 000", "study 002"]
    assert "studies: 3; unchanged: 0; not readable: 1" in done.out


def test_what_nobody_foresaw_stops_no_other(folder_of_studies, monkeypatch):
    """An error inside the engine is told with its study."""
    true = working.evaluate

    def fails_once(study):
        if study.study.title == "Study 1":
            raise ZeroDivisionError("by nothing")
        return true(study)

    monkeypatch.setattr(working, "evaluate", fails_once)

    rows = list(run_batch(find_studies(folder_of_studies(3))))

    assert [row.problem for row in rows] == ["", "unexpected error: ZeroDivisionError: by nothing", ""]


def test_an_unfit_study_is_told_by_the_status(command, described, tmp_path):
    """1 for a verdict that is not fit, 0 for one that is and where only the files are wanted."""
    (tmp_path / "study.yaml").write_text(study_text(described, 1), encoding="utf-8")
    assert command("batch", tmp_path, "--workers", 1).status == 0
    text = study_text(described, 1).replace("p_min: 1.0e-09", "p_min: 0.9999")
    (tmp_path / "study.yaml").write_text(text, encoding="utf-8")

    assert command("batch", tmp_path, "--workers", 1).status == 1
    assert command("batch", tmp_path, "--workers", 1, "--always-succeed").status == 0


def test_processes_and_a_serial_run_give_the_same_summary(command, folder_of_studies, tmp_path):
    """Two processes finish in any order; the summary does not show it, down to the byte."""
    root = folder_of_studies(8)
    for workers in (1, 2):
        done = command(
            "batch", root, "--workers", workers, "--output", tmp_path / str(workers),
            "--summary", tmp_path / f"{workers}.csv",
        )  # fmt: skip
        assert (done.status, "unchanged: 0" in done.out) == (0, True)

    assert (tmp_path / "1.csv").read_bytes() == (tmp_path / "2.csv").read_bytes()
    serial, parallel = (sorted((tmp_path / str(n)).rglob("results.json")) for n in (1, 2))
    assert [one.read_bytes() for one in serial] == [one.read_bytes() for one in parallel]
    assert not list(root.rglob("results.json"))


def children_of(pid):
    return [int(one) for one in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


@pytest.mark.parametrize("workers", [1, 2])
def test_killed_half_way_only_the_rest_runs(command, folder_of_studies, tmp_path, workers):
    """A killed run leaves no worker behind and is taken up where it stopped, to the same summary."""
    root = folder_of_studies(40)
    arguments = ["batch", str(root), "--workers", str(workers), "--output", str(tmp_path / "out")]
    process = subprocess.Popen(
        [sys.executable, "-m", "validator", *arguments],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    deadline = time.monotonic() + 60
    while len(list((tmp_path / "out").rglob("results.json"))) < 3 and time.monotonic() < deadline:
        time.sleep(0.01)
    started = children_of(process.pid)
    process.send_signal(signal.SIGKILL)
    process.wait()
    deadline = time.monotonic() + 60
    while any(Path(f"/proc/{one}").exists() for one in started) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert (len(started) > 1) == (workers > 1)
    assert not [one for one in started if Path(f"/proc/{one}").exists()]
    kept = {file: file.stat().st_mtime_ns for file in (tmp_path / "out").rglob("results.json")}
    assert 3 <= len(kept) < 40

    again = command(
        "batch", root, "--workers", 1, "--output", tmp_path / "out", "--summary", tmp_path / "again.csv"
    )
    whole = command(
        "batch", root, "--workers", 1, "--output", tmp_path / "new", "--summary", tmp_path / "whole.csv"
    )

    assert f"studies: 40; unchanged: {len(kept)};" in again.out
    assert "unchanged: 0;" in whole.out
    assert {file: file.stat().st_mtime_ns for file in kept} == kept
    assert (tmp_path / "again.csv").read_bytes() == (tmp_path / "whole.csv").read_bytes()


def test_what_changed_is_computed_anew(folder_of_studies, tmp_path):
    """A changed input, another software version, a damaged results file: each is seen."""
    root = folder_of_studies(4)
    places = find_studies(root)
    list(run_batch(places))
    assert [row.reused for row in run_batch(places)] == [True] * 4

    study = places[0].folder / "study.yaml"
    study.write_text(study.read_text(encoding="utf-8") + "\n# seen\n", encoding="utf-8")
    results = places[1].results.read_text(encoding="utf-8")
    places[1].results.write_text(results.replace('"numpy": "', '"numpy": "0.'), encoding="utf-8")
    places[2].results.write_text(results[: len(results) // 2], encoding="utf-8")

    assert [row.reused for row in run_batch(places)] == [False, False, False, True]
    assert [row.reused for row in run_batch(places)] == [True] * 4


def test_raw_recordings_are_reduced_as_by_the_other_commands(command, tmp_path):
    """A study whose signals come from curves gets the results that ``evaluate`` writes."""
    root = tmp_path / "studies"
    shutil.copytree(examples_folder() / "zinc_in_tap_water_recordings", root)

    (row,) = run_batch(find_studies(root, tmp_path / "out"))

    assert row.problem == ""
    command("evaluate", root, "--results", tmp_path / "results.json")
    written = (tmp_path / "out" / "results.json").read_bytes()
    assert written == (tmp_path / "results.json").read_bytes()


@pytest.mark.parametrize(
    ("true", "edited"),
    [
        ('"verdict": "not fit"', '"verdict": "fit"'),
        ('"outcome": "does not meet"', '"outcome": "meets"'),
        ('"lack_of_fit": {', '"never_heard_of": {'),
        ('"p": 0', '"p": 1'),
    ],
)
def test_an_edited_results_file_is_not_believed(command, described, tmp_path, true, edited):
    """Verdict and findings are judged anew; where the file says anything else, all is computed anew."""
    study = study_text(described, 1).replace("p_min: 1.0e-09", "p_min: 0.9999")
    (tmp_path / "study.yaml").write_text(study, encoding="utf-8")
    file = tmp_path / "results.json"
    assert command("batch", tmp_path, "--workers", 1).status == 1
    written = file.read_text(encoding="utf-8")
    assert true in written
    file.write_text(written.replace(true, edited), encoding="utf-8")

    done = command("batch", tmp_path, "--workers", 1)

    assert done.status == 1
    assert done.out == ".: not fit\nstudies: 1; unchanged: 0; not readable: 0\n"
    assert file.read_text(encoding="utf-8") == written


def test_a_dossier_is_rendered_once_and_belongs_to_its_results(folder_of_studies, monkeypatch):
    """With --report the dossier is written after the results; older than these, it is rendered again."""
    monkeypatch.setattr(building, "render", lambda study, results: f"%PDF of {study.study.title}".encode())
    root = folder_of_studies(1)
    (plain,) = find_studies(root)
    (place,) = find_studies(root, with_dossier=True)
    list(run_batch([plain]))

    assert [row.reused for row in run_batch([place])] == [False]
    assert place.dossier.read_bytes() == b"%PDF of Study 0"
    study = read_study(place.folder)
    assert working.unchanged_results(place, study) is not None
    os.utime(place.dossier, ns=(0, 0))
    assert working.unchanged_results(place, study) is None
    assert working.unchanged_results(plain, study) is not None


def test_results_never_overwrite_a_file_of_the_study(described, tmp_path):
    """A study that carries a results.json of its own keeps it."""
    (tmp_path / "study.yaml").write_text(
        study_text(described, 1, attachments=["results.json"]), encoding="utf-8"
    )
    (tmp_path / "results.json").write_text("its own", encoding="utf-8")

    (row,) = run_batch(find_studies(tmp_path))

    assert "write the output to another file or folder" in row.problem
    assert (tmp_path / "results.json").read_text(encoding="utf-8") == "its own"


@pytest.mark.parametrize("broken", [False, True])
def test_a_summary_never_overwrites_a_file_of_a_study(command, described, tmp_path, broken):
    """Neither its data nor, where it cannot be read, anything in its folder; beside its files it may lie."""
    table = "level;signal\n" + "".join(f"{x};{0.1 * x}\n" for x in range(1, 8))
    study = described(calibration={"file": "s-trend.csv"}, **({"matrix": 5} if broken else {}))
    (tmp_path / "study.yaml").write_text(yaml.safe_dump(study), encoding="utf-8")
    (tmp_path / "s-trend.csv").write_text(table, encoding="utf-8")

    for name in ("s-trend.csv", "s.csv"):
        done = command("batch", tmp_path, "--workers", 1, "--summary", tmp_path / name)

        assert done.status == 2
        assert "s-trend.csv: is an input of this command" in done.err
    assert sorted(file.name for file in tmp_path.iterdir()) == ["s-trend.csv", "study.yaml"]
    assert (tmp_path / "s-trend.csv").read_text(encoding="utf-8") == table
    assert command("batch", tmp_path, "--workers", 1, "--summary", tmp_path / "t.csv").status == 2 * broken


def die(place):
    """Work that takes its process down with the second study."""
    if place.name.endswith("study 001"):
        os.kill(os.getpid(), signal.SIGKILL)
    return working.work(place)


def test_a_process_that_dies_costs_its_own_study_only(folder_of_studies, monkeypatch):
    """The pool is lost with it; the studies that were open are run one by one."""
    monkeypatch.setattr(running, "work", die)
    monkeypatch.setattr(running, "get_context", lambda _: __import__("multiprocessing").get_context("fork"))

    rows = sorted(run_batch(find_studies(folder_of_studies(4)), workers=2), key=lambda row: row.path)

    problems = {row.path.rpartition("/")[2]: row.problem for row in rows}
    assert problems == {"study 000": "", "study 001": running.DIED, "study 002": "", "study 003": ""}


def test_a_cluster_without_its_package_is_refused(command, folder_of_studies, monkeypatch):
    """The message names the command that installs it; the status is 3."""
    monkeypatch.setitem(sys.modules, "distributed", None)

    done = command("batch", folder_of_studies(1), "--cluster", "tcp://127.0.0.1:1")

    assert done.status == 3
    assert "pip install 'validator[cluster]'" in done.err


@pytest.mark.parametrize(
    ("text", "safe"),
    [
        ("=1+1", "'=1+1"),
        ("+1", "'+1"),
        ("-1", "'-1"),
        ("@x", "'@x"),
        ("\tx", "'\tx"),
        ("a=b", "a=b"),
        (-1.0, -1.0),
    ],
)
def test_no_cell_is_taken_for_a_formula(text, safe):
    """Texts that a spreadsheet program would compute get an apostrophe; numbers stay numbers."""
    assert guarded(text) == safe


def test_the_three_formats_tell_the_same(described, command, tmp_path):
    """CSV, workbook and page hold the verdicts and the trend; a hostile title stays text in each."""
    root = tmp_path / "studies"
    for number, version in enumerate(("9", "10", "11")):
        place = root / version
        place.mkdir(parents=True)
        text = study_text(described, 100 * number, id="SOP-7", version=version, title="=cmd()</script>")
        (place / "study.yaml").write_text(text, encoding="utf-8")
    for ending in ("csv", "xlsx", "html"):
        assert command("batch", root, "--workers", 1, "--summary", tmp_path / f"s.{ending}").status == 0

    studies, changes = lines(tmp_path / "s.csv"), lines(tmp_path / "s-trend.csv")
    assert [row["title"] for row in studies] == ["'=cmd()</script>"] * 3
    slopes = [row for row in changes if row["figure"] == "slope"]
    assert [row["version"] for row in slopes] == ["9", "10", "11"]
    assert slopes[0]["change_percent"] == ""
    assert [float(row["change_percent"]) for row in slopes[1:]] == pytest.approx([10, 100 / 11], abs=0.2)
    assert [row["apart"] for row in slopes] == ["", "yes", "yes"]
    book = openpyxl.load_workbook(tmp_path / "s.xlsx")
    assert [sheet.title for sheet in book] == ["studies", "trend"]
    assert book["studies"]["B2"].value == "'=cmd()</script>"
    assert [cell.value for cell in book["trend"]["H"]][1:4] == ["9", "10", "11"]
    page = (tmp_path / "s.html").read_text(encoding="utf-8")
    assert "&lt;/script&gt;" in page
    assert "</script>" not in page
    assert "Comparison of versions" in page


def test_a_summary_of_another_kind_is_refused_first(command, folder_of_studies, tmp_path):
    """Before any work: the endings are named."""
    done = command("batch", folder_of_studies(1), "--summary", tmp_path / "summary.docx")

    assert done.status == 2
    assert ".csv, .xlsx, .html" in done.err


def figure(value, lower=None, upper=None):
    return FigureRow(
        analyte="x", configuration="default", figure="slope", level=None, unit="1",
        value=value, lower=lower, upper=upper,
    )  # fmt: skip


def test_the_trend_needs_two_versions_of_one_method():
    """Other methods, single versions and unread studies have none; a zero before gives no percentage."""
    rows = [
        StudyRow(path="a", id="m", version="1", figures=(figure(0.0, -1, 1),)),
        StudyRow(path="b", id="m", version="2", figures=(figure(2.0, 1.5, 2.5),)),
        StudyRow(path="c", id="m", version="3", figures=(figure(3.0),)),
        StudyRow(path="d", id="other", version="1", figures=(figure(1.0),)),
        StudyRow(path="e", id="m", version="4", problem="broken"),
    ]

    found = trend(rows)

    assert [(one.version, one.change_percent, one.apart) for one in found] == [
        ("1", None, None),
        ("2", None, True),
        ("3", 50.0, None),
    ]


def test_versions_are_ordered_as_people_read_them():
    """10 after 9, 1.10 after 1.9, a draft before the number it precedes."""
    assert sorted(["10", "9", "1.10", "1.9", "2"], key=natural_order) == ["1.9", "1.10", "2", "9", "10"]
    assert sorted(["2", "draft"], key=natural_order) == ["draft", "2"]


def test_an_unread_study_stands_in_the_summary(tmp_path):
    """The page lists what could not be read, with the reason."""
    rows = [StudyRow(path="b", problem="study.yaml:1: wrong"), StudyRow(path="a", verdict="fit", title="A")]

    write_summary(tmp_path / "s.html", rows)

    page = (tmp_path / "s.html").read_text(encoding="utf-8")
    assert "Studies that could not be read" in page
    assert "study.yaml:1: wrong" in page


@pytest.mark.filterwarnings("default")
def test_a_cluster_gives_what_one_process_gives(folder_of_studies, tmp_path):
    """A local cluster of one worker evaluates the studies and survives a broken one."""
    import distributed

    root = folder_of_studies(4)
    (root / "group 1" / "study 001" / "study.yaml").write_text("format: x\n", encoding="utf-8")
    serial = list(run_batch(find_studies(root, tmp_path / "serial")))
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, processes=False, dashboard_address=None
    ) as cluster:
        spread = list(run_batch(find_studies(root, tmp_path / "cluster"), cluster=cluster.scheduler_address))

    assert sorted(spread, key=lambda row: row.path) == serial
    assert [bool(row.problem) for row in serial] == [False, False, True, False]


@pytest.mark.filterwarnings("default")
def test_no_scheduler_at_the_address(folder_of_studies, monkeypatch):
    """The wait is short and the message says what to do."""
    monkeypatch.setattr(running, "_ANSWER_WITHIN", "1s")

    with pytest.raises(EnvironmentProblem, match="no scheduler responds"):
        list(run_batch(find_studies(folder_of_studies(1)), cluster="tcp://127.0.0.1:9"))
