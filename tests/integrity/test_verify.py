"""What a dossier carries gives its numbers again; whatever was changed in it is named."""

from __future__ import annotations

import io
import json
import math
import re

import pikepdf
import pytest

SLOPE = "analytes.nitrate.configurations.default.calibration.slope.value"
SIGMA = "analytes.nitrate.configurations.default.detection.variants.blank_3s.sigma"


def replaced(old: str, new: str):
    """A change of one attachment, which must find what it replaces."""

    def change(content: bytes) -> bytes:
        assert content.count(old.encode()) >= 1
        return content.replace(old.encode(), new.encode(), 1)

    return change


def slope_of(stated):
    return stated["analytes"]["nitrate"]["configurations"]["default"]["calibration"]["slope"]


def fields(run):
    """The fields that the command names, in order, without what stands around them."""
    lines = run.out.splitlines()
    return [line.split(": ")[0] for line in lines if " in the dossier" in line or "attached" in line][1:]


def test_an_untouched_dossier_is_recomputed_to_the_last_digit(command, tampered):
    """Exit 0, every input named, guidance of the laboratory's own included, and the figures counted."""
    run = command("verify", tampered({}))

    files, told = run.out.splitlines()
    assert (run.status, run.err) == (0, "")
    assert files == (
        "attached: study.yaml, data/calibration.csv, notes/recorded.txt, our-rules.yaml, our-base.yaml"
    )
    assert told.startswith("no differences: ")
    assert int(told.split()[2]) > 300
    assert told.endswith("results recomputed, all identical")


def test_a_rendered_dossier_verifies(command, folder_with, described, tmp_path):
    """What ``report`` writes, ``verify`` accepts, wherever it is taken."""
    levels = (1.0, 2.0, 3.0, 4.0, 5.0)
    study = described(
        calibration={"runs": [{"level": x, "signals": [0.1 * x + 0.001, 0.1 * x - 0.002]} for x in levels]}
    )
    written = command("report", folder_with(study), "--output", tmp_path / "dossier.pdf")
    assert written.status == 0

    run = command("verify", tmp_path / "dossier.pdf")

    assert run.status == 0
    assert "no differences" in run.out


@pytest.mark.parametrize(
    ("name", "old", "new", "field"),
    [
        ("study.yaml", "0.0013", "0.0014", SIGMA),
        ("data/calibration.csv", "0.722", "0.723", SLOPE),
        ("study.yaml", "p_min: 0.05", "p_min: 0.06", "assessment.findings[0].lower"),
        ("our-base.yaml", "of the house", "of the hause", None),
        ("notes/recorded.txt", "two people", "ten people", None),
    ],
)
def test_a_change_in_an_attached_file_is_named_with_what_it_does(command, tampered, name, old, new, field):
    """One digit: the file is named first, with both hashes, then every figure that comes out otherwise."""
    run = command("verify", tampered({name: replaced(old, new)}), "--all")

    assert run.status == 1
    assert run.out.splitlines()[1].startswith(f"{name}: not the file that was computed from: SHA-256 ")
    found = fields(run)
    assert found[0] == name
    assert any(one.startswith(field) for one in found) if field else found == [name]


def test_one_digit_of_one_result_is_named_alone(command, with_results, results):
    """The last of sixteen digits of a slope: one difference, with both numbers in full."""
    true = results.analytes["nitrate"].configurations["default"].calibration.slope.value
    false = math.nextafter(true, math.inf)

    run = command("verify", with_results(lambda stated: slope_of(stated).update(value=false)))

    assert run.status == 1
    assert run.out.splitlines()[1] == f"{SLOPE}: {false!r} in the dossier, {true!r} recomputed"
    assert run.out.splitlines()[-1].startswith("1 difference in ")
    assert "--tolerance 1e-09 accepts it." in run.out


@pytest.mark.parametrize(
    ("change", "line"),
    [
        (
            lambda stated: stated["assessment"].update(verdict="fit"),
            'assessment.verdict: "fit" in the dossier, "not demonstrated" recomputed',
        ),
        (lambda stated: slope_of(stated).pop("ci"), f"{SLOPE[:-6]}.ci: recomputed, not in the dossier"),
        (
            lambda stated: stated["analytes"].update(lead={"unit": "mg/L"}),
            "analytes.lead: in the dossier, not recomputed",
        ),
        (
            lambda stated: slope_of(stated).update(value=None),
            f"{SLOPE}: null in the dossier, ",
        ),
        (
            lambda stated: slope_of(stated).update(value=True),
            f"{SLOPE}: true in the dossier, ",
        ),
        (
            lambda stated: stated["study"].update(title="Nitrate\x1b[2J"),
            'study.title: "Nitrate\\u001b[2J" in the dossier, "Nitrate in drinking water by UV ',
        ),
        (
            lambda stated: stated["inputs"][2].update(sha256="0" * 64),
            f"notes/recorded.txt: not the file that was computed from: SHA-256 {'0' * 64} in results.json, ",
        ),
    ],
    ids=["text", "missing", "extra", "null", "truth-value", "terminal", "hash"],
)
def test_every_kind_of_change_in_the_results_is_named(command, with_results, change, line):
    """Texts, missing and extra keys, other types, hashes; signs that steer a terminal are written out."""
    run = command("verify", with_results(change))

    assert run.status == 1
    assert run.out.splitlines()[1].startswith(line)
    assert run.out.splitlines()[-1].startswith("1 difference in ")
    assert "\x1b" not in run.out


def older(stated):
    stated["software"]["scipy"] = "1.0.0"


def earlier(stated):
    """As the earlier format had it: without counts of results below a limit, findings with one limit."""
    stated["format"] = "validation-results/1"
    stated.pop("censored")
    stated["assessment"] = {"verdict": "fit", "findings": [{"characteristic": "lack_of_fit", "limit": 0.05}]}
    variants = stated["analytes"]["nitrate"]["configurations"]["default"]["detection"]["variants"]
    for variant in variants.values():
        for limit in variant.values():
            if isinstance(limit, dict):
                limit.pop("one_sided", None)


RULES_CHANGED = (
    "assessment: the rules of the verdict have changed since validation-results/1; "
    '"fit" in the dossier, "not demonstrated" by the present rules; findings and caveats are not compared'
)


def test_of_the_earlier_format_the_estimates_are_compared(command, with_results):
    """All estimates are recomputed; the one difference is that the rules of the verdict changed."""
    run = command("verify", with_results(earlier))

    assert (run.status, run.err) == (1, "")
    assert run.out.splitlines()[1] == RULES_CHANGED
    told = re.fullmatch(r"1 difference in (\d+) results", run.out.splitlines()[-1])
    assert int(told[1]) > 200


def test_a_changed_estimate_of_the_earlier_format_is_named(command, with_results):
    """The figure is named beside the change of rules; so is a figure that was taken out."""

    def changed(stated):
        earlier(stated)
        slope_of(stated)["value"] *= 1.01
        slope_of(stated).pop("standard_error")

    run = command("verify", with_results(changed))

    assert run.status == 1
    lines = run.out.splitlines()
    assert lines[1] == RULES_CHANGED
    assert lines[2].startswith(f"{SLOPE}: ")
    assert lines[3] == f"{SLOPE[:-6]}.standard_error: recomputed, not in the dossier"
    assert lines[-1].startswith("3 differences in ")


@pytest.mark.parametrize(("factor", "status"), [(1 + 1e-12, 0), (1 + 1e-7, 1)])
def test_other_versions_are_noted_and_given_a_tolerance(command, with_results, factor, status):
    """With another version of a library numbers may differ by 1e-9 of themselves, and that is said."""

    def change(stated):
        older(stated)
        slope_of(stated)["value"] *= factor

    run = command("verify", with_results(change))

    assert run.status == status
    lines = run.out.splitlines()
    assert lines[1].startswith("computed with:  validator ")
    assert "scipy 1.0.0" in lines[1]
    assert lines[2].startswith("recomputed with: validator ")
    if status == 0:
        assert lines[-1].endswith("results recomputed, all equal within a relative tolerance of 1e-09")
    else:
        assert lines[3].startswith(SLOPE)


def test_a_tolerance_can_be_asked_for(command, with_results):
    """On a processor that rounds otherwise the last digits may differ; the reader decides how far."""
    path = with_results(lambda stated: slope_of(stated).update(value=slope_of(stated)["value"] * (1 + 1e-12)))

    assert command("verify", path).status == 1
    assert command("verify", path, "--tolerance", "1e-10").status == 0


def test_a_changed_file_that_cannot_be_used_any_more_is_a_difference(command, tampered):
    """The changed file is named, and why nothing could be recomputed."""
    run = command("verify", tampered({"data/calibration.csv": replaced("0.722", "many")}))

    assert run.status == 1
    assert run.out.splitlines()[1].startswith("data/calibration.csv: not the file that was computed from")
    assert run.out.splitlines()[2].startswith("recomputation: no longer possible: data/calibration.csv:6")


def test_the_list_of_differences_is_short_unless_asked_for(command, tampered):
    """Forty lines, how many more there are, and the switch that lists them."""
    path = tampered({"data/calibration.csv": replaced("0.722", "0.822")})

    short, whole = command("verify", path), command("verify", path, "--all")

    assert len(fields(short)) == 40
    assert "more; --all lists them" in short.out
    assert len(fields(whole)) > 100
    assert "--all" not in whole.out


def test_a_name_tree_in_branches_and_further_attachments_do_no_harm(command, tampered, tmp_path):
    """Other programs may nest the tree of attachments or add a file; the results are found all the same."""
    path = tampered({}, add={"signature.txt": b"signed"})
    with pikepdf.open(path) as pdf:
        tree = pdf.Root.Names.EmbeddedFiles
        leaf = pdf.make_indirect(pikepdf.Dictionary(Names=tree.Names))
        branch = pdf.make_indirect(pikepdf.Dictionary(Kids=pikepdf.Array([leaf])))
        pdf.Root.Names.EmbeddedFiles = pikepdf.Dictionary(Kids=pikepdf.Array([branch]))
        pdf.save(tmp_path / "branched.pdf")

    assert command("verify", tmp_path / "branched.pdf").status == 0


# --- what is no dossier ---------------------------------------------------------------------------------


def refused(run, path, reason):
    """Exit 2 and one sentence that names the file; no traceback."""
    assert (run.status, run.out) == (2, "")
    assert run.err.startswith(f"{path}: ")
    assert reason in run.err
    assert "Traceback" not in run.err


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (b"", "is not a PDF"),
        (b"level,signal\n1,2\n", "is not a PDF"),
        (b"%PDF-1.7\n" + bytes(range(256)) * 40, "is not a PDF that can be read"),
        (b"%PDF-1.7\n" + b"[" * 100_000, "is not a PDF that can be read"),
        (b"%PDF-1.7\n1 0 obj<</Type/Catalog/Names 1 0 R/EmbeddedFiles 1 0 R/Kids[1 0 R]>>endobj\n"
         b"trailer<</Root 1 0 R/Size 2>>\nstartxref\n9\n%%EOF", "can be read"),
    ],
    ids=["empty", "table", "noise", "brackets", "circle"],
)  # fmt: skip
def test_what_is_no_pdf_is_said_in_a_sentence(command, tmp_path, content, reason):
    """Empty files, other files, noise behind the right opening, objects that lead back to themselves."""
    path = tmp_path / "file.pdf"
    path.write_bytes(content)

    refused(command("verify", path), path, reason)


def test_a_truncated_dossier_is_said_in_a_sentence(command, dossier, tmp_path):
    """Cut anywhere, the file is refused, never half believed."""
    path = tmp_path / "cut.pdf"
    for share in (0.01, 0.2, 0.4, 0.6, 0.8, 0.95, 0.999):
        path.write_bytes(dossier[: int(share * len(dossier))])

        refused(command("verify", path), path, "is not a PDF that can be read")


def test_a_missing_file_and_a_folder_are_said_in_a_sentence(command, tmp_path):
    """The path is named, and what is wrong with it."""
    refused(command("verify", tmp_path / "none.pdf"), tmp_path / "none.pdf", "No such file")
    refused(command("verify", tmp_path), tmp_path, "cannot be read")


def test_a_pdf_without_results_is_no_dossier(command, tampered, tmp_path):
    """Any other PDF, and a dossier whose results were taken out."""
    path = tmp_path / "other.pdf"
    with pikepdf.new() as pdf:
        pdf.add_blank_page()
        pdf.save(path)

    refused(command("verify", path), path, "not a dossier: results.json is not attached")
    path = tampered({}, take_out=["results.json"])
    refused(command("verify", path), path, "not a dossier: results.json is not attached")


def test_a_file_that_the_results_do_not_list_is_not_unpacked(command, with_results):
    """It is attached, and the study asks for it; yet only what the results name takes part."""
    path = with_results(lambda stated: stated["inputs"].pop(2))

    refused(command("verify", path), path, "no file 'notes/recorded.txt' in the study folder")


def test_a_missing_attachment_is_named(command, tampered):
    """Without one of its inputs nothing can be recomputed; it is not looked for anywhere else."""
    path = tampered({}, take_out=["data/calibration.csv"])

    refused(command("verify", path), path, "not attached: data/calibration.csv")


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (b"\xff", "results.json cannot be read"),
        (b"{", "results.json cannot be read"),
        (b"[]", "not of the format"),
        (b'{"format": "validation-results/9"}', "not of the format validation-results/2"),
        (b'{"format": "validation-results/2", "x": NaN}', "NaN is no number"),
        (b'{"format": "validation-results/2", "x": 1, "x": 2}', "a key stands twice"),
        (b"[" * 200_000, "results.json cannot be read"),
        (b'{"format": "validation-results/2", "x": ' + b"9" * 5000 + b"}", "results.json cannot be read"),
        (b'{"format": "validation-results/2"}', "does not name one study"),
        (b'{"format": "validation-results/2", "inputs": [7]}', "lacks path, sha256 or role"),
        (b'{"format": "validation-results/2", "inputs": [{"path": "a"}]}', "lacks path, sha256 or role"),
    ],
    ids=["bytes", "half", "list", "format", "nan", "twice", "deep", "digits", "none", "number", "part"],
)  # fmt: skip
def test_results_that_cannot_be_read_are_said_in_a_sentence(command, tampered, content, reason):
    """Not JSON, not of this format, not naming what was computed from."""
    path = tampered({"results.json": lambda _: content})

    refused(command("verify", path), path, reason)


@pytest.mark.parametrize(
    "name",
    ["../escaped.csv", "/escaped.csv", "data/../../escaped.csv", "C:escaped.csv", "..\\escaped.csv", "a\x00b",
     "./study.csv", "a//b", "", "x" * 300, "a/" * 40 + "b"],
)  # fmt: skip
def test_nothing_is_written_outside_the_folder_for_unpacking(command, with_results, name, tmp_path):
    """Paths that climb, start anew or steer a disk are refused before anything is written."""

    def change(stated):
        stated["inputs"][1]["path"] = name

    path = with_results(change, add={name: b"evil"} if name.isprintable() and name else {})
    before = set(tmp_path.parent.iterdir())

    run = command("verify", path)

    refused(run, path, "is not a path inside a study folder")
    assert set(tmp_path.parent.iterdir()) == before
    assert list(tmp_path.iterdir()) == [path]


def test_two_attachments_of_one_name_are_refused(command, tampered):
    """Which of them counts cannot be known."""
    path = tampered({}, add={"study.yaml": b"format: validation-study/1\n"})

    refused(command("verify", path), path, "two attachments have the name 'study.yaml'")


def test_an_attachment_that_swells_is_refused(command, tampered):
    """A few kilobytes that unpack to more than any study file may hold."""
    path = tampered({}, add={"zeros.csv": bytes(60 * 1024 * 1024)}, compress_streams=True)
    assert path.stat().st_size < 1_000_000

    refused(command("verify", path), path, "not a dossier (number or size of the attachments)")


def test_names_without_end_are_refused(command, tampered, tmp_path):
    """A tree of attachments whose branches lead back to its root."""
    with pikepdf.open(tampered({})) as pdf:
        tree = pdf.make_indirect(pikepdf.Dictionary())
        tree.Kids = pikepdf.Array([tree, tree])
        pdf.Root.Names.EmbeddedFiles = tree
        pdf.save(tmp_path / "endless.pdf")

    path = tmp_path / "endless.pdf"
    refused(command("verify", path), path, "is not a PDF that can be read")


def test_an_encrypted_dossier_is_refused(command, tampered):
    """It is not what was written; the sentence says what to do."""
    path = tampered({}, encryption=pikepdf.Encryption(owner="o", user="u"))

    refused(command("verify", path), path, "encrypted; verify the original dossier")


def test_a_study_that_this_version_cannot_use_is_refused(command, tampered, study_folder):
    """Hash and file agree, yet the study names a key nobody knows: no verdict on the numbers."""
    import hashlib

    odd = (study_folder / "study.yaml").read_bytes() + b"telepathy: {}\n"

    def change(content):
        stated = json.loads(content)
        stated["inputs"][0]["sha256"] = hashlib.sha256(odd).hexdigest()
        return json.dumps(stated).encode()

    path = tampered({"study.yaml": lambda _: odd, "results.json": change})

    refused(command("verify", path), path, "this version cannot use the attached study")


# --- what is attached -----------------------------------------------------------------------------------


def test_every_file_is_attached_once_with_its_role(dossier, results):
    """Guidance of the laboratory's own, and what it extends beside the study, are inputs as data are."""
    assert [(one.path, one.role) for one in results.inputs] == [
        ("study.yaml", "study"),
        ("data/calibration.csv", "data"),
        ("notes/recorded.txt", "attachment"),
        ("our-rules.yaml", "guidance"),
        ("our-base.yaml", "guidance"),
    ]
    with pikepdf.open(io.BytesIO(dossier)) as pdf:
        names = sorted(pdf.attachments[key].filename for key in pdf.attachments)
    assert names == sorted([*(one.path for one in results.inputs), "results.json"])
