r"""A recorded curve to one number: the height or the area of a peak above its baseline, with its uncertainty.

With settings fixed, the number is linear in the ordinates, S = w·y, and the noise of the curve makes it
uncertain (``curve_noise``). What the choice of the settings adds is found by moving each of them a little.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from validator.errors import NotEstimable
from validator.numbers import counted
from validator.statistics.curve_noise import Noise, noise_model
from validator.statistics.distributions import chi2_quantile

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import ArrayLike, NDArray


Measure = Literal["height", "area"]

FEWEST_POINTS = 10
CLEAR = 10
"""Multiple of its standard error above which a height is that of a clear peak (customary, as for a
quantification limit): the highest of a hundred points of noise stays below four."""
_BORDER = 1 / 20
"""Share of a window at each of its ends where the highest point is the flank of a neighbour, no maximum."""
_ROUNDS = 5
_FEWEST_CURVES = 3


class PeakSettings(Struct, frozen=True, kw_only=True):
    """How every curve is reduced.

    Attributes:
        window: where the peak is: its summit is sought here, or the area taken.
        baseline: what is drawn under it.
        measure: height or area.
        direction: 1 for a peak that points up, -1 for one that points down.
        summit: width at the summit over which a parabola is fitted; None for the single highest point.
        at: abscissa at which the height is read; None to seek a clear summit in the window.
    """

    window: Window
    baseline: Baseline
    measure: Measure = "height"
    direction: Literal[1, -1] = 1
    summit: float | None = None
    at: float | None = None


class UnclearPeak(NotEstimable):
    """No peak rises clear of the noise: the highest point would be one of the noise, never below zero."""


class Difference(Struct, frozen=True):
    """Signal above another baseline minus that above the declared one, and what the noise makes of it."""

    value: float
    standard_error: float


class PeakResult(Struct, frozen=True, kw_only=True):
    """A reduced curve.

    Attributes:
        signal: height or area, positive in the direction of the peak.
        position: abscissa at which the height was read, None for an area.
        standard_error: what the noise of the points makes of it.
        settings_uncertainty: what moving each window by a tenth of its width makes of it.
        noise_sd: standard deviation of one point.
        baseline: ordinates of the baseline at every point.
        other: what another kind of baseline would change; None where the curve does not allow one.
    """

    signal: float
    position: float | None
    standard_error: float
    settings_uncertainty: float
    noise_sd: float
    baseline: NDArray[np.float64]
    other: Difference | None

    @property
    def standard_uncertainty(self) -> float:
        """Noise and choice of settings together."""
        return float(np.hypot(self.standard_error, self.settings_uncertainty))


def reduce_peak(
    x: ArrayLike, y: ArrayLike, settings: PeakSettings, *, noise: Noise | None = None
) -> PeakResult:
    """The peak of the curve (*x*, *y*).

    Args:
        x: abscissae, rising.
        y: ordinates.
        settings: how it is done.
        noise: of its points; estimated beside the peak where None.

    Raises:
        UnclearPeak: a summit is sought, and what is highest does not exceed ``CLEAR`` standard errors.
        NotEstimable: too few points, a clear summit on the border of its window, or asymmetric least squares
            under a peak that is not clear: there they follow the underside of the noise.
    """
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if xs.size < FEWEST_POINTS:
        raise NotEstimable(f"the curve has {xs.size} points", f"at least {FEWEST_POINTS} points")
    if noise is None:
        noise = noise_model([(xs, ys)], settings.window).of(xs, ys)
    measured = _measured(xs, ys, settings)
    standard_error = noise.of(measured.weights)
    _check_clear(settings, measured, standard_error)
    return PeakResult(
        signal=measured.signal,
        position=measured.position,
        standard_error=standard_error,
        settings_uncertainty=_settings_uncertainty(xs, ys, settings),
        noise_sd=noise.sd,
        baseline=measured.baseline,
        other=_under_another_baseline(xs, ys, settings, measured, noise),
    )


def other_baseline(settings: PeakSettings) -> Baseline | None:
    """A baseline of another kind through the same points, to see what the choice of the kind matters.

    A parabola beside a straight line, a line between means beside a tangent, one degree more beside a
    polynomial, degree 5 beside an exponential (lower degrees do not follow one over several decays); beside
    asymmetric least squares, which have no windows, a line between the means over a tenth of the window on
    both sides of it. None where nothing is drawn.
    """
    match settings.baseline:
        case LinearBaseline(feet=feet):
            return PolynomialBaseline(2, feet)
        case TangentBaseline(feet=feet):
            return LinearBaseline(feet)
        case NoBaseline():
            return None
        case PolynomialBaseline(degree=degree, through=through):
            return PolynomialBaseline(degree + 1, through)
        case ExponentialBaseline(through=through):
            return PolynomialBaseline(5, through)
        case AsymmetricBaseline():
            low, high = settings.window
            foot = DISPLACED * (high - low)
            return LinearBaseline(((low - foot, low), (high, high + foot)))


def _under_another_baseline(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    settings: PeakSettings,
    measured: _Measured,
    noise: Noise,
) -> Difference | None:
    kind = other_baseline(settings)
    try:
        other = None if kind is None else fit_baseline(x, y, kind)
    except NotEstimable:
        return None
    if other is None:
        return None
    a, sign = measured.reading, settings.direction
    weights = sign * (a - other.transposed(a)) - measured.weights
    return Difference(float(sign * (a @ (measured.baseline - other.values))), noise.of(weights))


def half_width(
    x: ArrayLike, y: ArrayLike, result: PeakResult, *, direction: Literal[1, -1] = 1
) -> float | None:
    """Width at half the height of the peak *result* of a curve; None where it does not fall to that."""
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if result.position is None:
        return None
    excess = direction * (ys - result.baseline) - result.signal / 2
    top = int(np.argmin(np.abs(xs - result.position)))
    below = excess <= 0
    if not below[:top].any() or not below[top + 1 :].any():
        return None
    left, right = int(np.flatnonzero(below[:top])[-1]), top + 1 + int(np.flatnonzero(below[top + 1 :])[0])
    lower = np.interp(0.0, excess[[left, left + 1]], xs[[left, left + 1]])
    upper = np.interp(0.0, excess[[right, right - 1]], xs[[right, right - 1]])
    return float(upper - lower)


class BaselineEffect(Struct, frozen=True, kw_only=True):
    """What another kind of baseline changes in the signals of many curves.

    Attributes:
        offset, offset_error: the same in every curve, with its standard error.
        percent: in proportion to the signal, which a calibration takes up.
        scatter: standard deviation between curves beyond the noise; 0 where that is not significant.
    """

    offset: float
    offset_error: float
    percent: float
    scatter: float


def baseline_effect(signals: ArrayLike, differences: Sequence[Difference]) -> BaselineEffect:
    """A line through *differences* over *signals*: an offset, a proportion, and the scatter about it.

    The scatter is significant where the mean square, relative to that of the noise, exceeds the 99 % point of
    χ²/ν. Where all signals are alike, no proportion is fitted.

    Raises:
        NotEstimable: fewer than three curves.
    """
    s = np.asarray(signals, dtype=np.float64)
    d = np.array([one.value for one in differences])
    if s.size < _FEWEST_CURVES:
        raise NotEstimable(
            f"{counted(s.size, 'curve')} with another baseline", f"at least {_FEWEST_CURVES} curves"
        )
    noise = float(np.mean([one.standard_error**2 for one in differences]))
    is_sloped = s.size > _FEWEST_CURVES and float(np.ptp(s)) > 0
    design = np.column_stack([np.ones(s.size), s / np.max(np.abs(s))]) if is_sloped else np.ones((s.size, 1))
    inverse = np.linalg.pinv(design)
    found = inverse @ d
    nu = s.size - design.shape[1]
    mean_square = float(np.sum((d - design @ found) ** 2)) / nu
    beyond = mean_square - noise if mean_square > noise * chi2_quantile(0.99, nu) / nu else 0.0
    return BaselineEffect(
        offset=float(found[0]),
        offset_error=float(np.sqrt((noise + beyond) * np.sum(inverse[0] ** 2))),
        percent=float(100 * found[1] / np.max(np.abs(s))) if is_sloped else 0.0,
        scatter=float(np.sqrt(beyond)),
    )


def _check_clear(settings: PeakSettings, measured: _Measured, standard_error: float) -> None:
    low, high = settings.window
    is_clear = measured.signal > CLEAR * standard_error
    if settings.measure == "height" and settings.at is None:
        if not is_clear:
            raise UnclearPeak(
                f"no peak between {low:g} and {high:g} exceeds {CLEAR} standard errors",
                "a fixed reading position (key at); read blanks with at",
            )
        if measured.on_border:
            raise NotEstimable(
                (
                    f"no peak maximum was found between {low:g} and {high:g}; the curve is highest at "
                    f"{measured.position:g}, at the border"
                ),
                (
                    "a window (keys from and to) that includes the peak and excludes its neighbours, or a "
                    "fixed reading position (key at)"
                ),
            )
    if isinstance(settings.baseline, AsymmetricBaseline) and not is_clear:
        raise NotEstimable(
            (
                f"the signal does not exceed {CLEAR} standard errors; there, asymmetric least squares follow "
                "the underside of the noise"
            ),
            "a baseline with method linear, polynomial or exponential for every curve of the analyte",
        )


class _Measured(Struct, frozen=True):
    signal: float
    position: float | None
    weights: NDArray[np.float64]
    baseline: NDArray[np.float64]
    reading: NDArray[np.float64]
    on_border: bool = False


def _measured(x: NDArray[np.float64], y: NDArray[np.float64], settings: PeakSettings) -> _Measured:
    baseline = fit_baseline(x, y, settings.baseline)
    above = settings.direction * (y - baseline.values)
    position: float | None = None
    on_border = False
    if settings.measure == "area":
        a = _area_weights(x, settings.window)
    elif settings.at is not None:
        position = settings.at
        a = _value_weights(x, position, settings.summit)
    else:
        position, a, on_border = _summit(x, above, settings)
    weights = settings.direction * (a - baseline.transposed(a))
    return _Measured(float(a @ above), position, weights, baseline.values, a, on_border)


def _settings_uncertainty(x: NDArray[np.float64], y: NDArray[np.float64], settings: PeakSettings) -> float:
    """Half the difference that moving each window makes, all of them added in quadrature."""
    variants = [
        (replace(settings, baseline=low), replace(settings, baseline=high))
        for low, high in displaced(settings.baseline)
    ]
    if settings.measure == "area":
        low, high = settings.window
        step = moved(settings.window, 1)[0] - low
        variants += [
            (replace(settings, window=(low - step, high)), replace(settings, window=(low + step, high))),
            (replace(settings, window=(low, high - step)), replace(settings, window=(low, high + step))),
        ]
    halves = [(_signal_or_none(x, y, one), _signal_or_none(x, y, other)) for one, other in variants]
    return float(
        np.sqrt(sum(((high - low) / 2) ** 2 for low, high in halves if low is not None and high is not None))
    )


def _signal_or_none(x: NDArray[np.float64], y: NDArray[np.float64], settings: PeakSettings) -> float | None:
    try:
        return _measured(x, y, settings).signal
    except NotEstimable:  # moved beyond the end of the curve
        return None


# --- what is measured above the baseline, as weights of the points -----------------------------------
def _area_weights(x: NDArray[np.float64], window: Window) -> NDArray[np.float64]:
    """Trapezoids from end to end of the *window*, the ends by interpolation."""
    inside(x, window, 3, "the window of the peak")
    low, high = max(window[0], float(x[0])), min(window[1], float(x[-1]))
    a = np.zeros(x.size)
    within = np.flatnonzero((x > low) & (x < high))
    knots = np.concatenate([[low], x[within], [high]])
    halves = np.diff(knots) / 2
    at_knots = np.concatenate([halves, [0.0]]) + np.concatenate([[0.0], halves])
    a[within] = at_knots[1:-1]
    for end, weight in ((low, at_knots[0]), (high, at_knots[-1])):
        a += weight * _interpolation(x, end)
    return a


def _interpolation(x: NDArray[np.float64], at: float) -> NDArray[np.float64]:
    """Weights of the points in the value at *at*, on the line between its neighbours."""
    a = np.zeros(x.size)
    right = int(np.clip(np.searchsorted(x, at), 1, x.size - 1))
    t = (at - x[right - 1]) / (x[right] - x[right - 1])
    a[right - 1], a[right] = 1 - t, t
    return a


def _value_weights(x: NDArray[np.float64], at: float, summit: float | None) -> NDArray[np.float64]:
    if not x[0] <= at <= x[-1]:
        raise NotEstimable(
            f"the reading position {at:g} is outside the curve, which extends from {x[0]:g} to {x[-1]:g}",
            "a curve that includes the reading position",
        )
    return _interpolation(x, at) if summit is None else _parabola(x, at, summit)[0]


def _parabola(
    x: NDArray[np.float64], centre: float, width: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Weights of the points in value, slope and half curvature at *centre* of a parabola fitted around it."""
    half = width / 2 * (1 + 1e-9)  # a point on the border belongs to it, however the border was computed
    chosen = inside(x, (centre - half, centre + half), 5, "the summit")
    phi = np.vander((x[chosen] - centre) / half, 3, increasing=True)
    inverse = np.linalg.pinv(phi)
    rows = np.zeros((3, x.size))
    rows[:, chosen] = inverse
    return rows[0], rows[1] / half, rows[2] / half**2


def _summit(
    x: NDArray[np.float64], above: NDArray[np.float64], settings: PeakSettings
) -> tuple[float, NDArray[np.float64], bool]:
    """Abscissa of the summit, the weights of the points in its height, and whether it is on the border.

    Where the parabola finds no vertex, its value where the curve is highest stands for that.
    """
    chosen = np.flatnonzero(inside(x, settings.window, 3, "the window of the peak"))
    low, high = settings.window
    margin = _BORDER * (high - low)
    low, high = max(low + margin, x[chosen[1]]), min(high - margin, x[chosen[-2]])
    if settings.summit is None:
        highest = chosen[np.argmax(above[chosen])]
        a = np.zeros(x.size)
        a[highest] = 1.0
        return float(x[highest]), a, not low <= x[highest] <= high
    first = centre = float(x[chosen[np.argmax(_smoothed(x, above, settings.summit)[chosen])]])
    for _ in range(_ROUNDS):
        a_0, a_1, a_2 = _parabola(x, centre, settings.summit)
        slope, half_curvature = float(a_1 @ above), float(a_2 @ above)
        if half_curvature >= 0:
            break
        step = -slope / (2 * half_curvature)
        if abs(step) <= settings.summit / 4:
            # value of the parabola at its vertex: the slope there is zero, so its place adds no uncertainty
            a = a_0 + step * a_1 + step**2 * a_2
            return centre + step, a, not low <= centre + step <= high
        centre += float(np.clip(step, -settings.summit / 2, settings.summit / 2))
        if not settings.window[0] <= centre <= settings.window[1]:
            break
    return first, _parabola(x, first, settings.summit)[0], not low <= first <= high


def _smoothed(x: NDArray[np.float64], y: NDArray[np.float64], width: float) -> NDArray[np.float64]:
    """Means over *width* around every point."""
    sums = np.concatenate([[0.0], np.cumsum(y)])
    first, last = np.searchsorted(x, x - width / 2), np.searchsorted(x, x + width / 2, side="right")
    means: NDArray[np.float64] = (sums[last] - sums[first]) / (last - first)
    return means


Window = tuple[float, float]
"""An interval of the abscissa, lower end first."""

DISPLACED = 0.1
"""Share of its own width by which a window is moved to see what the choice of it matters."""
_LARGEST_POWER = 500.0
_ROUNDS_OF_TANGENT = 50
MOST_ROUNDS = 50
"""Rounds of re-weighting within which asymmetric least squares settles on real curves (customary)."""


class LinearBaseline(Struct, frozen=True):
    """A straight line between the means of the points in two windows, the feet of the peak."""

    feet: tuple[Window, Window]


class TangentBaseline(Struct, frozen=True):
    """A straight line that touches the curve in two windows, the feet of the peak, from its outer side.

    Where it touches is found among the points, which noise decides: ``touching`` fixes the two abscissae, and
    the line is linear in the ordinates again. ``direction`` is that of the peak.
    """

    feet: tuple[Window, Window]
    direction: Literal[1, -1] = 1
    touching: tuple[float, float] | None = None


class NoBaseline(Struct, frozen=True):
    """Nothing is drawn: what is measured has its own zero, as a derivative has."""


class PolynomialBaseline(Struct, frozen=True):
    """A polynomial of ``degree``, by least squares through the points in the windows ``through``."""

    degree: int
    through: tuple[Window, ...]


class ExponentialBaseline(Struct, frozen=True):
    """A straight line and an exponential, by least squares through the points in the windows ``through``.

    The exponential, the foot of a wave, falls to 1/e over ``decay``, to the right where that is positive.
    """

    decay: float
    through: tuple[Window, ...]


class AsymmetricBaseline(Struct, frozen=True):
    """The smoother of Whittaker, points above it weighted ``asymmetry`` and those below 1 - ``asymmetry``.

    ``smoothness`` is λ, the weight of squared second differences against squared distances.
    """

    smoothness: float
    asymmetry: float


Baseline = (
    LinearBaseline
    | TangentBaseline
    | PolynomialBaseline
    | ExponentialBaseline
    | AsymmetricBaseline
    | NoBaseline
)


class FittedBaseline(Struct, frozen=True):
    """The baseline over the points of a curve, ``values``, and a ↦ Bᵀ a for b = B y."""

    values: NDArray[np.float64]
    transposed: Callable[[NDArray[np.float64]], NDArray[np.float64]]


def fit_baseline(x: NDArray[np.float64], y: NDArray[np.float64], baseline: Baseline) -> FittedBaseline:
    """The *baseline* of the curve (*x*, *y*), x rising.

    Raises:
        NotEstimable: a window holds too few points.
    """
    match baseline:
        case LinearBaseline():
            return _linear(x, y, baseline)
        case TangentBaseline():
            return _tangent(x, y, baseline)
        case NoBaseline():
            return FittedBaseline(np.zeros_like(y), np.zeros_like)
        case PolynomialBaseline() | ExponentialBaseline():
            return _through_windows(x, y, baseline)
        case AsymmetricBaseline():
            return _asymmetric(y, baseline)


def displaced(baseline: Baseline) -> list[tuple[Baseline, Baseline]]:
    """The baseline with each of its settings a little lower and a little higher, one at a time."""
    match baseline:
        case NoBaseline():
            return []
        case TangentBaseline(feet=(left, right), touching=(low, high)):
            by, along = (DISPLACED * (end - start) for start, end in (left, right))
            return [
                (replace(baseline, touching=(low - by, high)), replace(baseline, touching=(low + by, high))),
                (
                    replace(baseline, touching=(low, high - along)),
                    replace(baseline, touching=(low, high + along)),
                ),
            ]
        case LinearBaseline(feet=(left, right)) | TangentBaseline(feet=(left, right)):
            return [
                (
                    replace(baseline, feet=(moved(left, -1), right)),
                    replace(baseline, feet=(moved(left, 1), right)),
                ),
                (
                    replace(baseline, feet=(left, moved(right, -1))),
                    replace(baseline, feet=(left, moved(right, 1))),
                ),
            ]
        case PolynomialBaseline(through=windows) | ExponentialBaseline(through=windows):
            pairs: list[tuple[Baseline, Baseline]] = [
                (
                    replace(baseline, through=_with(windows, index, -1)),
                    replace(baseline, through=_with(windows, index, 1)),
                )
                for index in range(len(windows))
            ]
            if isinstance(baseline, ExponentialBaseline):
                low, high = ((1 + side * DISPLACED) * baseline.decay for side in (-1, 1))
                pairs.append((replace(baseline, decay=low), replace(baseline, decay=high)))
            return pairs
        case AsymmetricBaseline(smoothness=smoothness):
            return [
                (replace(baseline, smoothness=smoothness / 2), replace(baseline, smoothness=smoothness * 2))
            ]


def moved(window: Window, side: int) -> Window:
    """The *window* moved by ``DISPLACED`` of its width, to higher values where *side* is 1."""
    step = side * DISPLACED * (window[1] - window[0])
    return window[0] + step, window[1] + step


def _with(windows: Sequence[Window], index: int, side: int) -> tuple[Window, ...]:
    return (*windows[:index], moved(windows[index], side), *windows[index + 1 :])


def inside(x: NDArray[np.float64], window: Window, fewest: int, what: str) -> NDArray[np.bool_]:
    """Which points lie in *window*.

    Raises:
        NotEstimable: fewer than *fewest* do; *what* names the window.
    """
    chosen = (x >= window[0]) & (x <= window[1])
    found = int(np.count_nonzero(chosen))
    if found < fewest:
        raise NotEstimable(
            (
                f"{what} from {window[0]:g} to {window[1]:g} contains {counted(found, 'point')}; the curve "
                f"extends from {x[0]:g} to {x[-1]:g}"
            ),
            f"at least {counted(fewest, 'point')} there",
        )
    return chosen


def _linear(x: NDArray[np.float64], y: NDArray[np.float64], baseline: LinearBaseline) -> FittedBaseline:
    left, right = (inside(x, foot, 1, "the baseline window") for foot in baseline.feet)
    x_1, x_2 = float(x[left].mean()), float(x[right].mean())
    if x_1 >= x_2:
        raise NotEstimable(
            "the two baseline windows are not in order", "one baseline window below and one above the peak"
        )
    t = (x - x_1) / (x_2 - x_1)
    n_1, n_2 = np.count_nonzero(left), np.count_nonzero(right)

    def transposed(a: NDArray[np.float64]) -> NDArray[np.float64]:
        back: NDArray[np.float64] = left * (np.sum((1 - t) * a) / n_1) + right * (np.sum(t * a) / n_2)
        return back

    return FittedBaseline((1 - t) * y[left].mean() + t * y[right].mean(), transposed)


def touching_points(x: ArrayLike, y: ArrayLike, baseline: TangentBaseline) -> tuple[float, float]:
    """The abscissae where the tangent touches the curve, one in each window.

    Raises:
        NotEstimable: a window holds no point.
    """
    xs, ys = np.asarray(x, dtype=np.float64), baseline.direction * np.asarray(y, dtype=np.float64)
    left, right = (np.flatnonzero(inside(xs, foot, 1, "the baseline window")) for foot in baseline.feet)
    one, other = int(left[np.argmin(ys[left])]), int(right[np.argmin(ys[right])])
    for _ in range(_ROUNDS_OF_TANGENT):  # each end in turn, until the line lies under both windows
        after = int(right[np.argmin((ys[right] - ys[one]) / (xs[right] - xs[one]))])
        before = int(left[np.argmax((ys[after] - ys[left]) / (xs[after] - xs[left]))])
        if (before, after) == (one, other):
            break
        one, other = before, after
    return float(xs[one]), float(xs[other])


def _tangent(x: NDArray[np.float64], y: NDArray[np.float64], baseline: TangentBaseline) -> FittedBaseline:
    low, high = baseline.touching or touching_points(x, y, baseline)
    left, right = _value_weights(x, low, None), _value_weights(x, high, None)
    t = (x - low) / (high - low)

    def transposed(a: NDArray[np.float64]) -> NDArray[np.float64]:
        back: NDArray[np.float64] = left * np.sum((1 - t) * a) + right * np.sum(t * a)
        return back

    return FittedBaseline((1 - t) * (left @ y) + t * (right @ y), transposed)


def _through_windows(
    x: NDArray[np.float64], y: NDArray[np.float64], baseline: PolynomialBaseline | ExponentialBaseline
) -> FittedBaseline:
    chosen = np.zeros(x.size, dtype=np.bool_)
    for window in baseline.through:
        chosen |= inside(x, window, 1, "the window of the baseline")
    if isinstance(baseline, ExponentialBaseline):
        terms, kind = 3, "a straight line and an exponential"
    else:
        terms, kind = baseline.degree + 1, f"a polynomial of degree {baseline.degree}"
    if np.count_nonzero(chosen) <= terms:
        raise NotEstimable(
            f"{np.count_nonzero(chosen)} points are too few for {kind}",
            f"at least {terms + 1} points in the baseline windows",
        )
    # centred and scaled on the points that carry it: powers of raw potentials or times would cancel
    centre, scale = x[chosen].mean(), float(np.ptp(x[chosen])) / 2
    if isinstance(baseline, ExponentialBaseline):
        # largest value 1 within the windows, so that no exponential overflows there
        rise = -(x - (x[chosen].min() if baseline.decay > 0 else x[chosen].max())) / baseline.decay
        phi = np.column_stack(
            [np.ones(x.size), (x - centre) / scale, np.exp(np.minimum(rise, _LARGEST_POWER))]
        )
    else:
        phi = np.vander((x - centre) / scale, terms, increasing=True)
    inverse = np.linalg.pinv(phi[chosen])

    def transposed(a: NDArray[np.float64]) -> NDArray[np.float64]:
        back = np.zeros_like(a)
        back[chosen] = inverse.T @ (phi.T @ a)
        return back

    values: NDArray[np.float64] = phi @ (inverse @ y[chosen])
    return FittedBaseline(values, transposed)


def _asymmetric(y: NDArray[np.float64], baseline: AsymmetricBaseline) -> FittedBaseline:
    r"""Asymmetric least squares: minimise Σ w (y - z)² + λ Σ (Δ²z)², w = p above z and 1 - p below.

    P. H. C. Eilers, Analytical Chemistry 75 (2003) 3631 (the smoother) and P. H. C. Eilers and H. F. M.
    Boelens, Baseline correction with asymmetric least squares smoothing, 2005 (both from memory). The weights
    are found by repetition until they no longer change; for these weights z is linear in y. Under a baseline
    that bends, z is a chord from one side of the peak to the other.
    """
    from scipy.linalg import solveh_banded

    n = y.size
    if n < 5:
        raise NotEstimable(f"the curve has {n} points", "at least 5 points")
    penalty = _squared_second_differences(n, baseline.smoothness)
    p = baseline.asymmetry
    w = np.ones(n)

    def solved(right: NDArray[np.float64]) -> NDArray[np.float64]:
        bands = penalty.copy()
        bands[2] += w
        found: NDArray[np.float64] = solveh_banded(bands, right, check_finite=False)
        return found

    level = float(y.mean())  # differences from it keep more digits
    z = solved(w * (y - level))
    for _ in range(MOST_ROUNDS):
        before, w = w, np.where(y - level > z, p, 1 - p)
        if np.array_equal(before, w):
            break
        z = solved(w * (y - level))
    return FittedBaseline(z + level, lambda a: w * solved(a))


def _squared_second_differences(n: int, smoothness: float) -> NDArray[np.float64]:
    """λ DᵀD in upper banded form, D the second differences of n points."""
    bands = np.zeros((3, n))
    bands[2] = 6.0
    bands[2, [0, -1]], bands[2, [1, -2]] = 1.0, 5.0
    bands[1, 1:] = -4.0
    bands[1, [1, -1]] = -2.0
    bands[0, 2:] = 1.0
    return smoothness * bands


def smoothed(
    x: ArrayLike, y: ArrayLike, *, width: float, degree: int, second_derivative: bool = False
) -> NDArray[np.float64]:
    """The curve smoothed by polynomials of *degree* over *width*, or the second derivative of these.

    The derivative has the opposite sign, so that a peak points as it did.  scipy's filter of Savitzky and
    Golay; the ends are those of the polynomial there.

    Args:
        x: abscissae, rising by equal steps.
        y: ordinates.
        width: in units of x; it is rounded to an odd number of points.
        degree: of the polynomials.
        second_derivative: take the negative second derivative, in units of y/x².

    Raises:
        NotEstimable: the steps differ, or the width holds too few points for the degree or too many.

    References:
        A. Savitzky, M. J. E. Golay, Analytical Chemistry 36 (1964) 1627 (from memory).
    """
    from scipy.signal import savgol_filter

    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    steps = np.diff(xs)
    step = float(steps.mean())
    if np.abs(steps - step).max() > _LARGEST_DIFFERENCE_OF_STEPS * step:
        raise NotEstimable(
            "the abscissae are not equally spaced", "a curve with equal steps, or no smoothing"
        )
    points = 2 * round((width / step - 1) / 2) + 1
    fewest = degree + (2 if degree % 2 else 3)
    if not fewest <= points <= xs.size:
        raise NotEstimable(
            f"smoothing over {width:g} takes {counted(max(points, 0), 'point')}",
            f"from {fewest} to {xs.size} points for degree {degree}",
        )
    derivative = 2 if second_derivative else 0
    found: NDArray[np.float64] = savgol_filter(ys, points, degree, deriv=derivative, delta=step)
    return -found if second_derivative else found


_LARGEST_DIFFERENCE_OF_STEPS = 0.01
