"""The sections of the dossier, in order. A new section is one function and one entry in ``SECTIONS``.

That of a characteristic with a package of its own is made of what the package tells.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.characteristics.order import FIRST_OF, PACKAGES
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
from validator.dossier.sections.selectivity import selectivity
from validator.dossier.sections.trueness import trueness
from validator.dossier.sections.uncertainty import uncertainty
from validator.records import NotAssessed

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from validator.dossier.document import Block, Section
    from validator.dossier.sections.context import Context, Item
    from validator.evaluation.results import ConfigurationRecord


def _of_packages(section: str) -> Callable[[Context], Section | None]:
    """A section that packages alone make: of each, what is asked of it and what it tells."""
    of_it = [one for one in PACKAGES if one.section == section]
    names = tuple(one.name for one in of_it)

    def blocks(context: Context, item: Item, record: ConfigurationRecord) -> Iterator[Block]:
        told = [(one, found) for one in of_it if not isinstance(found := record.of(one.name), NotAssessed)]
        for one, found in told:
            yield from judged(context, (one.name,), item.cell)
            yield from one.part("telling").blocks(context, item, found)
        if told:
            yield from open_caveats(context, names, item.cell)

    # its words are in the catalogue of the first
    return lambda context: section_of(context, names[0], lambda item: item.configuration, blocks, id=section)


OF_PACKAGES = tuple(map(_of_packages, FIRST_OF))
BEFORE_THE_MATRIX = (purpose, design, plan_kept)
CORE = (calibration, detection, precision, trueness)
"""Their figures are the compact table of each of many analytes."""
BY_ANALYTE = (
    selectivity,
    matrix,
    method_comparison,
    *OF_PACKAGES,
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
    *OF_PACKAGES,
    devices,
    configurations,
    uncertainty,
    accuracy_profile,
    decision,
    caveats,
    routine,
)
