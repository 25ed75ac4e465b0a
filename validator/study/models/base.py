"""What all models share: strict frozen records and the kinds of single values, in our own words.

No field of a model is a bare ``str``, ``int`` or ``float``: the kinds below accept what a chemist may write,
keep labels as they were written, and say in a sentence what is wrong with the rest.
"""

import datetime as dt
import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Annotated, Literal, NoReturn

from msgspec import Struct
from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    PlainSerializer,
    PlainValidator,
    ValidationError,
)
from pydantic_core import InitErrorDetails, PydanticCustomError

from validator.study.places import Scalar

_Otherwise = Literal["", "comma", "point", "thousands", "date"]
"""Kinds of texts that read otherwise in a table than in the study file."""

# --- what was meant by a text where a number or a date is expected -----------------------------------
DECIMAL_COMMA = re.compile(r"[-+]?\d+,\d+(?:[eE][-+]?\d+)?")
LESS_THAN = re.compile(r"<\s*(\d+(?:\.\d*)?(?:[eE][-+]?\d+)?)")
_THOUSANDS_COMMA = re.compile(r"[-+]?[1-9]\d{0,2},\d{3}")
_THOUSANDS = re.compile(
    r"(?P<first>[-+]?[1-9]\d{0,2})(?P<sign>[ '’_.,\xa0\u2009\u202f])"
    r"(?P<groups>\d{3}(?:(?P=sign)\d{3})*)(?P<rest>[.,]\d+)?"
)
_NUMBER_AND_UNIT = re.compile(
    r"([-+]?\d+(?:\.\d*)?(?:[eE][-+]?\d+)?)(?:\s+[^\d\s].*|[^\W\d_]+(?:/[^\W\d_]+)?|[%‰])"
)
_LESS_THAN_COMMA = re.compile(r"<\s*(\d+),(\d+)")
_NO_VALUE = re.compile(
    r"#?n/a|n\.?a\.?|nan|none|null|missing|-+|–|—|\?+|n\.?d\.?|n/d|not(detected|measured)|failed|overflow|invalid"
)
_BELOW = re.compile(r"lod|loq|bdl|bql|blq|<[a-z]+")
_OF_ALL = re.compile(
    r"(mean|average|avg|median|sd|s|stdev|std|std\.dev\.|%?rsd%?|cv%?|min|max|sum|total|n|slope|intercept)[:=]?"
)
_DATE_OR_TIME = re.compile(r"(\d{4}-\d\d-\d\d)(?:[T ].*)?")
_DAY_FIRST = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})")
_SLASHES = re.compile(r"(\d{1,2})/(\d{1,2})/(\d{4})")
_MONTHS = 12
_ODD_BLANK = re.compile(r"[^\S \t\r\n]")


def is_plain_number(text: str) -> bool:
    """True when the *text* is a number that was only written as a text."""
    try:
        return math.isfinite(float(text)) and text.isascii() and "_" not in text
    except ValueError:
        return False


def instead_of(text: str) -> tuple[str, _Otherwise]:
    """What to write instead of *text*, as the end of a sentence that says that a number is expected."""
    bare = text.strip()
    if _ODD_BLANK.search(text) and is_plain_number(bare):
        return "; delete the non-standard space character next to it", ""
    if DECIMAL_COMMA.fullmatch(bare):
        thousands = bare.replace(",", "") if _THOUSANDS_COMMA.fullmatch(bare) else ""
        otherwise = f" ({thousands} if the comma separates thousands)" if thousands else ""
        return f"; write it with a decimal point: {bare.replace(',', '.')}{otherwise}", "comma"
    if number := _without_thousands(bare):
        return f"; omit the thousands separator: {number}", "thousands"
    return _of_signs_and_words(bare), "date" if _DATE_OR_TIME.fullmatch(bare) else ""


def _without_thousands(text: str) -> str:
    found = _THOUSANDS.fullmatch(text)
    if found is None or (found["rest"] or "").startswith(found["sign"]):
        return ""
    digits = found["first"] + found["groups"].replace(found["sign"], "")
    return digits + (found["rest"] or "").replace(",", ".")


def _of_signs_and_words(text: str) -> str:
    word = "".join(text.lower().split())
    if "\N{MINUS SIGN}" in text or ("\N{EN DASH}" in text and len(text) > 1):
        return "; write a plain hyphen as the minus sign"
    if LESS_THAN.fullmatch(text):
        return (
            "; values reported as less than a limit are accepted only in blanks, low_level, "
            "stability and comparison"
        )
    if comma := _LESS_THAN_COMMA.fullmatch(text):
        return f"; write it with a decimal point: <{comma[1]}.{comma[2]}"
    if _BELOW.fullmatch(word):
        return (
            '; write the limit itself ("<0.5") in blanks, low_level, stability and comparison, '
            "elsewhere omit the reading"
        )
    if _NO_VALUE.fullmatch(word):
        return "; omit the reading and state the reason in a note"
    if _OF_ALL.fullmatch(word):
        return "; omit values calculated from the readings, or name such rows of a table in ignored_rows"
    if found := _NUMBER_AND_UNIT.fullmatch(text):
        return f"; write the number only ({found[1]}); the unit is declared in method.analytes"
    return ""


def is_of_all(text: str) -> bool:
    """True for the name of what is calculated from readings: a mean, a standard deviation, a sum."""
    return _OF_ALL.fullmatch("".join(text.lower().split())) is not None


def date_instead_of(text: str) -> str:
    """How the date that *text* most likely means is written, as the end of a sentence; empty if unsure."""
    bare = text.strip()
    if found := _DATE_OR_TIME.fullmatch(bare):
        parts = tuple(found[1].split("-"))
    elif found := _DAY_FIRST.fullmatch(bare):
        parts = found.group(3, 2, 1)
    elif found := _SLASHES.fullmatch(bare):
        # 3/4/2026 is another day on each side of the ocean
        parts = found.group(3, 1, 2) if int(found[2]) > _MONTHS >= int(found[1]) else found.group(3, 2, 1)
        if int(found[1]) <= _MONTHS and int(found[2]) <= _MONTHS:
            return ""
    else:
        return ""
    try:
        return f"; write {dt.date(*map(int, parts)).isoformat()}"
    except ValueError:
        return ""


PROBLEM = "study"
"""The pydantic error type of every sentence of ours."""

DATE, TIME = "[0-9]{4}-[0-9]{2}-[0-9]{2}", "[0-9]{2}:[0-9]{2}(?::[0-9]{2})?"
_CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff]")
_DATE = re.compile(rf"({DATE})(?:[ T]{TIME})?")
"""The time of day, which instruments write beside it, is left out."""
_LEADING_ZERO = re.compile(r"[-+]?0\d")
_LONGEST_QUOTE = 40
_FEW = 5
_BIGGEST_COUNT = 10**12
SMALLEST_RATE, MOST_CONFIDENT = 1e-6, 0.999999
"""Beyond these a quantile says more of the normal distribution than of the laboratory."""
LARGEST, SMALLEST = 1e50, 1e-50
"""Beyond these no quantity of a laboratory lies, and squares and products no longer fit a double."""


class Record(BaseModel):
    """Parent of everything that can be written in a study."""

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        allow_inf_nan=False,
        hide_input_in_errors=True,
        defer_build=True,  # a study builds the models of the blocks that it has
    )


def problem(sentence: str, cause: str = "") -> PydanticCustomError:
    """A validation error that says *sentence*; *cause* lets the readers of tables say it their way."""
    return PydanticCustomError(PROBLEM, "{sentence}", {"sentence": sentence, "cause": cause})


def refuse(sentence: str, *loc: str | int) -> NoReturn:
    """Raise *sentence* at the field *loc* below the record that is being validated."""
    refuse_all([(sentence, loc)])


def refuse_all(sentences: Iterable[tuple[str, tuple[str | int, ...]]]) -> NoReturn:
    """Raise several sentences, each with its field below the record that is being validated."""
    raise ValidationError.from_exception_data(
        "study",
        [InitErrorDetails(type=problem(sentence), loc=loc, input=None) for sentence, loc in sentences],
    )


def quoted(value: object) -> str:
    """*value* as it is cited in a message: as it was written, in quotation marks, not too long."""
    match value:
        case None:
            return "nothing"
        case Scalar():
            text = value.text
        case dict():
            return "a table of keys"
        case list() | tuple():
            return "a list"
        case _:
            text = str(value)
    return f"'{printable(text, _LONGEST_QUOTE)}'"


def printable(text: str, longest: int) -> str:
    """The *text* on one line, cut to its beginning where it is long, signs that steer a terminal replaced."""
    line = " ".join(text[: 2 * longest].split())
    line = "".join(sign if sign.isprintable() else "?" for sign in line)
    return line if len(line) <= longest else f"{line[: longest - 1]}…"


def few(items: Iterable[object]) -> str:
    """The first of the *items*, and how many more there are."""
    listed = list(map(str, items))
    rest = len(listed) - _FEW
    return ", ".join(listed[:_FEW]) + (f" and {rest} more" if rest > 0 else "")


# --- numbers ---------------------------------------------------------------------------------------
def _number(value: object) -> float:
    """The finite number that *value* stands for."""
    text = value.text if isinstance(value, Scalar) else ""
    meant = value.value if isinstance(value, Scalar) else value
    if isinstance(meant, str):
        if is_plain_number(meant):
            said = f"a number is expected here, found the text {quoted(meant)}; leave out the quotation marks"
            raise problem(said, "point")
        rather, cause = instead_of(meant)
        raise problem(f"a number is expected here, found {quoted(meant)}{rather}", cause)
    if isinstance(meant, bool) or not isinstance(meant, int | float):
        raise problem(f"a number is expected here, found {quoted(value)}")
    if math.isnan(meant) or text.strip("+-").lower() == ".inf":
        raise problem(
            f"{quoted(value)} is not a measured value; omit the reading and state the reason in a note"
        )
    if abs(meant) > LARGEST:
        raise problem(f"{quoted(value)} is too large to be computed with")
    if 0 < abs(meant) < SMALLEST:
        raise problem(f"{quoted(value)} is too small to be computed with; write 0 if that is meant")
    if _LEADING_ZERO.match(text):
        raise problem(
            f"{quoted(value)} starts with a zero: was it part of a decimal comma? "
            f"Write a decimal point, or {text.lstrip('+-0') or '0'} if that is meant"
        )
    return float(meant)


def _count(value: object) -> int:
    meant = value.value if isinstance(value, Scalar) else value
    if isinstance(meant, bool) or not isinstance(meant, int | float):
        raise problem(f"a whole number is expected here, found {quoted(value)}")
    number = _number(value)
    if number != int(number) or abs(number) > _BIGGEST_COUNT:
        raise problem(f"a whole number is expected here, found {quoted(value)}")
    return int(number)


def _written(number: float) -> str:
    return repr(number).removesuffix(".0")


def _not_negative(number: float) -> float:
    if number < 0:
        raise problem(f"must not be negative, found {_written(number)}")
    return number


def _positive(number: float) -> float:
    if number <= 0:
        raise problem(f"must be greater than zero, found {_written(number)}")
    return number


def _probability(number: float) -> float:
    if not 0 < number < 1:
        raise problem(f"must lie between 0 and 1 (0.95 for 95 %), found {_written(number)}")
    return number


def _confidence(number: float) -> float:
    if not 0.5 < number <= MOST_CONFIDENT:
        raise problem(
            f"must lie between 0.5 and {MOST_CONFIDENT:g} (0.95 for 95 %), found {_written(number)}"
        )
    return number


def _error_rate(number: float) -> float:
    if not SMALLEST_RATE <= number < 0.5:
        raise problem(
            f"must lie between {_written(SMALLEST_RATE)} and 0.5 (0.05 for 5 %), found {_written(number)}"
        )
    return number


def _at_least_one(number: int) -> int:
    if number < 1:
        raise problem(f"must be 1 or more, found {number}")
    return number


def _not_negative_count(number: int) -> int:
    if number < 0:
        raise problem(f"must not be negative, found {number}")
    return number


Number = Annotated[float, BeforeValidator(_number)]
NonNegative = Annotated[float, AfterValidator(_not_negative), BeforeValidator(_number)]
Positive = Annotated[float, AfterValidator(_positive), BeforeValidator(_number)]
Probability = Annotated[float, AfterValidator(_probability), BeforeValidator(_number)]
Confidence = Annotated[float, AfterValidator(_confidence), BeforeValidator(_number)]
ErrorRate = Annotated[float, AfterValidator(_error_rate), BeforeValidator(_number)]
Count = Annotated[int, AfterValidator(_at_least_one), BeforeValidator(_count)]
Whole = Annotated[int, AfterValidator(_not_negative_count), BeforeValidator(_count)]


# --- values below reporting ------------------------------------------------------------------------
class LessThan(Struct, frozen=True):
    """A reading reported as below a limit, written ``"<0.5"``."""

    limit: float

    def __str__(self) -> str:
        return f"<{_written(self.limit)}"


def _reading(value: object) -> float | LessThan:
    if isinstance(value, LessThan):
        return value
    if isinstance(value, str) and (found := LESS_THAN.fullmatch(value.strip())):
        return LessThan(_positive(_number(float(found[1]))))
    return _number(value)


def _reading_written(reading: float | LessThan) -> float | str:
    return str(reading) if isinstance(reading, LessThan) else reading


Reading = Annotated[float | LessThan, PlainValidator(_reading), PlainSerializer(_reading_written)]


# --- text ------------------------------------------------------------------------------------------
def _text(value: object) -> str:
    meant = value.value if isinstance(value, Scalar) else value
    if isinstance(meant, bool):
        raise problem(
            f"{quoted(value)} is read as true or false; put it in quotation marks if a text is meant"
        )
    if isinstance(value, Scalar):
        return value.text
    if isinstance(meant, int | float):
        return str(meant)
    if not isinstance(meant, str):
        raise problem(f"a text is expected here, found {quoted(value)}")
    if not meant.strip():
        raise problem("a text is expected here, found an empty one")
    if _CONTROL.search(meant):
        raise problem("the text holds an unprintable character")
    return meant


def _label(value: object) -> str:
    text = _text(value).strip()
    if "\n" in text:
        raise problem(f"a label on one line is expected here, found {quoted(text)}")
    return text


def _cause(value: object) -> str:
    if isinstance(value, Scalar) or not isinstance(value, str) or not value.strip():
        raise problem(f'write the cause as a text (excluded: "pipetting error"), found {quoted(value)}')
    return _text(value)


def _date(value: object) -> dt.date:
    if isinstance(value, dt.date) and not isinstance(value, dt.datetime):
        return value
    if isinstance(value, str) and (found := _DATE.fullmatch(value)):
        try:
            return dt.date.fromisoformat(found[1])
        except ValueError:
            raise problem(f"{quoted(value)} is not a date of the calendar") from None
    rather = date_instead_of(value) if isinstance(value, str) else _date_of_serial(value)
    raise problem(
        f"a date is expected here, written year-month-day (2026-03-25), found {quoted(value)}{rather}"
    )


_FIRST_DAY, _SERIALS = dt.date(1899, 12, 30), (36_526, 73_050)
"""Spreadsheets count days from here; numbers of the years 2000 to 2099."""


def _date_of_serial(value: object) -> str:
    number = value.value if isinstance(value, Scalar) else None
    if not isinstance(number, float) or not _SERIALS[0] <= number <= _SERIALS[1]:
        return ""
    day = (_FIRST_DAY + dt.timedelta(days=int(number))).isoformat()
    return f"; spreadsheets keep {day} as this number: write {day}, or format the column as dates"


def _flag(value: object) -> bool:
    meant = value.value if isinstance(value, Scalar) else value
    if not isinstance(meant, bool):
        raise problem(f"true or false is expected here, found {quoted(value)}")
    return meant


Text = Annotated[str, BeforeValidator(_text)]
Label = Annotated[str, BeforeValidator(_label)]
Cause = Annotated[str, BeforeValidator(_cause)]
Date = Annotated[dt.date, BeforeValidator(_date)]
Flag = Annotated[bool, BeforeValidator(_flag)]


# --- one or many -----------------------------------------------------------------------------------
def as_list(value: object) -> Sequence[object]:
    """A list as it is, a single value as a list of one."""
    if isinstance(value, list | tuple):
        return value
    if value is None or isinstance(value, dict):
        raise problem(f"a value or a list of values is expected here, found {quoted(value)}")
    return [value]


def _not_empty(values: tuple[object, ...]) -> tuple[object, ...]:
    if not values:
        raise problem("the list is empty; give at least one value")
    return values


Numbers = Annotated[tuple[Number, ...], AfterValidator(_not_empty), BeforeValidator(as_list)]
NonNegatives = Annotated[tuple[NonNegative, ...], AfterValidator(_not_empty), BeforeValidator(as_list)]
Positives = Annotated[tuple[Positive, ...], AfterValidator(_not_empty), BeforeValidator(as_list)]
Readings = Annotated[tuple[Reading, ...], AfterValidator(_not_empty), BeforeValidator(as_list)]
Texts = Annotated[tuple[Text, ...], BeforeValidator(as_list)]
Labels = Annotated[tuple[Label, ...], BeforeValidator(as_list)]


# --- where a table stands ----------------------------------------------------------------------------
_ROWS = re.compile(r"([1-9]\d{0,6})\s*(?:-|–|to)\s*([1-9]\d{0,6})")
_RANGE = re.compile(r"([A-Za-z]{1,3})([1-9]\d{0,6}):([A-Za-z]{1,3})([1-9]\d{0,6})")


def row_range(value: object) -> tuple[int, int]:
    """The first and the last row of ``5-40``."""
    found = _ROWS.fullmatch(value.strip()) if isinstance(value, str) else None
    if found is None or int(found[1]) > int(found[2]):
        raise problem(f"the first and the last row are expected here (rows: 5-40), found {quoted(value)}")
    return int(found[1]), int(found[2])


def cell_range(value: object) -> tuple[int, int, int, int]:
    """First row, last row, first column and last column of ``B4:H30``, counted from 1."""
    found = _RANGE.fullmatch(value.strip()) if isinstance(value, str) else None
    if found is not None:
        first, last = (_column_number(found[group]) for group in (1, 3))
        if int(found[2]) <= int(found[4]) and first <= last:
            return int(found[2]), int(found[4]), first, last
    raise problem(f"two corner cells are expected here (range: B4:H30), found {quoted(value)}")


def _column_number(letters: str) -> int:
    number = 0
    for letter in letters.upper():
        number = 26 * number + ord(letter) - ord("A") + 1
    return number


def _one_many_or_named(value: object) -> tuple[str, ...] | dict[str, str]:
    if isinstance(value, dict):
        return {_label(key): _label(one) for key, one in value.items()}
    return tuple(map(_label, as_list(value)))


def _headers_by_label(value: object) -> dict[str, tuple[str, ...]]:
    if isinstance(value, dict) and value:
        return {_label(key): tuple(map(_label, as_list(one))) for key, one in value.items()}
    if isinstance(value, list) and value:
        return {_label(one): (_label(one),) for one in value}
    raise problem(
        "headers by what they stand for are expected here (wide: {configuration: {bare: ip bare}}), "
        f"found {quoted(value)}"
    )


RowRange = Annotated[tuple[int, int], PlainValidator(row_range)]
CellRange = Annotated[tuple[int, int, int, int], PlainValidator(cell_range)]
Sources = Annotated[tuple[str, ...] | dict[str, str], PlainValidator(_one_many_or_named)]
Headers = Annotated[dict[str, tuple[str, ...]], PlainValidator(_headers_by_label)]

SIMPLE_CHECKS: Mapping[Literal["number", "whole", "text"], frozenset[Callable[..., object]]] = {
    "number": frozenset({_number, _reading, _not_negative, _positive, _not_empty, as_list}),
    "whole": frozenset({_count, _at_least_one, _not_negative_count}),
    "text": frozenset({_text, _label}),
}
"""Checks that ask of a number for its sign and size only, and of a printable text for nothing more."""

_LABEL: Mapping[str, object] = {"type": ["string", "number"]}
WRITTEN_AS: Mapping[object, Mapping[str, object]] = {
    _number: {"type": "number"},
    _count: {"type": "integer"},
    _reading: {"anyOf": [{"type": "number"}, {"type": "string", "pattern": "^\\s*<"}]},
    _text: _LABEL,
    _label: _LABEL,
    _cause: {"type": "string"},
    _date: {"type": "string", "pattern": f"^{DATE}([ T]{TIME})?$"},
    _flag: {"type": "boolean"},
    row_range: {"type": "string", "pattern": _ROWS.pattern},
    cell_range: {"type": "string", "pattern": f"^{_RANGE.pattern}$"},
    _one_many_or_named: {
        "anyOf": [
            _LABEL,
            {"type": "array", "items": _LABEL},
            {"type": "object", "additionalProperties": _LABEL},
        ]
    },
    _headers_by_label: {
        "anyOf": [
            {"type": "array", "items": _LABEL},
            {
                "type": "object",
                "additionalProperties": {"anyOf": [_LABEL, {"type": "array", "items": _LABEL}]},
            },
        ]
    },
}
"""What may be written where a kind of value is expected, as a JSON Schema says it."""

NARROWED: Mapping[object, Mapping[str, object]] = {
    _not_negative: {"minimum": 0},
    _positive: {"exclusiveMinimum": 0},
    _probability: {"exclusiveMinimum": 0, "exclusiveMaximum": 1},
    _confidence: {"exclusiveMinimum": 0.5, "maximum": MOST_CONFIDENT},
    _error_rate: {"minimum": SMALLEST_RATE, "exclusiveMaximum": 0.5},
    _at_least_one: {"minimum": 1},
    _not_negative_count: {"minimum": 0},
}
"""What the further demands on a number add to that."""
