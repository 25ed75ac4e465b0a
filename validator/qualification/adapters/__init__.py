"""How a published case is computed: by name, a function from its inputs to its figures.

The functions are called through their modules, so that a case judges what is installed at that moment.
"""

from collections.abc import Mapping

from validator.qualification.adapters import (
    of_calibration_and_limits,
    of_precision_and_trueness,
    of_uncertainty,
)
from validator.qualification.adapters.kinds import Adapter

__all__ = ["ADAPTERS", "Adapter"]

ADAPTERS: Mapping[str, Adapter] = {
    "line": of_calibration_and_limits.line,
    "reading": of_calibration_and_limits.reading,
    "lack_of_fit": of_calibration_and_limits.lack_of_fit,
    "standard_addition": of_calibration_and_limits.standard_addition,
    "york": of_calibration_and_limits.york,
    "mdl_factors": of_calibration_and_limits.mdl_factors,
    "mdl": of_calibration_and_limits.mdl,
    "blank_percentile": of_calibration_and_limits.blank_percentile,
    "noncentrality": of_calibration_and_limits.noncentrality,
    "known_scatter": of_calibration_and_limits.known_scatter,
    "rapid_factors": of_calibration_and_limits.rapid_factors,
    "residual_limit": of_calibration_and_limits.residual_limit,
    "one_way": of_precision_and_trueness.one_way,
    "crossed": of_precision_and_trueness.crossed,
    "interlaboratory": of_precision_and_trueness.interlaboratory,
    "robust": of_precision_and_trueness.robust,
    "horwitz": of_precision_and_trueness.horwitz,
    "thompson": of_precision_and_trueness.thompson,
    "outliers": of_precision_and_trueness.outliers,
    "grubbs_table": of_precision_and_trueness.grubbs_table,
    "cochran_table": of_precision_and_trueness.cochran_table,
    "mandel_table": of_precision_and_trueness.mandel_table,
    "brown_forsythe": of_precision_and_trueness.brown_forsythe,
    "recovery_test": of_precision_and_trueness.recovery_test,
    "paired": of_precision_and_trueness.paired,
    "welch": of_precision_and_trueness.welch,
    "agreement": of_precision_and_trueness.agreement,
    "deming": of_precision_and_trueness.deming,
    "rank_line": of_precision_and_trueness.rank_line,
    "factorial": of_precision_and_trueness.factorial,
    "screening": of_precision_and_trueness.screening,
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
    "whole_study": of_uncertainty.whole_study,
}
