"""The formulas behind the figures of one dossier: those of what was computed, no others."""

from __future__ import annotations

import re
from types import NoneType
from typing import TYPE_CHECKING

from validator.dossier.document import Formula
from validator.dossier.inline import Content, Inline, Symbol
from validator.dossier.sections.formulas_of_conditions import OF_CONDITIONS
from validator.dossier.sections.formulas_of_uncertainty import OF_UNCERTAINTY, uncertainty_names
from validator.evaluation.results import LimitVariant, NotAssessed, ResidueLimitRecord
from validator.sources import Source, in_one_line
from validator.statistics.detection import VARIANTS

if TYPE_CHECKING:
    from validator.dossier.sections.context import Context

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
        (say.text("robustness.title"), _general(context, _robustness_names(context))),
        (
            say.text("stability.title"),
            _if(context, "stability", ("stability",)) + _if(context, "carry_over", ("carry_over",)),
        ),
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


def _robustness_names(context: Context) -> tuple[str, ...]:
    designs = {
        "one_at_a_time" if item.configuration.robustness.design == "one_at_a_time" else "effects"
        for item in context.items()
        if not isinstance(item.configuration.robustness, NotAssessed)
    }
    return tuple(sorted(designs))


def _general(context: Context, names: tuple[str, ...]) -> tuple[Named, ...]:
    known = _GENERAL | OF_CONDITIONS | OF_UNCERTAINTY
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
