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

    up_to_kwh: ExactPositive | None = None
    price_per_kwh: Exact


class BlockStep(Frozen):
    """One block: its price, and the amount up to which it holds."""

    up_to_kwh: ExactPositive | None = None
    up_to_hours: ExactPositive | None = None
    price_per_kwh: Exact | None = None
    fixed_per_month: Exact = _NO_PRICE
    inside: Annotated[tuple[InnerStep, ...], TABLES] = ()

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

    name: Name = "blocks"
    of: Literal["import", "export"] = "import"
    bands: Names = ()
    seasons: Names = ()
    whole_band: bool = False
    order: Literal["rising", "falling"] | None = None
    limits_for_days: ExactPositive | None = None
    demand: Name | None = None
    steps: Annotated[tuple[BlockStep, ...], TABLES, Field(min_length=1)]

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

    up_to_kw: ExactPositive | None = None
    price_per_kw: Exact = _NO_PRICE
    fixed_per_month: Exact = _NO_PRICE


class Ratchet(Frozen):
    """A floor under billed demand: a share of the highest of the months before."""

    percent: ExactNotNegative
    look_back_months: Annotated[int, Field(ge=1, le=60)] = 11
    seasons: Names = ()
    past_kw: PastPeaks = Field(default_factory=dict)
    past_highest_kw: ExactNotNegative | None = None

    @model_validator(mode="after")
    def _one_past(self) -> Self:
        if self.past_kw and self.past_highest_kw is not None:
            raise ValueError("give past_kw (one figure per month) or past_highest_kw, not both")
        return self


class Demand(When):
    """A charge on the highest average power of a billing period within windows."""

    name: Name = "peak demand"
    price_per_kw: BySeason | None = None
    per: Literal["month", "day"] = "month"
    steps: Annotated[tuple[DemandStep, ...], TABLES] = ()
    whole_band: bool = False
    interval_minutes: Literal[5, 10, 15, 20, 30, 60] = 60
    highest_days: HighestDays = 1
    windows: Annotated[tuple[When, ...], TABLES] = ()
    minimum_kw: ExactNotNegative = _NO_PRICE
    ratchet: Ratchet | None = None
    flat_within_step: bool = False

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

    across: Literal["same-band", "any-band", "same-band-first"] = "same-band"
    order: Names = ()
    surplus: Literal["carry", "paid", "lost"] = "carry"
    surplus_price_per_kwh: ExactNotNegative = _NO_PRICE
    settlement: MonthDay | None = None
    settlement_price_per_kwh: ExactNotNegative = _NO_PRICE
    opening_kwh: PastPeaks = Field(default_factory=dict)

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
    """The least that named parts of a bill must come to; what is missing is added."""

    name: Name = "minimum bill"
    per_day: ExactNotNegative | None = None
    per_month: ExactNotNegative | None = None
    applies_to: Names = ("energy", "riders", "export", "demand", "charges")

    @model_validator(mode="after")
    def _has_amount(self) -> Self:
        if (self.per_day is None) == (self.per_month is None):
            raise ValueError("needs either per_day = ... or per_month = ...")
        return self
