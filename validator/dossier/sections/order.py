"""The sections of the dossier, in order. A new section is one function and one entry in ``SECTIONS``."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.dossier.sections.accuracy_profile import accuracy_profile
from validator.dossier.sections.calibration import calibration
from validator.dossier.sections.configurations import configurations
from validator.dossier.sections.decision import caveats, decision, routine
from validator.dossier.sections.design import design, plan_kept
from validator.dossier.sections.detection import decision_limits, detection
from validator.dossier.sections.devices import devices
from validator.dossier.sections.matrix import matrix
from validator.dossier.sections.method_comparison import method_comparison
from validator.dossier.sections.precision import precision
from validator.dossier.sections.purpose import purpose
from validator.dossier.sections.recordings import recordings
from validator.dossier.sections.robustness import robustness
from validator.dossier.sections.selectivity import selectivity
from validator.dossier.sections.stability import stability
from validator.dossier.sections.trueness import trueness
from validator.dossier.sections.uncertainty import uncertainty

if TYPE_CHECKING:
    from collections.abc import Callable

    from validator.dossier.document import Section
    from validator.dossier.sections.context import Context

BEFORE_THE_MATRIX = (purpose, design, plan_kept)
CORE = (calibration, detection, precision, trueness)
"""Their figures are the compact table of each of many analytes."""
BY_ANALYTE = (
    selectivity,
    matrix,
    method_comparison,
    robustness,
    stability,
    devices,
    uncertainty,
    accuracy_profile,
)
"""Of many analytes, these go to the section of each."""

SECTIONS: tuple[Callable[[Context], Section | None], ...] = (
    purpose,
    design,
    plan_kept,
    recordings,
    calibration,
    detection,
    precision,
    trueness,
    decision_limits,
    selectivity,
    matrix,
    method_comparison,
    robustness,
    stability,
    devices,
    configurations,
    uncertainty,
    accuracy_profile,
    decision,
    caveats,
    routine,
)
