"""The one list of variants, and all or one of them computed. A new variant is one function and one entry."""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING, Literal

from msgspec import Struct
from msgspec.structs import replace

from validator.errors import NotEstimable
from validator.statistics.detection.detection_rate import DETECTION_RATE, detection_rate
from validator.statistics.detection.din_32645 import (
    DIN_32645,
    DIN_32645_QUICK,
    din_32645_blank,
    din_32645_calibration,
    din_32645_quick,
)
from validator.statistics.detection.hypothesis_based import (
    CURRIE,
    HUBAUX_VOS,
    ISO_11843,
    currie,
    hubaux_vos,
    iso_11843,
)
from validator.statistics.detection.limit_of_blank import LOB_LOD, lob_lod
from validator.statistics.detection.multiples import (
    EUR_28099,
    EURACHEM,
    ICH,
    ISO_13530,
    IUPAC_1976,
    PROPAGATION,
    blank_3_3,
    blank_3s,
    blank_mean_3s,
    error_propagation,
    eur_28099,
    intercept_3_3,
    intercepts_3_3,
    iso_13530,
    residual_3_3,
)
from validator.statistics.detection.profile_based import (
    ACCURACY_PROFILE,
    LOWER_LINEAR,
    LOWEST_CALIBRATOR,
    LOWEST_VALIDATED,
    PRECISION_PROFILE,
    accuracy_profile,
    lower_linear_limit,
    lowest_calibrator,
    lowest_validated_level,
    precision_profile,
)
from validator.statistics.detection.result import BELOW_CALIBRATION, LimitResult
from validator.statistics.detection.signal_to_noise import SIGNAL_TO_NOISE, signal_to_noise
from validator.statistics.detection.spike_based import CFR_136, epa_mdl, low_level_3s

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from validator.sources import Source
    from validator.statistics.detection.inputs import DetectionInputs


Gives = Literal["critical", "detection", "quantification"]

FAR_BELOW = 3.0
"""A limit this many times below the lowest calibrator above zero is an extrapolation."""


class Variant(Struct, frozen=True, kw_only=True):
    """One way to a detection or quantification limit.

    Attributes:
        id: name in the study description and the results.
        quantifies_as: another name for its quantification limit, by the factor that this has.
        title: name in the dossier.
        function: computes it or raises NotEstimable.
        formula: LaTeX.
        symbols: what the letters of the formula mean.
        source: published source.
        sigma_contains: what scatter its standard deviation holds, and what not.
        rests_on: data blocks whose scatter that is; more results of the first make the limit surer.
        is_level: the limit is a level that was tested or where a tolerance interval ends, no multiple of a σ.
        from_zero: it takes the standard deviation of the blanks and leaves their mean out.
        needs: what data it takes.
        gives: which limits it returns.
    """

    id: str
    quantifies_as: str = ""
    title: str
    function: Callable[[DetectionInputs], LimitResult]
    formula: str
    symbols: str
    source: Source
    sigma_contains: str
    rests_on: tuple[str, ...]
    is_level: bool = False
    from_zero: bool = False
    needs: str
    gives: tuple[Gives, ...]

    def limits(self, inputs: DetectionInputs) -> LimitResult:
        """Limits by this variant, with the cautions that hold for any variant added.

        Raises:
            NotEstimable: the data cannot carry it.
        """
        result = self.function(inputs)
        value = result.lowest.value
        if value <= 0:
            raise NotEstimable(
                "the calculated limit is not positive: the blanks lie below the calibration function",
                "blanks that lie on the calibration function, or a limit that does not use their mean",
            )
        if result.detection_limit is not None and _far_below_calibration(inputs, value):
            return replace(result, cautions=(*result.cautions, BELOW_CALIBRATION))
        return result


def _far_below_calibration(inputs: DetectionInputs, value: float) -> bool:
    if inputs.fit is None:
        return False
    positive = inputs.fit.x[inputs.fit.x > 0]
    return positive.size > 0 and value * FAR_BELOW < float(positive.min())


_BLANK_SYMBOLS = (
    "s_0, s_B: standard deviation of single blanks; n_b: blanks; m: readings averaged for a result; b: slope"
)
_LINE_SYMBOLS = (
    "s: residual standard deviation; b: slope; n: calibration preparations; m: readings per result; "
    "x̄, S_xx: mean and sum of squares of the levels; t: Student's t with ν degrees of freedom"
)
_BLANK_SCATTER = (
    "the variation of complete blanks, for the steps of the procedure to which they were "
    "subjected; calibration not included"
)
_RESIDUAL_SCATTER = (
    "the variation of the calibration preparations about the function over the whole range, any "
    "lack of fit included; matrix and sample preparation not included"
)

_ALL = (
    Variant(
        id="blank_3s",
        quantifies_as="blank_10s",
        title="Blank, 3s (Eurachem)",
        function=blank_3s,
        formula=(
            r"x_D = \frac{3 s_0'}{b},\quad x_Q = \frac{10 s_0'}{b},\quad "
            r"s_0' = s_0\sqrt{\frac1m+\frac1{n_b}}"
        ),
        symbols=_BLANK_SYMBOLS + "; 1/n_b only where results are blank-corrected",
        source=EURACHEM,
        sigma_contains=_BLANK_SCATTER,
        rests_on=("blanks",),
        from_zero=True,
        needs="at least 2 independent blanks (10 are customary)",
        gives=("detection", "quantification"),
    ),
    Variant(
        id="blank_mean_3s",
        quantifies_as="blank_mean_10s",
        title="Mean blank + 3s (IUPAC 1976)",
        function=blank_mean_3s,
        formula=r"x_D = \frac{\bar y_B + 3 s_B - a}{b},\quad x_Q = \frac{\bar y_B + 10 s_B - a}{b}",
        symbols=_BLANK_SYMBOLS + "; ȳ_B: mean blank signal; a: intercept (0 and b = 1 for results)",
        source=IUPAC_1976,
        sigma_contains=_BLANK_SCATTER
        + "; the difference between mean blank and intercept is added to the limit",
        rests_on=("blanks",),
        needs="at least 2 independent blanks (10 are customary), as signals with a calibration",
        gives=("detection", "quantification"),
    ),
    Variant(
        id="blank_3.3",
        quantifies_as="blank_10",
        title="Blank, 3.3s (ICH)",
        function=blank_3_3,
        formula=r"x_D = \frac{3.3 s_B}{b},\quad x_Q = \frac{10 s_B}{b}",
        symbols=_BLANK_SYMBOLS,
        source=ICH,
        sigma_contains=_BLANK_SCATTER,
        rests_on=("blanks",),
        from_zero=True,
        needs="at least 2 independent blanks (10 are customary)",
        gives=("detection", "quantification"),
    ),
    Variant(
        id="eur_28099",
        title="Blank, 3.9s (EUR 28099)",
        function=eur_28099,
        formula=r"x_D = \frac{3.9 s_B}{b},\quad x_Q = 3.3\, x_D",
        symbols=_BLANK_SYMBOLS,
        source=EUR_28099,
        sigma_contains=_BLANK_SCATTER,
        rests_on=("blanks",),
        from_zero=True,
        needs="at least 10 independent blanks",
        gives=("detection", "quantification"),
    ),
    Variant(
        id="iso_13530",
        title="Blank, 3s and 9s (ISO/TS 13530)",
        function=iso_13530,
        formula=r"x_D = \frac{3 s_0}{b},\quad x_Q = 3\, x_D",
        symbols=_BLANK_SYMBOLS,
        source=ISO_13530,
        sigma_contains=_BLANK_SCATTER,
        rests_on=("blanks",),
        from_zero=True,
        needs="at least 2 independent blanks (10 are customary)",
        gives=("detection", "quantification"),
    ),
    Variant(
        id="error_propagation",
        title="Propagation of errors (Long–Winefordner)",
        function=error_propagation,
        formula=r"x_D = \frac{3}{b}\sqrt{s_B^2 + s_a^2 + (a/b)^2 s_b^2}",
        symbols="s_B: standard deviation of the blanks; a, b, s_a, s_b: intercept, slope, standard errors",
        source=PROPAGATION,
        sigma_contains=_BLANK_SCATTER.replace("calibration not included", "the doubt of the line"),
        rests_on=("blanks",),
        from_zero=True,
        needs="at least 2 independent blanks as signals, and a straight-line calibration",
        gives=("detection",),
    ),
    Variant(
        id="residual_3.3",
        quantifies_as="residual_10",
        title="Residual SD, 3.3s (ICH)",
        function=residual_3_3,
        formula=r"x_D = \frac{3.3 s_{y/x}}{b},\quad x_Q = \frac{10 s_{y/x}}{b}",
        symbols="s_y/x: residual standard deviation, over √w_0 for a weighted fit; b: slope",
        source=ICH,
        sigma_contains=_RESIDUAL_SCATTER,
        rests_on=("calibration",),
        needs="a calibration of at least 3 preparations",
        gives=("detection", "quantification"),
    ),
    Variant(
        id="intercept_3.3",
        quantifies_as="intercept_10",
        title="SD of intercept, 3.3s (ICH)",
        function=intercept_3_3,
        formula=r"x_D = \frac{3.3 s_a}{b},\quad x_Q = \frac{10 s_a}{b}",
        symbols="s_a: standard deviation of the intercept; b: slope",
        source=ICH,
        sigma_contains=(
            "the standard error of the intercept; the variation of the sample signal is not included"
        ),
        rests_on=("calibration",),
        needs="a straight-line calibration with an intercept",
        gives=("detection", "quantification"),
    ),
    Variant(
        id="low_level_3s",
        quantifies_as="low_level_10s",
        title="Low-level sample, 3s (Eurachem)",
        function=low_level_3s,
        formula=r"x_D = 3 s_0',\quad x_Q = 10 s_0',\quad s_0' = s_0\sqrt{\frac1m+\frac1{n_b}}",
        symbols="s_0: standard deviation of results of the low-level sample; n_b, m as for blanks",
        source=EURACHEM,
        sigma_contains=(
            "the variation of complete results at a low level, calibration and sample preparation included"
        ),
        rests_on=("low_level",),
        needs="at least 2 independent results of a low-level sample (10 are customary)",
        gives=("detection", "quantification"),
    ),
    Variant(
        id="intercepts_3.3",
        quantifies_as="intercepts_10",
        title="SD of intercepts of several lines, 3.3s (ICH)",
        function=intercepts_3_3,
        formula=r"x_D = \frac{3.3\, s(a_1 \dots a_k)}{b},\quad x_Q = \frac{10\, s(a_1 \dots a_k)}{b}",
        symbols="s(a): standard deviation of the intercepts of k lines; b: slope over all; ν = k − 1",
        source=ICH,
        sigma_contains="the variation of the intercept between series; within a series it is averaged",
        rests_on=("calibration",),
        needs="three or more series with a straight line each",
        gives=("detection", "quantification"),
    ),
    Variant(
        id="currie",
        quantifies_as="currie_10",
        title="Currie (IUPAC 1995)",
        function=currie,
        formula=(
            r"x_C = t_{1-\alpha,\nu}\frac{s_0}{b}\sqrt{\frac1m+\frac1{n_c}},\quad "
            r"x_D = \delta_{\alpha,\beta,\nu}\frac{s_0}{b}\sqrt{\frac1m+\frac1{n_c}},\quad "
            r"x_Q = 10\frac{s_0}{b}\sqrt{\frac1m+\frac1{n_c}}"
        ),
        symbols=_BLANK_SYMBOLS
        + "; n_c: blanks averaged in a routine correction; δ: noncentrality of t at false positives α "
        "and false negatives β; ν = n_b − 1",
        source=CURRIE,
        sigma_contains=_BLANK_SCATTER,
        rests_on=("blanks",),
        from_zero=True,
        needs="at least 2 independent blanks (10 are customary)",
        gives=("critical", "detection", "quantification"),
    ),
    Variant(
        id="iso_11843",
        title="ISO 11843-2",
        function=iso_11843,
        formula=(
            r"x_C = t_{1-\alpha,\nu}\frac sb\sqrt{\frac1m+\frac1n+\frac{\bar x^2}{S_{xx}}},\quad "
            r"x_D = \delta_{\alpha,\beta,\nu}\frac sb\sqrt{\frac1m+\frac1n+\frac{\bar x^2}{S_{xx}}}"
        ),
        symbols=_LINE_SYMBOLS
        + "; δ: noncentrality of t; ν = n − 2; weighted: 1/m over the weight at the level",
        source=ISO_11843,
        sigma_contains=_RESIDUAL_SCATTER,
        rests_on=("calibration",),
        needs="a straight-line calibration with an intercept",
        gives=("critical", "detection"),
    ),
    Variant(
        id="din_32645_blank",
        title="DIN 32645, blank method",
        function=din_32645_blank,
        formula=(
            r"x_{NG} = t_{1-\alpha,\nu}\frac{s_L}{b}\sqrt{\frac1m+\frac1{n_b}},\quad "
            r"x_{BG} = k\,t_{1-\alpha/2,\nu}\frac{s_L}{b}"
            r"\sqrt{\frac1m+\frac1n+\frac{(x_{BG}-\bar x)^2}{S_{xx}}}"
        ),
        symbols=_LINE_SYMBOLS + "; s_L: standard deviation of the blanks; ν = n_b − 1; k = 3",
        source=DIN_32645,
        sigma_contains=_BLANK_SCATTER,
        rests_on=("blanks",),
        from_zero=True,
        needs="at least 2 independent blanks (10 are customary); an unweighted straight-line calibration",
        gives=("critical", "detection", "quantification"),
    ),
    Variant(
        id="din_32645_calibration",
        title="DIN 32645, calibration method",
        function=din_32645_calibration,
        formula=(
            r"x_{NG} = t_{1-\alpha,\nu}\frac sb\sqrt{\frac1m+\frac1n+\frac{\bar x^2}{S_{xx}}},\quad "
            r"x_{BG} = k\,t_{1-\alpha/2,\nu}\frac sb\sqrt{\frac1m+\frac1n+\frac{(x_{BG}-\bar x)^2}{S_{xx}}}"
        ),
        symbols=_LINE_SYMBOLS + "; ν = n − 2; k = 3; identification limit x_EG = 2 x_NG for α = β",
        source=DIN_32645,
        sigma_contains=_RESIDUAL_SCATTER,
        rests_on=("calibration",),
        needs="an unweighted straight-line calibration near the limit",
        gives=("critical", "detection", "quantification"),
    ),
    Variant(
        id="din_32645_quick",
        title="DIN 32645, quick estimate",
        function=din_32645_quick,
        formula=(
            r"x_{NG} = 1.2\,t_{1-\alpha,\nu}\frac sb\sqrt{\frac1m+\frac1n},\quad x_{EG} = 2 x_{NG},"
            r"\quad x_{BG} = 3 x_{NG}"
        ),
        symbols=_LINE_SYMBOLS + "; ν = n − 2",
        source=DIN_32645_QUICK,
        sigma_contains=_RESIDUAL_SCATTER,
        rests_on=("calibration",),
        needs="an unweighted straight-line calibration near the limit",
        gives=("critical", "detection", "quantification"),
    ),
    Variant(
        id="hubaux_vos",
        title="Prediction band (Hubaux–Vos)",
        function=hubaux_vos,
        formula=(
            r"b x_D = t_{1-\alpha,\nu}\,s\,h(0) + t_{1-\beta,\nu}\,s\,h(x_D),\quad "
            r"h(x)^2 = \frac1m+\frac1n+\frac{(x-\bar x)^2}{S_{xx}}"
        ),
        symbols=_LINE_SYMBOLS + "; α, β: false positives and false negatives",
        source=HUBAUX_VOS,
        sigma_contains=_RESIDUAL_SCATTER,
        rests_on=("calibration",),
        needs="a calibration",
        gives=("critical", "detection"),
    ),
    Variant(
        id="epa_mdl",
        quantifies_as="epa_ml",
        title="Method detection limit (40 CFR 136)",
        function=epa_mdl,
        formula=(
            r"MDL_S = t_{0.99,n-1}\,s_S,\quad MDL_B = \max(\bar x_B,0)+t_{0.99,n_B-1}\,s_B,\quad "
            r"MDL = \max(MDL_S, MDL_B)"
        ),
        symbols=(
            "s_S: standard deviation of n spiked samples; "
            "x̄_B, s_B: mean and standard deviation of n_B method blanks"
        ),
        source=CFR_136,
        sigma_contains=(
            "the variation of complete results over several batches, sample "
            "preparation and calibration included"
        ),
        rests_on=("low_level", "blanks"),
        needs="at least 7 spiked samples and 7 method blanks, each over at least 3 batches",
        gives=("detection", "quantification"),
    ),
    Variant(
        id="lob_lod",
        title="Limit of blank and limit of detection (CLSI EP17)",
        function=lob_lod,
        formula=r"LoB = \bar x_B + c_B s_B,\quad LoD = LoB + c_L s_L,\quad c = \frac{1.645}{1-1/(4\nu)}",
        symbols=(
            "x̄_B, s_B: mean and standard deviation of blanks; "
            "s_L: pooled standard deviation of low-level samples; ν: its degrees of freedom"
        ),
        source=LOB_LOD,
        sigma_contains=(
            "the variation of complete blanks and of complete low-level results over several days"
        ),
        rests_on=("low_level", "blanks"),
        needs="blanks (60 customary) and replicates of low-level samples over several days",
        gives=("critical", "detection"),
    ),
    Variant(
        id="detection_rate",
        title="Rate of detection (probit)",
        function=detection_rate,
        formula=r"x_D = \exp\frac{z_{1-\beta} - a}{b},\quad P(\text{detected}) = \Phi(a + b\ln x)",
        symbols="a, b: probit line; z: quantile of the normal distribution; β: false negatives",
        source=DETECTION_RATE,
        sigma_contains="whatever decides between detected and not detected, in complete results",
        rests_on=("low_level",),
        needs="low-level samples at 3 or more levels, some results detected and some not",
        gives=("detection",),
    ),
    Variant(
        id="signal_to_noise",
        quantifies_as="signal_to_noise_10",
        title="Signal-to-noise ratio",
        function=signal_to_noise,
        formula=r"x_D = \frac{3x}{S/N},\quad x_Q = \frac{10x}{S/N},\quad S/N = \frac{2H}{h}",
        symbols="H: signal height at level x; h: full width of the baseline noise (H/s with its rms value s)",
        source=SIGNAL_TO_NOISE,
        sigma_contains="the baseline noise of one recording only",
        rests_on=("noise",),
        needs="peak height and baseline noise at a level near the limit",
        gives=("detection", "quantification"),
    ),
    Variant(
        id="precision_profile",
        title="Precision profile",
        function=precision_profile,
        formula=r"x_Q = \frac{s_0}{\sqrt{R^2-\theta^2}},\quad s^2(x) = s_0^2+(\theta x)^2",
        symbols="R: target relative standard deviation; s_0, θ: coefficients of the variance function",
        source=PRECISION_PROFILE,
        sigma_contains=(
            "the variation of complete results at each level, between-series "
            "variation included where available"
        ),
        rests_on=("precision",),
        needs="replicates at 2 or more levels, including levels near the limit",
        gives=("quantification",),
    ),
    Variant(
        id="accuracy_profile",
        title="Accuracy profile",
        function=accuracy_profile,
        formula=r"x_Q = \min\{x : [L(x), U(x)] \subset [-\lambda, \lambda]\}",
        symbols="L, U: tolerance limits of the relative error; λ: acceptance limit",
        source=ACCURACY_PROFILE,
        sigma_contains="the bias and the variation of future results, within and between series",
        rests_on=("precision",),
        is_level=True,
        needs="precision and recovery data in series at 3 or more levels, and an acceptance limit",
        gives=("quantification",),
    ),
    Variant(
        id="lowest_validated_level",
        title="Lowest validated level",
        function=lowest_validated_level,
        formula=r"x_Q = \min\{x : \text{recovery and RSD at } x \text{ meet their criteria}\}",
        symbols="x: levels tested",
        source=LOWEST_VALIDATED,
        sigma_contains="the variation and bias of complete results at the level",
        rests_on=("recovery",),
        is_level=True,
        needs="recovery with replicates, and limits for recovery and precision",
        gives=("quantification",),
    ),
    Variant(
        id="lowest_calibrator",
        title="Lowest calibrator within 20 % (ICH M10)",
        function=lowest_calibrator,
        formula=r"x_Q = \min\{x : |\bar{\hat x} - x| \le 0.2\,x,\ s(\hat x) \le 0.2\,\bar{\hat x}\}",
        symbols="x: levels of the calibration; x̂: levels read back",
        source=LOWEST_CALIBRATOR,
        sigma_contains="the variation of the calibrators; matrix and sample preparation not included",
        rests_on=("calibration",),
        is_level=True,
        needs="3 preparations of each calibrator near the limit",
        gives=("quantification",),
    ),
    Variant(
        id="lower_linear_limit",
        title="Lower end of the linear range",
        function=lower_linear_limit,
        formula=r"x_Q = x_{\min}",
        symbols="x_min: lowest level of the linear range",
        source=LOWER_LINEAR,
        sigma_contains="none",
        rests_on=("calibration",),
        is_level=True,
        needs="a linear range",
        gives=("quantification",),
    ),
)

VARIANTS: dict[str, Variant] = {variant.id: variant for variant in _ALL}

QUANTIFICATION_ALIASES: dict[str, str] = {one.quantifies_as: one.id for one in _ALL if one.quantifies_as}
"""Names of the quantification limit of a variant whose own id names the factor of the detection limit."""


def all_limits(inputs: DetectionInputs) -> dict[str, LimitResult | NotEstimable]:
    """Limits by every variant, or why there are none, in the order of the registry."""
    return {name: limits_by(name, inputs) for name in VARIANTS}


def limits_by(name: str, inputs: DetectionInputs) -> LimitResult | NotEstimable:
    """Limits by the variant of the registry called *name*, or why there are none."""
    try:
        return VARIANTS[name].limits(inputs)
    except NotEstimable as refusal:
        # A fresh one: the raised one would keep its traceback and every array in it alive.
        return NotEstimable(refusal.reason, refusal.needs)


def resolve_detection(name: str) -> Variant:
    """The variant called *name*, which has to give a detection limit.

    Raises:
        NotEstimable: no such variant (with the nearest name), or one without a detection limit.
    """
    return _resolve(name, {}, "detection")


def resolve_quantification(name: str) -> Variant:
    """The variant called *name*, by its id or the name of its quantification limit.

    Raises:
        NotEstimable: no such variant (with the nearest name), or one without a quantification limit.
    """
    return _resolve(name, QUANTIFICATION_ALIASES, "quantification")


def _resolve(name: str, aliases: Mapping[str, str], gives: Gives) -> Variant:
    variant = VARIANTS.get(aliases.get(name, name))
    usable = [v.id for v in VARIANTS.values() if gives in v.gives] + list(aliases)
    if variant is not None and gives in variant.gives:
        return variant
    nearest = difflib.get_close_matches(name, usable, n=1)
    suggestion = f"; did you mean '{nearest[0]}'?" if nearest and variant is None else ""
    reason = (
        f"the variant '{name}' gives no {gives} limit"
        if variant is not None
        else f"there is no variant '{name}'"
    )
    raise NotEstimable(reason, "one of " + ", ".join(usable) + suggestion)
