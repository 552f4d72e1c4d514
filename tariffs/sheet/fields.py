"""The small values a tariff file is made of: clock times, month-days, exact decimals, name lists.

Each accepts exactly the spellings a tariff sheet uses and says, in its refusal, what it wanted.
"""

import datetime as dt
import re
from collections.abc import Mapping
from decimal import Decimal
from typing import Annotated, Any

from pydantic import (
    AfterValidator,
    BeforeValidator,
    Field,
    GetCoreSchemaHandler,
    GetJsonSchemaHandler,
    WithJsonSchema,
)
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, PydanticKnownError, core_schema

from tariffs.reading.clock import FIRST_YEAR, LAST_YEAR, NO_CLOCK_TIME, NO_DAY_OF_YEAR, minutes_of, month_day
from tariffs.reading.models import Text
from tariffs.reading.refusals import unknown_currency

WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
DAY_CLASSES = (*WEEKDAYS, "holiday")  # index = day class; a holiday is a holiday on whatever weekday it falls
DAY_TYPES = ("weekday", "weekend", "holiday")

DAY_NAMES = {
    "weekday": frozenset(range(5)),
    "weekend": frozenset((5, 6)),
    "holiday": frozenset((7,)),
    **{name: frozenset((index,)) for index, name in enumerate(WEEKDAYS)},
}

_LONGEST_SPAN = 40

_LARGEST, _FINEST = Decimal(10) ** 9, -40
"""No amount of a tariff is larger or has more decimals: with one, sums would leave what floats and cents hold."""


def _exact(value: object) -> Decimal:
    """Take a TOML number as the decimal that was written."""
    if isinstance(value, bool) or not isinstance(value, int | float | Decimal):
        raise PydanticKnownError("float_type")
    number = value if isinstance(value, Decimal) else Decimal(value if isinstance(value, int) else str(value))
    if not number.is_finite():
        raise PydanticKnownError("finite_number")
    if abs(number) > _LARGEST:
        raise ValueError(f"must be at most {_LARGEST:,}, in size")
    if number and int(number.as_tuple().exponent) < _FINEST:
        raise ValueError(f"must have at most {-_FINEST} decimals")
    return number


def _exact_by_season(value: object) -> Decimal | dict[str, Decimal]:
    if isinstance(value, Mapping):
        if not value:
            raise ValueError("should be a number, or a table with one number per season")
        return {str(season): _exact(number) for season, number in value.items()}
    return _exact(value)


def _near_day(value: dt.date) -> dt.date:
    if not FIRST_YEAR <= value.year <= LAST_YEAR:
        raise ValueError(f"the year looks wrong; write a year from {FIRST_YEAR} to {LAST_YEAR}")
    return value


def _currency(value: str) -> str:
    if (problem := unknown_currency(value)) is not None:
        raise ValueError(problem)
    return value


def exact_table(value: object) -> dict[str, Decimal]:
    """Take a table of TOML numbers as the decimals that were written."""
    if not isinstance(value, Mapping):
        raise ValueError('should be a table of numbers, such as { "2024-12" = 4.2 }')  # noqa: TRY004
    return {str(key): _exact(number) for key, number in value.items()}


def _clock(value: object) -> int:
    """Read ``HH:MM`` as minutes after midnight; ``24:00`` is the end of the day."""
    if isinstance(value, dt.time):
        return minutes_of(value.isoformat())
    if not isinstance(value, str):
        raise ValueError(NO_CLOCK_TIME)  # noqa: TRY004 - pydantic collects ValueError
    return minutes_of(value)


def _span(value: object) -> tuple[int, int]:
    """Read ``"07:00-11:00"`` as a pair of minutes."""
    if isinstance(value, str) and len(value) <= _LONGEST_SPAN:  # the search is quadratic in it
        ends = re.split(r"\s*(?:-|–|to)\s*", value.strip())
        if len(ends) == 2:
            return _clock(ends[0]), _clock(ends[1])
    raise ValueError('should be a stretch of the clock in quotes, such as "07:00-11:00"')


def _month_day(value: object) -> tuple[int, int]:
    """Read ``MM-DD``; 29 February is a day of the year."""
    if not isinstance(value, str):
        raise ValueError(NO_DAY_OF_YEAR)  # noqa: TRY004 - pydantic collects ValueError
    return month_day(value)


def listed(value: object) -> object:
    """Let one name or number stand for a list of one."""
    return [value] if isinstance(value, str | int | dt.date) and not isinstance(value, bool) else value


def _tables(value: object) -> object:
    """Let ``[charges]`` stand for ``[[charges]]`` with one entry."""
    return [value] if isinstance(value, Mapping) else value


class _OneOrMore:
    """Marks a list of tables that may also be written as one table."""

    def __get_pydantic_core_schema__(self, source: object, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_before_validator_function(_tables, handler(source))

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        listed = handler(schema)
        return {"anyOf": [listed["items"], listed]}


TABLES = _OneOrMore()
_NUMBER: dict[str, Any] = {"type": "number"}
_BY_SEASON: dict[str, Any] = {"anyOf": [_NUMBER, {"type": "object", "additionalProperties": _NUMBER}]}
Exact = Annotated[Decimal, BeforeValidator(_exact), WithJsonSchema(_NUMBER)]
ExactPositive = Annotated[Decimal, BeforeValidator(_exact), Field(gt=0), WithJsonSchema(_NUMBER)]
ExactNotNegative = Annotated[Decimal, BeforeValidator(_exact), Field(ge=0), WithJsonSchema(_NUMBER)]

BySeason = Annotated[
    Decimal | dict[str, Decimal], BeforeValidator(_exact_by_season), WithJsonSchema(_BY_SEASON)
]

Clock = Annotated[int, BeforeValidator(_clock), WithJsonSchema({"type": "string", "examples": ["07:00"]})]

ClockSpan = Annotated[
    tuple[int, int], BeforeValidator(_span), WithJsonSchema({"type": "string", "examples": ["07:00-11:00"]})
]

MonthDay = Annotated[
    tuple[int, int], BeforeValidator(_month_day), WithJsonSchema({"type": "string", "examples": ["11-01"]})
]

Day = Annotated[dt.date, AfterValidator(_near_day)]
"""A day that something happens on: not so far off that the day after it is none."""

Currency = Annotated[
    str, AfterValidator(_currency), WithJsonSchema({"type": "string", "pattern": "^[A-Z]{3}$"})
]

Name = Text
Names = Annotated[tuple[Name, ...], BeforeValidator(listed, json_schema_input_type=str | list[str])]
Spans = Annotated[tuple[ClockSpan, ...], BeforeValidator(listed, json_schema_input_type=str | list[str])]

Months = Annotated[
    tuple[Annotated[int, Field(ge=1, le=12)], ...],
    BeforeValidator(listed, json_schema_input_type=int | list[int]),
]


PastMonths = Annotated[dict[str, Decimal], BeforeValidator(exact_table)]
"""Figures of months before the series, by ``YYYY-MM``."""


def in_season(value: Decimal | Mapping[str, Decimal], season: str) -> Decimal:
    """Return the number that holds in a season; a season without one is checked never to be asked for."""
    return value.get(season, Decimal(0)) if isinstance(value, Mapping) else value
