"""How a published case is computed: by name, a function from its inputs to its figures.

The functions are called through their modules, so that a case judges what is installed at that moment.
"""

from collections.abc import Mapping

from validator.qualification.adapters import (
    of_calibration,
    of_limits,
    of_precision,
    of_trueness,
    of_uncertainty,
    of_whole_studies,
)
from validator.qualification.adapters.kinds import Adapter

__all__ = ["ADAPTERS", "Adapter"]

ADAPTERS: Mapping[str, Adapter] = {
    "line": of_calibration.line,
    "reading": of_calibration.reading,
    "lack_of_fit": of_calibration.lack_of_fit,
    "standard_addition": of_calibration.standard_addition,
    "york": of_calibration.york,
    "mdl_factors": of_limits.mdl_factors,
    "mdl": of_limits.mdl,
    "blank_percentile": of_limits.blank_percentile,
    "noncentrality": of_limits.noncentrality,
    "known_scatter": of_limits.known_scatter,
    "rapid_factors": of_limits.rapid_factors,
    "residual_limit": of_limits.residual_limit,
    "one_way": of_precision.one_way,
    "crossed": of_precision.crossed,
    "interlaboratory": of_precision.interlaboratory,
    "robust": of_precision.robust,
    "horwitz": of_precision.horwitz,
    "thompson": of_precision.thompson,
    "outliers": of_precision.outliers,
    "grubbs_table": of_precision.grubbs_table,
    "cochran_table": of_precision.cochran_table,
    "mandel_table": of_precision.mandel_table,
    "brown_forsythe": of_precision.brown_forsythe,
    "recovery_test": of_trueness.recovery_test,
    "paired": of_trueness.paired,
    "welch": of_trueness.welch,
    "agreement": of_trueness.agreement,
    "deming": of_trueness.deming,
    "rank_line": of_trueness.rank_line,
    "factorial": of_trueness.factorial,
    "screening": of_trueness.screening,
    "budget": of_uncertainty.budget,
    "correlated": of_uncertainty.correlated,
    "effective_freedom": of_uncertainty.effective_freedom,
    "type_b": of_uncertainty.type_b,
    "additive": of_uncertainty.additive,
    "first_order_and_simulation": of_uncertainty.first_order_and_simulation,
    "control_and_rounds": of_uncertainty.control_and_rounds,
    "conformance": of_uncertainty.conformance,
    "guard_factors": of_uncertainty.guard_factors,
    "tolerance_factor": of_uncertainty.tolerance_factor,
    "whole_study": of_whole_studies.whole_study,
}
