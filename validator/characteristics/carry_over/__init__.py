"""Carry-over: what a blank shows directly after a high sample."""

from validator.characteristics import Characteristic, Figure

CARRY_OVER = Characteristic(
    name="carry_over",
    home=__name__,
    takes=("max",),
    quantity="share of the signal at the quantification limit",
    section="stability",
    names_things=True,
    counters=frozenset({"determinations"}),
    figures={
        "carry_over_percent_of_quantification_limit": Figure(
            "blank after the highest level, relative to the signal at the quantification limit",
            "%",
            ("carry_over", "max"),
        ),
    },
)
