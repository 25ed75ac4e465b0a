"""Robustness: effects of settings changed on purpose."""

from validator.characteristics import Characteristic, Figure

ROBUSTNESS = Characteristic(
    name="robustness",
    home=__name__,
    takes=("min", "max", "p_min"),
    quantity="effect",
    is_change=True,
    tolerates="effect",
    names_things=True,
    counters=frozenset({"factors", "runs"}),
    figures={
        "robustness_effect_percent": Figure(
            "largest absolute effect of a factor, relative to the mean result", "%"
        ),
    },
)
