"""The types of fields in requests and answers: strict, bounded, and able to say what would be right."""

import re
from collections.abc import Mapping
from datetime import UTC, date, datetime
from fractions import Fraction
from typing import Annotated, Any, Self, TypeVar

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    GetJsonSchemaHandler,
    model_validator,
)
from pydantic.json_schema import JsonSchemaValue, WithJsonSchema
from pydantic_core import CoreSchema, PydanticCustomError

from service.domain.codes import CODE_RULE, LONGEST_CODE, composed, is_code, unprintable
from service.domain.rates import RATE_RULE, rate_of

INSTANT_RULE = "an RFC 3339 time with its offset, as 2026-03-02T14:05:00+01:00 or 2026-03-02T13:05:00Z"
MOST_FRAMES = 10_000_000
LONGEST_LINE, LONGEST_TEXT = 200, 1_000
# No capture is older, and a day needs one after it.
FIRST_DAY, LAST_DAY = date(1970, 1, 1), date(9998, 12, 31)
DAY_RULE = "a day of the calendar as YYYY-MM-DD, as 2026-10-24, from 1970 to 9998"

_INSTANT = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d:\d\d(\.\d{1,9})?([Zz]|[+-]\d\d:\d\d)", re.ASCII)
_DAY = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)
_CLOCK = re.compile(r"([01]\d|2[0-3]):[0-5]\d", re.ASCII)

Value = TypeVar("Value")


class Body(BaseModel):
    """What a request's body may hold: exactly the declared fields, exactly of the declared types."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class Change(Body):
    """What to change of something that stands: what is left out stays as it is, and something must be said."""

    @classmethod
    def __get_pydantic_json_schema__(cls, core: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        schema = handler(core)
        handler.resolve_ref_schema(schema)["minProperties"] = 1
        return schema

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if not self.model_fields_set:
            raise PydanticCustomError(
                "empty", "Name at least one field to change: {names}.", {"names": ", ".join(type(self).model_fields)}
            )
        return self


LACKS = (
    "The id of the last event that the rows lack, because it was cleaned away before they were begun and they are made "
    "from the log; null where they lack none."
)


class Out(BaseModel):
    """What an answer holds; later versions may add fields, never change or drop one."""

    model_config = ConfigDict(frozen=True)


def shown_as(example: Mapping[str, Any]) -> ConfigDict:
    """The configuration of a body whose documentation shows this example."""
    return ConfigDict(json_schema_extra={"examples": [dict(example)]})


def _code(text: str) -> str:
    if not is_code(text := composed(text)):
        raise PydanticCustomError("code", "A code is {rule}.", {"rule": CODE_RULE})
    return text


def _line(text: str) -> str:
    if (char := unprintable(text)) is not None:
        raise PydanticCustomError(
            "line", "A line of text holds no control characters; {char} is one.", {"char": f"U+{ord(char):04X}"}
        )
    if not (text := composed(text.strip())):
        raise PydanticCustomError("line", "Write at least one character that is not a space.")
    return text


def _item(text: str) -> str:
    if ";" in text:
        raise PydanticCustomError("item", "Write it without a semicolon, which parts the items of a list in a table.")
    return _bounded(text, LONGEST_LINE)


def _text(text: str) -> str:
    lines = text.split("\n")
    for line in lines:
        if (char := unprintable(line)) is not None:
            raise PydanticCustomError(
                "text",
                "Text holds no control characters but line feeds; {char} is one.",
                {"char": f"U+{ord(char):04X}"},
            )
    if not (text := "\n".join(composed(line.strip()) for line in lines).strip()):
        raise PydanticCustomError("text", "Write at least one character that is not a space.")
    return _bounded(text, LONGEST_TEXT)


def _bounded(text: str, longest: int) -> str:
    # A few letters are longer in normal form than they were sent.
    if len(text) > longest:
        raise PydanticCustomError(
            "long",
            "In Unicode normal form C it has {has} characters, more than {most}.",
            {"has": len(text), "most": longest},
        )
    return text


def _instant(value: object) -> object:
    if not isinstance(value, str):
        return value
    wrong = PydanticCustomError("instant", "Write {rule}.", {"rule": INSTANT_RULE})
    if _INSTANT.fullmatch(value) is None:
        raise wrong
    try:
        return datetime.fromisoformat(value.upper()).astimezone(UTC)
    except (ValueError, OverflowError):
        raise wrong from None


def _day(value: object) -> date:
    wrong = PydanticCustomError("day", "Write {rule}.", {"rule": DAY_RULE})
    if not isinstance(value, str) or _DAY.fullmatch(value) is None:
        raise wrong
    try:
        day = date.fromisoformat(value)
    except ValueError:
        raise wrong from None
    if not FIRST_DAY <= day <= LAST_DAY:
        raise wrong
    return day


def _rate(value: object) -> Fraction:
    rate = rate_of(value) if isinstance(value, str) else None
    if rate is None:
        raise PydanticCustomError("rate", "A frame rate is a string {rule}.", {"rule": RATE_RULE})
    return rate


def _minute(value: object) -> int:
    if not isinstance(value, str) or _CLOCK.fullmatch(value) is None:
        raise PydanticCustomError("clock", "Write a time of day in hours and minutes, 00:00 to 23:59, as 05:00.")
    return int(value[:2]) * 60 + int(value[3:])


def clock_text(minute: int) -> str:
    """Minutes after midnight as `HH:MM`."""
    return f"{minute // 60:02d}:{minute % 60:02d}"


def _given(value: Any) -> Any:  # noqa: ANN401 -- any field's value passes through
    if value is None:
        raise PydanticCustomError("null", "This field has no empty value: leave it out to keep what stands.")
    return value


class _Undocumented:
    """Leaves null, which a field is only before it is given, out of the documentation."""

    def __get_pydantic_json_schema__(self, core: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        schema = handler(core)
        (given,) = (each for each in schema.pop("anyOf") if each != {"type": "null"})
        return {**schema, **given}


Code = Annotated[
    str,
    AfterValidator(_code),
    WithJsonSchema({"type": "string", "minLength": 1, "maxLength": LONGEST_CODE, "pattern": r"^\w[\w.\-]*$"}),
]
"""What names a thing: 1 to 64 letters or digits, then also `_`, `.`, `-`."""

# As far as a JSON Schema can say what `unprintable` says.
_CONTROL = r"\u0000-\u001f\u007f-\u009f\u2028\u2029"
_LINE_PATTERN = f"^[^{_CONTROL}]*[^{_CONTROL}\\s][^{_CONTROL}]*$"

_ITEM_PATTERN = _LINE_PATTERN.replace(_CONTROL, f"{_CONTROL};")
# Lines may end.
_TEXT_PATTERN = _LINE_PATTERN.replace(r"\u0000-\u001f", r"\u0000-\u0009\u000b-\u001f")

Line = Annotated[
    str,
    Field(min_length=1, max_length=LONGEST_LINE, json_schema_extra={"pattern": _LINE_PATTERN}),
    AfterValidator(_line),
]
"""One line of free text, up to 200 characters, its ends stripped."""

Item = Annotated[
    str,
    Field(min_length=1, max_length=LONGEST_LINE, json_schema_extra={"pattern": _ITEM_PATTERN}),
    AfterValidator(_line),
    AfterValidator(_item),
]
"""A line without a semicolon, so that a list of them fits into one cell of a table."""

Text = Annotated[
    str,
    Field(min_length=1, max_length=LONGEST_TEXT, json_schema_extra={"pattern": _TEXT_PATTERN}),
    AfterValidator(_text),
]
"""A few lines of free text, up to 1 000 characters, the ends of each stripped."""

Instant = Annotated[
    datetime,
    BeforeValidator(_instant),
    WithJsonSchema({"type": "string", "format": "date-time"}),
]
"""An instant written with its offset, kept in UTC."""

Day = Annotated[
    date, BeforeValidator(_day), WithJsonSchema({"type": "string", "format": "date", "examples": ["2026-10-24"]})
]
"""A day of the calendar as `YYYY-MM-DD`."""

FrameRate = Annotated[
    Fraction,
    BeforeValidator(_rate),
    WithJsonSchema({"type": "string", "pattern": "^[0-9]{1,6}/[0-9]{1,6}$", "examples": ["25/1"]}),
]
"""Frames per second as `num/den`."""

ClockMinute = Annotated[
    int,
    BeforeValidator(_minute),
    WithJsonSchema({"type": "string", "pattern": "^([01][0-9]|2[0-3]):[0-5][0-9]$"}),
]
"""A time of day as `HH:MM`, kept as minutes after midnight."""

Given = Annotated[Value | None, BeforeValidator(_given), _Undocumented()]
"""A field of a change that may be left out, but not be null."""
