"""Stability: what time does to a sample under each condition of storage."""

from validator.characteristics import Characteristic, Figure

STABILITY = Characteristic(
    name="stability",
    home=__name__,
    takes=("min", "max", "max_change"),
    quantity="remaining part",
    ideal=100.0,
    names_things=True,
    counters=frozenset({"time_points", "replicates_per_time_point", "levels", "devices"}),
    figures={
        "remaining_response_percent": Figure(
            "result at the last time or use, relative to the initial or nominal value",
            "%",
            ("stability", "min"),
        ),
    },
)
