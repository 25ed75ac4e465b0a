"""Every limit the data allow, and the variant that a study means by a name."""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING

from validator.errors import NotEstimable
from validator.statistics.detection.registry import QUANTIFICATION_ALIASES, VARIANTS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from validator.statistics.detection.inputs import DetectionInputs
    from validator.statistics.detection.result import LimitResult
    from validator.statistics.detection.variant import Gives, Variant


def all_limits(inputs: DetectionInputs) -> dict[str, LimitResult | NotEstimable]:
    """Limits by every variant, or why there are none, in the order of the registry."""
    return {name: limits_by(name, inputs) for name in VARIANTS}


def limits_by(name: str, inputs: DetectionInputs) -> LimitResult | NotEstimable:
    """Limits by the variant of the registry called *name*, or why there are none."""
    try:
        return VARIANTS[name].limits(inputs)
    except NotEstimable as refusal:
        # A fresh one: the raised one would keep its traceback and every array in it alive.
        return NotEstimable(refusal.reason, refusal.needs)


def resolve_detection(name: str) -> Variant:
    """The variant called *name*, which has to give a detection limit.

    Raises:
        NotEstimable: no such variant (with the nearest name), or one without a detection limit.
    """
    return _resolve(name, {}, "detection")


def resolve_quantification(name: str) -> Variant:
    """The variant called *name*, by its id or the name of its quantification limit.

    Raises:
        NotEstimable: no such variant (with the nearest name), or one without a quantification limit.
    """
    return _resolve(name, QUANTIFICATION_ALIASES, "quantification")


def _resolve(name: str, aliases: Mapping[str, str], gives: Gives) -> Variant:
    variant = VARIANTS.get(aliases.get(name, name))
    usable = [v.id for v in VARIANTS.values() if gives in v.gives] + list(aliases)
    if variant is not None and gives in variant.gives:
        return variant
    nearest = difflib.get_close_matches(name, usable, n=1)
    suggestion = f"; did you mean '{nearest[0]}'?" if nearest and variant is None else ""
    reason = (
        f"the variant '{name}' gives no {gives} limit"
        if variant is not None
        else f"there is no variant '{name}'"
    )
    raise NotEstimable(reason, "one of " + ", ".join(usable) + suggestion)
