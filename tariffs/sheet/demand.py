"""The table of charges on peak power: how demand is measured, and what the months before do to it."""

import datetime as dt
import re
from decimal import Decimal
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, WithJsonSchema, model_validator

from tariffs.reading.clock import MINUTES_PER_DAY, clock_text
from tariffs.reading.models import Frozen
from tariffs.sheet.fields import (
    TABLES,
    BySeason,
    Day,
    Exact,
    ExactNotNegative,
    ExactPositive,
    Name,
    Names,
    PastMonths,
    listed,
)
from tariffs.sheet.usage import check_limits
from tariffs.sheet.when import When

_NO_PRICE, _ALL_OF_IT = Decimal(0), Decimal(100)
_MOST_INTERVALS = 1000
_CALLED = re.compile(r"(\d{4}-\d\d-\d\d)[T ](\d\d:\d\d)(:00)?")
_NO_CALLED_HOUR = 'write the start of a called hour as "2025-07-15 17:00", on the local clock'


def _highest_days(value: object) -> object:
    if value == "all" or (isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= 31):
        return value
    raise ValueError('should be a number of days, 1 to 31, or "all" for the mean of every day\'s highest')


def _highest_intervals(value: object) -> object:
    counted = isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= _MOST_INTERVALS
    if value == "all" or value is None or counted:
        return value
    raise ValueError(f'should be a number of intervals, 1 to {_MOST_INTERVALS}, or "all" for the mean of all')


def _called_hours(value: object) -> object:
    given = listed(value)
    return tuple(_called(one) for one in given) if isinstance(given, list | tuple) else given


def _called(value: object) -> dt.datetime:
    if isinstance(value, dt.datetime) and value.tzinfo is None:
        return value
    found = _CALLED.fullmatch(value.strip()) if isinstance(value, str) else None
    try:
        return dt.datetime.fromisoformat(f"{found[1]}T{found[2]}" if found else "")
    except ValueError:
        raise ValueError(_NO_CALLED_HOUR) from None


HighestDays = Annotated[int | Literal["all"], BeforeValidator(_highest_days)]
HighestIntervals = Annotated[int | Literal["all"] | None, BeforeValidator(_highest_intervals)]
CalledHours = Annotated[
    tuple[dt.datetime, ...],
    BeforeValidator(_called_hours),
    WithJsonSchema({"type": "array", "items": {"type": "string", "examples": ["2025-07-15 17:00"]}}),
]


class DemandStep(Frozen):
    """One step of a demand price, and the power up to which it holds."""

    up_to_kw: ExactPositive | None = Field(
        None, description="it holds up to this power; left out in the last"
    )
    price_per_kw: Exact = Field(_NO_PRICE, description="price of its kW")
    fixed_per_month: Exact = Field(
        _NO_PRICE, description="with whole_band: an amount a month for this class of demand"
    )


class Ratchet(Frozen):
    """A floor under billed demand: a share of the highest of the months before."""

    percent: ExactNotNegative = Field(
        description="billed at least this percent of the highest of the months before"
    )
    look_back_months: Annotated[int, Field(ge=1, le=60)] = Field(11, description="how many months before")
    seasons: Names = Field((), description="only months of these seasons; default: all")
    past_kw: PastMonths = Field(
        default_factory=dict, description='figures of months before the series, such as { "2024-12" = 5.1 }'
    )
    past_highest_kw: ExactNotNegative | None = Field(
        None, description="or the highest of them all, as one figure"
    )

    @model_validator(mode="after")
    def _one_past(self) -> Self:
        if self.past_kw and self.past_highest_kw is not None:
            raise ValueError("give past_kw (one figure per month) or past_highest_kw, not both")
        return self


class RollingMean(Frozen):
    """The mean of months' peaks, this month's and those before, in place of this month's own."""

    months: Annotated[int, Field(ge=2, le=60)] = Field(
        12, description="how many months' peaks the mean is of, this month among them"
    )
    each_at_least_kw: ExactNotNegative = Field(
        _NO_PRICE, description="every month counts with at least this peak"
    )
    past_kw: PastMonths = Field(
        default_factory=dict, description='peaks of months before the series, such as { "2024-12" = 5.1 }'
    )
    past_each_kw: ExactNotNegative | None = Field(
        None, description="or one figure, for every month before the series"
    )
    before: Literal["needed", "left-out"] = Field(
        "needed",
        description='"left-out": months before the series without a figure do not count, as with a new meter',
    )

    @model_validator(mode="after")
    def _one_past(self) -> Self:
        if self.past_kw and self.past_each_kw is not None:
            raise ValueError("give past_kw (one figure per month) or past_each_kw, not both")
        if self.past_each_kw is not None and self.before == "left-out":
            raise ValueError('past_each_kw gives every month before a figure; drop it or before = "left-out"')
        return self


class DemandWindow(When):
    """When demand counts, and how much of it."""

    dates: Annotated[tuple[Day, ...], BeforeValidator(listed)] = Field(
        (), description="only on these dates, such as peak days that were called"
    )
    csv: Name | None = Field(
        None, description="or a CSV file with a column named date, beside the tariff file"
    )
    counted_percent: ExactPositive = Field(
        _ALL_OF_IT, description="share of the power that counts, such as 50 at night"
    )


class Demand(DemandWindow):
    """A charge on the highest average power of a billing period within windows."""

    name: Name = Field("peak demand", description="name of its line on the bill")
    price_per_kw: BySeason | None = Field(None, description="price of a kW: one number, or one per season")
    price_per_kva: BySeason | None = Field(
        None, description="or the price of a kVA, likewise; demand is then measured in kVA"
    )
    per: Literal["month", "day"] = Field("month", description="price per kW and month, or per kW and day")
    steps: Annotated[tuple[DemandStep, ...], TABLES] = Field(
        (), description="in place of one price: steps by kW, lowest first"
    )
    whole_band: bool = Field(default=False, description="all kW are priced by the step they fall in")
    interval_minutes: Literal[5, 10, 15, 20, 30, 60] = Field(
        60, description="demand is the mean power of intervals of this length"
    )
    highest_days: HighestDays = Field(
        1, description="the figure is the mean of this many days' highest intervals; \"all\": of every day's"
    )
    highest_intervals: HighestIntervals = Field(
        None,
        description='or the mean of this many highest intervals, on whatever days; "all": of all that count',
    )
    called_hours: CalledHours = Field(
        (),
        description="only these intervals count, by their starts on the local clock, such as a system's peak hours",
    )
    windows: Annotated[tuple[DemandWindow, ...], TABLES] = Field(
        (), description="several windows, in place of seasons, days, hours and dates here"
    )
    unit: Literal["kW", "kVA"] = Field(
        "kW", description='"kVA": this table\'s limits and past figures are kVA, too'
    )
    power_factor: ExactPositive | None = Field(
        None,
        description="kW per kVA, where the meter has no reactive energy (a column import_kvarh); at most 1",
    )
    at_least_kva_percent: ExactPositive | None = Field(
        None, description="in kW, but at least this percent of the kVA"
    )
    minimum_kw: ExactNotNegative = Field(_NO_PRICE, description="billed at least")
    ratchet: Ratchet | None = Field(None, description="billed at least a share of earlier months")
    rolling_mean: RollingMean | None = Field(None, description="billed on the mean of the last months' peaks")
    flat_within_step: bool = Field(
        default=False,
        description='allow series steps longer than the interval; the line then says "at least"',
    )

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if (self.price_per_kw is not None) + (self.price_per_kva is not None) + bool(self.steps) != 1:
            raise ValueError("needs one of price_per_kw = ..., price_per_kva = ... and steps = [...]")
        own = self.seasons or self.days or self.hours or self.start is not None or self.dates or self.csv
        if self.windows and (own or self.counted_percent != _ALL_OF_IT):
            raise ValueError(
                "give seasons, days, hours, dates and counted_percent here, or in windows = [...], not both"
            )
        if self.steps:
            check_limits([step.up_to_kw for step in self.steps], "up_to_kw")
        if not self.whole_band and any(step.fixed_per_month for step in self.steps):
            raise ValueError("fixed_per_month belongs to whole_band = true; add it or use [[charges]]")
        if self.highest_intervals is not None and self.highest_days != 1:
            raise ValueError("give highest_days (on different days) or highest_intervals (on any), not both")
        if self.rolling_mean is not None and self.ratchet is not None:
            raise ValueError("a charge has a ratchet or a rolling_mean, not both; drop one")
        return self

    @model_validator(mode="after")
    def _on_the_marks(self) -> Self:
        for when in self.whens:
            for minute in (edge for piece in when.pieces for edge in piece):
                if minute % self.interval_minutes:
                    raise ValueError(
                        f"window edges must lie on the clock's {self.interval_minutes}-minute marks "
                        f"(got {clock_text(minute)}); shorten interval_minutes or move the edge"
                    )
        for called in self.called_hours:
            minute = called.hour * 60 + called.minute
            if minute % self.interval_minutes or called.second:
                raise ValueError(
                    f"called_hours must lie on the clock's {self.interval_minutes}-minute marks "
                    f"(got {clock_text(minute % MINUTES_PER_DAY)}); name the starts of intervals"
                )
        if len(set(self.called_hours)) < len(self.called_hours):
            raise ValueError("called_hours names an hour twice; remove one")
        return self

    @model_validator(mode="after")
    def _of_apparent_power(self) -> Self:
        if self.power_factor is not None and self.power_factor > 1:
            raise ValueError(f"power_factor is at most 1 (got {self.power_factor}); 95 % is 0.95")
        in_kva = self.measured_unit == "kVA"
        if in_kva and self.at_least_kva_percent is not None:
            raise ValueError("at_least_kva_percent belongs to a charge in kW; drop it, or measure in kW")
        if self.power_factor is not None and not in_kva and self.at_least_kva_percent is None:
            raise ValueError(
                'power_factor belongs to demand in kVA; write price_per_kva, unit = "kVA" or at_least_kva_percent'
            )
        return self

    @property
    def whens(self) -> tuple[DemandWindow, ...]:
        """The windows in which demand counts; the charge itself where it has one."""
        return self.windows or (self,)

    @property
    def price(self) -> BySeason | None:
        """The price of a kW or kVA; None where steps have one each."""
        return self.price_per_kw if self.price_per_kw is not None else self.price_per_kva

    @property
    def measured_unit(self) -> Literal["kW", "kVA"]:
        """What the charge is on: ``kW`` or ``kVA``."""
        return "kVA" if self.price_per_kva is not None else self.unit

    @property
    def kva_share(self) -> Decimal:
        """How much of the apparent power the figure is at least: 1 in kVA, 0 where kVA do not matter."""
        if self.measured_unit == "kVA":
            return Decimal(1)
        return (self.at_least_kva_percent or _NO_PRICE) / 100
