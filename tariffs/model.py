"""A tariff file as frozen, closed models: one table of the file is one class here.

Numbers are the decimals that were written, clock times are minutes after local midnight. What spans
several tables (names that must exist, windows that must cover the day) is checked in `tariffs.checks`.
"""

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal
from typing import Annotated, Literal, Self

from pydantic import Field, PrivateAttr, model_validator

from tariffs.fields import (
    MINUTES_PER_DAY,
    TABLES,
    BySeason,
    Clock,
    Exact,
    Frozen,
    MonthDay,
    Months,
    Name,
    Names,
    Spans,
    clock_text,
    in_season,
)

WHOLE_YEAR = "all year"


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
            raise ValueError("a season with from needs to as well, and the other way round")
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
    extra_dates: tuple[dt.date, ...] = ()
    weekend_shift: Literal["none", "next-weekday", "nearest-weekday", "sunday-to-monday", "observed"] = "none"

    @model_validator(mode="after")
    def _has_source(self) -> Self:
        if self.country is None and not self.extra_dates:
            raise ValueError('needs country = "..." or extra_dates = [...]')
        if self.country is None and (self.subdivision or self.include or self.exclude):
            raise ValueError("subdivision, include and exclude need a country")
        return self


class When(Frozen):
    """The seasons, days and hours of a window; whatever is left out means all of them."""

    seasons: Names = ()
    days: Names = ()
    start: Clock | None = Field(None, alias="from")
    end: Clock | None = Field(None, alias="to")
    hours: Spans = ()

    @model_validator(mode="after")
    def _usable(self) -> Self:
        if (self.start is None) != (self.end is None):
            raise ValueError("from needs to as well, and the other way round; for all day leave both out")
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
        found: list[tuple[int, int]] = []
        for begin, finish in self.stretches:
            if finish > begin:
                found.append((begin, finish))
            else:
                found.append((begin, MINUTES_PER_DAY))
                if finish:
                    found.append((0, finish))
        return tuple(found)


class Band(Frozen):
    """A named price of energy."""

    import_price_per_kwh: BySeason | None = None
    export_price_per_kwh: BySeason = Decimal(0)

    def import_price(self, season: str) -> Decimal:
        """Return the price of imported energy in a season, exactly as written."""
        return (
            Decimal(0) if self.import_price_per_kwh is None else in_season(self.import_price_per_kwh, season)
        )

    def export_price(self, season: str) -> Decimal:
        """Return the price paid for exported energy in a season, exactly as written."""
        return in_season(self.export_price_per_kwh, season)


class Window(When):
    """When a band's price holds."""

    band: Name


class Charge(Frozen):
    """A fixed amount per day, per month or per year."""

    name: Name = "standing charge"
    per_day: Exact | None = None
    per_month: Exact | None = None

    @model_validator(mode="after")
    def _has_amount(self) -> Self:
        if self.per_day is None and self.per_month is None:
            raise ValueError("needs per_day = ... or per_month = ...")
        return self


class Adjustment(Frozen):
    """A percentage of what stands on the bill so far, or of named parts of it."""

    name: Name
    percent: Exact
    applies_to: Names = ()
    not_to: Names = ()


class Rounding(Frozen):
    """How amounts become money: to how many places, per line or on each period's total."""

    places: int = Field(2, ge=0, le=6)
    per: Literal["total", "line"] = "total"
    mode: Literal["half-up", "half-even"] = "half-up"


class Sheet(Frozen):
    """Everything of a tariff that may change from one version to the next."""

    seasons: Annotated[tuple[Season, ...], TABLES] = ()
    holidays: Holidays | None = None
    bands: dict[Name, Band] = Field(default_factory=dict)
    windows: Annotated[tuple[Window, ...], TABLES] = ()
    other_hours: Name | None = None
    charges: Annotated[tuple[Charge, ...], TABLES] = ()
    adjustments: Annotated[tuple[Adjustment, ...], TABLES] = ()

    @property
    def season_names(self) -> tuple[str, ...]:
        """Seasons in the order they were first named."""
        return tuple(dict.fromkeys(season.name for season in self.seasons)) or (WHOLE_YEAR,)

    @property
    def band_names(self) -> tuple[str, ...]:
        """Bands in the order of the file."""
        return tuple(self.bands)


@dataclass(frozen=True)
class DatedSheet:
    """A sheet and the first local date on which it is in force (None: from the beginning)."""

    start: dt.date | None
    sheet: Sheet


class Billing(Frozen):
    """How the series is cut into bills, and what a bill that is only partly covered pays."""

    part_periods: Literal["by-days", "whole"] = "by-days"


class Tariff(Sheet):
    """A whole tariff file.

    Attributes
    ----------
    source : str
        The file it was read from, for messages.
    sheets : tuple of DatedSheet
        The prices in force, oldest first. The first holds from the beginning.
    """

    name: Name
    currency: Annotated[str, Field(pattern="^[A-Z]{3}$")]
    time_zone: str | None = None
    valid_from: dt.date | None = None
    valid_to: dt.date | None = None
    billing: Billing = Billing()
    rounding: Rounding = Rounding()

    _source: str = PrivateAttr("tariff")
    _sheets: tuple[DatedSheet, ...] = PrivateAttr(())

    @property
    def source(self) -> str:
        """The file this tariff was read from."""
        return self._source

    @property
    def sheets(self) -> tuple[DatedSheet, ...]:
        """The price sheets in the order they come into force."""
        return self._sheets
