"""The block ``uncertainty``: what the data of the study do not show, and how everything is combined."""

import re
from collections.abc import Iterator
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from validator.study.models.base import (
    Count,
    Flag,
    Label,
    NonNegative,
    Number,
    Numbers,
    Positive,
    Record,
    Text,
    Whole,
    problem,
    quoted,
    refuse,
    refuse_all,
)

Kind = Literal["standard", "expanded", "tolerance"]
Distribution = Literal["normal", "rectangular", "triangular", "u_shaped"]
Origin = Literal["calibration"]

MOST_DRAWS = 10_000_000
FEWEST_DRAWS = 10_000

BIAS_FROM = {"from recovery": "recovery", "from reference materials": "reference materials", "none": "none"}
WITHIN_FROM = {"from precision": "precision", "from duplicates": "duplicates", "none": "none"}
_NAME = re.compile(r"[^\W\d]\w*")
_STATED = ("k", "distribution", "degrees_of_freedom")
_TOLD_BY_CALIBRATION = "the calibration tells this itself; leave it out or drop from"


def _refuse_mixed(one: "Component | ModelQuantity") -> None:
    """Refuse what does not belong to the way in which an uncertainty is stated."""
    if one.kind == "expanded" and one.k is None:
        refuse("an expanded uncertainty requires its coverage factor k", "kind")
    if one.kind != "expanded" and one.k is not None:
        refuse(f"k applies to an expanded uncertainty only; this one is {one.kind}", "k")
    if one.kind != "tolerance" and one.distribution is not None:
        refuse(f"distribution applies to a tolerance only; this one is {one.kind}", "distribution")


class Component(Record):
    """A contribution to the uncertainty of a result.

    ``value`` is a standard uncertainty, an expanded one (divided by ``k``) or the half-width of a tolerance
    (turned by ``distribution``, rectangular where none is named). It is in ``unit``, or in percent of the
    quantity where ``relative`` is true. Without ``analyte`` it counts for every analyte.

    With ``from: calibration`` the contribution is that of reading the level from the calibration of the
    study, for the mean of ``replicates`` signals; nothing is stated then.
    """

    name: Text
    origin: Origin | None = Field(default=None, alias="from")
    value: NonNegative | None = None
    kind: Kind | None = None
    k: Positive | None = None
    distribution: Distribution | None = None
    unit: Label | None = None
    relative: Flag = False
    sensitivity: Number = 1.0
    source: Text | None = None
    degrees_of_freedom: Positive | None = None
    replicates: Count | None = None
    analyte: Label | None = None
    note: Text | None = None

    @model_validator(mode="after")
    def _can_be_converted(self) -> Self:
        if self.origin is not None:
            _refuse_given(self, (*_STATED, "value", "kind", "unit"), _TOLD_BY_CALIBRATION)
            return self
        if self.replicates is not None:
            refuse("replicates applies to components with from: calibration only", "replicates")
        missing = [name for name in ("value", "kind", "source") if getattr(self, name) is None]
        if missing:
            refuse_all(("missing; add this key", (name,)) for name in missing)
        _refuse_mixed(self)
        if self.relative and self.unit is not None:
            refuse("unit and relative are mutually exclusive; a relative value is in percent", "unit")
        if not self.relative and self.unit is None:
            refuse("the unit is missing; give unit, or relative: true for a value in percent")
        return self


class ModelQuantity(Record):
    """A quantity of the formula in ``model``, in one of three forms.

    A ``value`` with its ``uncertainty`` (standard unless ``kind`` says otherwise; in percent of the value
    where ``relative`` is true; none for an exact number), ``readings`` whose mean it is, or a level
    ``value`` read from the calibration of the study (``from: calibration``) as the mean of ``replicates``
    signals.
    """

    name: Label
    value: Number | None = None
    uncertainty: NonNegative | None = None
    kind: Kind = "standard"
    k: Positive | None = None
    distribution: Distribution | None = None
    relative: Flag = False
    unit: Label | None = None
    degrees_of_freedom: Positive | None = None
    readings: Numbers | None = None
    origin: Origin | None = Field(default=None, alias="from")
    replicates: Count | None = None
    source: Text | None = None
    note: Text | None = None

    @model_validator(mode="after")
    def _has_one_form(self) -> Self:
        if not _NAME.fullmatch(self.name):
            refuse("a name in a formula consists of letters, digits and _ and begins with a letter", "name")
        if self.readings is not None:
            sentence = "the readings tell this themselves; leave it out or drop them"
            _refuse_given(self, (*_STATED, "value", "uncertainty", "origin"), sentence)
        elif self.value is None:
            refuse("give value, with its uncertainty, or readings")
        if self.origin is not None:
            _refuse_given(self, (*_STATED, "uncertainty"), _TOLD_BY_CALIBRATION)
            return self
        if self.replicates is not None:
            refuse("replicates applies to quantities with from: calibration only", "replicates")
        _refuse_mixed(self)
        return self


def _refuse_given(record: "Component | ModelQuantity | Bias", names: tuple[str, ...], sentence: str) -> None:
    for name in names:
        if getattr(record, name) is not None:
            refuse(sentence, "from" if name == "origin" else name)


class Correlation(Record):
    """Correlation coefficient of two quantities of the formula."""

    between: tuple[Label, ...]
    coefficient: Number

    @model_validator(mode="after")
    def _is_one(self) -> Self:
        if len(self.between) != 2 or self.between[0] == self.between[1]:
            refuse("name two different quantities", "between")
        if not -1 <= self.coefficient <= 1:
            refuse("must be between -1 and 1", "coefficient")
        return self


class Simulation(Record):
    """How the result is simulated.

    ``draws`` simulated results, ``seed`` of the random numbers (that of ``analysis`` where none is written),
    ``digits``: how many significant digits of the standard uncertainty the comparison with the budget is
    about (2 for a formula, 1 for a budget without one where nothing is written).
    """

    draws: Count = 1_000_000
    seed: Whole | None = None
    digits: Count | None = None

    @model_validator(mode="after")
    def _can_be_done(self) -> Self:
        if not FEWEST_DRAWS <= self.draws <= MOST_DRAWS:
            refuse(f"must be between {FEWEST_DRAWS} and {MOST_DRAWS}", "draws")
        if self.digits is not None and self.digits > 3:
            refuse("must be 1, 2 or 3", "digits")
        return self


class Round(Record):
    """What the laboratory found in one round of an interlaboratory comparison.

    ``assigned`` is the assigned value, ``reproducibility_sd`` the standard deviation between the
    ``laboratories`` whose results made it, all in the unit of the analyte; ``robust`` where the assigned
    value is a robust mean or a median.
    """

    result: Number
    assigned: Positive
    reproducibility_sd: NonNegative
    laboratories: Count
    robust: Flag = False


class Bias(Record):
    """Where the contribution of bias comes from.

    ``origin`` is what the data blocks show, or ``stated`` with ``value`` (a bias) and
    ``standard_uncertainty``, in percent where ``relative`` is true, else in the unit of the analyte; with
    ``rounds`` it is what the laboratory found in interlaboratory comparisons.
    ``addition_uncertainty_percent`` is the standard uncertainty of the amounts added, for ``recovery``.
    """

    origin: Literal["recovery", "reference materials", "stated", "none"] = "stated"
    rounds: tuple[Round, ...] = ()
    value: Number | None = None
    standard_uncertainty: NonNegative | None = None
    addition_uncertainty_percent: NonNegative | None = None
    relative: Flag = False
    source: Text | None = None

    @model_validator(mode="after")
    def _is_complete(self) -> Self:
        if self.rounds:
            _refuse_given(self, ("value", "standard_uncertainty"), "the rounds tell this themselves")
            if self.origin != "stated":
                refuse("rounds already define the origin; omit origin", "origin")
        elif self.origin == "stated" and (self.value is None or self.standard_uncertainty is None):
            refuse("a stated bias requires value and standard_uncertainty, or rounds")
        if self.addition_uncertainty_percent is not None and self.origin != "recovery":
            message = "the uncertainty of an addition belongs to origin: recovery"
            refuse(message, "addition_uncertainty_percent")
        return self


class WithinLaboratory(Record):
    """Where the within-laboratory reproducibility comes from.

    ``origin`` is what the data blocks show, or ``control limits``: their distance ``limits`` from the centre
    line, which is ``factor`` standard deviations, in percent where ``relative`` is true.
    """

    origin: Literal["precision", "duplicates", "control limits", "none"] = "control limits"
    limits: Positive | None = None
    factor: Positive = 2.0
    relative: Flag = False
    degrees_of_freedom: Positive | None = None
    source: Text | None = None

    @model_validator(mode="after")
    def _is_complete(self) -> Self:
        if self.origin == "control limits" and self.limits is None:
            refuse("control limits require their distance from the centre line; give limits")
        if self.origin != "control limits" and self.limits is not None:
            refuse("limits applies to origin: control limits only", "limits")
        return self


class Conformity(Record):
    """How results are held against a legal limit or a specification.

    ``max_risk`` is the largest probability of a wrong statement on one result; ``item_mean`` and ``item_sd``
    describe the true values of the items that will be tested, for the risks over many of them.
    """

    max_risk: Positive | None = None
    item_mean: Number | None = None
    item_sd: Positive | None = None
    analyte: Label | None = None

    @model_validator(mode="after")
    def _makes_sense(self) -> Self:
        if self.max_risk is not None and self.max_risk > 0.5:
            refuse("must be between 0 and 0.5", "max_risk")
        if (self.item_mean is None) != (self.item_sd is None):
            refuse("item_mean and item_sd must be given together")
        return self


def bias_in_words(value: object) -> object:
    """The table that a word for it stands for."""
    if not isinstance(value, str):
        return value
    if value not in BIAS_FROM:
        raise problem(
            "write from recovery, from reference materials, or a table with value, "
            f"standard_uncertainty and source, or with rounds; found {quoted(value)}"
        )
    return {"origin": BIAS_FROM[value]}


def within_in_words(value: object) -> object:
    """The table that a word for it stands for."""
    if not isinstance(value, str):
        return value
    if value not in WITHIN_FROM:
        raise problem(
            "write from precision, from duplicates, none, or a table with limits (of a control chart) and "
            f"source; found {quoted(value)}"
        )
    return {"origin": WITHIN_FROM[value]}


class UncertaintyBlock(Record):
    """The block ``uncertainty``.

    Uncertainty by what the study shows: ``within_laboratory`` (intermediate precision unless another source
    is named) and ``bias`` (reference materials where there are any, else recovery), with ``components``
    added. Beside it, uncertainty by a formula: ``model``, its ``quantities`` and their ``correlations``; the
    result is in ``result_unit``, that of the analyte where none is written.

    ``coverage_factor`` fixes k; Student's factor at the study's confidence is used otherwise.
    ``target_percent`` is the largest expanded uncertainty that the use allows for.
    ``read_together``: the readings of the quantities were taken together, so that their correlations follow
    from the readings.
    """

    within_laboratory: Annotated[WithinLaboratory | None, BeforeValidator(within_in_words)] = None
    bias: Annotated[Bias | None, BeforeValidator(bias_in_words)] = None
    components: tuple[Component, ...] = ()
    analyte: Label | None = None
    model: Text | None = None
    result_unit: Label | None = None
    quantities: tuple[ModelQuantity, ...] = ()
    correlations: tuple[Correlation, ...] = ()
    read_together: Flag = False
    simulation: Simulation = Simulation()
    coverage_factor: Positive | None = None
    target_percent: Positive | None = None
    conformity: Conformity = Conformity()

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if not self.model_fields_set:
            refuse("give components, bias, or a model with its quantities")
        if self.model is None:
            for name in ("quantities", "correlations", "read_together", "result_unit", "analyte"):
                if name in self.model_fields_set:
                    refuse("applies to a formula only; give model", name)
        elif not self.quantities:
            refuse("a model requires quantities", "model")
        sentences = [*self._names_twice(), *self._unknown_names()]
        if sentences:
            refuse_all(sentences)
        return self

    def _names_twice(self) -> Iterator[tuple[str, tuple[str | int, ...]]]:
        first: dict[str, int] = {}
        for index, quantity in enumerate(self.quantities):
            before = first.setdefault(quantity.name, index)
            if before != index:
                sentence = f"the name {quoted(quantity.name)} is taken by quantities[{before}]"
                yield sentence, ("quantities", index, "name")

    def _unknown_names(self) -> Iterator[tuple[str, tuple[str | int, ...]]]:
        known = [quantity.name for quantity in self.quantities]
        for index, correlation in enumerate(self.correlations):
            for name in correlation.between:
                if name not in known:
                    sentence = f"unknown quantity {quoted(name)}; valid here: {', '.join(known)}"
                    yield sentence, ("correlations", index, "between")
