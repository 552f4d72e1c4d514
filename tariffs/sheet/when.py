"""The tables that say when: seasons, holidays, windows, events, and how the series is cut into bills."""

from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from tariffs.reading.clock import MINUTES_PER_DAY, clock_text, pieces
from tariffs.reading.models import Frozen
from tariffs.sheet.fields import (
    TABLES,
    Clock,
    Day,
    Exact,
    ExactPositive,
    MonthDay,
    Months,
    Name,
    Names,
    Spans,
    listed,
)


class Season(Frozen):
    """A named part of the year; the same name may be given several stretches."""

    name: Name = Field(description="its name; several tables may share it")
    months: Months = Field((), description="whole months, 1 to 12")
    start: MonthDay | None = Field(None, alias="from", description="or its first day, 'MM-DD'")
    end: MonthDay | None = Field(
        None, alias="to", description="and its last day, included; may lie in the next year"
    )

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if bool(self.months) == (self.start is not None or self.end is not None):
            raise ValueError('a season is either months = [...] or from = "MM-DD" and to = "MM-DD"')
        if (self.start is None) != (self.end is None):
            raise ValueError("'from' needs 'to' as well, and 'to' needs 'from'")
        return self

    def holds(self, month: int, day: int) -> bool:
        """Tell whether a day of the year belongs to this season; both ends are in it."""
        if self.start is None or self.end is None:
            return month in self.months
        if self.start <= self.end:
            return self.start <= (month, day) <= self.end
        return (month, day) >= self.start or (month, day) <= self.end


class Holidays(Frozen):
    """Which days are holidays: a country's calendar, filtered by name, moved off weekends, plus dates."""

    country: Name | None = Field(None, description="calendar of public holidays of this country, ISO 3166")
    subdivision: Name | None = Field(None, description="and of this province or state")
    categories: Names = Field(("public", "optional"), description="kinds of days of that calendar")
    include: Names = Field((), description="only these, by the calendar's exact names")
    exclude: Names = Field((), description="all but these")
    extra_dates: tuple[Day, ...] = Field((), description="dates beside the calendar, taken as written")
    weekend_shift: Literal["none", "next-weekday", "nearest-weekday", "sunday-to-monday", "observed"] = Field(
        "none", description="where a holiday on a weekend moves"
    )

    @model_validator(mode="after")
    def _has_source(self) -> Self:
        if self.country is None and not self.extra_dates:
            raise ValueError('needs country = "..." or extra_dates = [...]')
        if self.country is None and (self.subdivision or self.include or self.exclude):
            raise ValueError("subdivision, include and exclude need a country")
        return self


class Hours(Frozen):
    """Stretches of the local clock; whatever is left out means all day."""

    start: Clock | None = Field(None, alias="from", description="clock time HH:MM from which it holds")
    end: Clock | None = Field(
        None, alias="to", description="and up to which; itself not in it; below `from` it crosses midnight"
    )
    hours: Spans = Field((), description="or as 'HH:MM-HH:MM', one or a list; default: all day")

    @model_validator(mode="after")
    def _usable(self) -> Self:
        if (self.start is None) != (self.end is None):
            raise ValueError("'from' needs 'to' as well, and 'to' needs 'from'; for all day leave both out")
        if self.start is not None and self.hours:
            raise ValueError("give the clock times as from and to, or as hours, not both")
        for begin, finish in self.stretches:
            if begin in {finish, MINUTES_PER_DAY}:
                raise ValueError(
                    f"the window is empty (got {clock_text(begin)} to {clock_text(finish)}); "
                    'for all day write from = "00:00", to = "24:00"'
                )
        return self

    @property
    def stretches(self) -> tuple[tuple[int, int], ...]:
        """Stretches of the clock as written, in minutes; one that crosses midnight ends below its start."""
        if self.hours:
            return self.hours
        if self.start is None or self.end is None:
            return ((0, MINUTES_PER_DAY),)
        return ((self.start, self.end),)

    @property
    def pieces(self) -> tuple[tuple[int, int], ...]:
        """The same stretches within one calendar day: one that crosses midnight becomes two."""
        return tuple(piece for stretch in self.stretches for piece in pieces(*stretch))


class When(Hours):
    """The seasons, days and hours of a window; whatever is left out means all of them."""

    seasons: Names = Field((), description="names of seasons; default: all")
    days: Names = Field((), description="'weekday', 'weekend', 'holiday' or days by name; default: all")


class Window(When):
    """When a band's price holds."""

    band: Name = Field(description="the band that holds then")


class EventWindow(Hours):
    """Hours of an event day; a stretch that crosses midnight runs on into the next day.

    Its price is a band's, in place of the band that usually holds, or an adder on top of it.
    """

    band: Name | None = Field(None, description="band that holds then in place of the usual one")
    adder_per_kwh: Exact | None = Field(None, description="or a price on top of the usual one")

    @model_validator(mode="after")
    def _one_price(self) -> Self:
        if self.band is not None and self.adder_per_kwh is not None:
            raise ValueError("give band = ... (its price replaces the usual one) or adder_per_kwh, not both")
        return self

    @property
    def runs(self) -> tuple[tuple[int, int, int], ...]:
        """(days after the event's date, first minute, end minute) of every stretch."""
        return tuple(
            (later, *piece) for stretch in self.stretches for later, piece in enumerate(pieces(*stretch))
        )


class Event(EventWindow):
    """Named days on which other prices hold, such as critical peak days."""

    name: Name = Field("event", description="name of its line on the bill")
    dates: Annotated[tuple[Day, ...], BeforeValidator(listed)] = Field((), description="the days")
    csv: Name | None = Field(
        None, description="or a CSV file with a column named date, beside the tariff file"
    )
    windows: Annotated[tuple[EventWindow, ...], TABLES] = Field(
        (), description="several hours with a price each, in place of hours and price here"
    )

    @model_validator(mode="after")
    def _priced(self) -> Self:
        own = self.band is not None or self.adder_per_kwh is not None
        if self.windows and (own or self.hours or self.start is not None):
            raise ValueError("give hours and price here, or in windows = [...], not both")
        if any(part.band is None and part.adder_per_kwh is None for part in self.priced):
            raise ValueError("needs band = ... or adder_per_kwh = ... for the event's hours")
        return self

    @property
    def priced(self) -> tuple[EventWindow, ...]:
        """The event's windows; the event itself where it has one price."""
        return self.windows or (self,)


class Billing(Frozen):
    """How the series is cut into bills, and what a bill that is only partly covered pays.

    A monthly amount is owed once per period, `period_months` times where a period is longer than a
    month, or by days where `month_days` says how many days it is for.
    """

    read_dates: tuple[Day, ...] = Field(
        (), description="a period runs from one date to the day before the next; default: calendar months"
    )
    period_months: Literal[1, 2, 3, 4, 6, 12] = Field(1, description="months in a bill")
    month_days: Annotated[ExactPositive, Field(ge=1, le=366)] | None = Field(
        None, description="a monthly amount is for this many days; default: owed once a month"
    )
    part_periods: Literal["by-days", "whole"] = Field(
        "by-days", description="what a period the series covers only in part pays of monthly amounts"
    )

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if len(self.read_dates) == 1:
            raise ValueError("read_dates needs two dates or more: a period runs from one to the next")
        for before, after in pairwise(self.read_dates):
            if after <= before:
                raise ValueError(f"read_dates must rise (got {before} before {after}); sort the dates")
        return self
