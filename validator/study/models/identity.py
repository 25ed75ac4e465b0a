"""The key ``study``: what the study is, who made it, and what it refers to."""

from typing import Literal, Self

from pydantic import Field, model_validator

from validator.characteristics.order import CharacteristicName
from validator.study.models.base import Date, Flag, Label, Labels, Record, Text, Texts, refuse

Purpose = Literal["validation", "verification", "partial", "characterisation"]
"""What the study is made for; it sets which statement its verdict supports."""


class Period(Record):
    """First and last day of the work."""

    start: Date = Field(alias="from")
    end: Date = Field(alias="to")

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.end < self.start:
            refuse(f"the period ends ({self.end}) before it starts ({self.start})", "to")
        return self


class Person(Record):
    """Somebody who answers for the study."""

    name: Text
    role: Literal["prepared", "reviewed", "approved"]


class NotApplicable(Record):
    """A rule of guidance that is set aside; ``accepted_by`` and ``date`` say who accepted the reason."""

    document: Label
    rule: Label
    reason: Text
    accepted_by: Text
    date: Date


class ConfirmedRule(Record):
    """A remembered rule that somebody of the laboratory compared with the text of its document."""

    rule: Label
    by: Text
    date: Date


class Identity(Record):
    """What the study is, as printed on its first page."""

    title: Text
    id: Label | None = None
    version: Label | None = None
    laboratory: Text | None = None
    matrix: Text | None = None
    intended_use: Text | None = None
    guidance: Labels = ()
    period: Period | None = None
    people: tuple[Person, ...] = ()
    references: Texts = ()
    attachments: Labels = ()
    hazards: Texts = ()
    purpose: Purpose = "validation"
    scope: tuple[CharacteristicName, ...] = ()
    claimed_matrices: Texts = ()
    not_applicable: tuple[NotApplicable, ...] = ()
    confirmed_rules: tuple[ConfirmedRule, ...] = ()
    index_17025: Flag = True
