"""What all sections of the scenario file share: closed, frozen models and the kinds of numbers in them."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, Strict, model_validator
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


Windows = Annotated[int, Strict(), Field(ge=0, le=8)]


class DeviceSettings(Frozen):
    """How many windows and which steps the device takes; hardware differs."""

    charge_window_count: Windows = Field(
        2,
        description="most charge windows per season and kind of day; 0 = the grid never charges by the clock",
    )
    discharge_window_count: Windows = Field(
        2, description="most discharge windows per season and kind of day"
    )
    discharge_levels: Switch = Field(
        default=False,
        description="whether each discharge window takes a level of its own to which the battery may fall",
    )
    time_step_minutes: Annotated[int, Strict(), Field(ge=15, le=720)] = Field(
        30, description="windows begin and end on multiples of it; must divide a day"
    )
    level_step_percent: Annotated[float, Strict(), Field(gt=0, le=50)] = Field(
        5.0, description="levels are multiples of it, in percent of nominal; must divide 100"
    )
    tells_weekends: Switch = Field(
        default=True, description="whether weekends can have settings of their own"
    )
    knows_holidays: Switch = Field(
        default=False, description="whether holidays can have settings of their own; most devices cannot"
    )
    sun_first: Literal["load", "battery", "either"] = Field(
        "either", description="where the sun can be sent first: 'load', 'battery', or 'either' as set"
    )

    @model_validator(mode="after")
    def _steps_divide(self) -> Self:
        if 1440 % self.time_step_minutes:
            text = f"{self.time_step_minutes} minutes do not divide a day; write 15, 30, 60, 120 or 180"
            raise refusal("time_step_minutes", text)
        if abs(100 / self.level_step_percent - round(100 / self.level_step_percent)) > 1e-9:
            text = f"{self.level_step_percent:g} percent do not divide 100; write 1, 5 or 10"
            raise refusal("level_step_percent", text)
        return self
