"""What an analyst would write for one analyte with the formulas of statsmodels: the yardstick of speed.

A plain script: one fitted formula for each question, its tests by comparing nested models, its bands by
``get_prediction``, limits without a closed form by root finding on those bands. It takes the tables that
``studies.write_study`` writes and returns its figures under their paths in ``results.json``.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import statsmodels.formula.api as smf
import yaml
from scipy import optimize, stats
from statsmodels.stats.anova import anova_lm
from statsmodels.stats.diagnostic import het_breuschpagan
from statsmodels.stats.stattools import durbin_watson

CONFIDENCE, ALPHA = 0.95, 0.05
BOUNDS = {"ci": CONFIDENCE, "one_sided": 2 * CONFIDENCE - 1}
"""The two kinds of intervals: a one-sided bound is the end of a two-sided interval at a lower level."""

Figures = dict[str, float]


def read_tables(folder: Path) -> dict[str, pd.DataFrame]:
    """The tables of a study by name, and its interference runs as one more."""
    tables = {file.stem: pd.read_csv(file) for file in sorted(Path(folder).glob("*.csv"))}
    study = yaml.safe_load((Path(folder) / "study.yaml").read_text(encoding="utf-8"))
    tables["interference"] = pd.DataFrame(
        [
            {"interferent": run["interferent"], "added": added, "found": value}
            for run in study["interference"]["runs"]
            for added, values in ((False, run["reference"]), (True, run["found"]))
            for value in values
        ]
    )
    return tables


def figures_of(tables: dict[str, pd.DataFrame], weighting: str = "none", *, by_roots: bool = True) -> Figures:
    """The figures of the one analyte in *tables*; those of limits only where nothing is weighted.

    Limits that are roots of the bands can be left out: they are the dearest, and have closed forms.
    """
    line = _fitted("signal ~ level", tables["calibration"], weighting)
    found = _calibration(line, tables["calibration"], weighting)
    if weighting == "none":
        found |= _tests_of_residuals(line, tables["calibration"])
        found["calibration.method_standard_deviation"] = np.sqrt(line.scale) / line.params["level"]
        found |= _about_the_mean(tables["calibration"])
        found |= _linear_range(tables["calibration"])
        found |= _limits(line, tables["calibration"], tables["blanks"])
        found |= _bands(line, tables["calibration"]) if by_roots else {}
        found |= _blank_response(line, tables["blanks"])
    found |= _precision(tables["precision"])
    found |= _recovery(tables["recovery"])
    found |= _interference(tables["interference"])
    found |= _uncertainty(found)
    found |= _dependence_on_the_level(found)
    return found


def _fitted(formula: str, data: pd.DataFrame, weighting: str = "none"):
    if weighting == "none":
        return smf.ols(formula, data).fit()
    power = {"1/x": 1, "1/x^2": 2}[weighting]
    weights = data["level"] ** -power
    return smf.wls(formula, data, weights=weights * len(weights) / weights.sum()).fit()


def _estimate(path: str, line, name: str, *, bounds: tuple[str, ...] = ("ci", "one_sided")) -> Figures:
    found = {
        f"{path}.value": line.params[name],
        f"{path}.standard_error": line.bse[name],
        f"{path}.degrees_of_freedom": line.df_resid,
    }
    for kind in bounds:
        found |= _ends(f"{path}.{kind}", *line.conf_int(1 - BOUNDS[kind]).loc[name])
    return found


def _ends(path: str, lower: float, upper: float) -> Figures:
    return {f"{path}[0]": lower, f"{path}[1]": upper}


def _calibration(line, data: pd.DataFrame, weighting: str) -> Figures:
    root = "calibration"
    found = _estimate(f"{root}.slope", line, "level")
    found |= _estimate(f"{root}.intercept", line, "Intercept", bounds=("ci",))
    s, slope = np.sqrt(line.scale), line.params["level"]
    by_level = anova_lm(line, _fitted("signal ~ C(level)", data, weighting)).iloc[1]
    curve = anova_lm(line, _fitted("signal ~ level + I(level ** 2)", data, weighting)).iloc[1]
    variances = data.groupby("level")["signal"].var()
    low, high, df = variances.iloc[0], variances.iloc[-1], data.groupby("level").size().iloc[0] - 1
    ratio = max(low, high) / min(low, high)
    relative = line.resid / data["signal"].mean()
    found |= {
        f"{root}.residual_standard_deviation": s,
        f"{root}.r_squared": line.rsquared,
        f"{root}.quality_coefficient_percent": 100 * np.sqrt((relative**2).sum() / (len(data) - 1)),
        f"{root}.intercept_test.t": line.tvalues["Intercept"],
        f"{root}.intercept_test.p": line.pvalues["Intercept"],
        f"{root}.lack_of_fit.f": by_level["F"],
        f"{root}.lack_of_fit.p": by_level["Pr(>F)"],
        f"{root}.quadratic_test.f": curve["F"],
        f"{root}.quadratic_test.p": curve["Pr(>F)"],
        f"{root}.homoscedasticity.variance_ratio.statistic": ratio,
        f"{root}.homoscedasticity.variance_ratio.p": 2 * stats.f.sf(ratio, df, df),
        f"{root}.homoscedasticity.cochran.statistic": variances.max() / variances.sum(),
    }
    back = (data["signal"] - line.params["Intercept"]) / slope
    columns = {
        "fitted": line.fittedvalues,
        "residual": line.resid,
        "back_calculated": back,
        "relative_error_percent": 100 * (back - data["level"]) / data["level"],
    }
    for name, values in columns.items():
        found |= {f"{root}.points[{i}].{name}": value for i, value in enumerate(values)}
    return found


def _about_the_mean(data: pd.DataFrame) -> Figures:
    """The line about its centre, where its two coefficients are uncorrelated."""
    x = data["level"]
    line = smf.ols("signal ~ z", data.assign(z=(x - x.mean()) / x.std(ddof=0))).fit()
    root = "calibration.function"
    found = {f"{root}.centre": x.mean(), f"{root}.scale": x.std(ddof=0)}
    for i, name in enumerate(line.params.index):
        found[f"{root}.coefficients[{i}]"] = line.params[name]
        found |= {
            f"{root}.covariance[{i}][{j}]": value for j, value in enumerate(line.cov_params().loc[name])
        }
    return found


def _tests_of_residuals(line, data: pd.DataFrame) -> Figures:
    statistic, p, *_ = het_breuschpagan(line.resid, line.model.exog)
    in_order = line.resid[np.argsort(data["order"].to_numpy())]
    influence = line.get_influence()
    standardised = influence.resid_studentized_internal
    found = {
        "calibration.homoscedasticity.breusch_pagan.statistic": statistic,
        "calibration.homoscedasticity.breusch_pagan.p": p,
        "calibration.durbin_watson.statistic": durbin_watson(in_order),
        "calibration.influence.max_cook": influence.cooks_distance[0].max(),
        "calibration.normality.shapiro_w": stats.shapiro(line.resid).statistic,
    }
    for i, value in enumerate(standardised):
        found[f"calibration.points[{i}].standardised_residual"] = value
    return found


def _linear_range(data: pd.DataFrame) -> Figures:
    """Levels are dropped from the top until a line fits; in the study of the benchmark the first one does."""
    found: Figures = {}
    for step in range(3):
        here = data[data["level"] <= sorted(data["level"].unique())[-1 - step]]
        line = _fitted("signal ~ level", here)
        curve = anova_lm(line, _fitted("signal ~ level + I(level ** 2)", here)).iloc[1]
        by_level = anova_lm(line, _fitted("signal ~ C(level)", here)).iloc[1]
        back = (here["signal"] - line.params["Intercept"]) / line.params["level"]
        errors = (100 * (back - here["level"]) / here["level"]).groupby(here["level"]).mean()
        allowed = np.where(errors.index == errors.index[0], 20, 15)  # percent; more at the lowest level
        worst = (errors.abs() / allowed).idxmax()
        path = f"calibration.linear_range.path[{step}]"
        found |= {
            f"{path}.mandel_p": curve["Pr(>F)"],
            f"{path}.lack_of_fit_p": by_level["Pr(>F)"],
            f"{path}.worst_relative_error_percent": errors[worst],
            f"{path}.worst_level": worst,
        }
        if min(curve["Pr(>F)"], by_level["Pr(>F)"]) >= ALPHA and (errors.abs() <= allowed).all():
            root = "calibration.linear_range.fit"
            found |= _estimate(f"{root}.slope", line, "level", bounds=("ci",))
            found |= _estimate(f"{root}.intercept", line, "Intercept", bounds=("ci",))
            found |= {
                "calibration.linear_range.upper": here["level"].max(),
                f"{root}.residual_standard_deviation": np.sqrt(line.scale),
                f"{root}.correlation": np.sqrt(line.rsquared),
            }
            break
    return found


def _limits(line, data: pd.DataFrame, blanks: pd.DataFrame) -> Figures:
    """Limits in closed form: multiples of a standard deviation with their chi-squared intervals."""
    root = "detection.variants"
    slope, n, nu = line.params["level"], len(blanks), len(data) - 2
    s_blank, s = blanks["signal"].std(), np.sqrt(line.scale)
    t = stats.t.ppf(1 - ALPHA, n - 1)
    net = np.sqrt(1 + 1 / n)
    delta = _noncentrality(n - 1)
    of_line = np.sqrt(1 + line.get_prediction(pd.DataFrame({"level": [0.0]})).se_mean[0] ** 2 / s**2)
    limits = {
        ("blank_3s", n - 1): {"detection": 3 * s_blank, "quantification": 10 * s_blank},
        ("blank_3.3", n - 1): {"detection": 3.3 * s_blank, "quantification": 10 * s_blank},
        ("residual_3.3", nu): {"detection": 3.3 * s, "quantification": 10 * s},
        ("intercept_3.3", nu): {
            "detection": 3.3 * line.bse["Intercept"],
            "quantification": 10 * line.bse["Intercept"],
        },
        ("currie", n - 1): {
            "critical": t * net * s_blank,
            "detection": delta * net * s_blank,
            "quantification": 10 * net * s_blank,
        },
        ("iso_11843", nu): {
            "critical": stats.t.ppf(1 - ALPHA, nu) * of_line * s,
            "detection": _noncentrality(nu) * of_line * s,
        },
    }
    found: Figures = {}
    for (name, freedom), kinds in limits.items():
        factors = np.sqrt(freedom / stats.chi2.ppf([(1 + CONFIDENCE) / 2, (1 - CONFIDENCE) / 2], freedom))
        for kind, signal in kinds.items():
            field = "critical_level" if kind == "critical" else f"{kind}_limit"
            found[f"{root}.{name}.{field}.value"] = signal / slope
            found |= _ends(f"{root}.{name}.{field}.ci", *(factors * signal / slope))
    return found


def _noncentrality(nu: float) -> float:
    t = stats.t.ppf(1 - ALPHA, nu)
    return optimize.brentq(lambda delta: stats.nct.cdf(t, nu, delta) - ALPHA, 0, 20, xtol=1e-13)


def _bands(line, data: pd.DataFrame) -> Figures:
    """Limits of Hubaux and Vos, and of DIN 32645, by root finding on the prediction bands.

    Their intervals are the limits at both ends of the interval of the residual standard deviation.
    """
    slope, highest, nu = line.params["level"], data["level"].max(), line.df_resid

    def half_width(level: float, alpha: float) -> float:
        row = line.get_prediction(pd.DataFrame({"level": [level]})).summary_frame(alpha=alpha).iloc[0]
        return (row["obs_ci_upper"] - row["obs_ci_lower"]) / 2

    def root(function) -> float:
        return optimize.brentq(function, 0, highest, xtol=1e-12)

    # one-sided limits at alpha are the ends of two-sided ones at twice alpha
    margin, din_margin = half_width(0.0, 2 * ALPHA), half_width(0.0, 2 * 0.01)
    low, high = np.sqrt(nu / stats.chi2.ppf([(1 + CONFIDENCE) / 2, (1 - CONFIDENCE) / 2], nu))
    found: Figures = {}
    for tail, factor in (("value", 1.0), ("ci[0]", low), ("ci[1]", high)):
        limits = {
            "hubaux_vos.critical_level": factor * margin / slope,
            "hubaux_vos.detection_limit": root(
                lambda level, factor=factor: slope * level - factor * (half_width(level, 2 * ALPHA) + margin)
            ),
            "din_32645_calibration.critical_level": factor * din_margin / slope,
            "din_32645_calibration.detection_limit": 2 * factor * din_margin / slope,
            "din_32645_calibration.quantification_limit": root(
                lambda level, factor=factor: level / 3 - factor * half_width(level, 0.01) / slope
            ),
        }
        found |= {f"detection.variants.{name}.{tail}": value for name, value in limits.items()}
    for i, level in enumerate((4.0, 10.0, 18.0)):
        of_line = line.get_prediction(pd.DataFrame({"level": [level]})).se_mean[0]
        found[f"uncertainty.levels[{i}].calibration"] = np.hypot(of_line, np.sqrt(line.scale)) / slope
    return found


def _blank_response(line, blanks: pd.DataFrame) -> Figures:
    limit = 10 * np.sqrt(line.scale) / line.params["level"]
    percent = 100 * (blanks["signal"] - line.params["Intercept"]) / line.params["level"] / limit
    mean = smf.ols("percent ~ 1", pd.DataFrame({"percent": percent})).fit()
    return _estimate("blank_response.percent_of_limit", mean, "Intercept") | {
        "blank_response.largest_percent": percent.max()
    }


def _precision(data: pd.DataFrame) -> Figures:
    found: Figures = {}
    for i, (level, here) in enumerate(data.groupby("level")):
        root = f"precision[{i}]"
        table = anova_lm(smf.ols("concentration ~ C(series)", here).fit())
        between, within = table["mean_sq"]
        nu_between, nu_within = table["df"]
        readings = len(here) / (nu_between + 1)
        mean, u = here["concentration"].mean(), np.sqrt(between / len(here))
        variance = within + max(0.0, (between - within) / readings)
        parts = np.array([between / readings, within * (1 - 1 / readings)])
        freedoms = np.array([nu_between, nu_within])
        nu = parts.sum() ** 2 / (parts**2 / freedoms).sum()
        found |= _outliers(f"{root}.outlier_tests", here)
        found |= {
            f"{root}.level": level,
            f"{root}.analysis_of_variance.ms_between": between,
            f"{root}.analysis_of_variance.ms_within": within,
            f"{root}.analysis_of_variance.f": table["F"].iloc[0],
            f"{root}.analysis_of_variance.p": table["PR(>F)"].iloc[0],
            f"{root}.repeatability_limit": 2.8 * np.sqrt(within),
            f"{root}.repeatability_limit_exact": np.sqrt(2 * within) * stats.t.ppf(0.975, nu_within),
            f"{root}.intermediate_limit": 2.8 * np.sqrt(variance),
            f"{root}.intermediate_limit_exact": np.sqrt(2 * variance) * stats.t.ppf(0.975, nu),
            f"{root}.mean.value": mean,
            f"{root}.mean.standard_error": u,
            f"{root}.mean.degrees_of_freedom": nu_between,
            f"{root}.repeatability_sd.value": np.sqrt(within),
            f"{root}.repeatability_sd.standard_error": np.sqrt(within / (2 * nu_within)),
            f"{root}.repeatability_sd.degrees_of_freedom": nu_within,
            f"{root}.repeatability_rsd.value": 100 * np.sqrt(within) / mean,
            f"{root}.repeatability_rsd.degrees_of_freedom": nu_within,
            f"{root}.between_sd.value": np.sqrt(variance - within),
            f"{root}.intermediate_sd.value": np.sqrt(variance),
            f"{root}.intermediate_sd.standard_error": np.sqrt(variance / (2 * nu)),
            f"{root}.intermediate_sd.degrees_of_freedom": nu,
            f"{root}.intermediate_rsd.value": 100 * np.sqrt(variance) / mean,
            f"{root}.intermediate_rsd.degrees_of_freedom": nu,
        }
        for kind, confidence in BOUNDS.items():
            tails = np.array([(1 + confidence) / 2, (1 - confidence) / 2])
            t = stats.t.ppf(tails[0], nu_between)
            chi2 = [stats.chi2.ppf(tail, freedoms) for tail in tails]
            above, below = freedoms / chi2[1] - 1, 1 - freedoms / chi2[0]
            of_sd = np.sqrt(nu_within * within / np.array([chi2[0][1], chi2[1][1]]))
            of_total = np.sqrt(
                [
                    max(0.0, parts.sum() - np.sqrt(((below * parts) ** 2).sum())),
                    parts.sum() + np.sqrt(((above * parts) ** 2).sum()),
                ]
            )
            of_between = np.sqrt(_ting(between, within, freedoms, tails) / readings)
            # a between-series variance that came out negative counts as zero; intervals are stretched to it
            of_total = np.array([min(of_total[0], variance**0.5), max(of_total[1], variance**0.5)])
            found |= _ends(f"{root}.mean.{kind}", mean - t * u, mean + t * u)
            found |= _ends(f"{root}.repeatability_sd.{kind}", *of_sd)
            found |= _ends(f"{root}.repeatability_rsd.{kind}", *(100 * of_sd / mean))
            found |= _ends(f"{root}.between_sd.{kind}", *of_between)
            found |= _ends(f"{root}.intermediate_sd.{kind}", *of_total)
            found |= _ends(f"{root}.intermediate_rsd.{kind}", *(100 * of_total / mean))
    return found


def _ting(between: float, within: float, freedoms: np.ndarray, tails: np.ndarray) -> np.ndarray:
    """Modified large-sample limits of a difference of mean squares (Ting and others, 1990)."""
    limits = []
    for sign, tail in zip((-1, 1), tails, strict=True):
        f = stats.f.ppf(tail, *freedoms)
        of_between = freedoms[0] / stats.chi2.ppf(tail, freedoms[0]) - 1
        of_within = freedoms[1] / stats.chi2.ppf(1 - tail, freedoms[1]) - 1
        both = ((1 - f) ** 2 - (of_between * f) ** 2 - of_within**2) / f
        doubt = (of_between * between) ** 2 + (of_within * within) ** 2 + both * between * within
        limits.append(between - within + sign * np.sqrt(max(0.0, doubt)) if between / within > f else 0.0)
    return np.maximum(limits, 0.0)


def _outliers(path: str, here: pd.DataFrame) -> Figures:
    """Statistics of the studentised residual within series, of Grubbs on means, of Cochran."""
    groups = here.groupby("series")["concentration"]
    line = smf.ols("concentration ~ C(series)", here).fit()
    means, variances = groups.mean(), groups.var()
    of_means = np.abs(means - means.mean()) / means.std()
    n, nu = len(here), int(line.df_resid)
    t = stats.t.ppf(1 - ALPHA / (2 * n), nu - 1)
    statistics = [
        np.abs(line.get_influence().resid_studentized_internal).max(),
        of_means.max(),
        variances.max() / variances.sum(),
    ]
    found = {f"{path}[{i}].statistic": value for i, value in enumerate(statistics)}
    return found | {f"{path}[0].critical": t * np.sqrt(nu / (nu - 1 + t**2))}


def _recovery(data: pd.DataFrame) -> Figures:
    found: Figures = {}
    data = data.assign(net=data["found"] - data["native"])
    data = data.assign(recovery=100 * data["net"] / data["added"])
    for i, (added, here) in enumerate(data.groupby("added")):
        root = f"recovery[{i}]"
        mean = smf.ols("recovery ~ 1", here).fit()
        against_100 = mean.t_test("Intercept = 100")
        found |= _estimate(f"{root}.mean_recovery", mean, "Intercept") | {
            f"{root}.level": added,
            f"{root}.correction.t": abs(against_100.tvalue.item()),
            f"{root}.correction.critical": stats.t.ppf((1 + CONFIDENCE) / 2, mean.df_resid),
            f"{root}.correction.factor": 100 / mean.params["Intercept"],
            f"{root}.sd": np.sqrt(mean.scale),
            f"{root}.t": against_100.tvalue.item(),
            f"{root}.p_bias": float(against_100.pvalue),
        }
    line = smf.ols("net ~ added", data).fit()
    joint = line.f_test("Intercept = 0, added = 1")
    found |= _estimate("found_on_added[0].slope", line, "added", bounds=("ci",))
    found |= _estimate("found_on_added[0].intercept", line, "Intercept", bounds=("ci",))
    return found | {
        "found_on_added[0].residual_standard_deviation": np.sqrt(line.scale),
        "found_on_added[0].joint_test.statistic": float(joint.fvalue),
        "found_on_added[0].joint_test.p": float(joint.pvalue),
    }


def _interference(data: pd.DataFrame) -> Figures:
    found: Figures = {}
    for i, (_, here) in enumerate(data.groupby("interferent")):
        means = smf.ols("found ~ 0 + C(added)", here).fit().params
        found[f"interference[{i}].relative_change_percent"] = 100 * (means.iloc[1] / means.iloc[0] - 1)
    return found


def _uncertainty(known: Figures) -> Figures:
    """Intermediate precision and root mean square bias put together at each level."""
    recoveries = [known[f"recovery[{i}].mean_recovery.value"] for i in range(3)]
    bias = np.sqrt(np.mean([(one - 100) ** 2 for one in recoveries]))
    found = {"uncertainty.bias.standard_uncertainty": bias}
    for i in range(3):
        root, level = f"uncertainty.levels[{i}].budget", known[f"precision[{i}].level"]
        parts = np.array([known[f"precision[{i}].intermediate_sd.value"], bias / 100 * level])
        freedoms = np.array([known[f"precision[{i}].intermediate_sd.degrees_of_freedom"], len(recoveries)])
        u = np.sqrt((parts**2).sum())
        nu = u**4 / (parts**4 / freedoms).sum()
        k = stats.t.ppf((1 + CONFIDENCE) / 2, nu)
        found |= {
            f"{root}.standard_uncertainty": u,
            f"{root}.degrees_of_freedom": nu,
            f"{root}.coverage_factor": k,
            f"{root}.expanded_uncertainty": k * u,
            f"{root}.relative_percent": 100 * u / level,
            f"{root}.contributions[0].share_percent": 100 * parts[0] ** 2 / u**2,
            f"{root}.contributions[1].share_percent": 100 * parts[1] ** 2 / u**2,
        }
        found |= _ends(f"{root}.interval", level - k * u, level + k * u)
    return found


def _dependence_on_the_level(known: Figures) -> Figures:
    """Standard deviations against means: proportional, a line (weights renewed twice), a power."""
    found: Figures = {}
    for name, field in (("repeatability", "repeatability_sd"), ("total", "intermediate_sd")):
        root = f"level_dependence.{name}"
        data = pd.DataFrame(
            {
                "m": [known[f"precision[{i}].mean.value"] for i in range(3)],
                "s": [known[f"precision[{i}].{field}.value"] for i in range(3)],
            }
        )
        fitted = data["s"]
        for _ in range(3):
            line = smf.wls("s ~ m", data, weights=1 / fitted**2).fit()
            fitted = line.fittedvalues
        power = smf.ols("np.log10(s) ~ np.log10(m)", data).fit()
        proportional = (data["s"] / data["m"]).mean()
        forms = {
            0: (0.0, proportional, proportional * data["m"]),
            1: (line.params["Intercept"], line.params["m"], fitted),
            2: (*power.params, 10**power.fittedvalues),
        }
        for form, (intercept, slope, predicted) in forms.items():
            misfit = np.sqrt((((data["s"] - predicted) / predicted) ** 2).mean())
            found |= {
                f"{root}[{form}].intercept": intercept,
                f"{root}[{form}].slope": slope,
                f"{root}[{form}].relative_misfit": misfit,
            }
    return found
