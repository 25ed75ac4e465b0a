"""Formulas of uncertainty, of the accuracy profile and of conformity with limits."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.evaluation.results import NotAssessed
from validator.sources import Source

if TYPE_CHECKING:
    from collections.abc import Iterator

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
