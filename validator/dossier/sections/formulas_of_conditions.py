"""Formulas of precision over laboratories, matrix, another method, conditions, time and devices."""

from __future__ import annotations

from validator.sources import Source

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
    "effects": (
        r"E_k = \bar y_{k+} - \bar y_{k-}, \quad u_E = \frac{2 s}{\sqrt N}, \quad "
        r"|E_k| > t_{1-\alpha/2,\nu}\, u_E",
        "effect of a factor, its standard error, and when it is beyond chance",
        (
            Source("W. J. Youden, E. H. Steiner, Statistical Manual of the AOAC (1975) 33", "memory"),
            Source("Y. Vander Heyden et al., J. Pharm. Biomed. Anal. 24 (2001) 723", "memory"),
        ),
    ),
    "one_at_a_time": (
        r"E = \bar y_{changed} - \bar y_{nominal}, \quad u_E = s_p\sqrt{\frac1{n_{changed}} + "
        r"\frac1{n_{nominal}}}",
        "effect of a changed setting against the nominal procedure, with the pooled standard deviation",
        (Source("NIST/SEMATECH e-Handbook, 1.3.5.3 and 7.4.7.3", "seen"),),
    ),
    "stability": (
        r"\theta = \frac{b}{\hat y(t_1)}, \quad \tau = \frac{\delta}{100\,|\theta|}, \quad "
        r"R = 100\,\frac{\bar y_{last}}{\bar y_{first}}\,\%",
        "slope over the fitted start, time until a change of delta percent, and last in percent of first",
        (
            Source("ICH Q1E (2003), Appendix B.1, with the fitted start in place of a label claim", "memory"),
            Source("E. C. Fieller, J. R. Stat. Soc. B 16 (1954) 175", "memory"),
        ),
    ),
    "carry_over": (
        r"c = \bar y_{after} - \bar y_0, \quad u^2(c) = \frac{s_{after}^2}{n} + \frac{s_0^2}{n_0}",
        "carry-over: blanks directly after a high sample less undisturbed ones",
        (
            Source("B. L. Welch, Biometrika 34 (1947) 28", "memory"),
            Source("limit of 20 %: ICH M10 (2022), 3.2.6", "memory"),
        ),
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
