"""What a minimum design may count, and for which characteristic each count makes sense."""

from __future__ import annotations

from enum import StrEnum
from types import MappingProxyType
from typing import TYPE_CHECKING

from validator.guidance.vocabulary import Characteristic

if TYPE_CHECKING:
    from collections.abc import Mapping


class Counter(StrEnum):
    """A count of what a study provides for one characteristic, excluded runs left out.

    Readings of one preparation count once. Every count is taken per analyte and for the configuration that is
    validated, in the data from which the characteristic is computed.
    """

    LEVELS = "levels"
    LEVELS_ABOVE_ZERO = "levels_above_zero"
    REPLICATES_PER_LEVEL = "replicates_per_level"
    REPLICATES_AT_LOWEST_LEVEL = "replicates_at_lowest_level"
    REPLICATES_AT_HIGHEST_LEVEL = "replicates_at_highest_level"
    DETERMINATIONS = "determinations"
    BLANKS = "blanks"
    LOW_LEVEL_SAMPLES = "low_level_samples"
    BATCHES = "batches"
    SERIES = "series"
    REPLICATES_PER_SERIES = "replicates_per_series"
    DATES = "dates"
    OPERATORS = "operators"
    INSTRUMENTS = "instruments"
    LABORATORIES = "laboratories"
    REPLICATES_PER_LABORATORY = "replicates_per_laboratory"
    DEVICES = "devices"
    REPLICATES_PER_DEVICE = "replicates_per_device"
    USES = "uses"
    SAMPLES = "samples"
    MATRICES = "matrices"
    REFERENCE_MATERIALS = "reference_materials"
    RECOVERIES = "recoveries"
    LABORATORY_COMPARISONS = "laboratory_comparisons"
    CONTROL_RESULTS = "control_results"
    INTERFERENTS = "interferents"
    RATIOS = "ratios"
    REPLICATES_PER_RATIO = "replicates_per_ratio"
    ADDITIONS = "additions"
    FACTORS = "factors"
    RUNS = "runs"
    TIME_POINTS = "time_points"
    REPLICATES_PER_TIME_POINT = "replicates_per_time_point"


COUNTER_MEANINGS: Mapping[Counter, str] = MappingProxyType(
    {
        Counter.LEVELS: "number of levels, including zero",
        Counter.LEVELS_ABOVE_ZERO: "number of levels above zero",
        Counter.REPLICATES_PER_LEVEL: (
            "minimum number of independent results per level, all series combined"
        ),
        Counter.REPLICATES_AT_LOWEST_LEVEL: "independent results at the lowest level above zero",
        Counter.REPLICATES_AT_HIGHEST_LEVEL: "independent results at the highest level",
        Counter.DETERMINATIONS: "total number of independent results",
        Counter.BLANKS: "independent blanks",
        Counter.LOW_LEVEL_SAMPLES: "independent low-level samples (at or near the limit)",
        Counter.BATCHES: "different series labels (the smaller number where two kinds of sample count)",
        Counter.SERIES: "minimum number of series (runs, batches or days) per level",
        Counter.REPLICATES_PER_SERIES: "minimum number of independent results per series",
        Counter.DATES: "different dates",
        Counter.OPERATORS: "different operators",
        Counter.INSTRUMENTS: "different instruments",
        Counter.LABORATORIES: "different laboratories at the level that has fewest",
        Counter.REPLICATES_PER_LABORATORY: "independent results of the laboratory with fewest, at any level",
        Counter.DEVICES: "different devices (sensors, plates, columns)",
        Counter.REPLICATES_PER_DEVICE: "minimum number of independent results per device",
        Counter.USES: "minimum number of uses per device",
        Counter.SAMPLES: "different samples",
        Counter.MATRICES: "different matrices, or lots of one matrix",
        Counter.REFERENCE_MATERIALS: "certified reference materials",
        Counter.RECOVERIES: "different spikes (by level and matrix) and materials of known content",
        Counter.LABORATORY_COMPARISONS: "rounds of interlaboratory comparison taken part in",
        Counter.CONTROL_RESULTS: "results of a control sample taken through the whole procedure",
        Counter.INTERFERENTS: "different interferents",
        Counter.RATIOS: "different ratios tested for the interferent that has fewest",
        Counter.REPLICATES_PER_RATIO: "independent results at the interferent and ratio that has fewest",
        Counter.ADDITIONS: "levels of a standard addition, the unspiked sample included",
        Counter.FACTORS: "number of factors varied deliberately",
        Counter.RUNS: "runs of the robustness design",
        Counter.TIME_POINTS: "minimum number of time points per condition, including the start",
        Counter.REPLICATES_PER_TIME_POINT: "independent results at the time and level that has fewest",
    }
)
"""The meaning of each counter; 'fewest' makes one number of many: the weakest part decides."""

_CALIBRATION = frozenset(
    {
        Counter.LEVELS,
        Counter.LEVELS_ABOVE_ZERO,
        Counter.REPLICATES_PER_LEVEL,
        Counter.REPLICATES_AT_LOWEST_LEVEL,
        Counter.REPLICATES_AT_HIGHEST_LEVEL,
        Counter.DETERMINATIONS,
        Counter.SERIES,
        Counter.DATES,
    }
)
_LIMITS = frozenset(
    {
        Counter.BLANKS,
        Counter.LOW_LEVEL_SAMPLES,
        Counter.BATCHES,
        Counter.DATES,
        Counter.INSTRUMENTS,
        Counter.LEVELS,
        Counter.LEVELS_ABOVE_ZERO,
        Counter.REPLICATES_PER_LEVEL,
    }
)
_PRECISION = frozenset(
    {
        Counter.LEVELS,
        Counter.REPLICATES_PER_LEVEL,
        Counter.DETERMINATIONS,
        Counter.SERIES,
        Counter.REPLICATES_PER_SERIES,
        Counter.DATES,
        Counter.OPERATORS,
        Counter.INSTRUMENTS,
        Counter.SAMPLES,
    }
)
_TRUENESS = _PRECISION | {Counter.REFERENCE_MATERIALS, Counter.RECOVERIES, Counter.MATRICES}

COUNTERS_OF: Mapping[Characteristic, frozenset[Counter]] = MappingProxyType(
    {
        Characteristic.LINEARITY: _CALIBRATION,
        Characteristic.LACK_OF_FIT: _CALIBRATION,
        Characteristic.RESIDUAL_PATTERN: _CALIBRATION,
        Characteristic.WORKING_RANGE: _CALIBRATION,
        Characteristic.SENSITIVITY: _CALIBRATION,
        Characteristic.DETECTION_LIMIT: _LIMITS,
        Characteristic.QUANTIFICATION_LIMIT: _LIMITS,
        Characteristic.DECISION_LIMIT: _PRECISION,
        Characteristic.DETECTION_CAPABILITY: _PRECISION,
        Characteristic.REPEATABILITY: _PRECISION,
        Characteristic.INTERMEDIATE_PRECISION: _PRECISION,
        Characteristic.REPRODUCIBILITY: frozenset(
            {
                Counter.LEVELS,
                Counter.SAMPLES,
                Counter.LABORATORIES,
                Counter.REPLICATES_PER_LABORATORY,
                Counter.DETERMINATIONS,
            }
        ),
        Characteristic.TRUENESS: _TRUENESS,
        Characteristic.RECOVERY: _TRUENESS,
        Characteristic.SELECTIVITY: frozenset(
            {Counter.BLANKS, Counter.MATRICES, Counter.SAMPLES, Counter.INTERFERENTS}
        ),
        Characteristic.INTERFERENCE: frozenset(
            {Counter.INTERFERENTS, Counter.RATIOS, Counter.REPLICATES_PER_RATIO}
        ),
        Characteristic.MATRIX_EFFECT: frozenset(
            {Counter.MATRICES, Counter.LEVELS, Counter.REPLICATES_PER_LEVEL, Counter.ADDITIONS}
        ),
        Characteristic.ROBUSTNESS: frozenset({Counter.FACTORS, Counter.RUNS}),
        Characteristic.STABILITY: frozenset(
            {Counter.TIME_POINTS, Counter.REPLICATES_PER_TIME_POINT, Counter.LEVELS, Counter.DEVICES}
        ),
        Characteristic.CARRY_OVER: frozenset({Counter.DETERMINATIONS}),
        Characteristic.DEVICE_TO_DEVICE: frozenset(
            {Counter.DEVICES, Counter.REPLICATES_PER_DEVICE, Counter.BATCHES}
        ),
        Characteristic.REPEATED_USE: frozenset({Counter.DEVICES, Counter.USES}),
        Characteristic.UNCERTAINTY: frozenset(
            {
                Counter.CONTROL_RESULTS,
                Counter.LABORATORY_COMPARISONS,
                Counter.REFERENCE_MATERIALS,
                Counter.RECOVERIES,
                Counter.LEVELS,
            }
        ),
        Characteristic.ACCURACY_PROFILE: frozenset(
            {Counter.LEVELS, Counter.SERIES, Counter.REPLICATES_PER_SERIES}
        ),
        Characteristic.METHOD_COMPARISON: frozenset({Counter.SAMPLES}),
    }
)
"""The counters that make sense for a characteristic; a profile may use no other."""
