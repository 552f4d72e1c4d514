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

    name: Name
    months: Months = ()
    start: MonthDay | None = Field(None, alias="from")
    end: MonthDay | None = Field(None, alias="to")

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

    country: Name | None = None
    subdivision: Name | None = None
    categories: Names = ("public", "optional")
    include: Names = ()
    exclude: Names = ()
    extra_dates: tuple[Day, ...] = ()
    weekend_shift: Literal["none", "next-weekday", "nearest-weekday", "sunday-to-monday", "observed"] = "none"

    @model_validator(mode="after")
    def _has_source(self) -> Self:
        if self.country is None and not self.extra_dates:
            raise ValueError('needs country = "..." or extra_dates = [...]')
        if self.country is None and (self.subdivision or self.include or self.exclude):
            raise ValueError("subdivision, include and exclude need a country")
        return self


class Hours(Frozen):
    """Stretches of the local clock; whatever is left out means all day."""

    start: Clock | None = Field(None, alias="from")
    end: Clock | None = Field(None, alias="to")
    hours: Spans = ()

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

    seasons: Names = ()
    days: Names = ()


class Window(When):
    """When a band's price holds."""

    band: Name


class EventWindow(Hours):
    """Hours of an event day; a stretch that crosses midnight runs on into the next day.

    Its price is a band's, in place of the band that usually holds, or an adder on top of it.
    """

    band: Name | None = None
    adder_per_kwh: Exact | None = None

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

    name: Name = "event"
    dates: Annotated[tuple[Day, ...], BeforeValidator(listed)] = ()
    csv: Name | None = None
    windows: Annotated[tuple[EventWindow, ...], TABLES] = ()

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

    read_dates: tuple[Day, ...] = ()
    period_months: Literal[1, 2, 3, 4, 6, 12] = 1
    month_days: ExactPositive | None = None
    part_periods: Literal["by-days", "whole"] = "by-days"

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if len(self.read_dates) == 1:
            raise ValueError("read_dates needs two dates or more: a period runs from one to the next")
        for before, after in pairwise(self.read_dates):
            if after <= before:
                raise ValueError(f"read_dates must rise (got {before} before {after}); sort the dates")
        return self
