"""The usual cautions for work that can hurt someone, by what the study itself mentions."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from validator.dossier.inline import Content
    from validator.dossier.sections.context import Context

_WORDS: dict[str, tuple[str, ...]] = {
    "toxic_metals": (
        "cadmium", "mercury", "arsenic", "thallium", "chromium", "nickel", "antimony", "beryllium",
        "selenium", "toxic metal", "heavy metal", "bismuth", "zinc", "copper",
    ),
    "mercury": ("mercury",),
    "acids": (
        "acid", "hydrochloric", "nitric", "sulfuric", "sulphuric", "perchloric", "phosphoric",
        "acetate buffer", "hno3", "hcl", "h2so4",
    ),
    "bases": ("hydroxide", "naoh", "koh", "ammonia"),
    "solvents": (
        "solvent", "methanol", "acetonitrile", "ethanol", "acetone", "hexane", "toluene", "chloroform",
        "dichloromethane", "isopropanol",
    ),
    "pressure": (
        "pressur", "gas cylinder", "autoclave", "liquid chromatograph", "hplc", "nitrogen purge", "argon",
    ),
    "electrical": ("voltammetr", "potentiostat", "high voltage", "electrophores", "spark"),
    "radiation": ("ultraviolet", "uv", "laser", "x-ray", "photometr"),
}  # fmt: skip
"""Words in the study that call for a caution; a caution too many is better than one too few."""


def hazards_of(context: Context) -> tuple[str, ...]:
    """Known kinds of hazard that the study mentions, in a fixed order."""
    text = _text(context)
    return tuple(
        kind
        for kind, words in _WORDS.items()
        if any(re.search(rf"\b{re.escape(word)}", text) for word in words)
    )


def _text(context: Context) -> str:
    study, method = context.study.study, context.study.method
    parts = [
        *study.hazards,
        method.title or "",
        method.principle or "",
        method.procedure or "",
        *method.reagents,
        *method.equipment,
        *method.conditions,
        *method.conditions.values(),
        *(analyte.name for analyte in method.analytes),
        *(configuration.name for configuration in method.configurations),
    ]
    if context.study.interference is not None:
        parts.extend(run.interferent for run in context.study.interference.runs)
    return " ".join(parts).lower().replace("_", " ")


def cautions(context: Context) -> tuple[Content, ...]:
    """Cautions for the kinds of hazard mentioned, the study's own words, and what always holds."""
    say = context.say
    named = tuple(say(f"hazards.{kind}") for kind in hazards_of(context))
    own = tuple(say("hazards.own", text=text) for text in context.study.study.hazards if not _is_key(text))
    return (*named, *own, say("hazards.always"))


def _is_key(text: str) -> bool:
    return text.lower().replace("_", " ") in {"toxic metals", "mercury", "acids", "solvents", "bases"}
