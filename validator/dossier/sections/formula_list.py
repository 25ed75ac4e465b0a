"""The formulas behind the figures of one dossier: those of what was computed, no others."""

from __future__ import annotations

import re
from types import NoneType
from typing import TYPE_CHECKING

from validator.characteristics.order import FIRST_OF, PACKAGES
from validator.dossier.document import Formula
from validator.dossier.inline import Content, Inline, Symbol
from validator.evaluation.results import LimitVariant, NotAssessed, ResidueLimitRecord
from validator.sources import Source, in_one_line
from validator.statistics.detection import VARIANTS

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from validator.dossier.sections.context import Context
    from validator.evaluation.results import UncertaintyRecord


OF_UNCERTAINTY: dict[str, tuple[str, str, tuple[Source, ...]]] = {
    "top_down": (
        r"u_c = \sqrt{u^2(R_w) + u^2(bias) + \sum_i (c_i u_i)^2}, \quad U = k\, u_c",
        "combined standard uncertainty from within-laboratory reproducibility, bias and stated components",
        (
            Source("ISO 11352:2012, clause 8", "memory"),
            Source("Nordtest TR 537, ed. 3.1 (2012), chapter 3", "memory"),
        ),
    ),
    "bias_recovery": (
        r"u(bias) = \sqrt{\frac1N \sum b_i^2 + \bar u^2(C_{ref})}",
        "bias of several reference materials or recoveries, with the uncertainty of the references",
        (
            Source("ISO 11352:2012, 8.3", "memory"),
            Source("Nordtest TR 537, ed. 3.1 (2012), chapter 6", "memory"),
        ),
    ),
    "level_function": (
        r"u^2(x) = s_0^2 + (s_1 x)^2",
        "standard uncertainty as a function of the level",
        (Source("Eurachem/CITAC CG 4, 3rd ed. 2012, Appendix E.5", "memory"),),
    ),
    "welch_satterthwaite": (
        r"u_c^2(y) = \sum_i \sum_j c_i c_j r_{ij} u_i u_j, \quad "
        r"\nu_{eff} = \frac{u_c^4}{\sum_i (c_i u_i)^4/\nu_i}, \quad k = t_{(1+p)/2}(\nu_{eff})",
        "law of propagation of uncertainty, effective degrees of freedom and coverage factor",
        (Source("JCGM 100:2008, 5.1.2, 5.2.2 and G.4.1", "seen"),),
    ),
    "monte_carlo": (
        r"d_{low} = |y - U - y_{low}|, \quad d_{high} = |y + U - y_{high}|, \quad d \le \delta",
        "comparison of the ends of the interval of a budget with those of a Monte Carlo simulation",
        (Source("JCGM 101:2008, clauses 7 and 8", "memory"),),
    ),
    "tolerance": (
        r"\bar x \pm t_{(1+\beta)/2}(\nu)\, s_I \sqrt{1 + \frac{1}{p n B^2}}, \quad "
        r"B^2 = \frac{R+1}{nR+1}, \quad R = \frac{s_b^2}{s_r^2}",
        "interval that holds the share beta of future results on average, from p series of n results",
        (
            Source("R. W. Mee, Technometrics 26 (1984) 251", "memory"),
            Source("content interval: D. Hoffman, R. Kringle, J. Biopharm. Stat. 15 (2005) 283", "memory"),
            Source("profile: P. Hubert et al., J. Pharm. Biomed. Anal. 36 (2004) 579", "memory"),
        ),
    ),
    "guard_band": (
        r"g = t_{1-\alpha}(\nu)\, u, \quad p_c = \Phi\left(\frac{T_U - y}{u}\right) - "
        r"\Phi\left(\frac{T_L - y}{u}\right)",
        "guard band, and probability that the true value keeps the limits given a measured value",
        (
            Source("JCGM 106:2012, 7.2 to 7.4 and 8.3", "memory"),
            Source(
                "Eurachem/CITAC, Use of uncertainty information in compliance assessment, 2nd ed. 2021",
                "memory",
            ),
        ),
    ),
}
"""Formula, how it is spoken, and source, by name; the names stand in the catalogue of formulas."""


def uncertainty_names(context: Context) -> tuple[str, ...]:
    """Formulas of what the records of uncertainty hold."""
    found = list(_records(context))
    with_levels = [one for one in found if one.levels]
    simulated = any(one.simulated is not None or one.formula is not None for one in found)
    return tuple(
        name
        for name, used in (
            ("top_down", bool(with_levels)),
            ("bias_recovery", any(not isinstance(one.bias, NotAssessed) for one in with_levels)),
            ("level_function", any(one.function is not None for one in with_levels)),
            ("welch_satterthwaite", bool(found)),
            ("monte_carlo", simulated),
            ("guard_band", any(one.conformity for one in found)),
        )
        if used
    )


def _records(context: Context) -> Iterator[UncertaintyRecord]:
    for item in context.items():
        if not isinstance(item.configuration.uncertainty, NotAssessed):
            yield item.configuration.uncertainty


OF_CONDITIONS: dict[str, tuple[str, str, tuple[Source, ...]]] = {
    "interlaboratory": (
        r"s_r^2 = \frac{\sum (n_i-1) s_i^2}{\sum (n_i-1)}, \quad s_L^2 = \max\left(0, "
        r"\frac{s_d^2 - s_r^2}{\bar{\bar n}}\right), \quad s_R^2 = s_r^2 + s_L^2",
        "repeatability, between-laboratory and reproducibility variance from the cells of the laboratories",
        (Source("ISO 5725-2:1994, 7.4.5", "memory"),),
    ),
    "mandel_h_k": (
        r"h_i = \frac{\bar y_i - \bar{\bar y}}{\sqrt{\sum (\bar y_i - \bar{\bar y})^2/(p-1)}}, \quad "
        r"k_i = \frac{s_i}{\sqrt{\sum s_i^2/p}}",
        "Mandel's consistency statistics h, between laboratories, and k, within them",
        (Source("ISO 5725-2:1994, 7.3.1", "memory"),),
    ),
    "horwitz": (
        r"RSD_R = 2^{1 - 0.5 \lg C}\,\% \;(1.2\cdot 10^{-7} \le C \le 0.138), \quad "
        r"HorRat = \frac{RSD_{found}}{RSD_R}",
        "relative standard deviation between laboratories predicted from the mass fraction C, and its ratio "
        "to what was found",
        (
            Source("W. Horwitz, Anal. Chem. 54 (1982) 67A", "memory"),
            Source("ends after M. Thompson, Analyst 125 (2000) 385", "memory"),
            Source("range: W. Horwitz, R. Albert, J. AOAC Int. 89 (2006) 1095", "memory"),
        ),
    ),
    "outliers": (
        r"G = \frac{\max |x_i - \bar x|}{s}, \quad C = \frac{s_{max}^2}{\sum s_i^2}, \quad "
        r"Q = \frac{x_{(2)} - x_{(1)}}{x_{(n)} - x_{(1)}}",
        "outlier tests of Grubbs for a value, Cochran for a variance, Dixon for an end value",
        (
            Source("ISO 5725-2:1994, 7.3.3 and 7.3.4", "memory"),
            Source("W. J. Dixon, Ann. Math. Stat. 22 (1951) 68", "memory"),
        ),
    ),
    "matrix_effect": (
        r"\Delta = 100\left(\frac{b_{matrix}}{b_{solvent}} - 1\right)\%",
        "matrix effect: relative difference of the slope in matrix from that of the calibration",
        (
            Source("common practice", "practice"),
            Source("interval after E. C. Fieller, J. R. Stat. Soc. B 16 (1954) 175", "memory"),
        ),
    ),
    "standard_addition": (
        r"x_0 = \frac{a}{b}, \quad s_{x_0} = \frac{s}{b}\sqrt{\frac1n + \frac{\bar y^2}{b^2 S_{xx}}}",
        "content of the measured solution by standard addition, and its standard error",
        (
            Source("DIN 32633:2013", "memory"),
            Source(
                "J. N. Miller, J. C. Miller, Statistics and Chemometrics for Analytical Chemistry, "
                "5th ed. 2005, section 5.8",
                "memory",
            ),
        ),
    ),
    "paired": (
        r"t = \frac{\bar d\,\sqrt n}{s_d}, \quad \bar d \pm 1.96\, s_d",
        "paired t test of the mean difference, and limits of agreement",
        (
            Source("NIST/SEMATECH e-Handbook, 7.3.1", "seen"),
            Source("J. M. Bland, D. G. Altman, Stat. Methods Med. Res. 8 (1999) 135", "seen"),
            Source("exact intervals: A. Carkeet, Optom. Vis. Sci. 92 (2015) e71", "seen"),
        ),
    ),
    "deming": (
        r"b = \frac{S_{yy} - \lambda S_{xx} + \sqrt{(S_{yy}-\lambda S_{xx})^2 + 4\lambda S_{xy}^2}}"
        r"{2 S_{xy}}, \quad a = \bar y - b \bar x",
        "line with errors in both methods, lambda being the ratio of their error variances",
        (Source("K. Linnet, Clin. Chem. 39 (1993) 424, jackknife intervals", "memory"),),
    ),
    "passing_bablok": (
        r"b = \mathrm{shifted\ median}\left\{\frac{y_i - y_j}{x_i - x_j}\right\}, \quad "
        r"a = \mathrm{median}\{y_i - b x_i\}",
        "line from the shifted median of the pairwise slopes",
        (Source("H. Passing, W. Bablok, J. Clin. Chem. Clin. Biochem. 21 (1983) 709", "memory"),),
    ),
    "york": (
        r"b = \frac{\sum W_i \beta_i V_i}{\sum W_i \beta_i U_i}, \quad "
        r"W_i = \frac{1}{u_{y,i}^2 + b^2 u_{x,i}^2}",
        "line with a stated uncertainty of every result in both methods, found by iteration",
        (Source("D. York et al., Am. J. Phys. 72 (2004) 367, section III", "seen"),),
    ),
    "devices": (
        r"s_{dev} = \sqrt{\frac{\sum (\bar y_j - \bar y)^2}{p-1}}, \quad "
        r"RSD_{dev} = 100\,\frac{s_{dev}}{\bar y}",
        "spread of the devices' means as observed; components by one-way analysis of variance",
        (Source("ISO 5725-3:2023, with devices as groups", "memory"),),
    ),
    "repeated_use": (
        r"U = u_1 + \frac{L}{100\,\rho}, \quad \rho = -\frac{b}{\hat y(u_1)}",
        "use at which the signal has lost L percent, rho being the decline per use as part of the first",
        (Source("inverse of the confidence limit of a line, as in ICH Q1E (2003), Appendix B.1", "memory"),),
    ),
}
"""Formula, how it is spoken, and source, by name; the names stand in the catalogue of formulas."""


Named = tuple[Content, Formula]

# a letter, barred or Greek too, with a subscript or alone; "a" is a symbol only where nothing else stands
_LETTERS = re.compile(
    r"(?<![\w'])(?:(?P<letter>[^\W\d_]\u0304?)_(?P<sub>\w+(?:/\w+)?)"
    r"|(?P<alone>(?![aAI])[^\W\d_]\u0304?|^a$)(?![\w']))"
)

_GENERAL: dict[str, tuple[str, str, tuple[Source, ...]]] = {
    "line": (
        r"b = \frac{\sum w_i (x_i-\bar x)(y_i-\bar y)}{\sum w_i (x_i-\bar x)^2}, \quad "
        r"a = \bar y - b \bar x, \quad s_{y/x} = \sqrt{\frac{\sum w_i (y_i-\hat y_i)^2}{n-p}}",
        "slope, intercept and residual standard deviation of weighted least squares",
        (Source("ISO 8466-1:1990, clause 4, weights normalised to sum n", "memory"),),
    ),
    "lack_of_fit": (
        r"F = \frac{SS_{LOF}/(k-p)}{SS_{PE}/(n-k)}",
        "lack of fit: mean square about the function over mean square within levels",
        (Source("N. R. Draper, H. Smith, Applied Regression Analysis, 3rd ed. 1998, section 2.1", "memory"),),
    ),
    "mandel": (
        r"F = \frac{(n-2)\, s_{y,1}^2 - (n-3)\, s_{y,2}^2}{s_{y,2}^2}",
        "Mandel's test: what a second-order term removes, over the residual variance that is left",
        (Source("ISO 8466-1:1990, 4.1.3", "memory"),),
    ),
    "inverse": (
        r"x_0 = \frac{y_0-a}{b}, \quad s_{x_0} = \frac{s_{y/x}}{b}\sqrt{\frac1{m w_0}+\frac1n+"
        r"\frac{(x_0-\bar x)^2}{S_{xx}}}",
        "level read back from a mean signal, and its standard error; intervals after Fieller",
        (
            Source("ISO 8466-1:1990, clause 5", "memory"),
            Source("E. C. Fieller, J. R. Stat. Soc. B 16 (1954) 175", "memory"),
        ),
    ),
    "precision": (
        r"s_r^2 = MS_W, \quad s_b^2 = \max\left(0, \frac{MS_B - MS_W}{n_0}\right), "
        r"\quad s_I^2 = s_r^2 + s_b^2",
        "repeatability, between-group and intermediate variance from the mean squares",
        (
            Source("ISO 5725-2:2019", "memory"),
            Source("ISO 5725-3:2023, unbalanced layouts by restricted maximum likelihood", "memory"),
        ),
    ),
    "recovery": (
        r"R_i = 100\,\frac{c_i - c_0}{c_{add}}\,\%, \quad u^2(\bar R) = u^2_{scatter} + "
        r"\left(\frac{100}{c_{add}}\right)^2 u^2(c_0)",
        "recovery of an added amount, and the standard uncertainty of its mean",
        (
            Source("IUPAC, Pure Appl. Chem. 71 (1999) 337", "memory"),
            Source("JCGM 100:2008, 5.1.2", "memory"),
        ),
    ),
    "interference": (
        r"\Delta = 100\left(\frac{\bar y_{with}}{\bar y_{without}} - 1\right)\%",
        "relative change by an interferent; Fieller interval with Welch–Satterthwaite degrees of freedom",
        (
            Source("B. L. Welch, Biometrika 34 (1947) 28", "memory"),
            Source("common practice for sensors", "practice"),
        ),
    ),
    "residue_limit": (
        r"CC = L + k\,u, \quad u = \sqrt{s_{wR}^2 + b^2 + u^2(b)}",
        "base level plus a one-sided normal deviate times the combined standard uncertainty, from within-"
        "laboratory reproducibility and bias",
        (Source("Regulation (EU) 2021/808, consolidated 20 August 2024, Annex I 2.6 and 2.7", "reprint"),),
    ),
    "ratio": (
        r"\rho = \frac{b_1}{b_2}, \quad t = \frac{b_1 - b_2}{\sqrt{s_{b_1}^2+s_{b_2}^2}}",
        "ratio of two slopes with Fieller interval, and Welch's test of their difference",
        (
            Source("E. C. Fieller, J. R. Stat. Soc. B 16 (1954) 175", "memory"),
            Source("B. L. Welch, Biometrika 34 (1947) 28", "memory"),
        ),
    ),
}


def formulas_used(context: Context) -> tuple[tuple[str, tuple[Named, ...]], ...]:
    """Formulas by topic, in the order of the sections; topics without a figure are left out."""
    say = context.say
    topics = (
        (say.text("calibration.title"), _calibration(context)),
        (say.text("detection.title"), _limits(context)),
        (say.text("precision.title"), _general(context, _precision_names(context))),
        (say.text("trueness.title"), _if(context, "recovery", ("recovery",))),
        (say.text("decision_limits.title"), _general(context, _residue_names(context))),
        (say.text("selectivity.title"), _if(context, "interference", ("interference",))),
        (
            say.text("matrix.title"),
            _if(context, "matrix_effect", ("matrix_effect",))
            + _if(context, "standard_addition", ("standard_addition",)),
        ),
        (say.text("method_comparison.title"), _general(context, _comparison_names(context))),
        *((say.text(f"{name}.title"), _of_packages(context, section)) for section, name in FIRST_OF.items()),
        (
            say.text("devices.title"),
            _if(context, "device_to_device", ("devices",)) + _if(context, "repeated_use", ("repeated_use",)),
        ),
        (
            say.text("configurations.title"),
            _general(context, ("ratio",)) if context.results.comparison_of_configurations else (),
        ),
        (say.text("uncertainty.title"), _general(context, uncertainty_names(context))),
        (say.text("accuracy_profile.title"), _if(context, "accuracy_profile", ("tolerance",))),
    )
    return tuple((title, formulas) for title, formulas in topics if formulas)


def _precision_names(context: Context) -> tuple[str, ...]:
    """Formulas of what the precision records hold."""
    records = [
        record
        for item in context.items()
        if not isinstance(item.configuration.precision, NotAssessed)
        for record in item.configuration.precision
    ]
    over_laboratories = any(record.consistency is not None for record in records)
    within = any(record.consistency is None for record in records)
    return tuple(
        name
        for name, used in (
            ("precision", within),
            ("interlaboratory", over_laboratories),
            ("mandel_h_k", over_laboratories),
            ("outliers", any(record.outlier_tests for record in records)),
            ("horwitz", any(record.horwitz_rsd is not None for record in records)),
        )
        if used
    )


def _residue_names(context: Context) -> tuple[str, ...]:
    found = [
        getattr(item.configuration, name)
        for item in context.validated_items()
        for name in ("decision_limit", "detection_capability")
    ]
    return ("residue_limit",) if any(isinstance(one, ResidueLimitRecord) for one in found) else ()


def _comparison_names(context: Context) -> tuple[str, ...]:
    found = [
        item.configuration.comparison
        for item in context.items()
        if not isinstance(item.configuration.comparison, NotAssessed)
    ]
    names = ("paired", "deming", "passing_bablok", "york")
    return tuple(
        name
        for name in names
        if any(not isinstance(getattr(one, name), (NotAssessed, NoneType)) for one in found)
    )


def _of_packages(context: Context, section: str) -> tuple[Named, ...]:
    """Formulas of the characteristics with a package of their own that stand in *section*."""
    found: dict[str, tuple[str, str, tuple[Source, ...]]] = {}
    for one in PACKAGES:
        every = (item.configuration.of(one.name) for item in context.items())
        records = [record for record in every if not isinstance(record, NotAssessed)]
        if one.section == section and records:
            told = one.part("telling")
            used = told.formulas_of(records) if hasattr(told, "formulas_of") else told.FORMULAS
            found |= {name: told.FORMULAS[name] for name in used}
    return _named(context, tuple(found), found)


def _general(context: Context, names: tuple[str, ...]) -> tuple[Named, ...]:
    return _named(context, names, _GENERAL | OF_CONDITIONS | OF_UNCERTAINTY)


def _named(
    context: Context, names: tuple[str, ...], known: Mapping[str, tuple[str, str, tuple[Source, ...]]]
) -> tuple[Named, ...]:
    return tuple(
        (
            context.say(f"formulas.{name}"),
            Formula(latex=known[name][0], spoken=known[name][1], source=in_one_line(known[name][2])),
        )
        for name in names
    )


def _if(context: Context, field: str, names: tuple[str, ...]) -> tuple[Named, ...]:
    shown = any(not isinstance(getattr(item.configuration, field), NotAssessed) for item in context.items())
    return _general(context, names) if shown else ()


def _calibration(context: Context) -> tuple[Named, ...]:
    return _if(context, "calibration", ("line", "lack_of_fit", "mandel", "inverse"))


def symbols(text: str) -> tuple[tuple[Content, Content], ...]:
    """``"s_0, s_B: scatter of blanks; n_b: blanks"`` as letters with their subscripts and what they mean."""
    found: list[tuple[Content, Content]] = []
    for part in text.split("; "):
        letters, colon, meaning = part.partition(": ")
        found.append((with_symbols(letters), with_symbols(meaning) if colon else ""))
    return tuple(found)


def with_symbols(text: str) -> Content:
    """Running text with its symbols set: ``s_y/x`` and letters that stand alone."""
    found: list[Inline | str] = []
    end = 0
    for one in _LETTERS.finditer(text):
        found.extend((text[end : one.start()], Symbol(one["letter"] or one["alone"], one["sub"] or "")))
        end = one.end()
    return tuple(piece for piece in (*found, text[end:]) if piece)


def _limits(context: Context) -> tuple[Named, ...]:
    used = {
        name
        for item in context.items()
        if not isinstance(item.configuration.detection, NotAssessed)
        for name, one in item.configuration.detection.variants.items()
        if isinstance(one, LimitVariant)
    }
    return tuple(
        (
            variant.title,
            Formula(
                latex=variant.formula,
                spoken=f"limits by the variant {variant.title}",
                where=symbols(variant.symbols),
                source=variant.source.marked,
            ),
        )
        for name, variant in VARIANTS.items()
        if name in used
    )
