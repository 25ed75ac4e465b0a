"""How a published case is computed: by name, a function from its inputs to its figures.

The functions are called through their modules, so that a case judges what is installed at that moment.
"""

from collections.abc import Mapping
from inspect import isfunction

from validator.qualification.adapters import (
    of_calibration_and_limits,
    of_precision_and_trueness,
    of_studies,
    of_uncertainty,
)
from validator.qualification.adapters.kinds import Adapter

__all__ = ["ADAPTERS", "Adapter"]

ADAPTERS: Mapping[str, Adapter] = {
    name: adapter
    for module in (of_studies, of_calibration_and_limits, of_precision_and_trueness, of_uncertainty)
    for name, adapter in vars(module).items()
    if isfunction(adapter) and adapter.__module__ == module.__name__ and not name.startswith("_")
}
"""The public functions of these modules."""
