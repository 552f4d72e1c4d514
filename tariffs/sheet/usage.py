"""The tables whose money depends on amounts over a period: blocks, netting, minimum bill."""

from collections.abc import Mapping
from decimal import Decimal
from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import Field, field_validator, model_validator

from tariffs.reading.models import Frozen
from tariffs.sheet.fields import (
    TABLES,
    Exact,
    ExactNotNegative,
    ExactPositive,
    MonthDay,
    Name,
    Names,
    PastMonths,
)
from tariffs.sheet.past_use import PastUse
from tariffs.sheet.shared_tiers import PriceByBand, Sharing

_NO_PRICE = Decimal(0)


def check_limits(limits: list[Decimal | None], what: str) -> None:
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
    price_by_band: PriceByBand = Field(
        default_factory=dict,
        description="with shared: a price for each band, such as { peak = 0.41, off = 0.12 }",
    )
    percent_of_band: Exact | None = Field(
        None,
        description="with shared: a percentage of each band's own price, on top of it; negative: taken off",
    )
    fixed_per_month: Exact = Field(
        _NO_PRICE, description="with whole_band: an amount a month beside the price"
    )
    inside: Annotated[tuple[InnerStep, ...], TABLES] = Field(
        (), description="with whole_band: steps in place of one price"
    )

    @field_validator("price_per_kwh", mode="before")
    @classmethod
    def _one_number(cls, value: object) -> object:
        if isinstance(value, Mapping):
            raise ValueError(  # noqa: TRY004 - pydantic collects ValueError
                "a step has one price; for a price by band write price_by_band = { peak = 0.41, ... } and shared in "
                "[[blocks]], for a price by season one [[blocks]] with seasons = [...] for each"
            )
        return value

    @model_validator(mode="after")
    def _one_price(self) -> Self:
        prices = {
            "price_per_kwh": self.price_per_kwh is not None,
            "inside": bool(self.inside),
            "price_by_band": bool(self.price_by_band),
            "percent_of_band": self.percent_of_band is not None,
        }
        if sum(prices.values()) != 1:
            alone = "; write price_per_kwh = 0 where fixed_per_month is all" if self.fixed_per_month else ""
            raise ValueError(
                "needs either price_per_kwh = ..., inside = [steps], price_by_band = {...} or "
                f"percent_of_band = ...{alone}"
            )
        if self.inside:
            check_limits([step.up_to_kwh for step in self.inside], "up_to_kwh")
        return self

    @property
    def limit(self) -> Decimal | None:
        """The amount up to which this block holds, in kWh or in hours of the demand; None above all."""
        return self.up_to_kwh if self.up_to_kwh is not None else self.up_to_hours

    @property
    def by_band(self) -> bool:
        """Whether its price differs from band to band."""
        return bool(self.price_by_band) or self.percent_of_band is not None

    def price_in(self, band: str, own_price: Decimal) -> Decimal:
        """Return the price of its kWh in a band that has a price of its own."""
        if self.percent_of_band is not None:
            return self.percent_of_band / 100 * own_price
        return self.price_by_band.get(band, self.price_per_kwh or _NO_PRICE)

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
    yearly_from: MonthDay | None = Field(
        None,
        description="limits are kWh of a year, counted from the first bill on or after this day, 'MM-DD'",
    )
    used_kwh: ExactNotNegative | None = Field(
        None, description="with yearly_from: kWh counted in that year before the series begins"
    )
    shared: Sharing | None = Field(
        None,
        description='how bands use up the tiers: "in-proportion" to their kWh, or a list, the first band first',
    )
    demand: Name | None = Field(None, description="with up_to_hours: name of the demand charge")
    past_use: PastUse | None = Field(
        None, description="with whole_band: which step holds is set by the use of earlier months"
    )
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
        if self.past_use is not None and (not self.whole_band or by_hours):
            raise ValueError(
                "past_use sets the step that holds: it needs whole_band = true, and limits in kWh"
            )
        if not self.whole_band and any(step.inside or step.fixed_per_month for step in self.steps):
            raise ValueError("inside and fixed_per_month belong to whole_band = true; add it or drop them")
        check_limits([step.limit for step in self.steps], "up_to_hours" if by_hours else "up_to_kwh")
        self._check_order()
        self._check_shared()
        return self

    def _check_shared(self) -> None:
        by_band = any(step.by_band for step in self.steps)
        if by_band and self.shared is None:
            raise ValueError(
                'price_by_band and percent_of_band need shared = "in-proportion", or shared = ["first band", ...]: it '
                "says how the bands use up the tiers"
            )
        if self.shared is not None and not by_band:
            raise ValueError("shared belongs to steps with price_by_band or percent_of_band; leave it out")
        if by_band and (self.whole_band or self.of == "export"):
            raise ValueError(
                "price_by_band and percent_of_band belong to tiers of kWh bought, not to whole_band"
            )
        if isinstance(self.shared, tuple) and self.bands and set(self.shared) != set(self.bands):
            raise ValueError(
                "shared must list the same bands as bands; leave bands out, or correct one of them"
            )
        if self.yearly_from is None and self.used_kwh is not None:
            raise ValueError(
                "used_kwh belongs to yearly_from; leave it out, or say from which day the year counts"
            )
        if self.yearly_from == (2, 29):
            raise ValueError('yearly_from must be a day of every year (got "02-29"); write "03-01"')
        if self.yearly_from is not None and (self.whole_band or self.demand or self.limits_for_days):
            raise ValueError(
                "yearly_from belongs to tiers by kWh; leave out whole_band, up_to_hours and limits_for_days"
            )

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
    opening_kwh: PastMonths = Field(
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
