"""The tables whose money depends on amounts over a period: blocks, demand, netting, minimum bill."""

from decimal import Decimal
from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from tariffs.reading.clock import clock_text
from tariffs.reading.models import Frozen
from tariffs.sheet.fields import (
    TABLES,
    BySeason,
    Exact,
    ExactNotNegative,
    ExactPositive,
    MonthDay,
    Name,
    Names,
    exact_table,
)
from tariffs.sheet.when import When

PastPeaks = Annotated[dict[str, Decimal], BeforeValidator(exact_table)]
_NO_PRICE = Decimal(0)


def _highest_days(value: object) -> object:
    if value == "all" or (isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= 31):
        return value
    raise ValueError('should be a number of days, 1 to 31, or "all" for the mean of every day\'s highest')


HighestDays = Annotated[int | Literal["all"], BeforeValidator(_highest_days)]


def _check_limits(limits: list[Decimal | None], what: str) -> None:
    """Refuse limits that do not rise, and an end that is not open."""
    *closed, last = limits
    if None in closed:
        raise ValueError(f"only the last of the steps may leave {what} out; give it to the others")
    if last is not None:
        raise ValueError(
            f"the last of the steps must be open above (got {what} = {last}); "
            f"leave its {what} out, or add a step for what lies above"
        )
    for before, after in pairwise([limit for limit in closed if limit is not None]):
        if after <= before:
            raise ValueError(
                f"{what} must rise from step to step (got {after} after {before}); sort the steps"
            )


class InnerStep(Frozen):
    """One step of the telescopic prices inside a whole-band step."""

    up_to_kwh: ExactPositive | None = Field(
        None, description="it holds up to this many kWh of the period; left out in the last"
    )
    price_per_kwh: Exact = Field(description="price of its kWh")


class BlockStep(Frozen):
    """One block: its price, and the amount up to which it holds."""

    up_to_kwh: ExactPositive | None = Field(
        None, description="it holds up to this total of kWh, not the width; left out in the last"
    )
    up_to_hours: ExactPositive | None = Field(
        None, description="the same in hours of use: kWh per kW of the demand charge named"
    )
    price_per_kwh: Exact | None = Field(None, description="price of its kWh; negative: a credit")
    fixed_per_month: Exact = Field(
        _NO_PRICE, description="with whole_band: an amount a month beside the price"
    )
    inside: Annotated[tuple[InnerStep, ...], TABLES] = Field(
        (), description="with whole_band: steps in place of one price"
    )

    @model_validator(mode="after")
    def _one_price(self) -> Self:
        if (self.price_per_kwh is None) == (not self.inside):
            raise ValueError("needs either price_per_kwh = ... or inside = [steps]")
        if self.inside:
            _check_limits([step.up_to_kwh for step in self.inside], "up_to_kwh")
        return self

    @property
    def limit(self) -> Decimal | None:
        """The amount up to which this block holds, in kWh or in hours of the demand; None above all."""
        return self.up_to_kwh if self.up_to_kwh is not None else self.up_to_hours

    @property
    def prices(self) -> tuple[tuple[Decimal | None, Decimal], ...]:
        """(limit in kWh, price) of the steps inside this one; one open step where it has one price."""
        if self.price_per_kwh is not None:
            return ((None, self.price_per_kwh),)
        return tuple((step.up_to_kwh, step.price_per_kwh) for step in self.inside)


class Blocks(Frozen):
    """Prices that depend on how much energy a billing period sees."""

    name: Name = Field("blocks", description="name of its lines on the bill")
    of: Literal["import", "export"] = Field(
        "import",
        description="of kWh bought, or of kWh fed in (then a positive price is paid to the household)",
    )
    bands: Names = Field((), description="count only kWh of these bands; default: all")
    seasons: Names = Field((), description="count only these seasons; default: all")
    whole_band: bool = Field(default=False, description="the whole use is priced by the step it falls in")
    order: Literal["rising", "falling"] | None = Field(
        None, description="have the file checked for rising or falling prices"
    )
    limits_for_days: ExactPositive | None = Field(
        None, description="limits are for this many days and scale with the period's; default: per month"
    )
    demand: Name | None = Field(None, description="with up_to_hours: name of the demand charge")
    steps: Annotated[tuple[BlockStep, ...], TABLES, Field(min_length=1)] = Field(
        description="the steps, lowest first; the last is open above"
    )

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        by_hours = any(step.up_to_hours is not None for step in self.steps)
        if by_hours and any(step.up_to_kwh is not None for step in self.steps):
            raise ValueError("give every limit as up_to_kwh or every limit as up_to_hours, not both")
        if by_hours != (self.demand is not None):
            raise ValueError('up_to_hours (kWh per kW of demand) and demand = "..." belong together')
        if by_hours and any(step.inside for step in self.steps):
            raise ValueError("inside needs limits in kWh; give every step of up_to_hours one price")
        if by_hours and self.limits_for_days is not None:
            raise ValueError("limits_for_days belongs to limits in kWh; leave it out with up_to_hours")
        if not self.whole_band and any(step.inside or step.fixed_per_month for step in self.steps):
            raise ValueError("inside and fixed_per_month belong to whole_band = true; add it or drop them")
        _check_limits([step.limit for step in self.steps], "up_to_hours" if by_hours else "up_to_kwh")
        self._check_order()
        return self

    def _check_order(self) -> None:
        prices = [step.price_per_kwh for step in self.steps]
        for before, after in pairwise(prices):
            if self.order is None or before is None or after is None:
                continue
            if after < before if self.order == "rising" else after > before:
                raise ValueError(
                    f"the prices are declared {self.order} but are not (got {after} after {before}); "
                    "correct the prices or the order"
                )


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
    past_kw: PastPeaks = Field(
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


class Demand(When):
    """A charge on the highest average power of a billing period within windows."""

    name: Name = Field("peak demand", description="name of its line on the bill")
    price_per_kw: BySeason | None = Field(None, description="price of a kW: one number, or one per season")
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
    windows: Annotated[tuple[When, ...], TABLES] = Field(
        (), description="several windows, in place of seasons, days and hours here"
    )
    minimum_kw: ExactNotNegative = Field(_NO_PRICE, description="billed at least")
    ratchet: Ratchet | None = Field(None, description="billed at least a share of earlier months")
    flat_within_step: bool = Field(
        default=False,
        description='allow series steps longer than the interval; the line then says "at least"',
    )

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if (self.price_per_kw is None) == (not self.steps):
            raise ValueError("needs either price_per_kw = ... or steps = [...]")
        if self.windows and (self.seasons or self.days or self.hours or self.start is not None):
            raise ValueError("give seasons, days and hours here, or in windows = [...], not both")
        if self.steps:
            _check_limits([step.up_to_kw for step in self.steps], "up_to_kw")
        if not self.whole_band and any(step.fixed_per_month for step in self.steps):
            raise ValueError("fixed_per_month belongs to whole_band = true; add it or use [[charges]]")
        for when in self.whens:
            for minute in (edge for piece in when.pieces for edge in piece):
                if minute % self.interval_minutes:
                    raise ValueError(
                        f"window edges must lie on the clock's {self.interval_minutes}-minute marks "
                        f"(got {clock_text(minute)}); shorten interval_minutes or move the edge"
                    )
        return self

    @property
    def whens(self) -> tuple[When, ...]:
        """The windows in which demand counts; the charge itself where it has one."""
        return self.windows or (self,)


class Netting(Frozen):
    """Exported kWh set off against imported kWh, and what becomes of the rest."""

    across: Literal["same-band", "any-band", "same-band-first"] = Field(
        "same-band", description="whether credits of a band serve that band, any band, or that band first"
    )
    order: Names = Field(
        (), description="bands credits are spent on, first to last; default: the file's order"
    )
    surplus: Literal["carry", "paid", "lost"] = Field(
        "carry", description="what is left at a period's end is carried on, paid or lost"
    )
    surplus_price_per_kwh: ExactNotNegative = Field(_NO_PRICE, description="with surplus = 'paid': the price")
    settlement: MonthDay | None = Field(
        None, description="with carry: 'MM-DD', once a year at the end of the period with this day"
    )
    settlement_price_per_kwh: ExactNotNegative = Field(_NO_PRICE, description="price of what is left then")
    opening_kwh: PastPeaks = Field(
        default_factory=dict,
        description="credits from before, such as { all = 120 }; by band with across = 'same-band'",
    )

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.surplus != "carry" and (self.settlement or self.opening_kwh):
            raise ValueError('settlement and opening_kwh need surplus = "carry"')
        if self.settlement == (2, 29):
            raise ValueError('settlement must be a day of every year (got "02-29"); write "02-28" or "03-01"')
        if self.surplus_price_per_kwh and self.surplus != "paid":
            raise ValueError('surplus_price_per_kwh needs surplus = "paid"')
        if self.settlement_price_per_kwh and self.settlement is None:
            raise ValueError('settlement_price_per_kwh needs settlement = "MM-DD"')
        return self


class Minimum(Frozen):
    """The least that named parts of a bill must come to, or the least kWh it is for; what is missing is added."""

    name: Name = Field("minimum bill", description="name of its line on the bill")
    per_day: ExactNotNegative | None = Field(None, description="minimum for each day, in money")
    per_month: ExactNotNegative | None = Field(
        None, description="minimum for each month, in money; one of the four"
    )
    kwh_per_day: ExactPositive | None = Field(
        None, description="or kWh for each day: what is used less is billed as if it had been used"
    )
    kwh_per_month: ExactPositive | None = Field(None, description="or kWh for each month, likewise")
    band: Name | None = Field(
        None, description="with kWh: band whose prices the missing kWh have; needed where there are several"
    )
    applies_to: Names = Field(
        ("energy", "riders", "export", "demand", "charges"),
        description="groups or names of lines that count towards it; with kWh: none, all kWh bought count",
    )

    @property
    def in_money(self) -> bool:
        """Whether it is an amount of money, not of kWh."""
        return self.kwh_per_day is None and self.kwh_per_month is None

    @model_validator(mode="after")
    def _has_amount(self) -> Self:
        given = [self.per_day, self.per_month, self.kwh_per_day, self.kwh_per_month]
        if sum(value is not None for value in given) != 1:
            raise ValueError(
                "needs one of per_day, per_month, kwh_per_day and kwh_per_month; give several minimums as several "
                "[[minimum]], each with its own name"
            )
        if self.in_money and self.band is not None:
            raise ValueError("band belongs to a minimum in kWh; leave it out")
        if not self.in_money and "applies_to" in self.model_fields_set:
            raise ValueError(
                "applies_to belongs to a minimum in money; a minimum in kWh counts all kWh bought"
            )
        return self
