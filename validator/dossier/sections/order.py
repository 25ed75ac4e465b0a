"""The sections of the dossier, in order. A new section is one function and one entry in ``SECTIONS``.

That of a characteristic with a package of its own is made of what the package tells.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.characteristics.order import ALONE
from validator.dossier.sections.accuracy_profile import accuracy_profile
from validator.dossier.sections.calibration import calibration
from validator.dossier.sections.configurations import configurations
from validator.dossier.sections.context import open_caveats, section_of
from validator.dossier.sections.decision import caveats, decision, routine
from validator.dossier.sections.design import design, plan_kept
from validator.dossier.sections.detection import decision_limits, detection
from validator.dossier.sections.devices import devices
from validator.dossier.sections.judging import judged
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
    from collections.abc import Callable, Iterator

    from validator.characteristics import Characteristic
    from validator.dossier.document import Block, Section
    from validator.dossier.sections.context import Context, Item


def _section_of(one: Characteristic) -> Callable[[Context], Section | None]:
    """The section of a characteristic that shares it with no other, from what its package tells."""

    def blocks(context: Context, item: Item, found: object) -> Iterator[Block]:
        yield from judged(context, (one.name,), item.cell)
        yield from one.part("telling").blocks(context, item, found)
        yield from open_caveats(context, (one.name,), item.cell)

    return lambda context: section_of(
        context, one.name, lambda item: item.configuration.of(one.name), blocks, id=one.section
    )


OF_PACKAGES = tuple(map(_section_of, ALONE))
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
    *OF_PACKAGES,
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
    *OF_PACKAGES,
    configurations,
    uncertainty,
    accuracy_profile,
    decision,
    caveats,
    routine,
)
