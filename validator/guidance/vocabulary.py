"""The closed lists a guidance profile may draw on, each entry with its meaning in one line.

Characteristics, and the figures of each that can be limited, stand in ``characteristics.order``. The
assessment implements every counter and figure; nothing about a single document is written in code.
"""

from __future__ import annotations

from enum import StrEnum


class Binding(StrEnum):
    """What gives a document its force."""

    LAW = "law"
    CONTRACT = "contract"
    GUIDANCE = "guidance"


class JudgedBy(StrEnum):
    """What of a figure the document holds against its limits."""

    ESTIMATE = "estimate"
    INTERVAL = "interval"


class Status(StrEnum):
    """Weight of an acceptance limit."""

    REQUIRED = "required"
    RECOMMENDED = "recommended"
    CUSTOMARY = "customary"
    """No document demands it; the dossier says so and the user may override it."""


class Place(StrEnum):
    """The levels at which an acceptance limit is held against the figure."""

    EVERY_LEVEL = "every_level"
    LOWEST_LEVEL = "lowest_level"
    OTHER_LEVELS = "other_levels"
    """Every level but the lowest."""
    LEGAL_LIMIT = "legal_limit"
    """The level nearest to, or the value interpolated at, the analyte's legal limit."""


class Kind(StrEnum):
    """What a method is for, where a document asks for different things."""

    ANY = "any"
    ASSAY = "assay"
    IMPURITY_QUANTITATIVE = "impurity_quantitative"
    IMPURITY_LIMIT = "impurity_limit"
    IDENTIFICATION = "identification"
    TRACE = "trace"
    SCREENING = "screening"


class Topic(StrEnum):
    """Subject of a rule about how the work is done and reported, where no figure is judged."""

    PLANNING = "planning"
    REPORTING = "reporting"
    DECISION_RULE = "decision_rule"
    DATA_CONTROL = "data_control"
    QUALITY_CONTROL = "quality_control"
    OUTLIER_TREATMENT = "outlier_treatment"
    SYSTEM_SUITABILITY = "system_suitability"
    CHANGE_CONTROL = "change_control"


class Counter(StrEnum):
    """A count of what a study provides for one characteristic, excluded runs left out.

    'Fewest' makes one number of many: the weakest part decides. Readings of one preparation count once.
    Every count is taken per analyte and for the configuration that is validated, in the data from which the
    characteristic is computed.
    """

    # number of levels, including zero
    LEVELS = "levels"
    # number of levels above zero
    LEVELS_ABOVE_ZERO = "levels_above_zero"
    # minimum number of independent results per level, all series combined
    REPLICATES_PER_LEVEL = "replicates_per_level"
    # independent results at the lowest level above zero
    REPLICATES_AT_LOWEST_LEVEL = "replicates_at_lowest_level"
    # independent results at the highest level
    REPLICATES_AT_HIGHEST_LEVEL = "replicates_at_highest_level"
    # total number of independent results
    DETERMINATIONS = "determinations"
    # independent blanks
    BLANKS = "blanks"
    # independent low-level samples (at or near the limit)
    LOW_LEVEL_SAMPLES = "low_level_samples"
    # different series labels (the smaller number where two kinds of sample count)
    BATCHES = "batches"
    # minimum number of series (runs, batches or days) per level
    SERIES = "series"
    # minimum number of independent results per series
    REPLICATES_PER_SERIES = "replicates_per_series"
    # different dates
    DATES = "dates"
    # different operators
    OPERATORS = "operators"
    # different instruments
    INSTRUMENTS = "instruments"
    # different laboratories at the level that has fewest
    LABORATORIES = "laboratories"
    # independent results of the laboratory with fewest, at any level
    REPLICATES_PER_LABORATORY = "replicates_per_laboratory"
    # different devices (sensors, plates, columns)
    DEVICES = "devices"
    # minimum number of independent results per device
    REPLICATES_PER_DEVICE = "replicates_per_device"
    # minimum number of uses per device
    USES = "uses"
    # different samples
    SAMPLES = "samples"
    # different matrices, or lots of one matrix
    MATRICES = "matrices"
    # certified reference materials
    REFERENCE_MATERIALS = "reference_materials"
    # different spikes (by level and matrix) and materials of known content
    RECOVERIES = "recoveries"
    # rounds of interlaboratory comparison taken part in
    LABORATORY_COMPARISONS = "laboratory_comparisons"
    # results of a control sample taken through the whole procedure
    CONTROL_RESULTS = "control_results"
    # different interferents
    INTERFERENTS = "interferents"
    # different ratios tested for the interferent that has fewest
    RATIOS = "ratios"
    # independent results at the interferent and ratio that has fewest
    REPLICATES_PER_RATIO = "replicates_per_ratio"
    # levels of a standard addition, the unspiked sample included
    ADDITIONS = "additions"
    # number of factors varied deliberately
    FACTORS = "factors"
    # runs of the robustness design
    RUNS = "runs"
    # minimum number of time points per condition, including the start
    TIME_POINTS = "time_points"
    # independent results at the time and level that has fewest
    REPLICATES_PER_TIME_POINT = "replicates_per_time_point"
