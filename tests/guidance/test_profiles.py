"""Every shipped profile is complete, cites a clause for every rule, and sets limits that can be judged."""

import math
import re
from pathlib import Path

import pytest

from validator.characteristics.order import CHARACTERISTICS
from validator.errors import NotEstimable
from validator.guidance import (
    Counter,
    Kind,
    Place,
    Status,
    limit_for,
    load_profile,
    profile_names,
    resolve,
    row_for,
)

NAMES = profile_names()
PROFILES = {name: load_profile(name) for name in NAMES}
RULES = {
    f"{name}: {rule.id}": rule
    for name, profile in PROFILES.items()
    for rule in (*profile.requirements, *profile.practices)
}
LIMITS = {
    f"{name}: {rule.id}: {acceptance.figure}: {acceptance.at}": (rule, acceptance)
    for name, profile in PROFILES.items()
    for rule in profile.requirements
    for acceptance in rule.acceptance
}
MARKS = {"seen": "", "reprint": "‡", "quotation": "§", "memory": "†"}


def test_the_documents_users_count_on_are_shipped():
    """A profile is never dropped in silence; a new one needs no entry here."""
    assert {
        "aoac-single-laboratory-2012",
        "electroanalysis-sensor-practice",
        "epa-40-cfr-136-appendix-b",
        "eu-2021-808",
        "eu-333-2007",
        "eu-drinking-water-2020-2184",
        "eu-water-monitoring-2009-90",
        "eurachem-fitness-for-purpose-2014",
        "ich-m10-2022",
        "ich-q2r2-2023",
        "iso-11352",
        "iso-11843-2-2000",
        "iso-5725",
        "iso-8466-1-din-32645",
        "iso-iec-17025-2017",
        "iupac-single-laboratory-2002",
        "sante-11312-2021",
    } <= set(NAMES)


def test_every_profile_says_what_it_is():
    """Title, edition, issuing body and scope are given, and there is at least one rule."""
    for name, profile in PROFILES.items():
        assert profile.id == name
        words = (profile.title, profile.short_title, profile.edition, profile.issuing_body, profile.scope)
        assert all(words), name
        assert profile.requirements or profile.practices, name
        assert profile.extends == (), name


def test_every_rule_is_written_out_with_its_clause():
    """A rule is a sentence of plain text, and cites document, edition, clause and how far they were seen."""
    wrong = [
        which
        for which, rule in RULES.items()
        if not (rule.document and rule.edition and rule.clause.strip())
        or rule.cite().text != f"{rule.document}, {rule.edition}, {rule.clause}"
        or rule.cite().marked != rule.cite().text + MARKS[rule.source]
        or not re.fullmatch(r"[A-Z].*[.]", rule.text)
        or len(rule.text.split()) < 6
    ]

    assert len(RULES) > 100
    assert wrong == []


def test_what_comes_from_memory_is_said_at_the_top():
    """A profile with rules from memory tells the reader so in its note, or is marked as common practice."""
    silent = [
        name
        for name, profile in PROFILES.items()
        if any(rule.source == "memory" for rule in profile.requirements)
        and not re.search("from memory|common practice", (profile.note or "").lower())
    ]

    assert silent == []


def test_what_is_asked_for_can_be_looked_up():
    """The list for any kind of method serves for the kinds a document does not name."""
    for name, profile in PROFILES.items():
        for kind in Kind:
            listed = profile.characteristics(kind)
            assert len(set(listed)) == len(listed), name
            assert set(listed) <= set(CHARACTERISTICS), name
        assert profile.characteristics(Kind.TRACE) == profile.characteristics(), name


def test_common_practice_is_never_called_a_requirement():
    """Every limit of the sensor practice is customary, every clause says that there is no document."""
    for rule in PROFILES["electroanalysis-sensor-practice"].requirements:
        assert rule.clause == "common practice"
        assert rule.source == "memory"
        assert {limit.status for limit in rule.acceptance} <= {Status.CUSTOMARY}


def _middles(table):
    """A mass fraction inside every row of a table, and the row."""
    scale = {"1": 1.0, "mg/kg": 1e-6, "ug/kg": 1e-9}[table.unit]
    for point in table.points:
        yield point.at * scale, point
    for band in table.bands:
        inside = [edge for edge in (band.start, band.end) if edge is not None]
        middle = math.sqrt(inside[0] * inside[1]) if len(inside) == 2 else inside[0]
        if band.start is None:
            middle /= 2
        elif band.end is None:
            middle *= 2
        yield middle * scale, band


def _situations(acceptance):
    """Every row of the acceptance as keywords of ``limit_for`` with the limits expected there."""
    if acceptance.by_mass_fraction is not None:
        for fraction, row in _middles(acceptance.by_mass_fraction):
            yield {"mass_fraction": fraction}, row
    elif acceptance.by_analyte is not None:
        for row in acceptance.by_analyte:
            for name in row.analytes:
                if row.by_legal_limit is None:
                    yield {"analyte_names": (name.upper(),)}, row
                    continue
                for fraction, band in _middles(row.by_legal_limit):
                    yield {"analyte_names": (name.upper(),), "legal_limit": fraction}, band
    else:
        yield {}, acceptance


def test_every_limit_tells_values_on_either_side_apart():
    """For each limit of each profile a value just inside passes, the limit passes, one just outside fails."""
    for which, (_, acceptance) in LIMITS.items():
        situations = list(_situations(acceptance))
        assert situations, which
        for keywords, written in situations:
            limit = limit_for(acceptance, **keywords)
            ends = [
                (end, inwards) for end, inwards in ((limit.lower, 1), (limit.upper, -1)) if end is not None
            ]
            given = [value for value in (written.lower, written.upper) if value is not None]
            assert sorted(end for end, _ in ends) == pytest.approx(sorted(given), rel=1e-12), which
            assert ends, which
            for end, inwards in ends:
                step = inwards * max(abs(end), 1.0) * 1e-9
                assert limit.admits(end) is not (acceptance.exclusive or written.exclusive), which
                assert limit.admits(end + step), which
                assert not limit.admits(end - step), which


def test_every_limit_is_possible_for_its_figure():
    """Percentages and probabilities stay in their domain, and a figure suits its characteristic."""
    for which, (rule, acceptance) in LIMITS.items():
        assert acceptance.figure in CHARACTERISTICS[rule.characteristic].figures, which
        for keywords, _ in _situations(acceptance):
            limit = limit_for(acceptance, **keywords)
            for end in (limit.lower, limit.upper):
                if end is not None and acceptance.figure.endswith("_p"):
                    assert 0 < end < 0.1, which
                elif end is not None and acceptance.figure.endswith("rsd_percent"):
                    assert 0 < end <= 50, which
        cited = rule.cite_limit(acceptance)
        assert cited.text == f"{rule.document}, {rule.edition}, {acceptance.clause or rule.clause}"
        assert cited.status == (acceptance.source or rule.source), which


def _requirement(profile, rule):
    return next(entry for entry in PROFILES[profile].requirements if entry.id == rule)


def _limit(profile, rule, figure, *, at=Place.EVERY_LEVEL, **keywords):
    for acceptance in _requirement(profile, rule).acceptance:
        if acceptance.figure == figure and acceptance.at == at:
            limit = limit_for(acceptance, **keywords)
            return limit.lower, limit.upper
    raise AssertionError(figure)


@pytest.mark.parametrize(
    ("mass_fraction", "expected"),
    [
        (1.0, 1.3),
        (1e-1, 1.9),
        (1e-2, 2.7),
        (1e-3, 3.7),
        (1e-4, 5.3),
        (1e-5, 7.3),
        (1e-6, 11),
        (1e-7, 15),
        (1e-8, 21),
        (1e-9, 30),
    ],
)
def test_repeatability_agrees_with_aoac_table_a4(mass_fraction, expected):
    """AOAC Official Methods of Analysis (2012), Appendix F, page 9, table A4, seen in reprints."""
    found = _limit(
        "aoac-single-laboratory-2012",
        "expected-repeatability",
        "repeatability_rsd_percent",
        mass_fraction=mass_fraction,
    )
    assert found == (None, expected)


@pytest.mark.parametrize(
    ("mass_fraction", "expected"),
    [
        (1.0, (98, 102)),
        (1e-1, (98, 102)),
        (1e-2, (97, 103)),
        (1e-3, (95, 105)),
        (1e-4, (90, 107)),
        (1e-5, (80, 110)),
        (1e-6, (80, 110)),
        (1e-7, (80, 110)),
        (1e-8, (60, 115)),
        (1e-9, (40, 120)),
    ],
)
def test_recovery_agrees_with_aoac_table_a5(mass_fraction, expected):
    """AOAC Official Methods of Analysis (2012), Appendix F, page 9, table A5, seen in reprints."""
    found = _limit(
        "aoac-single-laboratory-2012",
        "expected-recovery",
        "mean_recovery_percent",
        mass_fraction=mass_fraction,
    )
    assert found == expected


@pytest.mark.parametrize(
    ("micrograms_per_kilogram", "expected"),
    [(0.2, (-50, 20)), (1, (-50, 20)), (1.1, (-30, 20)), (9.9, (-30, 20)), (10, (-20, 20)), (5e4, (-20, 20))],
)
def test_trueness_agrees_with_regulation_2021_808(micrograms_per_kilogram, expected):
    """Regulation (EU) 2021/808, Annex I 1.2.2.1, table of trueness, seen in a reprint."""
    found = _limit(
        "eu-2021-808",
        "trueness",
        "relative_bias_percent",
        mass_fraction=micrograms_per_kilogram * 1e-9,
    )
    assert found == expected


@pytest.mark.parametrize(
    ("rule", "figure"),
    [
        ("within-laboratory-reproducibility", "intermediate_rsd_percent"),
        ("matrix-factor", "matrix_spread_rsd_percent"),
    ],
)
@pytest.mark.parametrize(
    ("micrograms_per_kilogram", "expected"),
    [(9.99, 30), (10, 25), (120, 25), (120.1, 22), (1000, 22), (1000.1, 16), (1001, 16)],
)
def test_table_2_of_regulation_2021_808(rule, figure, micrograms_per_kilogram, expected):
    """Regulation (EU) 2021/808, Annex I 1.2.2.2, table 2, seen in a reprint.

    The matrix factor, 2.10: "shall not be greater than the values listed in Table 2".
    """
    found = _limit("eu-2021-808", rule, figure, mass_fraction=micrograms_per_kilogram * 1e-9)
    assert found == (None, expected)


@pytest.mark.parametrize(
    ("analyte", "expected"),
    [
        ("aluminium", 25),
        ("Ammonium", 40),
        ("benzo(a)pyrene", 50),
        ("chlorate", 40),
        ("copper", 25),
        ("fluoride", 20),
        ("HAAs", 50),
        ("nitrate", 15),
        ("nitrite", 20),
        ("oxidisability", 50),
        ("SODIUM", 15),
        ("TOC", 30),
        ("uranium", 30),
        ("vinyl chloride", 50),
    ],
)
def test_uncertainty_agrees_with_directive_2020_2184(analyte, expected):
    """Directive (EU) 2020/2184, Annex III part B, table 1, seen in a reprint."""
    rule = _requirement("eu-drinking-water-2020-2184", "uncertainty")
    limit = limit_for(rule.acceptance[0], analyte_names=(analyte,))

    assert (limit.lower, limit.upper, limit.exclusive) == (None, expected, False)


@pytest.mark.parametrize(
    ("analyte", "place"),
    [
        ("chloroform", {"percent_of_legal_limit": 25}),
        ("benzo(k)fluoranthene", {"percent_of_legal_limit": 25}),
        ("trichloroethene", {"percent_of_legal_limit": 50}),
        ("tetrachloroethene", {"percent_of_legal_limit": 50}),
        ("TOC", {"level": 3, "unit": "mg/L"}),
        ("turbidity", {"level": 1, "unit": "NTU"}),
        ("nitrate", None),
        ("benzo(a)pyrene", None),
    ],
)
def test_some_uncertainties_are_evaluated_elsewhere(analyte, place):
    """Directive (EU) 2020/2184, Annex III part B, notes 7 to 10 to table 1, seen in a reprint."""
    row = row_for(_requirement("eu-drinking-water-2020-2184", "uncertainty").acceptance[0], (analyte,))

    assert (None if row.at is None else row.at.model_dump(exclude_none=True)) == place


@pytest.mark.parametrize(
    ("analyte", "milligrams_per_kilogram", "expected"),
    [
        ("cadmium", 0.02, 40),
        ("cadmium", 0.0999, 40),
        ("cadmium", 0.1, 20),
        ("mercury", 0.5, 20),
        ("arsenic", 0.03, 100),
        ("arsenic", 0.031, 200 / 3),
        ("arsenic", 0.1, 200 / 3),
        ("nickel", 0.3, 100),
        ("nickel", 0.31, 200 / 3),
        ("nickel", 0.6, 100 / 3),
    ],
)
def test_quantification_limits_by_element_and_level(analyte, milligrams_per_kilogram, expected):
    """Regulation (EC) 333/2007, Annex C.3.3.1, table 5, seen in a reprint: shares of the maximum level."""
    found = _limit(
        "eu-333-2007",
        "quantification-limit",
        "quantification_limit_percent_of_legal_limit",
        analyte_names=(analyte,),
        legal_limit=milligrams_per_kilogram * 1e-6,
    )
    assert found == (None, pytest.approx(expected, rel=1e-5))


@pytest.mark.parametrize(
    ("profile", "rule", "exclusive"),
    [
        ("eu-333-2007", "repeatability", True),  # "HORRATr less than 2"
        ("eu-2021-808", "detection-capability", True),  # "the CCβ shall be lower than the MRL or ML"
        ("eu-2021-808", "decision-limit", False),  # "the CCα shall be lower than or equal to"
        ("eu-2021-808", "repeatability", True),  # "usually below two thirds"
        ("eu-2021-808", "matrix-factor", False),  # "shall not be greater than"
        ("eu-drinking-water-2020-2184", "quantification-limit", False),  # "of 30 % or less"
    ],
)
def test_lower_than_and_at_most_are_told_apart(profile, rule, exclusive):
    """The words of the texts, seen in reprints, stand beside each row."""
    assert _requirement(profile, rule).acceptance[0].exclusive is exclusive


def test_what_a_text_says_should_be_done_is_not_required():
    """ISO 5725 ("usual"), 2021/808 2.8 ("should be used"): recommended, and nothing is a minimum."""
    for profile, rule in (("iso-5725", "interlaboratory-experiment"), ("eu-2021-808", "calibration")):
        design = _requirement(profile, rule).design

        assert design.ways() == ()
        assert design.recommended


READ_IN_FULL = ["eu-2021-808", "eu-333-2007", "eu-drinking-water-2020-2184", "epa-40-cfr-136-appendix-b"]


@pytest.mark.parametrize("name", READ_IN_FULL)
def test_what_was_read_is_quoted(name):
    """Of a text that was read, a rule that quotes no words of it is from memory."""
    profile = PROFILES[name]

    for rule in (*profile.requirements, *profile.practices):
        if rule.document == profile.short_title:
            assert (rule.quote is None) == (rule.source == "memory"), rule.id


def test_which_documents_were_superseded():
    """Their new editions exist and were not seen; the edition that is applied is the one that is named."""
    superseded = {name for name, profile in PROFILES.items() if profile.superseded_by}

    assert superseded == {
        "eurachem-fitness-for-purpose-2014",
        "iso-11352",
        "iso-5725",
        "iso-8466-1-din-32645",
    }
    assert PROFILES["eu-2021-808"].edition.startswith("consolidated 20 August 2024")


def test_law_is_told_from_guidance():
    """Regulations, directives and the code are law; standards bind by contract; the rest is guidance."""
    law = {name for name, profile in PROFILES.items() if profile.binding == "law"}

    assert law == {
        "epa-40-cfr-136-appendix-b",
        "eu-2021-808",
        "eu-333-2007",
        "eu-drinking-water-2020-2184",
        "eu-water-monitoring-2009-90",
    }


def test_the_share_of_horwitz_for_repeatability():
    """Regulation (EC) 333/2007, Annex C.3.1: "using the assumption r = 0,66 R"; AOAC: half (from memory)."""
    shares = {name: profile.horrat_share for name, profile in PROFILES.items() if profile.horrat_share}

    assert shares == {"eu-333-2007": 0.66, "aoac-single-laboratory-2012": 0.5}


def test_a_design_is_cited_by_what_was_seen_of_it():
    """A rule from memory may rest its number on a quotation, and the other way round."""
    linear = _requirement("ich-q2r2-2023", "response-linear")
    accuracy = _requirement("ich-q2r2-2023", "accuracy")

    assert linear.cite().marked.endswith("3.2.2.1†")
    assert linear.cite_design().marked.endswith("3.2.2.1§")
    assert accuracy.cite().marked.endswith("3.3.1§")
    assert accuracy.cite_design().marked.endswith("3.3.1†")


def test_an_unlisted_parameter_of_drinking_water_has_no_limit():
    """What the directive does not list is left to the study, and the message says so."""
    rule = _requirement("eu-drinking-water-2020-2184", "uncertainty")

    with pytest.raises(NotEstimable) as caught:
        limit_for(rule.acceptance[0], analyte_names=("mg", "magnesium"))

    assert str(caught.value) == (
        "the table of limits does not list 'mg' or 'magnesium'; needs a criterion of the study, or the "
        "name of the analyte as used in the document"
    )


@pytest.mark.parametrize("profile", ["eu-water-monitoring-2009-90", "eu-drinking-water-2020-2184"])
def test_water_law_wants_thirty_percent(profile):
    """Directive 2009/90/EC article 4(1); Directive (EU) 2020/2184 Annex III part B, point 1."""
    found = _limit(profile, "quantification-limit", "quantification_limit_percent_of_legal_limit")
    assert found == (None, 30)


def test_expanded_uncertainty_at_the_quality_standard():
    """Directive 2009/90/EC article 4(1): at most 50 % at the quality standard, seen in a reprint."""
    found = _limit(
        "eu-water-monitoring-2009-90",
        "uncertainty",
        "expanded_uncertainty_percent",
        at=Place.LEGAL_LIMIT,
    )
    assert found == (None, 50)


@pytest.mark.parametrize(
    ("rule", "figure", "lowest", "other"),
    [
        ("calibration-curve", "back_calculation_error_percent", (None, 20), (None, 15)),
        ("accuracy", "relative_bias_percent", (-20, 20), (-15, 15)),
        ("within-run-precision", "repeatability_rsd_percent", (None, 20), (None, 15)),
        ("between-run-precision", "intermediate_rsd_percent", (None, 20), (None, 15)),
    ],
)
def test_bioanalysis_is_wider_at_the_lowest_level(rule, figure, lowest, other):
    """ICH M10 (2022), 3.2.4 and 3.2.5: 20 % at the lowest level, 15 % above (from memory)."""
    assert _limit("ich-m10-2022", rule, figure, at=Place.LOWEST_LEVEL) == lowest
    assert _limit("ich-m10-2022", rule, figure, at=Place.OTHER_LEVELS) == other


@pytest.mark.parametrize(
    ("profile", "rule", "ways"),
    [
        ("iupac-single-laboratory-2002", "calibration-design", [{"levels": 6, "replicates_per_level": 2}]),
        ("ich-q2r2-2023", "response-linear", [{"levels": 5}]),
        (
            "ich-q2r2-2023",
            "repeatability",
            [
                {"levels": 3, "replicates_per_level": 3, "determinations": 9},
                {"replicates_per_level": 6},
            ],
        ),
        ("eurachem-fitness-for-purpose-2014", "detection-limit", [{"blanks": 10}, {"low_level_samples": 10}]),
        ("epa-40-cfr-136-appendix-b", "number-of-samples", [{"low_level_samples": 7, "blanks": 7}]),
        ("sante-11312-2021", "recovery", [{"levels": 2, "replicates_per_level": 5}]),
        (
            "eu-2021-808",
            "repeatability",
            [{"levels": 3, "series": 3, "replicates_per_series": 6, "replicates_per_level": 18}],
        ),
        ("iso-8466-1-din-32645", "decision-limit", [{"blanks": 10}, {"levels": 6}]),
        ("iso-11352", "within-laboratory-part", [{"control_results": 8}]),
    ],
)
def test_minimum_designs(profile, rule, ways):
    """The minimum designs by document; whether seen or from memory stands in each profile."""
    design = _requirement(profile, rule).design

    assert [dict(way) for way in design.ways()] == [
        {Counter(name): number for name, number in way.items()} for way in ways
    ]


@pytest.mark.parametrize(
    ("profile", "detection", "quantification"),
    [
        ("iupac-single-laboratory-2002", "blank_3s", None),
        ("ich-q2r2-2023", "residual_3.3", "residual_3.3"),
        ("eurachem-fitness-for-purpose-2014", "blank_3s", "blank_3s"),
        ("iso-iec-17025-2017", None, None),
        ("aoac-single-laboratory-2012", None, None),
        ("sante-11312-2021", None, "lowest_validated_level"),
        ("eu-2021-808", None, None),
        ("eu-333-2007", None, None),
        ("eu-water-monitoring-2009-90", None, None),
        ("eu-drinking-water-2020-2184", None, None),
        ("epa-40-cfr-136-appendix-b", "epa_mdl", None),
        ("iso-8466-1-din-32645", "din_32645_blank", "din_32645_blank"),
        ("iso-11843-2-2000", "iso_11843", None),
        ("iso-5725", None, None),
        ("ich-m10-2022", None, "lowest_validated_level"),
        ("iso-11352", None, None),
        ("electroanalysis-sensor-practice", "blank_3s", None),
    ],
)
def test_each_document_determines_limits_in_its_own_way(profile, detection, quantification):
    """The variant that decides where the study declares none; documents without one leave it open."""
    found = PROFILES[profile]
    variants = [
        None if default is None else default.variant
        for default in (found.default_detection_limit, found.default_quantification_limit)
    ]

    assert variants == [detection, quantification]


def test_a_document_without_numbers_leaves_them_to_the_user():
    """ICH Q2(R2) sets no limit for recovery or precision; the profile names what the user has to set."""
    profile = PROFILES["ich-q2r2-2023"]
    left_open = {figure for rule in profile.requirements for figure in rule.user_sets}
    limited = {limit.figure for rule in profile.requirements for limit in rule.acceptance}

    assert left_open == {
        "mean_recovery_percent",
        "repeatability_rsd_percent",
        "intermediate_rsd_percent",
    }
    assert limited == {
        "range_lower_percent_of_specification",
        "range_upper_percent_of_specification",
    }


def test_kind_of_method_selects_characteristics_and_rules():
    """ICH Q2(R2), table 1 (from memory): an identification needs specificity alone, an assay a wide range."""
    profile = PROFILES["ich-q2r2-2023"]
    on_range = "working_range"

    assert profile.characteristics(Kind.IDENTIFICATION) == ("selectivity",)
    assert "quantification_limit" in profile.characteristics(Kind.IMPURITY_QUANTITATIVE)
    assert [rule.id for rule in profile.requirements_on(on_range, Kind.ASSAY)] == ["range-assay"]
    assert profile.requirements_on(on_range) == ()


def test_profiles_are_data_and_nothing_else():
    """No code names a profile: adding a document is adding a file."""
    for module in Path(resolve(NAMES[0])).parents[1].rglob("*.py"):
        code = re.sub(r'"""[\s\S]*?"""', "", module.read_text(encoding="utf-8"))
        if module.name in {"loading.py"}:
            code = code.replace("such as iupac-single-laboratory-2002", "")
        assert [name for name in NAMES if name in code] == [], module
