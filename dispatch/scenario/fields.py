"""What all sections of the scenario file share: closed, frozen models and the kinds of numbers in them."""

from __future__ import annotations

import datetime as dt
import re
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, Strict, model_validator
from pydantic_core import PydanticCustomError

from tariffs.reading.clock import (
    MINUTES_PER_DAY,
    day_of,
    minutes_of,
    month_day,
)
from tariffs.reading.models import Frozen


def refusal(field: str, text: str) -> PydanticCustomError:
    """Name the setting a rule of a whole section is about: the loader shows it as a dotted field."""
    return PydanticCustomError("setting", "{field}: {text}", {"field": field, "text": text})


def _as_text(value: object) -> object:
    """Accept TOML's own dates and times as the text they were written as."""
    return value.isoformat() if isinstance(value, dt.date | dt.time) else value


def _no_dust(value: float) -> float:
    """Refuse a number so small that dividing by it gives no figure."""
    if 0.0 < value < 1e-9:
        raise PydanticCustomError("setting", "so small that it must be a slip; write at least 1e-9")
    return value


# larger than anything of a household, in whatever unit: a slip, or arithmetic would leave the finite numbers
_LARGEST = 1e9
Positive = Annotated[float, Strict(), Field(gt=0, le=_LARGEST), AfterValidator(_no_dust)]
WithinAYear = Annotated[float, Strict(), Field(gt=0, le=8784), AfterValidator(_no_dust)]
"""Hours, at most those of a leap year."""

NotNegative = Annotated[float, Strict(), Field(ge=0, le=_LARGEST)]
Efficiency = Annotated[float, Strict(), Field(gt=0, le=1), AfterValidator(_no_dust)]
Share = Annotated[float, Strict(), Field(ge=0, le=1)]
Percent = Annotated[float, Strict(), Field(ge=0, le=100)]
Switch = Annotated[bool, Strict()]
Count = Annotated[int, Strict(), Field(ge=1, le=10_000)]
TYPICAL = "typical_"
"""A load column whose name begins so is a typical profile, not a home's own readings; every screen says it."""

Moment = Annotated[str, BeforeValidator(_as_text)]


def _clock_time(value: str) -> str:
    if minutes_of(value) == MINUTES_PER_DAY:
        raise ValueError("24:00 is the end of the day; write '00:00'")
    return value


def _clock_end(value: str) -> str:
    minutes_of(value)
    return value


def _day_of_year(value: str) -> str:
    month_day(value)
    return value


def _local_date(value: str) -> str:
    return day_of(value).isoformat()


ClockTime = Annotated[Moment, AfterValidator(_clock_time)]
ClockEnd = Annotated[Moment, AfterValidator(_clock_end)]
"""A clock time, or ``24:00``."""

DayOfYear = Annotated[str, AfterValidator(_day_of_year)]
LocalDate = Annotated[Moment, AfterValidator(_local_date)]
Windows = Annotated[int, Strict(), Field(ge=0, le=8)]


_LEVEL = re.compile(r"(\d{1,9}(?:\.\d{1,9})?|\.\d{1,9}) {0,9}(%|kwh)", re.IGNORECASE | re.ASCII)


def level_kwh(text: str, full_kwh: float) -> float | None:
    """Read a level such as ``62%`` of full or ``6.5kWh``; None if it is neither. [kWh]."""
    match = _LEVEL.fullmatch(text.strip())
    if match is None:
        return None
    return float(match[1]) / 100.0 * full_kwh if match[2] == "%" else float(match[1])


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
        if MINUTES_PER_DAY % self.time_step_minutes:
            text = f"{self.time_step_minutes} minutes do not divide a day; write 15, 30, 60, 120 or 180"
            raise refusal("time_step_minutes", text)
        if abs(100 / self.level_step_percent - round(100 / self.level_step_percent)) > 1e-9:
            text = f"{self.level_step_percent:g} percent do not divide 100; write 1, 5 or 10"
            raise refusal("level_step_percent", text)
        return self
