"""A document that holds every kind of block, with an invented study: nickel in rinse water."""

from __future__ import annotations

from validator.dossier.document import (
    BulletList,
    CaveatBlock,
    Column,
    DefinitionList,
    Document,
    Figure,
    Finding,
    Findings,
    Formula,
    KeyFacts,
    NotAssessedItem,
    NotAssessedList,
    PageBreak,
    Paragraph,
    Row,
    SafetyNotice,
    Section,
    Signature,
    Signatures,
    Table,
    Verdict,
)
from validator.dossier.inline import Code, Outcome, Reference, Severity, Struck, WebLink, rich

ALL_SIGNS = "≤ ≥ √ ± ² ³ ⁻ ₀ α β χ µ → ≈ × · – ‰ ∞ − ° ′ Δ σ ∈ ∝ ₓ ✓ ☐ ★ ⟨ ⟩"
HASH = "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08"


def sample_document(figures: tuple[Figure, ...] = (), rows: int = 60) -> Document:
    """Every block kind once or more; *rows* sets the length of the annex."""
    return Document(
        kind="Validation dossier",
        title="Nickel in rinse water by adsorptive stripping voltammetry",
        subtitle="Validation of an in-house method for process control",
        identifier="NI-RW-2024-03",
        version="1.2",
        authors=("A. Lindqvist", "M. Okafor"),
        keywords=("nickel", "stripping voltammetry"),
        subject="Validation of a method for nickel in rinse water",
        date="2024-06-14",
        key_facts=KeyFacts(
            (
                ("Analyte", "nickel (total dissolved)"),
                ("Matrix", "rinse water of a plating line"),
                ("Range", "2.0 µg/L to 40 µg/L"),
                ("Intended use", "release of rinse water to the sewer; permit limit 20 µg/L"),
                ("Guidance", "Eurachem 2014, ICH Q2(R2)"),
                ("Dates of work", "4 March to 29 May 2024"),
                ("Method", Code("WI-217, version 4")),
                ("Status", "new method, full validation"),
            )
        ),
        summary=(
            Verdict(
                verdict="fit under conditions",
                sentence="Fit for deciding on release at 20 µg/L, from 2.0 µg/L to 40 µg/L; "
                "results below 2.0 µg/L are reported as less than the quantification limit.",
                points=("Robustness against surfactants above 1 mg/L is not shown.",),
            ),
            _summary_table(),
            CaveatBlock(
                severity="caution",
                id="caveat-c11",
                title="Trueness rests on spiking alone",
                text="Recovery is known only for added nickel; native nickel may be bound.",
                remedy="Measure a certified water or compare with a reference technique.",
                source="Eurachem 2014, 6.5",
            ),
            Signatures(
                (
                    Signature("Prepared", "A. Lindqvist", "2024-06-14"),
                    Signature("Reviewed"),
                    Signature("Approved"),
                )
            ),
        ),
        sections=(
            _method(),
            _calibration(figures),
            _caveats(),
            _annex(rows),
        ),
    )


def _summary_table() -> Table:
    return Table(
        id="tab-summary",
        caption="Acceptance criteria and results, with 95 % intervals.",
        columns=(
            Column("Characteristic"),
            Column("Requirement"),
            Column("Result", align="decimal"),
            Column("n", align="centre"),
            Column("Outcome"),
        ),
        rows=(
            Row(
                ("Quantification limit", "≤ 5 µg/L (permit, 4.2)", "1.9 (1.5 to 2.6)", "12", Outcome("meets"))
            ),
            Row(("Recovery at 5 µg/L", "90 % to 110 % (own)", "97.2 (94.1 to 100.3)", "6", Outcome("meets"))),
            Row(
                (
                    "Recovery at 20 µg/L",
                    "95 % to 105 % (own)",
                    "96.1 (93.8 to 98.4)",
                    "6",
                    Outcome("inconclusive"),
                )
            ),
            Row(
                ("Intermediate precision", "≤ 6 % (own)", "7.9 (6.4 to 10.5)", "18", Outcome("does not meet"))
            ),
            Row(("Surfactants", "change within ±5 %", "–", "0", Outcome("not assessed"))),
            Row(("Carry-over", "none asked", "0.12 (0.02 to 0.31)", "5", Outcome("not applicable"))),
        ),
    )


def _method() -> Section:
    return Section(
        id="method",
        title="Purpose and method",
        new_page=True,
        blocks=(
            Paragraph(
                "Nickel is set free by the acid rinse and must stay below the permit limit.", role="lead"
            ),
            Paragraph(
                rich(
                    "The line is $y$ = $a$ + $b$ $x$; the standard deviation of the residuals is $s_{y/x}$, "
                    "with $R^2$ for information only. The **declared** variant decides, see "
                    "[[tab-limits]], [[eq-sx0]], [[calibration]]. *Independent preparations* are the unit; "
                    "{user} is literal text. Interval of the slope: {slope}.",
                    user="<b>*not markup* & $x_0$</b>",
                    slope="0.4123 ± 0.0021 µA L/µg",
                )
            ),
            BulletList(("Buffer: ammonia, pH 9.2", rich("Hash of the data: `{h}`", h=HASH), ALL_SIGNS)),
            SafetyNotice(
                "Work with care",
                (
                    "Nickel salts, dimethylglyoxime, ammonia: follow the safety data sheets and local rules.",
                    "Mercury electrodes, where used, belong in licensed hands and closed waste.",
                ),
            ),
            DefinitionList(
                (
                    ("Independent preparation", "A sample taken through the whole procedure on its own."),
                    (rich("$x_D$"), "Detection limit: the smallest content found with probability 1 − β."),
                )
            ),
            Section(
                id="conditions",
                title="Conditions",
                blocks=(
                    Paragraph("Deposition 60 s at −0.70 V; see the working instruction.", role="small"),
                    Section(
                        id="electrode",
                        title="Electrode",
                        blocks=(Paragraph("Bismuth film on glassy carbon."),),
                    ),
                ),
            ),
        ),
    )


def _calibration(figures: tuple[Figure, ...]) -> Section:
    return Section(
        id="calibration",
        title="Calibration and limits",
        blocks=(
            Findings(
                (
                    Finding(
                        outcome="meets",
                        statement="Lack of fit: F(5, 14) = 1.12, p = 0.39",
                        requirement="not significant at 0.05",
                        source="IUPAC 2002, A3",
                    ),
                    Finding(outcome="does not meet", statement="Mandel: F(1, 17) = 6.83, p = 0.018"),
                    Finding(
                        outcome="not assessed", statement="Trend in run order", source="no run order recorded"
                    ),
                )
            ),
            Table(
                id="tab-limits",
                caption="Detection and quantification limitss by every variant that the data allow.",
                columns=(
                    Column("Variant", width=26),
                    Column(rich("$x_D$"), "µg/L", "decimal"),
                    Column(rich("$x_Q$"), "µg/L", "decimal"),
                    Column("ν", align="decimal"),
                    Column("Source"),
                ),
                rows=(
                    Row(("From blanks", "", "", "", ""), "group"),
                    Row(
                        (
                            "Three standard deviations",
                            "0.52 (0.41 to 0.71)",
                            "1.7 (1.3 to 2.4)",
                            "11",
                            "Eurachem 2014",
                        )
                    ),
                    Row(
                        (
                            "Critical level and power",
                            "0.61 (0.48 to 0.84)",
                            "1.9 (1.5 to 2.6)",
                            "11",
                            "Currie 1995",
                        ),
                        "declared",
                    ),
                    Row(("From the line", "", "", "", ""), "group"),
                    Row(
                        (
                            "Residuals",
                            "12.4 (9.8 to 16.9)",
                            "[1.230 (1.190 to 1.280)] × 10⁻⁶",
                            "7.4",
                            "ICH Q2(R2)",
                        )
                    ),
                    Row(("Upper limit only", "< 0.001", "≥ 120", "∞", Severity("note"))),
                    Row(("Trial of 5 March", "0.9", "3.1", "4", "pump failed"), "excluded"),
                ),
                note="Intervals at 95 %, from the chi-squared distribution of the variance.",
            ),
            Formula(
                id="eq-sx0",
                latex=r"s_{x_0} = \frac{s_{y/x}}{b}"
                r"\sqrt{\frac{1}{m} + \frac{1}{n} + \frac{(y_0-\bar y)^2}{b^2 S_{xx}}}",
                spoken="s of x zero equals s y over x divided by b, times the root of one over m plus one "
                "over n plus the squared distance of y zero from the mean, over b squared times S x x",
                where=(
                    (rich("$s_{y/x}$"), "standard deviation of the residuals"),
                    (rich("$b$"), "slope"),
                    (rich("$m$, $n$"), "number of readings of the sample and of the standards"),
                ),
                source="common practice",
            ),
            Formula(latex=r"t_{1-\alpha/2,\nu}", spoken="quantile of Student's t"),
            *figures,
            NotAssessedList(
                (
                    NotAssessedItem(
                        "Signal to noise", "no noise record in the study", "a noise reading at the blank"
                    ),
                    NotAssessedItem(
                        "Accuracy profile", "two series only", "at least three series at each level"
                    ),
                )
            ),
        ),
    )


def _caveats() -> Section:
    return Section(
        id="caveats",
        title="Caveats and limits of validity",
        blocks=(
            CaveatBlock(
                severity="stop",
                id="caveat-c04",
                title="Quantification limit below the lowest calibrator",
                text="The stated limit lies under the lowest standard that was measured.",
                because="1.7 µg/L is less than 2.0 µg/L.",
                remedy="Raise the limit to the lowest standard, or measure standards below it.",
                source="Directive 2009/90/EC, article 2",
            ),
            CaveatBlock(
                severity="condition",
                title="Cleaning required after high samples",
                text="A blank after the highest standard is not free of nickel.",
                remedy="Add a cleaning step to the procedure.",
            ),
            CaveatBlock(severity="note", title="Rounding", text="Numbers are rounded once, for print."),
            Paragraph(
                (
                    "See ",
                    Reference("caveat-c04"),
                    ", ",
                    Reference("annex-data"),
                    " and ",
                    WebLink("https://www.eurachem.org"),
                    ". A value that does not count: ",
                    Struck("12.9"),
                    ".",
                )
            ),
        ),
    )


def _annex(rows: int) -> Section:
    data = tuple(
        Row(
            (
                f"P{index:03}",
                f"{index * 0.5:g}",
                f"{index * 20.61:.2f}",
                f"{(-1) ** index * index / 7:.3f}".replace("-", "−"),
                "pump failed: flow below 0.4 mL/min" if index % 17 == 5 else "",
            ),
            "excluded" if index % 17 == 5 else "plain",
        )
        for index in range(1, rows + 1)
    )
    return Section(
        id="annex-data",
        title="Raw data",
        numbering="appendix",
        new_page=True,
        blocks=(
            Table(
                id="tab-data",
                caption="Every datum of the calibration, the excluded ones struck.",
                columns=(
                    Column("Preparation"),
                    Column("Level", "µg/L", "decimal"),
                    Column("Signal", "nA", "decimal"),
                    Column("Residual", "nA", "decimal"),
                    Column("Remark", width=35),
                ),
                rows=data,
                size="small",
            ),
            PageBreak(),
            Table(
                id="tab-wide",
                caption="A table with more columns than a page is wide.",
                columns=tuple(Column(f"Quantity {index}", "mg/kg", "decimal") for index in range(14)),
                rows=tuple(
                    Row(tuple(f"{row + column / 7:.3f} ± 0.012" for column in range(14))) for row in range(4)
                ),
            ),
            Table(
                id="tab-hashes",
                caption="Inputs.",
                columns=(Column("File"), Column("SHA-256"), Column("Role")),
                rows=(
                    Row(("a_very_long_file_name_without_any_place_to_break_it_2024.csv", Code(HASH), "data")),
                ),
            ),
        ),
    )
