"""One drawing of every kind, from invented nickel data."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from validator.dossier import figures as f
from validator.dossier.document import Figure

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from matplotlib.figure import Figure as Drawing

LEVEL = f.AxisText("Level", "µg/L")
CURRENT = f.AxisText("Peak current", "nA")


def _calibration_data() -> tuple[np.ndarray, np.ndarray]:
    random = np.random.default_rng(4)
    levels = np.repeat([2.0, 5.0, 10.0, 15.0, 20.0, 30.0, 40.0], 3)
    return levels, 1.4 + 20.6 * levels + random.normal(0, 9, levels.size)


def calibration(width: str = "text") -> Drawing:
    levels, signals = _calibration_data()
    grid = np.linspace(0, 40, 81)
    fitted = 1.4 + 20.6 * grid
    half = 5 * np.sqrt(1 / 21 + (grid - 17.4) ** 2 / 3000)
    wide = np.hypot(half, 19)
    line = f.Line(
        x=grid,
        y=fitted,
        confidence=(fitted - 3 * half, fitted + 3 * half),
        prediction=(fitted - wide, fitted + wide),
    )
    return f.calibration_figure(
        levels,
        signals,
        line,
        x=LEVEL,
        y=CURRENT,
        excluded=([15.0], [395.0]),
        linear_range=(2, 40),
        width=width,
    )


def residuals() -> Drawing:
    levels, signals = _calibration_data()
    return f.residual_figure(levels, (signals - 1.4 - 20.6 * levels) / 9, x=LEVEL)


def response_factors() -> Drawing:
    levels, signals = _calibration_data()
    return f.response_factor_figure(
        levels, (signals - 1.4) / levels, 20.6, x=LEVEL, y=f.AxisText("Response factor", "nA L/µg")
    )


def limits(width: str = "text") -> Drawing:
    m = f.Measured
    rows = (
        f.LimitRow(
            label="three standard deviations of the blank",
            detection_limit=m(0.52, 0.41, 0.71),
            quantification_limit=m(1.7, 1.3, 2.4),
        ),
        f.LimitRow(
            label="critical level and power",
            critical_level=m(0.31, 0.24, 0.42),
            detection_limit=m(0.61, 0.48, 0.84),
            quantification_limit=m(1.9, 1.5, 2.6),
            declared=True,
        ),
        f.LimitRow(
            label="residuals of the line",
            detection_limit=m(1.4, 1.1, 2.0),
            quantification_limit=m(4.3, 3.3, 6.1),
        ),
        f.LimitRow(label="prediction band", critical_level=m(0.7), detection_limit=m(1.5, 0.9, None)),
        f.LimitRow(label="precision profile at 10 %", quantification_limit=m(2.4, None, 5.0)),
    )
    return f.limits_figure(
        rows, x=LEVEL, lowest_calibrator=2.0, legal_limit=20.0, legal_label="permit limit", width=width
    )


def precision() -> Drawing:
    random = np.random.default_rng(7)
    levels = tuple(
        f.PrecisionLevel(
            label=f"{level} µg/L",
            mean=float(level),
            series=tuple(
                level * (1 + shift + random.normal(0, 0.02, 4)) for shift in random.normal(0, 0.02, 5)
            ),
        )
        for level in (2, 10, 40)
    )
    return f.precision_figure(levels)


def components() -> Drawing:
    m = f.Measured
    return f.precision_components_figure(
        (
            f.PrecisionComponents(
                label="2 µg/L",
                repeatability=m(4.1, 3.1, 6.0),
                between=m(3.0, 0.0, 9.5),
                intermediate=m(5.1, 3.9, 9.9),
            ),
            f.PrecisionComponents(
                label="10 µg/L",
                repeatability=m(2.1, 1.6, 3.1),
                between=m(1.2, 0.0, 4.0),
                intermediate=m(2.4, 1.9, 4.4),
            ),
            f.PrecisionComponents(
                label="40 µg/L", repeatability=m(1.6, 1.2, 2.3), intermediate=m(2.0, 1.5, None)
            ),
        ),
        limit_percent=6,
    )


def recovery() -> Drawing:
    random = np.random.default_rng(2)
    m = f.Measured
    return f.recovery_figure(
        (
            f.RecoveryLevel(
                label="5 µg/L, tap water",
                values=random.normal(97, 3, 6),
                mean=m(97.2, 94.1, 100.3),
                acceptance=(90, 110),
            ),
            f.RecoveryLevel(
                label="20 µg/L, tap water",
                values=random.normal(96, 2, 6),
                mean=m(96.1, 93.8, 98.4),
                acceptance=(95, 105),
            ),
            f.RecoveryLevel(
                label="20 µg/L, rinse water",
                values=random.normal(101, 2, 6),
                mean=m(101.1, 98.8, 103.4),
                acceptance=(95, 105),
            ),
        )
    )


def interference() -> Drawing:
    m = f.Measured
    return f.interference_figure(
        (
            f.InterferenceRow(label="cobalt, 10 : 1", change=m(1.2, -0.8, 3.2), side="inside"),
            f.InterferenceRow(label="cobalt, 100 : 1", change=m(4.1, 2.2, 6.0), side="undecided"),
            f.InterferenceRow(label="zinc, 100 : 1", change=m(-8.4, -11.0, -5.8), side="outside"),
            f.InterferenceRow(
                label="surfactant (non-ionic), 1 mg/L", change=m(-3.0, None, None), side="undecided"
            ),
        ),
        limit_percent=5,
    )


def overlay() -> Drawing:
    levels, signals = _calibration_data()
    grid = np.linspace(0, 40, 3)
    return f.overlay_figure(
        tuple(
            f.ConfigurationLine(
                label=name,
                levels=levels,
                signals=factor * signals,
                line_x=grid,
                line_y=factor * (1.4 + 20.6 * grid),
            )
            for name, factor in (
                ("glassy carbon", 1.0),
                ("bismuth film", 2.1),
                ("bismuth film, rotated", 2.9),
            )
        ),
        x=LEVEL,
        y=CURRENT,
    )


def ratios() -> Drawing:
    m = f.Measured
    return f.ratio_forest_figure(
        (
            f.RatioRow(label="bismuth film", ratio=m(2.1, 1.9, 2.3), text="2.10 (1.90 to 2.30)"),
            f.RatioRow(label="bismuth film, rotated", ratio=m(2.9, 2.4, None), text="2.90 (≥ 2.40)"),
            f.RatioRow(label="tin film", ratio=m(0.95, 0.7, 1.2), text="0.95 (0.70 to 1.20)"),
        ),
        x=f.AxisText("Ratio of slopes to glassy carbon"),
    )


def contributions() -> Drawing:
    return f.contribution_figure(
        ("intermediate precision", "bias", "reference solution", "volume"), (61.2, 30.1, 8.3, 0.4)
    )


def accuracy_profile() -> Drawing:
    levels = np.array([2.0, 5.0, 10.0, 20.0, 40.0])
    bias = np.array([-4.0, -2.8, -3.9, -1.2, 0.4])
    half = np.array([21.0, 12.0, 9.0, 7.5, 7.0])
    return f.accuracy_profile_figure(
        levels, bias, (bias - half, bias + half), acceptance_percent=15, x=LEVEL, valid_range=(3.9, 40)
    )


def trend() -> Drawing:
    days = np.repeat([0, 7, 14, 21, 28], 3).astype(float)
    values = 100 - 0.21 * days + np.random.default_rng(1).normal(0, 1.2, days.size)
    grid = np.linspace(0, 28, 29)
    fitted = 100 - 0.21 * grid
    return f.trend_figure(
        days,
        values,
        x=f.AxisText("Storage", "d"),
        y=f.AxisText("Response", "%"),
        line=(grid, fitted),
        band=(fitted - 1, fitted + 1),
        limits=(90.0, None),
    )


def method_comparison() -> Drawing:
    random = np.random.default_rng(3)
    truth = np.linspace(3, 38, 24)
    return f.method_comparison_figure(
        truth + random.normal(0, 0.6, 24),
        0.3 + 0.97 * truth + random.normal(0, 0.7, 24),
        intercept=0.3,
        slope=0.97,
        x=f.AxisText("Reference method", "µg/L"),
        y=f.AxisText("This method", "µg/L"),
    )


def differences() -> Drawing:
    random = np.random.default_rng(3)
    m = f.Measured
    return f.difference_figure(
        np.linspace(3, 38, 24),
        random.normal(-0.4, 0.8, 24),
        bias=m(-0.4, -0.8, -0.1),
        lower_limit=m(-2.0, -2.6, -1.4),
        upper_limit=m(1.2, 0.6, 1.8),
        x=f.AxisText("Mean of both methods", "µg/L"),
        y=f.AxisText("Difference", "µg/L"),
    )


DRAWINGS: Mapping[str, Callable[[], Drawing]] = {
    "calibration": calibration,
    "residuals": residuals,
    "response-factors": response_factors,
    "limits": limits,
    "precision": precision,
    "components": components,
    "recovery": recovery,
    "interference": interference,
    "overlay": overlay,
    "ratios": ratios,
    "contributions": contributions,
    "accuracy-profile": accuracy_profile,
    "trend": trend,
    "method-comparison": method_comparison,
    "differences": differences,
}


def sample_figures(names: tuple[str, ...] = tuple(DRAWINGS)) -> tuple[Figure, ...]:
    """The named drawings as figures of the document."""
    return tuple(
        Figure(
            id=f"fig-{name}",
            svg=f.to_svg(DRAWINGS[name]()),
            caption=f"The {name.replace('-', ' ')} of invented data.",
            alternative_text=f"Sample of the figure {name}.",
            width_mm=84 if name == "method-comparison" else 160,
        )
        for name in names
    )
