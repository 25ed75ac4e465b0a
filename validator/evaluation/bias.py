"""Bias as a part of a top-down uncertainty, from reference materials, recovery or a statement."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from msgspec import structs

from validator.errors import NotEstimable
from validator.evaluation.factors import series_labels
from validator.evaluation.results import NotAssessed
from validator.evaluation.rows import independent_values, kept, labels_or_none, runs_of
from validator.evaluation.top_down import Part, stated_part
from validator.evaluation.trueness import recovery_groups
from validator.statistics import bias_uncertainty
from validator.statistics.series import mean_of_series
from validator.study.models.trueness import RecoveryRun

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.evaluation.results import RecoveryRecord
    from validator.evaluation.rows import Cell
    from validator.study import Study
    from validator.study.models.uncertainty import Bias

NO_ADDITION = "the uncertainty of the added amounts is not included"
NO_REFERENCE = "no uncertainty is stated for a reference value, so none is included"


def bias(
    study: Study,
    cell: Cell,
    recovery: Sequence[RecoveryRecord] | NotAssessed,
    declared: Bias | None,
) -> Part:
    """Bias, from reference materials where there are any, else from recovery, unless the study says where.

    Raises:
        NotEstimable: the source holds nothing, or the study leaves this part out.
    """
    records = () if isinstance(recovery, NotAssessed) else recovery
    origin = declared.origin if declared is not None else None
    if origin is None:
        has_reference = any(one.kind == "reference" and one.n for one in records)
        origin = "reference materials" if has_reference else "recovery"
    match origin:
        case "none":
            raise NotEstimable(
                "the study excludes bias from the uncertainty",
                "key bias: from recovery or from reference materials",
            )
        case "stated" if declared is not None and declared.rounds:
            return _of_rounds(declared)
        case "stated":
            assert declared is not None
            assert declared.value is not None
            assert declared.standard_uncertainty is not None
            part = bias_uncertainty.from_stated_bias(
                declared.value, declared.standard_uncertainty, relative=declared.relative
            )
            return stated_part(part, declared.source or "stated in the study")
        case "reference materials":
            return _of_references(study, cell)
        case "recovery":
            addition = declared.addition_uncertainty_percent if declared is not None else None
            return _of_recoveries(records, addition)


def _of_references(study: Study, cell: Cell) -> Part:
    groups = [
        (group, independent_values(kept(group.runs)))
        for group in recovery_groups(
            [run for run in runs_of(study.recovery, cell) if isinstance(run, RecoveryRun)]
        )
        if group.kind == "reference_material"
    ]
    groups = [(group, values) for group, values in groups if values]
    if not groups:
        raise NotEstimable(
            "no results of reference materials were provided", "recovery data with a reference value"
        )
    references = [group.level for group, _ in groups]
    stated = [
        [run.reference_uncertainty for run in kept(group.runs) if run.reference_uncertainty is not None]
        for group, _ in groups
    ]
    us = [max(some, default=0.0) for some in stated]
    found = [np.array([value.value for value in values]) for _, values in groups]
    series = [labels_or_none(series_labels([value.run for value in values])) for _, values in groups]
    if len(groups) == 1:
        part = bias_uncertainty.from_reference_material(
            found[0], references[0], us[0], series=series[0], relative=True
        )
    else:
        means = [mean_of_series(some, labels)[0] for some, labels in zip(found, series, strict=True)]
        part = bias_uncertainty.from_reference_materials(means, references, us, relative=True)
    return stated_part(part, "recovery data with a reference value", note="" if all(stated) else NO_REFERENCE)


def _of_rounds(declared: Bias) -> Part:
    """Results of the laboratory in interlaboratory comparisons, in percent of the assigned values."""
    rounds = declared.rounds
    part = bias_uncertainty.from_interlaboratory_rounds(
        [one.result for one in rounds],
        [one.assigned for one in rounds],
        [one.reproducibility_sd for one in rounds],
        [one.laboratories for one in rounds],
        robust=[one.robust for one in rounds],
        relative=True,
    )
    return stated_part(part, declared.source or "interlaboratory comparisons")


def _of_recoveries(records: Sequence[RecoveryRecord], addition: float | None) -> Part:
    known = [
        (one, one.mean_recovery.value)
        for one in records
        if one.kind != "reference" and one.mean_recovery.value is not None
    ]
    if not known:
        raise NotEstimable(
            "no recovery data from which bias could be estimated were provided",
            "spiked samples, a certified reference material, or solutions of independently known content",
        )
    source = "recovery runs"
    if len(known) == 1:
        only, mean = known[0]
        part = bias_uncertainty.from_stated_bias(
            mean - 100,
            math.hypot(only.mean_recovery.standard_error or 0.0, addition or 0.0),
            relative=True,
            level=only.level,
        )
        part = structs.replace(part, method="one recovery", n=only.n)
    else:
        part = bias_uncertainty.from_recoveries(
            [mean for _, mean in known], addition or 0.0, levels=[one.level for one, _ in known]
        )
    return stated_part(part, source, note="" if addition is not None else NO_ADDITION)
