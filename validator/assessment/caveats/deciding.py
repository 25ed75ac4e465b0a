"""The limit that decides and the variant behind it, by what it rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from msgspec import Struct

from validator.evaluation.results import DeclaredLimit, LimitVariant
from validator.statistics.detection import VARIANTS, resolve_detection, resolve_quantification

if TYPE_CHECKING:
    from validator.assessment.caveats.raising import Subject

Which = Literal["detection_limit", "quantification_limit"]


class Deciding(Struct, frozen=True):
    """A declared limit with the variant that gave it."""

    characteristic: Which
    id: str
    limit: DeclaredLimit
    variant: LimitVariant

    @property
    def title(self) -> str:
        """The variant as the dossier names it."""
        return VARIANTS[self.id].title

    def rests_on(self, block: str) -> bool:
        """True where the limit is a multiple of a standard deviation that results of *block* give."""
        variant = VARIANTS[self.id]
        return block in variant.rests_on and not variant.is_level


def deciding(subject: Subject) -> tuple[Deciding, ...]:
    """The deciding limits that were assessed, the detection limit first; none where no limit matters."""
    found: list[Deciding] = []
    for characteristic, limit in (
        ("detection_limit", subject.detection_limit),
        ("quantification_limit", subject.quantification_limit),
    ):
        if limit is None or subject.detection is None:
            continue
        of_detection = characteristic == "detection_limit"
        name = (resolve_detection if of_detection else resolve_quantification)(limit.variant).id
        variant = subject.detection.variants[name]
        if isinstance(variant, LimitVariant):
            which: Which = "detection_limit" if of_detection else "quantification_limit"
            found.append(Deciding(which, name, limit, variant))
    return tuple(found)


def rests_on(subject: Subject, block: str) -> bool:
    """True when a deciding limit rests on results of *block*."""
    return any(one.rests_on(block) for one in deciding(subject))
