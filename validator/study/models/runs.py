"""What all data blocks and their runs share."""

from collections.abc import Mapping, Sequence
from typing import Any, ClassVar, Literal, Self, get_args

from pydantic import Field, ValidatorFunctionWrapHandler, field_validator, model_validator

from validator.study.models.base import (
    Cause,
    CellRange,
    Count,
    Date,
    Headers,
    Label,
    Labels,
    LessThan,
    Number,
    Numbers,
    Reading,
    Readings,
    Record,
    RowRange,
    Sources,
    Text,
    Whole,
    problem,
    refuse,
)

Preparation = Literal["independent", "repeated_reading"]
Axis = Literal["signal", "concentration"]


class Run(Record):
    """One line of data: fields that every run accepts.

    After reading, ``analyte``, ``configuration``, ``preparation`` and ``date`` hold the block's default
    where the run has none of its own; ``configuration`` is ``"default"`` in a study that names none.
    """

    in_analyte_unit: ClassVar[frozenset[str]] = frozenset()
    """Fields in the unit of the analyte."""
    in_signal_unit: ClassVar[frozenset[str]] = frozenset()
    """Fields in the unit of the signal."""
    in_either_unit: ClassVar[frozenset[str]] = frozenset()
    """Fields in the one unit or the other."""
    gathers_rows: ClassVar[bool] = False
    """In a table, several rows make one run."""
    one_row: ClassVar[type[Record] | None] = None
    """In a table, the record that one row makes, where that is not a run."""
    rows_in: ClassVar[str] = ""
    """The field that lists the records of ``one_row``."""

    analyte: Label = ""
    configuration: Label = ""
    date: Date | None = None
    operator: Label | None = None
    instrument: Label | None = None
    series: Label | None = None
    device: Label | None = None
    order: Whole | None = None
    preparation: Preparation = "independent"
    preparation_id: Label | None = None
    matrix: Text | None = None
    note: Text | None = None
    excluded: Cause | None = None

    @field_validator("excluded")
    @classmethod
    def _says_why(cls, value: str | None) -> str:
        if value is None:  # written and left empty: whoever reads it takes the run for excluded
            raise problem('write the cause as a text (excluded: "pipetting error"), or leave out the key')
        return value

    __slots__ = ("_place", "_written")  # not private attributes of pydantic's: those take 200 bytes a run

    @property
    def place(self) -> str:
        """Where the run was written: ``study.yaml:17`` or ``blanks.csv row 5``."""
        return getattr(self, "_place", "")

    @property
    def written(self) -> Mapping[str, Sequence[str]]:
        """The numbers of each field as they were written, where that was kept: 7.000 stays 7.000.

        Fields of the records in a list stand under ``list.field``.
        """
        return getattr(self, "_written", {})

    def stand_at(self, place: str, written: Mapping[str, Sequence[str]] | None = None) -> None:
        """Note where the run was written, and how."""
        object.__setattr__(self, "_place", place)
        if written is not None:
            object.__setattr__(self, "_written", written)

    def __copy__(self) -> Self:
        copied = super().__copy__()
        copied.stand_at(self.place, self.written)
        return copied

    def __deepcopy__(self, memo: dict[int, Any] | None = None) -> Self:
        copied = super().__deepcopy__(memo)
        copied.stand_at(self.place, self.written)
        return copied

    def __getstate__(self) -> dict[Any, Any]:
        return {**super().__getstate__(), "place": self.place}

    def __setstate__(self, state: dict[Any, Any]) -> None:
        self.stand_at(state.pop("place"))
        super().__setstate__(state)


class Block(Record):
    """A data block: defaults for its runs, and the table they came from where there is one."""

    file: Sources | None = None
    sheet: Sources | None = None
    header_row: Count | None = None
    rows: RowRange | None = None
    range: CellRange | None = None
    ignored_rows: Labels = ()
    columns: dict[Label, Labels] = Field(default={})
    ignored_columns: Labels = ()
    units: dict[Label, Label] = Field(default={})
    wide: dict[Label, Headers] = Field(default={})
    decimal: Literal[".", ","] = "."
    analyte: Label | None = None
    configuration: Label | None = None
    unit: Label | None = None
    preparation: Preparation = "independent"
    date: Date | None = None

    @field_validator("wide")
    @classmethod
    def _is_one(cls, value: dict[str, dict[str, tuple[str, ...]]]) -> dict[str, dict[str, tuple[str, ...]]]:
        if len(value) > 1:
            raise problem(f"one field is expected here, found {len(value)}: {', '.join(value)}")
        return value

    __slots__ = ("_by_cell",)  # not a private attribute of pydantic's: a copy with other runs starts without

    def runs_for(self, analyte: str, configuration: str) -> tuple[Run, ...]:
        """Every run of that analyte with that configuration, in the order written.

        They are sorted out once: with hundreds of analytes, going through all runs for each takes longer than
        the statistics.
        """
        by_cell: dict[tuple[str, str], tuple[Run, ...]] | None = getattr(self, "_by_cell", None)
        if by_cell is None:
            found: dict[tuple[str, str], list[Run]] = {}
            runs: tuple[Run, ...] = getattr(self, "runs", ())
            for run in runs:
                found.setdefault((run.analyte, run.configuration), []).append(run)
            by_cell = {cell: tuple(some) for cell, some in found.items()}
            object.__setattr__(self, "_by_cell", by_cell)
        return by_cell.get((analyte, configuration), ())

    @field_validator("runs", mode="wrap", check_fields=False)
    @classmethod
    def _keep_finished(cls, runs: object, validate: ValidatorFunctionWrapHandler) -> object:
        # runs that were read from many rows are valid: to ask them again takes as long as reading them
        (kind, *_) = get_args(cls.model_fields["runs"].annotation)
        if isinstance(runs, list) and runs and all(type(run) is kind for run in runs):
            return tuple(runs)
        return validate(runs)


class SignalRun(Run):
    """A run whose readings are signals."""

    in_signal_unit = frozenset({"signals", "signal"})
    signals: Numbers | None = None
    signal: Number | None = None

    @property
    def values(self) -> tuple[float, ...]:
        """The signals, however they were written."""
        return self.signals or () if self.signal is None else (self.signal,)


class MeasuredRun(Run):
    """A run whose readings are signals or concentrations, never both; below reporting they are ``"<0.5"``."""

    in_analyte_unit = frozenset({"level", "concentrations", "concentration"})
    in_signal_unit = frozenset({"signals", "signal"})
    signals: Readings | None = None
    signal: Reading | None = None
    concentrations: Readings | None = None
    concentration: Reading | None = None

    @property
    def axis(self) -> Axis:
        """What the readings are."""
        return "signal" if self.concentrations is None and self.concentration is None else "concentration"

    @property
    def readings(self) -> tuple[float | LessThan, ...]:
        """The readings in the order written, those below reporting included."""
        single = self.signal if self.axis == "signal" else self.concentration
        several = self.signals if self.axis == "signal" else self.concentrations
        return several or () if single is None else (single,)

    @model_validator(mode="after")
    def _has_readings(self) -> Self:
        exactly_one(self, "signals", "signal", "concentrations", "concentration")
        return self

    @property
    def values(self) -> tuple[float, ...]:
        """The readings that are numbers; look at ``below`` before computing with them alone."""
        return numbers_of(self.readings)

    @property
    def below(self) -> tuple[float, ...]:
        """The limits of the readings reported as below a limit."""
        return limits_of(self.readings)


def numbers_of(readings: tuple[float | LessThan, ...]) -> tuple[float, ...]:
    """The readings that are numbers."""
    return tuple(reading for reading in readings if not isinstance(reading, LessThan))


def limits_of(readings: tuple[float | LessThan, ...]) -> tuple[float, ...]:
    """The limits of the readings reported as below a limit."""
    return tuple(reading.limit for reading in readings if isinstance(reading, LessThan))


def exactly_one(run: Record, *names: str) -> None:
    """Refuse a run that gives none or several of the fields *names*.

    The first and second name of each kind of reading (``signals``, ``signal``) count as separate fields:
    who writes both has written the readings twice.
    """
    given = [name for name in names if getattr(run, name) is not None]
    if not given:
        shown = [name for name in names if not (name.endswith("s") and name[:-1] in names)] or list(names)
        plural = [f"{name}s" if f"{name}s" in names else name for name in shown]
        refuse(f"no readings; give {' or '.join(plural)}")
    if len(given) > 1:
        refuse(f"{given[0]} and {given[1]} are mutually exclusive; give only one", given[1])
