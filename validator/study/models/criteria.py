"""The key ``criteria``: what the study itself asks of the method."""

from typing import Self

from pydantic import model_validator

from validator.characteristics import Characteristic
from validator.characteristics.order import CHARACTERISTICS, CharacteristicName
from validator.study.models.base import (
    Label,
    NonNegative,
    Number,
    Positive,
    Probability,
    Record,
    Text,
    refuse,
)

WHOLE = 100.0
"""What the ideal method recovers or retains, percent."""

LARGEST_FRACTION = 2.0
LARGEST_RSD_FRACTION = 0.3
"""A limit in percent of a whole up to this was meant as a fraction."""

_NAMES = ("rsd_max", "min", "max", "p_min", "tolerated_ratio_min")


class Criterion(Record):
    """A limit that a characteristic must keep, at a level where one is named.

    ``rsd_max`` is in percent, ``p_min`` a probability; ``min`` and ``max`` limit what ``order.ORDER`` says.
    ``within`` is both at once, ``max_change`` the same around the ideal value; after reading both stand in
    ``min`` and ``max``. ``tolerated_ratio_min`` goes with the limits of a change: up to this ratio every
    tested amount keeps them, and one at least as large was tested. Limits in the analyte's unit may be
    written in another ``unit``. ``reason`` states why a limit that the ideal method misses is meant.
    """

    characteristic: CharacteristicName
    analyte: Label | None = None
    configuration: Label | None = None
    at: NonNegative | None = None
    rsd_max: Positive | None = None
    min: Number | None = None
    max: Number | None = None
    max_change: Positive | None = None
    tolerated_ratio_min: Positive | None = None
    p_min: Probability | None = None
    within: tuple[Number, Number] | None = None
    unit: Label | None = None
    source: Text | None = None
    why: Text | None = None
    reason: Text | None = None
    note: Text | None = None

    @property
    def limits(self) -> dict[str, float]:
        """The limits that were given, by their name."""
        given = {name: getattr(self, name) for name in _NAMES}
        return {name: value for name, value in given.items() if value is not None}

    @model_validator(mode="after")
    def _is_min_and_max(self) -> Self:
        """``within`` and ``max_change`` are other words for ``min`` and ``max``."""
        meaning = CHARACTERISTICS[self.characteristic]
        for name in ("within", "max_change"):
            if getattr(self, name) is None:
                continue
            if self.min is not None or self.max is not None:
                refuse(f"{name} is min and max at once; write either", name)
            if name not in (*meaning.takes, "within"):
                refuse(f"{name} does not apply to {self.characteristic}; use {_choice(meaning)}", name)
        if self.within is not None:
            lower, upper = self.within
            if upper < lower:
                refuse("the second number must not be smaller than the first", "within")
            self.__dict__.update(min=lower, max=upper, within=None)
        if self.max_change is not None:
            ideal = meaning.ideal or 0.0
            self.__dict__.update(min=ideal - self.max_change, max=ideal + self.max_change, max_change=None)
        return self

    @model_validator(mode="after")
    def _limits_make_sense(self) -> Self:
        meaning = CHARACTERISTICS[self.characteristic]
        if not self.limits:
            refuse(f"a criterion for {self.characteristic} requires a limit: {_choice(meaning)}")
        for name in self.limits:
            if name not in meaning.takes:
                refuse(f"{name} does not apply to {self.characteristic}; use {_choice(meaning)}", name)
        if self.min is not None and self.max is not None and self.max < self.min:
            refuse("max must not be smaller than min", "max")
        if self.unit is not None and (meaning.unit != "level" or "rsd_max" in meaning.takes):
            refuse(f"unit does not apply to a criterion for {self.characteristic}", "unit")
        if self.tolerated_ratio_min is not None and self.max is None:
            refuse("tolerated_ratio_min requires max, the change that counts as tolerated", "max")
        if self.reason is None:
            self._ideal_method_meets(meaning)
            if self.rsd_max is not None and self.rsd_max <= LARGEST_RSD_FRACTION:
                refuse(
                    f"the limit is in percent; did you mean {100 * self.rsd_max:g}? If {self.rsd_max:g} % is "
                    "intended, state the reason (key reason)",
                    "rsd_max",
                )
        return self

    def _ideal_method_meets(self, meaning: Characteristic) -> None:
        ends = [end for end in (self.min, self.max) if end is not None]
        if meaning.ideal == WHOLE and ends and max(ends) <= LARGEST_FRACTION:
            percent = " and ".join(f"{100 * end:g}" for end in ends)
            refuse(f"the limits are in percent; did you mean {percent}?", "min" if self.min else "max")
        if meaning.ideal is None:
            return
        whole = meaning.ideal == WHOLE
        if self.max is not None and self.max < meaning.ideal:
            if not whole:
                advice = f"write max: {abs(self.max):g}"
            elif self.max > WHOLE / 2:
                advice = f"write max: {WHOLE:g} or more"
            else:
                advice = f"write min: {WHOLE - abs(self.max):g}"
                advice += f", or max_change: {self.max:g}" if "max_change" in meaning.takes else ""
            self._refuse_ideal(meaning, f"at most {self.max:g}", advice, "max")
        if self.min is not None and self.min > meaning.ideal:
            if whole:
                advice = f"write min: {WHOLE:g} or less"
            elif "tolerated_ratio_min" in meaning.takes:
                advice = f"write tolerated_ratio_min: {self.min:g} with max, or min: {-self.min:g}"
            elif self.min > WHOLE / 2:
                advice = f"write min: {self.min - WHOLE:g}, or a criterion for recovery"
            else:
                advice = f"write min: {-self.min:g}"
            self._refuse_ideal(meaning, f"at least {self.min:g}", advice, "min")

    def _refuse_ideal(self, meaning: Characteristic, limit: str, advice: str, name: str) -> None:
        unit = " %" if meaning.unit == "%" else ""
        refuse(
            f"a {meaning.quantity} of {limit}{unit} excludes the ideal method ({meaning.ideal:g}{unit}); "
            f"{advice}; if the limit is intended, state the reason (key reason)",
            name,
        )


def _choice(meaning: Characteristic) -> str:
    return " or ".join(meaning.takes)
