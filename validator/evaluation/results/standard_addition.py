"""Records of standard additions."""

from __future__ import annotations

from validator.records import EstimateRecord, ExcludedPoint, FTest, NotAssessed, Record


class AdditionLinearity(Record, frozen=True, kw_only=True):
    """Tests of the line through the portions of one sample."""

    lack_of_fit: FTest | NotAssessed
    quadratic_test: FTest | NotAssessed


class AdditionPoint(Record, frozen=True, kw_only=True):
    """One portion: what was added to it and the signal it gave."""

    added: float
    signal: float


class StandardAdditionRecord(Record, frozen=True, kw_only=True):
    """The content of one sample by standard addition, or why its line cannot be drawn.

    Attributes:
        sample: its name.
        concentration: content of the sample, dilution included, with Fieller's interval.
        slope, intercept: of the line over the additions to the measured solution.
        linearity: tests of the line.
        n, additions: portions, and different additions among them (none counts as one).
        dilution_factor: content of the sample over that of the measured solution.
        residual_standard_deviation: in the unit of the signal.
        extrapolation: content over the largest addition; far above 1 the answer lies far from the data.
        slope_ratio: slope of this line over that of the external calibration.
        reference: value known from elsewhere; it counts as exact.
        difference: content less the reference; ``p_reference`` tests it against zero.
    """

    sample: str
    concentration: EstimateRecord | NotAssessed
    slope: EstimateRecord | NotAssessed
    linearity: AdditionLinearity | NotAssessed
    intercept: EstimateRecord | None = None
    n: int
    additions: int
    dilution_factor: float
    residual_standard_deviation: float | None = None
    extrapolation: float | None = None
    slope_ratio: EstimateRecord | NotAssessed | None = None
    reference: float | None = None
    difference: EstimateRecord | None = None
    p_reference: float | None = None
    points: tuple[AdditionPoint, ...] = ()
    excluded: tuple[ExcludedPoint, ...] = ()
    with_excluded: EstimateRecord | NotAssessed | None = None
