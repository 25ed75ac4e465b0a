"""A user's own profiles: found, extended, and refused with file, line, field and a way out."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from validator.errors import GuidanceError, NotEstimable
from validator.guidance import limit_for, load_profile, profile_names, resolve
from validator.sources import Source

OWN = """# rules of the house
format: guidance-profile/1
id: house-rules
title: House rules
edition: "3"
issuing_body: the laboratory
scope: titrations
requirements:
  - id: spread
    characteristic: repeatability
    clause: "4.2"
    source: seen
    text: Six results spread by at most two percent.
    design:
      minimums: {replicates_per_level: 6}
    acceptance:
      - {figure: repeatability_rsd_percent, rsd_max: 2}
"""

EXTENDING = """format: guidance-profile/1
id: stricter-recovery
extends: sante-11312-2021
title: Stricter recovery
edition: "1"
without: [identification, drift]
requirements:
  - id: recovery
    characteristic: recovery
    clause: "2"
    source: seen
    text: Mean recovery of 80 to 110 percent.
    acceptance:
      - {figure: mean_recovery_percent, within: [80, 110]}
"""


def _write(folder, text, name=None):
    line = next(line for line in text.splitlines() if line.startswith("id:"))
    path = folder / f"{name or line.split()[1]}.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def _refused(folder, name="house-rules"):
    with pytest.raises(GuidanceError) as caught:
        load_profile(name, [folder])
    return str(caught.value)


def test_a_profile_beside_the_study_is_found(tmp_path):
    """A complete profile of the user's own needs no other, and its rules cite its own document."""
    path = _write(tmp_path, OWN)

    profile = load_profile("house-rules", [tmp_path])

    assert resolve("house-rules", [tmp_path]) == path
    assert profile.short_title == "House rules"
    assert profile.requirements[0].cite() == Source("House rules, 3, 4.2", "seen")
    assert "house-rules" in profile_names([tmp_path])
    assert "house-rules" not in profile_names()


def test_the_first_folder_that_has_a_profile_wins(tmp_path):
    """The study's folder is asked before the laboratory's."""
    study, laboratory = tmp_path / "study", tmp_path / "laboratory"
    for folder, edition in ((study, "near"), (laboratory, "far")):
        folder.mkdir()
        _write(folder, OWN.replace('edition: "3"', f"edition: {edition}"))

    assert load_profile("house-rules", [study, laboratory]).edition == "near"
    assert load_profile("house-rules", [laboratory, study]).edition == "far"


def test_other_files_of_a_study_folder_are_no_profiles(tmp_path):
    """Only a file that opens as a profile is listed as one."""
    (tmp_path / "study.yaml").write_text("format: validation-study/1\n", encoding="utf-8")
    (tmp_path / "Notes.yaml").write_text("format: guidance-profile/1\n", encoding="utf-8")
    (tmp_path / "folder.yaml").mkdir()

    assert profile_names([tmp_path]) == profile_names()


def test_an_extension_changes_only_what_it_names(tmp_path):
    """Rules of the same id are replaced, those under 'without' dropped, all others kept with their source."""
    _write(tmp_path, EXTENDING)
    parent = load_profile("sante-11312-2021")

    profile = load_profile("stricter-recovery", [tmp_path])

    assert profile.extends == ("sante-11312-2021",)
    assert (profile.title, profile.issuing_body) == ("Stricter recovery", parent.issuing_body)
    assert profile.practices == ()
    kept = {rule.id: rule for rule in profile.requirements}
    assert set(kept) == {rule.id for rule in parent.requirements} - {"identification"}
    limit = limit_for(kept["recovery"].acceptance[0])
    assert (limit.lower, limit.upper) == (80, 110)
    assert kept["recovery"].cite() == Source("Stricter recovery, 1, 2", "seen")
    assert kept["repeatability"].cite() == Source(
        "SANTE/11312, 2021 (version 2 from 1 January 2024), G", "memory"
    )
    assert kept["repeatability"] == next(rule for rule in parent.requirements if rule.id == "repeatability")
    assert profile.default_quantification_limit == parent.default_quantification_limit


def test_extensions_can_be_extended(tmp_path):
    """A chain of profiles is followed to its end, nearest first."""
    _write(tmp_path, EXTENDING)
    _write(
        tmp_path,
        "format: guidance-profile/1\nid: one-study\nextends: stricter-recovery\ntitle: One study\n"
        "without: [recovery]\n",
    )

    profile = load_profile("one-study", [tmp_path])

    assert profile.extends == ("stricter-recovery", "sante-11312-2021")
    assert "recovery" not in {rule.id for rule in profile.requirements}


@pytest.mark.parametrize(
    ("name", "message"),
    [
        (
            "iupac-single-laboratory",
            "no guidance profile 'iupac-single-laboratory'; did you mean 'iupac-single-laboratory-2002'?",
        ),
        (
            "../../etc/passwd",
            "'../../etc/passwd' is not the id of a guidance profile; ids are in lower case with hyphens, "
            "such as iupac-single-laboratory-2002",
        ),
        (
            "ICH Q2(R2)",
            "'ICH Q2(R2)' is not the id of a guidance profile; ids are in lower case with hyphens, "
            "such as iupac-single-laboratory-2002",
        ),
    ],
)
def test_an_unknown_profile_is_named_with_the_nearest(name, message):
    """A slip of the pen is answered with the likely intention, and no path can be smuggled in."""
    with pytest.raises(GuidanceError) as caught:
        load_profile(name)

    assert str(caught.value) == message


def test_an_unknown_profile_without_neighbours_lists_all():
    """When nothing is near, the known ids are listed."""
    with pytest.raises(GuidanceError) as caught:
        load_profile("xyz")

    assert str(caught.value) == f"no guidance profile 'xyz'; known: {', '.join(profile_names())}"


def test_a_shipped_id_cannot_be_taken(tmp_path):
    """A file in the study folder never changes silently what a known document asks."""
    _write(tmp_path, OWN.replace("house-rules", "ich-m10-2022"))

    assert _refused(tmp_path, "ich-m10-2022") == (
        "ich-m10-2022.yaml: the id 'ich-m10-2022' belongs to a shipped profile; give yours another id "
        "and write 'extends: ich-m10-2022'"
    )


def test_a_link_out_of_the_folder_is_refused(tmp_path):
    """A profile comes from the folder that was named, not from where a link leads."""
    inside, outside = tmp_path / "inside", tmp_path / "outside"
    inside.mkdir()
    outside.mkdir()
    (inside / "house-rules.yaml").symlink_to(_write(outside, OWN))

    assert _refused(inside) == (
        "house-rules.yaml: is a link that leaves its folder; put the file itself there"
    )


def test_profiles_that_extend_each_other_are_refused(tmp_path):
    """A circle is shown link by link."""
    for name, other in (("a", "b"), ("b", "c"), ("c", "b")):
        _write(tmp_path, f"format: guidance-profile/1\nid: {name}\nextends: {other}\ntitle: {name}\n")

    assert _refused(tmp_path, "a") == ("b.yaml: extends: circular extension of profiles (b -> c -> b)")


def test_a_profile_cannot_extend_itself(tmp_path):
    """The smallest circle is refused too."""
    _write(tmp_path, "format: guidance-profile/1\nid: a\nextends: a\ntitle: a\n")

    assert _refused(tmp_path, "a") == ("a.yaml: extends: circular extension of profiles (a -> a)")


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            "characteristic: repeatability",
            "characteristic: repeatibility",
            "FILE:10: requirements[0].characteristic: unknown value 'repeatibility'; "
            "did you mean 'repeatability'?",
        ),
        (
            '    clause: "4.2"\n',
            "",
            "FILE:9: requirements[0].clause: is missing; write the clause, section or table where "
            'the rule stands, such as clause: "6.3"',
        ),
        (
            'clause: "4.2"',
            'clause: " "',
            (
                "FILE:11: requirements[0].clause: ' ' is not valid here; write the clause, section or table "
                'where the rule stands, such as clause: "6.3"'
            ),
        ),
        (
            'clause: "4.2"',
            "clause: 4.2",
            "FILE:11: requirements[0].clause: text is expected here, found 4.2; put it in quotation marks",
        ),
        (
            "    source: seen\n",
            "",
            "FILE:9: requirements[0].source: is missing; write how far the passage was consulted: "
            "seen, reprint, quotation or memory",
        ),
        (
            "    source: seen\n",
            "    source: memory\n    quote: six replicates\n",
            "FILE:9: requirements[0]: a rule from memory quotes nothing; leave 'quote' out, or say where the "
            "words were seen",
        ),
        (
            "    source: seen\n",
            "    source: seen\n    quote: one two three four five six seven eight nine ten a b c d e f\n",
            "FILE:9: requirements[0]: 'quote' has 16 words; quote at most 15",
        ),
        (
            "rsd_max: 2}",
            "max: 2}",
            "FILE:17: requirements[0].acceptance[0]: 'repeatability_rsd_percent' is limited by rsd_max, "
            "not by 'max'",
        ),
        (
            "rsd_max: 2}",
            "min: 5, max: 2}",
            "FILE:17: requirements[0].acceptance[0]: an acceptance takes exactly one of min, max, rsd_max, "
            "p_min, within, by_mass_fraction, predicted_rsd, by_analyte; found min and max, "
            "which together are written within: [lower, upper]",
        ),
        (
            "rsd_max: 2}",
            "within: [110, 90]}",
            "FILE:17: requirements[0].acceptance[0]: within: [110, 90] is empty; "
            "write the lower limit first, then the upper limit",
        ),
        (
            "      - {figure: repeatability_rsd_percent, rsd_max: 2}",
            "      - {figure: horrat_repeatability, max: 2}\n      - {figure: horrat_repeatability, min: 3}",
            "FILE:9: requirements[0]: contradictory limits for 'horrat_repeatability': "
            "at least 3 and at most 2",
        ),
        (
            "      - {figure: repeatability_rsd_percent, rsd_max: 2}",
            "      - {figure: repeatability_rsd_percent, rsd_max: 2}\n"
            "      - {figure: repeatability_rsd_percent, rsd_max: 3}",
            "FILE:9: requirements[0]: 'repeatability_rsd_percent' is limited twice at the same "
            "levels; keep one of the two",
        ),
        (
            "figure: repeatability_rsd_percent",
            "figure: repeatability_rsd",
            "FILE:17: requirements[0].acceptance[0].figure: unknown value 'repeatability_rsd'; "
            "did you mean 'repeatability_rsd_percent'?",
        ),
        (
            "figure: repeatability_rsd_percent",
            "figure: device_rsd_percent",
            (
                "FILE:9: requirements[0]: the figure 'device_rsd_percent' does not belong to repeatability; "
                "possible: horrat_repeatability, repeatability_rsd_percent"
            ),
        ),
        (
            "rsd_max: 2}",
            "rsd_max: two}",
            "FILE:17: requirements[0].acceptance[0].rsd_max: a number is expected here, found 'two'",
        ),
        (
            "rsd_max: 2}",
            "rsd_max: .inf}",
            "FILE:17: requirements[0].acceptance[0].rsd_max: a finite number is expected here, found 'inf'",
        ),
        (
            "rsd_max: 2}",
            "rsd_max: yes}",
            "FILE:17: requirements[0].acceptance[0].rsd_max: a number is expected here; "
            "YAML reads yes, no, on and off as truth values",
        ),
        (
            "rsd_max: 2}",
            "rsd_max: 2, at_most: 2}",
            "FILE:17: requirements[0].acceptance[0].at_most: unknown key 'at_most'; write max, or rsd_max "
            "for a relative standard deviation",
        ),
        (
            "    source: seen\n",
            "    source: seen\n    seen_in: original\n",
            "FILE:13: requirements[0].seen_in: unknown key 'seen_in'; write source: seen, reprint, "
            "quotation or memory",
        ),
        (
            "rsd_max: 2}",
            "rsdmax: 2}",
            "FILE:17: requirements[0].acceptance[0].rsdmax: unknown key 'rsdmax'; did you mean 'rsd_max'?",
        ),
        (
            "rsd_max: 2}",
            "rsd_max: 2, satus: customary}",
            "FILE:17: requirements[0].acceptance[0].satus: unknown key 'satus'; did you mean 'status'?",
        ),
        (
            "rsd_max: 2}",
            "rsd_max: 2, consequence: look again}",
            "FILE:17: requirements[0].acceptance[0]: a consequence other than failure is written "
            "together with 'decides: false'",
        ),
        (
            "replicates_per_level: 6}",
            "replicates: 6}",
            "FILE:15: requirements[0].design.minimums.replicates: unknown value 'replicates'; "
            "did you mean 'replicates_per_ratio'?",
        ),
        (
            "replicates_per_level: 6}",
            "time_points: 6}",
            (
                "FILE:9: requirements[0]: the counter 'time_points' does not belong to repeatability; "
                "possible: dates, determinations, instruments, levels, operators, replicates_per_level, "
                "replicates_per_series, samples, series"
            ),
        ),
        (
            "replicates_per_level: 6}",
            "replicates_per_level: 0}",
            "FILE:15: requirements[0].design.minimums.replicates_per_level: a number of at least 1 "
            "is expected here, found '0'",
        ),
        (
            "replicates_per_level: 6}",
            "replicates_per_level: 2.5}",
            "FILE:15: requirements[0].design.minimums.replicates_per_level: a whole number is "
            "expected here, found '2.5'",
        ),
        (
            "replicates_per_level: 6}",
            "replicates_per_level: 6}\n      recommended: {replicates_per_level: 5}",
            "FILE:14: requirements[0].design: recommended replicates_per_level: 5 is less than the "
            "minimum of 6; exchange them or drop one",
        ),
        (
            "minimums: {replicates_per_level: 6}",
            "minimums: {}",
            "FILE:14: requirements[0].design: a design names at least one counter under minimums, "
            "alternatives or recommended",
        ),
        (
            "minimums: {replicates_per_level: 6}",
            "alternatives: [{name: six, minimums: {determinations: 6}}]",
            "FILE:14: requirements[0].design: a single alternative is not permitted; move its counters "
            "to minimums",
        ),
        (
            "requirements:\n",
            "practices:\n  - {id: spread, topic: planning, clause: a, source: memory, text: Plan it.}\n"
            "requirements:\n",
            "FILE:2: the rule id 'spread' is used 2 times; give each rule its own",
        ),
        (
            "scope: titrations",
            "scope: [titrations]",
            "FILE:7: scope: text is expected here, one value without brackets",
        ),
        (
            "scope: titrations",
            "scoop: titrations",
            "FILE:7: scoop: unknown key 'scoop'; did you mean 'scope'?",
        ),
        (
            "scope: titrations\n",
            "",
            "FILE: scope: is missing; write it, or name a profile under 'extends'",
        ),
        (
            "title: House rules\n",
            "",
            "FILE:2: title: is missing; write it, or drop the entry it belongs to",
        ),
        (
            "format: guidance-profile/1",
            "format: guidance-profile/2",
            "FILE:2: format: unknown value 'guidance-profile/2'; did you mean 'guidance-profile/1'?",
        ),
        (
            "id: house-rules",
            "id: House rules",
            (
                "FILE:3: id: 'House rules' is not valid here; write an id in lower case with hyphens, such "
                "as my-rule-1"
            ),
        ),
        (
            "id: house-rules",
            "id: other-rules",
            "FILE:3: id: is 'other-rules'; it must be the file's name, 'house-rules'",
        ),
        (
            "scope: titrations",
            "scope: titrations\nwithout: [x]",
            "FILE:2: 'without' leaves out rules of the profile named under 'extends'; there is none",
        ),
        (
            "scope: titrations",
            "scope: titrations\nextends: iso-5725\nwithout: [outlier]",
            "FILE: without: 'iso-5725' has no rule 'outlier'; did you mean 'outliers'?",
        ),
        (
            "scope: titrations",
            "scope: titrations\nextends: iso-5752",
            "no guidance profile 'iso-5752'; did you mean 'iso-5725'?",
        ),
        (
            "scope: titrations",
            "scope: titrations\nasked_for: {clause: a, source: memory, by_kind: {assay: [recovery]}}",
            "FILE:8: asked_for: by_kind requires a list under 'any', for methods of unstated kind",
        ),
        (
            "scope: titrations",
            "scope: titrations\nscope: all",
            "FILE:8: scope: is written twice; keep one",
        ),
        (
            "scope: titrations",
            "scope: &s titrations\nnote: *s",
            "FILE:7: anchors and aliases are not used in guidance files; write the value out",
        ),
        (
            "scope: titrations",
            "<<: {scope: titrations}",
            "FILE:7: merge keys are not used in guidance files",
        ),
        (
            "scope: titrations",
            "? [scope]\n: titrations",
            "FILE:7: a key must be a word",
        ),
        (
            "scope: titrations",
            "scope: !!python/object/apply:os.getcwd []",
            "FILE:7: is not valid YAML (could not determine a constructor for the tag "
            "'tag:yaml.org,2002:python/object/apply:os.getcwd')",
        ),
        (
            "scope: titrations",
            "scope: 2020-02-31",
            "FILE: is not valid YAML (day is out of range for month)",
        ),
        (
            "scope: titrations",
            "scope: [titrations",
            "FILE:8: is not valid YAML (did not find expected ',' or ']')",
        ),
        (
            "scope: titrations",
            "scope: \x07",
            "FILE: is not valid YAML (unacceptable character #x0007: control characters are not "
            'allowed in "<unicode string>", position 132)',
        ),
        (
            "requirements:\n",
            "requirements: none\nrest:\n",
            "FILE:8: requirements: a list is expected here: values in [ ] or one to a line after '- '\n"
            "FILE:9: rest: unknown key 'rest'; possible: format, id, extends, without, title, "
            "short_title, edition, issuing_body, scope, reference, note, binding, judged_by, superseded_by, "
            "valid_until, horrat_share, default_detection_limit, "
            "default_quantification_limit, asked_for, requirements, practices",
        ),
    ],
)
def test_a_malformed_profile_is_refused(tmp_path, old, new, message):
    """Each mistake is told with file, line, field and what to write, as a whole sentence."""
    assert old in OWN
    _write(tmp_path, OWN.replace(old, new), "house-rules")

    assert _refused(tmp_path) == message.replace("FILE", "house-rules.yaml")


def test_every_mistake_is_told_in_one_go(tmp_path):
    """Three mistakes give three lines, in the order of the file."""
    text = OWN.replace("repeatability\n", "speed\n").replace("rsd_max: 2}", "rsd_max: 2, at: noon}")
    _write(tmp_path, text.replace("    text: Six results spread by at most two percent.\n", ""))

    lines = _refused(tmp_path).splitlines()

    assert [line.split(": ")[:2] for line in lines] == [
        ["house-rules.yaml:9", "requirements[0].text"],
        ["house-rules.yaml:10", "requirements[0].characteristic"],
        ["house-rules.yaml:16", "requirements[0].acceptance[0].at"],
    ]


def _with_table(table):
    return OWN.replace("rsd_max: 2}", f"by_mass_fraction: {table}}}")


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ("{}", ": a table by mass fraction takes either bands or points"),
        (
            "{points: [{at: 1, rsd_max: 2}]}",
            ": points need 'between: log_interpolation'; bands take no such rule",
        ),
        (
            "{between: log_interpolation, points: [{at: 1, rsd_max: 2}, {at: 0.1, rsd_max: 3}]}",
            ": the points must be in rising order of 'at'",
        ),
        (
            "{between: log_interpolation, points: [{at: 0, rsd_max: 2}]}",
            ".points[0].at: a number above 0 is expected here, found '0'",
        ),
        (
            "{bands: [{to: 1, rsd_max: 2}, {above: 1, min: 3}]}",
            ": all rows of a table bound the same side: use the same one of min, max, rsd_max, p_min, within",
        ),
        (
            "{bands: [{to: 1, rsd_max: 2}, {above: 2, rsd_max: 3}]}",
            ": bands must follow each other without gap or overlap: write 'to: 10' then 'above: 10', "
            "or 'below: 10' then 'from: 10'",
        ),
        (
            "{bands: [{to: 1, rsd_max: 2}, {from: 1, rsd_max: 3}]}",
            ": bands must follow each other without gap or overlap: write 'to: 10' then 'above: 10', "
            "or 'below: 10' then 'from: 10'",
        ),
        (
            "{bands: [{from: 2, to: 1, rsd_max: 2}]}",
            ".bands[0]: the band runs from 2 to 1; its end must lie above its start",
        ),
        (
            "{bands: [{from: 2, above: 1, rsd_max: 2}]}",
            ".bands[0]: a band starts with from (the end belongs to it) or with above (it does not), "
            "not both",
        ),
        (
            "{bands: [{to: 2, below: 1, rsd_max: 2}]}",
            ".bands[0]: a band ends with to (the end belongs to it) or with below (it does not), not both",
        ),
        (
            "{bands: [{to: 2}]}",
            ".bands[0]: a row takes exactly one of min, max, rsd_max, p_min, within; found none of them",
        ),
        ("{bands: [{too: 2, rsd_max: 1}]}", ".bands[0].too: unknown key 'too'; did you mean 'to'?"),
        (
            "{unit: ppm, bands: [{to: 2, rsd_max: 1}]}",
            ".unit: unknown value 'ppm'; possible: 1, %, g/kg, mg/kg, ug/kg, ng/kg",
        ),
    ],
)
def test_a_table_with_a_gap_or_a_contradiction_is_refused(tmp_path, table, message):
    """A table by mass fraction says one thing at each level, or is not read."""
    _write(tmp_path, _with_table(table))

    place = "house-rules.yaml:17: requirements[0].acceptance[0].by_mass_fraction"
    assert _refused(tmp_path) == place + message


def test_an_analyte_stands_in_one_row(tmp_path):
    """Two limits for one name would leave it to chance which one holds."""
    rows = "by_analyte: [{analytes: [zinc, Zn], rsd_max: 2}, {analytes: [ZN], rsd_max: 3}]}"
    _write(tmp_path, OWN.replace("rsd_max: 2}", rows))

    assert _refused(tmp_path) == (
        "house-rules.yaml:17: requirements[0].acceptance[0]: "
        "the analyte 'zn' stands in more than one row; keep one"
    )


LINE = OWN.replace("characteristic: repeatability", "characteristic: linearity").replace(
    "figure: repeatability_rsd_percent, rsd_max: 2", "figure: r_squared, min: 0.995"
)


def test_correlation_never_decides(tmp_path):
    """A coefficient of determination may be shown beside a limit, not decide by it."""
    _write(tmp_path, LINE)
    assert _refused(tmp_path) == (
        "house-rules.yaml:17: requirements[0].acceptance[0]: "
        "'r_squared' is shown for information and cannot decide; write 'decides: false'"
    )

    _write(tmp_path, LINE.replace("min: 0.995", "min: 0.995, decides: false"))
    acceptance = load_profile("house-rules", [tmp_path]).requirements[0].acceptance[0]
    assert (acceptance.figure, acceptance.decides) == ("r_squared", False)


def test_a_figure_of_the_whole_line_has_no_levels(tmp_path):
    """A limit says at which levels it holds only where there is a figure for each."""
    _write(
        tmp_path,
        LINE.replace("r_squared, min: 0.995", "lack_of_fit_p, p_min: 0.05, at: lowest_level"),
    )

    assert _refused(tmp_path) == (
        "house-rules.yaml:17: requirements[0].acceptance[0]: "
        "'lack_of_fit_p' is one figure, not one for each level; leave 'at' out"
    )


def test_an_unknown_limit_variant_is_refused(tmp_path):
    """The variant a profile names as its own must be one that can be computed."""
    default = "default_detection_limit: {variant: blank_4s, clause: a, source: memory}\nscope:"
    _write(tmp_path, OWN.replace("scope:", default))

    message = _refused(tmp_path)

    assert message.startswith(
        "house-rules.yaml:7: default_detection_limit: unknown limit variant 'blank_4s'; possible: "
    )
    assert "blank_3s" in message


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "house-rules.yaml: the file must be a mapping that starts with a 'format' line"),
        (b"- a list\n", "house-rules.yaml: the file must be a mapping that starts with a 'format' line"),
        (b"format: \xff\n", "house-rules.yaml: is not UTF-8 text; save it with that encoding"),
        (
            b"#" * 1_000_001,
            "house-rules.yaml: the file has 1000001 bytes, more than the 1000000 allowed",
        ),
        (b"a: " + b"[" * 100_000, "house-rules.yaml: is nested too deeply for a guidance file"),
        (
            b"a: 1\n---\nb: 2\n",
            "house-rules.yaml:2: is not valid YAML (but found another document)",
        ),
    ],
)
def test_a_file_that_is_no_profile_ends_in_a_sentence(tmp_path, content, message):
    """Empty, foreign, oversized and hostile files are refused, never a traceback."""
    (tmp_path / "house-rules.yaml").write_bytes(content)

    assert _refused(tmp_path) == message


@given(st.text(st.characters(codec="utf-8"), max_size=60), st.integers(0, len(OWN)))
@settings(deadline=None, max_examples=60)
def test_no_damage_to_a_file_ends_in_anything_but_a_sentence(tmp_path_factory, noise, at):
    """Whatever is typed into a profile, it loads or is refused with a message that names the file."""
    folder = tmp_path_factory.mktemp("damaged")
    (folder / "house-rules.yaml").write_text(OWN[:at] + noise + OWN[at:], encoding="utf-8")

    try:
        outcome = load_profile("house-rules", [folder]).id
    except GuidanceError as error:
        outcome = str(error)

    assert outcome.startswith(("house-rules.yaml", "no guidance profile")) or outcome == "house-rules"


def test_a_ratio_to_the_prediction_needs_its_share(tmp_path):
    """Documents differ in the share of reproducibility that repeatability is held against."""
    ratio = OWN.replace("repeatability_rsd_percent, rsd_max: 2", "horrat_repeatability, max: 2")
    _write(tmp_path, ratio)
    assert _refused(tmp_path) == (
        "house-rules.yaml: the rule 'spread' limits horrat_repeatability; write horrat_share, the share of "
        "the predicted reproducibility it is compared with"
    )

    _write(tmp_path, ratio.replace("scope: titrations", "scope: titrations\nhorrat_share: 0.66"))
    assert load_profile("house-rules", [tmp_path]).horrat_share == 0.66


@pytest.mark.parametrize(
    ("written", "message"),
    [
        ("horrat_share: 66", ".horrat_share"),
        ("valid_until: soon", ".valid_until: a date is expected here, such as 2026-06-10, found 'soon'"),
        ("binding: rule", ".binding: unknown value 'rule'; possible: law, contract, guidance"),
        ("judged_by: mean", ".judged_by: unknown value 'mean'; possible: estimate, interval"),
    ],
)
def test_what_a_profile_says_of_itself_is_checked(tmp_path, written, message):
    """A word or a date that does not fit is refused with its line and what to write."""
    _write(tmp_path, OWN.replace("scope: titrations", f"scope: titrations\n{written}"))

    assert _refused(tmp_path).startswith(f"house-rules.yaml:8: {message.lstrip('.')}")


def test_law_that_expires_is_read(tmp_path):
    """Each field as written; guidance judged by the estimate where nothing is."""
    plain = _write(tmp_path, OWN) and load_profile("house-rules", [tmp_path])
    assert (plain.binding, plain.judged_by, plain.valid_until) == ("guidance", "estimate", None)

    said = "scope: titrations\nbinding: law\njudged_by: interval\nvalid_until: 2026-06-10"
    _write(tmp_path, OWN.replace("scope: titrations", said))
    law = load_profile("house-rules", [tmp_path])
    assert (law.binding, law.judged_by, str(law.valid_until)) == ("law", "interval", "2026-06-10")


@pytest.mark.parametrize(
    ("at", "message"),
    [
        ("{percent_of_legal_limit: 25, level: 3, unit: mg/L}", "a level takes exactly one of"),
        ("{level: 3}", "'level' and 'unit' are written together, such as {level: 3, unit: mg/L}"),
        ("{percent_of_legal_limit: 0}", "a number above 0 is expected here, found '0'"),
    ],
)
def test_a_level_of_a_row_is_one_level(tmp_path, at, message):
    """A share of the legal limit or a fixed level with its unit."""
    row = f"by_analyte: [{{analytes: [zinc], rsd_max: 2, at: {at}}}]}}"
    _write(tmp_path, OWN.replace("rsd_max: 2}", row))

    assert message in _refused(tmp_path)


def test_a_table_by_legal_limit_needs_the_legal_limit(tmp_path):
    """The row is chosen by the legal limit as a mass fraction; without one there is no limit."""
    row = "by_analyte: [{analytes: [zinc], by_legal_limit: {unit: mg/kg, bands: [{to: 1, rsd_max: 2}]}}]}"
    _write(tmp_path, OWN.replace("rsd_max: 2}", row))
    acceptance = load_profile("house-rules", [tmp_path]).requirements[0].acceptance[0]

    assert limit_for(acceptance, analyte_names=("zinc",), legal_limit=1e-6).upper == 2
    for legal_limit, reason in ((None, "is not known as a mass fraction"), (2e-6, "does not reach")):
        with pytest.raises(NotEstimable, match=reason):
            limit_for(acceptance, analyte_names=("zinc",), legal_limit=legal_limit)
