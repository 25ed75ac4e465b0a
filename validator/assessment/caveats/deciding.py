"""The limit that decides and the variant behind it, by what it rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from msgspec import Struct

from validator.evaluation.results import DeclaredLimit, LimitVariant
from validator.statistics.detection import VARIANTS, resolve_detection, resolve_quantification

if TYPE_CHECKING:
    from validator.assessment.caveats.raising import Subject

ON_CALIBRATION = ("residual_3.3", "intercept_3.3", "iso_11843", "din_32645_calibration", "hubaux_vos")
ON_BLANKS = ("blank_3s", "blank_mean_3s", "blank_3.3", "currie", "din_32645_blank", "epa_mdl", "lob_lod")
ON_LOW_LEVEL = ("low_level_3s", "epa_mdl", "lob_lod")
ON_NOISE = ("signal_to_noise",)

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


def rests_on(subject: Subject, variants: tuple[str, ...]) -> bool:
    """True when a deciding limit comes from one of *variants*."""
    return any(one.id in variants for one in deciding(subject))
