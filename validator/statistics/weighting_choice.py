"""The rule by which weights are chosen when the study leaves the choice to it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.statistics.homoscedasticity import SMALLEST_GROUP, breusch_pagan, brown_forsythe
from validator.statistics.inverse_prediction import back_calculation
from validator.statistics.levels import by_level
from validator.statistics.regression import Model, fit
from validator.statistics.sample import Vector, vector
from validator.statistics.variance_function import Form, FormComparison, compare_forms
from validator.statistics.weighting import (
    SCHEMES,
    Scheme,
    Weighting,
    level_variances_of,
    smoothed,
    weights_for,
)

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from validator.statistics.regression import CalibrationFit

SCHEME_OF_FORM: dict[Form, Scheme] = {"constant": "none", "proportional": "1/x^2", "both": "1/s^2 smoothed"}


class WeightingStep(Struct, frozen=True, kw_only=True):
    """One step on the path to the weights.

    Attributes:
        kind: a test, a likelihood that is compared, weights that are excluded, or the weights taken.
        test: what was asked, by its usual name.
        statistic, p: None where the step is no test.
        decision: what followed from it.
    """

    kind: Literal["test", "likelihood", "excluded", "weights"]
    test: str
    statistic: float | None = None
    p: float | None = None
    decision: str


class WeightingCandidate(Struct, frozen=True, kw_only=True):
    """A scheme as it would have been: shown, it decides nothing.

    Attributes:
        scheme: the weights.
        sum_of_relative_errors: Σ |relative back-calculation error| in percent; None if not estimable.
        reason: why not, else empty.
    """

    scheme: Scheme
    sum_of_relative_errors: float | None
    reason: str


class WeightingChoice(Struct, frozen=True, kw_only=True, eq=False):
    """Outcome of the rule for automatic weights.

    Attributes:
        weighting: the weights.
        path: the steps that led there, in order.
        candidates: every scheme with its sum of relative errors.
        forms: the variance functions compared; None when homoscedasticity was kept.
    """

    weighting: Weighting
    path: tuple[WeightingStep, ...]
    candidates: tuple[WeightingCandidate, ...]
    forms: FormComparison | None


def choose_weighting(
    x: ArrayLike,
    y: ArrayLike,
    *,
    model: Model = "linear",
    signal_sd: ArrayLike | None = None,
    alpha: float = 0.05,
) -> WeightingChoice:
    """Choose the weights by a rule fixed beforehand.

    1. Homoscedasticity is tested at *alpha*: Brown–Forsythe where every level has at least six
       replicates, Breusch–Pagan in Koenker's form about the ordinary fit otherwise.
    2. If it is kept, no weights.
    3. If not, the variance function of highest likelihood decides (the two-part form has to improve on
       the better one-part form significantly at *alpha*): constant → none, proportional → 1/x²,
       both → 1/s² smoothed.

    The sum of relative back-calculation errors of every candidate is reported beside and decides nothing.

    Raises:
        NotEstimable: too few points for the ordinary fit.
    """
    levels, signals = vector(x, "x"), vector(y, "y", size=np.size(x))
    ordinary = fit(levels, signals, model=model)
    step, kept = _test_homoscedasticity(ordinary, alpha)
    path = [step]
    forms = None
    weighting = weights_for(levels, signals, "none")
    if not kept:
        forms = compare_forms(*level_variances_of(levels, signals, signal_sd, model), alpha=alpha)
        path += _form_steps(forms)
        scheme = SCHEME_OF_FORM[forms.best.form]
        try:
            weighting = (
                smoothed(levels, forms.best)
                if scheme == "1/s^2 smoothed"
                else weights_for(levels, signals, scheme)
            )
        except NotEstimable as no:
            path.append(
                WeightingStep(kind="test", test="weights", decision=f"{scheme} excluded: {no.reason}")
            )
    path.append(WeightingStep(kind="weights", test="weights", decision=weighting.scheme))
    candidates = tuple(_candidate(levels, signals, scheme, signal_sd, model) for scheme in SCHEMES)
    return WeightingChoice(weighting=weighting, path=tuple(path), candidates=candidates, forms=forms)


def _test_homoscedasticity(ordinary: CalibrationFit, alpha: float) -> tuple[WeightingStep, bool]:
    """The test that the design allows, and whether homoscedasticity is kept."""
    replicated = by_level(ordinary.x, ordinary.y).n.min() >= SMALLEST_GROUP
    name = "Brown–Forsythe" if replicated else "Breusch–Pagan, Koenker"
    try:
        test = brown_forsythe(ordinary.x, ordinary.y) if replicated else breusch_pagan(ordinary)
    except NotEstimable as no:
        # What cannot be tested gives no ground for weights.
        return WeightingStep(kind="test", test=name, decision=f"not tested: {no.reason}"), True
    kept = test.p is None or test.p >= alpha
    decision = "homogeneity of variances not rejected" if kept else "homogeneity of variances rejected"
    return WeightingStep(kind="test", test=name, statistic=test.statistic, p=test.p, decision=decision), kept


def _form_steps(forms: FormComparison) -> list[WeightingStep]:
    one_part = [form for form in (forms.constant, forms.proportional) if form is not None]
    better = max(one_part, key=lambda form: form.log_likelihood)
    steps = [
        WeightingStep(
            kind="likelihood",
            test=f"log likelihood, {form.form} standard deviation",
            statistic=form.log_likelihood,
            decision="higher of the one-component models"
            if form is better
            else "lower of the one-component models",
        )
        for form in one_part
    ]
    steps += [
        WeightingStep(
            kind="excluded",
            test=f"log likelihood, {form} standard deviation",
            decision=f"excluded: {why}",
        )
        for form, why in forms.excluded
    ]
    if forms.likelihood_ratio is not None:
        steps.append(
            WeightingStep(
                kind="test",
                test="likelihood ratio, two-component against one-component variance model",
                statistic=forms.likelihood_ratio,
                p=forms.p,
                decision=f"variance form: {forms.best.form}",
            )
        )
    return steps


def _candidate(
    x: Vector, y: Vector, scheme: Scheme, signal_sd: ArrayLike | None, model: Model
) -> WeightingCandidate:
    try:
        weights = weights_for(x, y, scheme, signal_sd=signal_sd, model=model).weights
        found = back_calculation(fit(x, y, model=model, weights=weights))
    except NotEstimable as no:
        return WeightingCandidate(scheme=scheme, sum_of_relative_errors=None, reason=no.reason)
    return WeightingCandidate(
        scheme=scheme, sum_of_relative_errors=found.sum_of_absolute_relative_errors, reason=""
    )
