"""What an evaluation yields: the records of ``results.json`` (format ``validation-results/1``).

Field names and their order are the keys and the order of the file. ``serialise.py`` writes and reads them.
A record drops what is None, except the fields named in ``always``: those are written as ``null``.
"""

from __future__ import annotations

from typing import ClassVar, Literal

from pydantic import BaseModel, ConfigDict, Field

FORMAT = "validation-results/1"

Severity = Literal["stop", "caution", "note"]
Outcome = Literal["meets", "does not meet", "inconclusive", "not assessed"]
Verdict = Literal["fit", "fit with reservations", "not fit", "not assessed"]


class Record(BaseModel):
    """Parent of everything in the results file."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    always: ClassVar[tuple[str, ...]] = ()


class NotAssessed(Record):
    """A part that could not be assessed, why, and what it would take."""

    not_assessed: str
    needs: str


Interval = tuple[float | None, float | None]
"""Lower and upper limit; ``None`` is an open side."""


class EstimateRecord(Record):
    """A figure with its doubt; ``reason`` says why there is none.

    ``one_sided`` holds the lower and the upper one-sided bound, each at the study's level of confidence:
    a limit on one side is judged by one of them.
    """

    always = ("value",)
    value: float | None
    standard_error: float | None = None
    ci: Interval | None = None
    one_sided: Interval | None = None
    degrees_of_freedom: float | None = None
    reason: str | None = None


class TestRecord(Record):
    """A test of significance."""

    __test__ = False  # pytest: not a test class
    statistic: float
    df: tuple[float, ...] | None = None
    p: float | None = None
    critical: float | None = None
    critical_level: float | None = None


# --- calibration -----------------------------------------------------------------------------------


class FTest(Record):
    """An F test as printed: statistic, the two degrees of freedom, p."""

    f: float
    df: tuple[float, float]
    p: float


class TTest(Record):
    """A t test as printed."""

    t: float
    df: float
    p: float


class Homoscedasticity(Record):
    """Tests of equal scatter over the levels."""

    variance_ratio: TestRecord | NotAssessed
    breusch_pagan: TestRecord | NotAssessed
    cochran: TestRecord | NotAssessed
    brown_forsythe: TestRecord | NotAssessed


class RunsTest(Record):
    """Runs of residual signs in order of level."""

    runs: int
    expected: float
    statistic: float
    p: float


class Normality(Record):
    """Shapiro-Wilk test of the residuals."""

    shapiro_w: float
    p: float


class Influence(Record):
    """The point with the largest Cook distance."""

    max_cook: float
    at: float


class Range(Record):
    """An interval of levels."""

    lower: float
    upper: float


class LinearRange(Range):
    """The linear range and the rule that found it."""

    rule: str
    path: tuple[str, ...] = ()


class CalibrationPoint(Record):
    """One independent preparation as fitted."""

    level: float
    signal: float
    weight: float
    fitted: float
    residual: float
    standardised_residual: float | None = None
    back_calculated: float | None = None
    relative_error_percent: float | None = None


class ExcludedPoint(Record):
    """A datum that the study excludes, with its recorded cause."""

    level: float | None = None
    signal: float | None = None
    value: float | None = None
    place: str
    cause: str


class CalibrationSummary(Record):
    """The line in short, for showing it with and without exclusions."""

    n: int
    slope: EstimateRecord
    intercept: EstimateRecord
    residual_standard_deviation: float


class WeightingStep(Record):
    """One step of the path that chose the weights."""

    test: str
    statistic: float | None = None
    p: float | None = None
    decision: str


class ReadingScatter(Record):
    """Scatter of repeated readings of one preparation; it never adds degrees of freedom."""

    sd: float
    degrees_of_freedom: float
    preparations: int


class LevelUncertainty(Record):
    """Effect of the levels' own uncertainty on the line."""

    largest_share: float
    york_slope: EstimateRecord | None = None
    york_intercept: EstimateRecord | None = None


class CalibrationRecord(Record):
    """A calibration line with all that is said of it."""

    model: str
    weighting: str
    weighting_reason: str
    n: int
    levels: int
    degrees_of_freedom: int
    slope: EstimateRecord
    intercept: EstimateRecord
    quadratic: EstimateRecord | None = None
    residual_standard_deviation: float
    r_squared: float
    correlation: float
    method_standard_deviation: float
    method_standard_deviation_percent: float
    quality_coefficient_percent: float | None = None
    lack_of_fit: FTest | NotAssessed
    quadratic_test: FTest | NotAssessed
    homoscedasticity: Homoscedasticity
    intercept_test: TTest | NotAssessed
    runs_test: RunsTest | NotAssessed
    durbin_watson: TestRecord | NotAssessed
    normality: Normality | NotAssessed
    influence: Influence | NotAssessed
    linear_range: LinearRange | NotAssessed
    working_range: Range
    points: tuple[CalibrationPoint, ...]
    excluded: tuple[ExcludedPoint, ...] = ()
    with_excluded: CalibrationSummary | None = None
    weighting_path: tuple[WeightingStep, ...] = ()
    repeated_readings: ReadingScatter | None = None
    level_uncertainty: LevelUncertainty | None = None
    alternative_quadratic: CalibrationSummary | None = None


# --- detection -------------------------------------------------------------------------------------


class DeclaredLimit(Record):
    """The limit by the variant that decides."""

    variant: str
    value: float
    ci: Interval | None = None
    one_sided: Interval | None = None
    unit: str


class LimitValue(Record):
    """One limit with its interval."""

    value: float
    ci: Interval | None = None


class LimitVariant(Record):
    """What one variant yields and what entered it."""

    detection_limit: LimitValue | None = None
    quantification_limit: LimitValue | None = None
    critical_level: LimitValue | None = None
    sigma: float | None = None
    sigma_unit: str | None = None
    sigma_source: str
    degrees_of_freedom: float | None = None
    k: float | None = None
    inputs: dict[str, float]
    source: str
    note: str = ""


class DetectionRecord(Record):
    """Limits by the declared variants, and by every other the data allow."""

    critical_level: DeclaredLimit | NotAssessed
    detection_limit: DeclaredLimit | NotAssessed
    quantification_limit: DeclaredLimit | NotAssessed
    declared_by: str
    variants: dict[str, LimitVariant | NotAssessed]


# --- precision, recovery, interference -----------------------------------------------------------------


class OutlierRecord(Record):
    """An outlier test: reported, never acted upon."""

    test: str
    statistic: float
    critical: float | None = None
    p: float | None = None
    suspect: float | None = None
    flagged: bool


class PrecisionRecord(Record):
    """Precision at one level; percent for the relative figures."""

    level: float | None
    n: int
    groups: int
    factor: str | None = None
    mean: EstimateRecord
    repeatability_sd: EstimateRecord | NotAssessed
    repeatability_rsd: EstimateRecord | NotAssessed
    between_sd: EstimateRecord | NotAssessed
    intermediate_sd: EstimateRecord | NotAssessed | None = None
    intermediate_rsd: EstimateRecord | NotAssessed | None = None
    reproducibility_sd: EstimateRecord | NotAssessed | None = None
    reproducibility_rsd: EstimateRecord | NotAssessed | None = None
    repeatability_limit: float | None = None
    reproducibility_limit: float | None = None
    horwitz_rsd: float | None = None
    horrat: float | None = None
    outlier_tests: tuple[OutlierRecord, ...] = ()
    method: str
    excluded: tuple[ExcludedPoint, ...] = ()
    with_excluded: PrecisionRecord | None = None


class Equivalence(Record):
    """Two one-sided tests against stated bounds, in percent."""

    lower: float
    upper: float
    passes: bool


class RecoveryRecord(Record):
    """Recovery at one level, in percent."""

    level: float
    kind: Literal["spike", "reference", "level"]
    matrix: str | None = None
    n: int
    series: int | None = None
    mean_recovery: EstimateRecord
    sd: float | None = None
    t: float | None = None
    p_bias: float | None = None
    equivalence: Equivalence | None = None
    reference_uncertainty_used: float | None = None
    method: str = ""
    values: tuple[float, ...] = ()
    excluded: tuple[ExcludedPoint, ...] = ()
    with_excluded: EstimateRecord | None = None


class InterferenceRecord(Record):
    """Effect of one interferent at one ratio."""

    always = ("relative_change_percent", "tolerance_ratio")
    interferent: str
    ratio: float | None = None
    ratio_kind: str | None = None
    interferent_level: float | None = None
    interferent_unit: str | None = None
    analyte_level: float | None = None
    n: int
    n_reference: int
    relative_change_percent: float | None
    ci: Interval | None = None
    interferes: bool | None = None
    interferes_guarded: Literal["yes", "no", "undecided"] | None = None
    tolerance_ratio: float | None
    tolerance_ratio_guarded: float | None = None
    reason: str | None = None


# --- whole -------------------------------------------------------------------------------------------


class ConfigurationRecord(Record):
    """Everything found for one analyte with one configuration."""

    calibration: CalibrationRecord | NotAssessed
    detection: DetectionRecord | NotAssessed
    precision: tuple[PrecisionRecord, ...] | NotAssessed
    recovery: tuple[RecoveryRecord, ...] | NotAssessed
    interference: tuple[InterferenceRecord, ...] | NotAssessed


class AnalyteRecord(Record):
    """One analyte."""

    unit: str
    signal_unit: str
    confidence: float
    configurations: dict[str, ConfigurationRecord]


class ComparedConfiguration(Record):
    """One configuration against the reference."""

    configuration: str
    slope_ratio: EstimateRecord | NotAssessed
    slope_difference: TTest | NotAssessed
    sensitivity_per_area: EstimateRecord | None = None
    detection_limit_ratio: EstimateRecord | NotAssessed


class ConfigurationComparison(Record):
    """Configurations compared for one analyte."""

    reference: str
    compared: tuple[ComparedConfiguration, ...]


class Software(Record):
    """What computed the numbers."""

    name: str
    version: str
    numpy: str
    scipy: str


class StudyIdentity(Record):
    """Which study this is."""

    always = ("id", "version", "matrix", "intended_use")
    title: str
    id: str | None = None
    version: str | None = None
    matrix: str | None = None
    intended_use: str | None = None
    guidance: tuple[str, ...] = ()


class InputRecord(Record):
    """A file that was read."""

    path: str
    sha256: str
    role: str


class Finding(Record):
    """A criterion, the figure it is held against, and the outcome."""

    always = ("observed", "limit", "interval")
    characteristic: str
    analyte: str | None = None
    configuration: str | None = None
    level: float | None = None
    criterion: str
    source: str
    observed: float | None
    limit: float | Interval | None
    interval: Interval | None
    outcome: Outcome
    decision_rule: str
    unit: str = ""
    reason: str | None = None
    needs: str | None = None
    superseded_by: str | None = None


class DesignFinding(Record):
    """What a guidance document asks of the design, and what the study provides."""

    always = ("provided",)
    requirement: str
    source: str
    required: float | str
    provided: float | str | None
    outcome: Outcome
    characteristic: str = ""
    analyte: str | None = None
    configuration: str | None = None


class Caveat(Record):
    """A reservation that the data themselves raise."""

    id: str
    severity: Severity
    characteristic: str
    analyte: str | None = None
    configuration: str | None = None
    text: str
    because: str
    remedy: str
    source: str


class Assessment(Record):
    """The judgement of the results."""

    verdict: Verdict
    findings: tuple[Finding, ...] = ()
    design: tuple[DesignFinding, ...] = ()
    caveats: tuple[Caveat, ...] = ()


class Results(Record):
    """The whole results file; ``assessment`` is added by the assessment room."""

    format: Literal["validation-results/1"] = FORMAT
    software: Software
    study: StudyIdentity
    inputs: tuple[InputRecord, ...]
    analytes: dict[str, AnalyteRecord]
    comparison_of_configurations: dict[str, ConfigurationComparison] = Field(default_factory=dict)
    assessment: Assessment | None = None
