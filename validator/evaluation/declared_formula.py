"""The formula of a study against its quantities: what only the reader of formulas can tell."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.evaluation.measurement_formula import correlations
from validator.statistics.measurement_model import MeasurementModel, measurement_model, normal_form

if TYPE_CHECKING:
    from collections.abc import Iterator

    from validator.study import Study
    from validator.study.models.uncertainty import UncertaintyBlock

Loc = tuple[str | int, ...]
Wrong = tuple[Loc, str]


def formula_problems(study: Study) -> Iterator[Wrong]:
    """Everything that is wrong with the formula of *study*: where it stands, and what to write."""
    block = study.uncertainty
    if block is None:
        return
    yield from _owners(study, block)
    if block.model is None:
        return
    try:
        model = measurement_model(block.model)
    except ValueError as refusal:
        yield ("uncertainty", "model"), str(refusal)
        return
    yield from _names(block, model)
    try:
        correlations(block)
    except ValueError as refusal:
        place = "correlations" if block.correlations else "read_together"
        yield ("uncertainty", place), str(refusal)


def _owners(study: Study, block: UncertaintyBlock) -> Iterator[Wrong]:
    """The analytes that the formula and the items belong to: known, and named where there are several."""
    described = block.conformity.item_mean is not None
    for loc, name, needed in (
        (("uncertainty", "analyte"), block.analyte, block.model is not None),
        (("uncertainty", "conformity", "analyte"), block.conformity.analyte, described),
    ):
        if name is not None and name not in study.analyte_ids:
            yield loc, f"unknown analyte '{name}'; valid here: {', '.join(study.analyte_ids)}"
        elif name is None and needed and len(study.analyte_ids) > 1:
            yield loc, f"missing; name one of the analytes of the study: {', '.join(study.analyte_ids)}"


def _names(block: UncertaintyBlock, model: MeasurementModel) -> Iterator[Wrong]:
    """Names of the formula without a quantity, and quantities that the formula does not have."""
    given = [normal_form(quantity.name) for quantity in block.quantities]
    for name in model.names:
        if name not in given:
            yield ("uncertainty", "model"), f"{name} has no value; add it to quantities"
    for index, name in enumerate(given):
        loc = ("uncertainty", "quantities", index, "name")
        if name not in model.names:
            yield loc, f"{name} is not in the formula, which has {', '.join(model.names)}"
        elif name in given[:index]:
            yield loc, f"{name} is given twice; the two spellings are read as the same letters"
