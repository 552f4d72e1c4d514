"""What all sections of the scenario file share: closed, frozen models and the kinds of numbers in them."""

from __future__ import annotations

import datetime as dt
from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, Strict
from pydantic_core import PydanticCustomError


def refusal(field: str, text: str) -> PydanticCustomError:
    """Name the setting a rule of a whole section is about: the loader shows it as a dotted field."""
    return PydanticCustomError("setting", "{field}: {text}", {"field": field, "text": text})


def _as_text(value: object) -> object:
    """Accept TOML's own dates and times as the text they were written as."""
    return value.isoformat() if isinstance(value, dt.date | dt.time) else value


Positive = Annotated[float, Strict(), Field(gt=0)]
NotNegative = Annotated[float, Strict(), Field(ge=0)]
Efficiency = Annotated[float, Strict(), Field(gt=0, le=1)]
Share = Annotated[float, Strict(), Field(ge=0, le=1)]
Percent = Annotated[float, Strict(), Field(ge=0, le=100)]
Switch = Annotated[bool, Strict()]
Count = Annotated[int, Strict(), Field(ge=1)]
Text = Annotated[str, Field(min_length=1)]
Moment = Annotated[str, BeforeValidator(_as_text)]


class Frozen(BaseModel):
    """A section: what it does not list is an error, and what was read never changes."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


def is_time_of_day(text: str) -> bool:
    """Tell whether a text is a clock time such as ``18:00``."""
    try:
        return ":" in text and dt.time.fromisoformat(text).tzinfo is None
    except ValueError:
        return False


def minutes_of(clock: str) -> int:
    """Minutes after midnight of a clock time; ``24:00`` is the day's end."""
    if clock == "24:00":
        return 24 * 60
    time = dt.time.fromisoformat(clock)
    return time.hour * 60 + time.minute


def month_day(text: str) -> tuple[int, int]:
    """Read a day of the year, ``MM-DD``.

    Raises
    ------
    ValueError
        If there is no such day in any year.
    """
    day = dt.date.fromisoformat(f"2024-{text}")  # a leap year: 02-29 is a day
    return day.month, day.day
