"""What a person says about parts beyond the battery's own ratings: units, cold, life. All of it is optional."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Self

from pydantic import Field, Strict, model_validator

from dispatch.scenario.fields import Count, NotNegative, Positive, refusal
from dispatch.scenario.solar import MONTHS, Celsius
from tariffs.reading.models import Frozen, Text


class Units(Frozen):
    """How many power units there are; then [inverter] and [charging] state one of them, pack_count all packs."""

    count: Annotated[int, Strict(), Field(ge=1, le=2)] = Field(
        1, description="1, or 2 joined in series for split phase (120 and 240 V)"
    )
    most_packs_count: Count | None = Field(None, description="packs that one unit takes at most")
    larger_leg_fraction: Annotated[float, Strict(), Field(ge=0.5, lt=1)] | None = Field(
        None,
        description="with 2 units: share of the load on the more loaded leg; default: 0.5, evenly shared",
    )

    @model_validator(mode="after")
    def _legs_need_two(self) -> Self:
        if self.larger_leg_fraction is not None and self.count == 1:
            raise refusal("larger_leg_fraction", "one unit has no legs; set count = 2 or remove it")
        return self

    @property
    def carried_count(self) -> float:
        """How many times one unit's power a load spread over the legs as stated can draw."""
        return self.count if self.larger_leg_fraction is None else 1.0 / self.larger_leg_fraction


class DcInput(Frozen):
    """A DC input beside the solar ones, such as a vehicle's socket."""

    name: Text = Field(description="what it is called")
    input_v: Positive = Field(description="its voltage, in V")
    most_w: Positive = Field(description="power it takes, in W")


class AcSolar(Frozen):
    """Panels that are there already, with an inverter of their own, behind the same meter; off in an outage."""

    csv: Text = Field(description="CSV file, relative to the scenario file")
    column: Text = Field(description="AC output; its column's name ends in _w, _kw, _wh or _kwh")


class Combination(Frozen):
    """Appliances that are asked about together."""

    name: Text = Field(description="what it is called")
    appliances: Annotated[tuple[Text, ...], Field(min_length=1)] = Field(description="their names")


class UsableAt(Frozen):
    """What can be drawn at one temperature of the cells."""

    battery_c: Celsius = Field(description="temperature of the cells, in C")
    usable_fraction: Annotated[float, Strict(), Field(gt=0, le=1)] = Field(
        description="share of the usable energy that can be drawn at it"
    )


class Surroundings(Frozen):
    """How cold and warm it is where the packs stand, and what they stand it."""

    monthly_c: Annotated[tuple[Celsius, ...], Field(min_length=MONTHS, max_length=MONTHS)] | None = Field(
        None, description="mean temperature of the packs by month, 12 numbers, January first"
    )
    csv: Text | None = Field(None, description="instead: CSV file with the temperature of the packs")
    column: Text | None = Field(None, description="its column; the name ends in _c")
    no_charging_below_c: Celsius | None = Field(None, description="the packs must not be charged below this")
    usable: tuple[UsableAt, ...] = Field(
        (), description="usable share by temperature, a table each, coldest first"
    )
    lowest_c: Celsius | None = Field(
        None, description="coldest the maker allows the packs to be kept or run at"
    )
    highest_c: Celsius | None = Field(None, description="hottest the maker allows")

    @model_validator(mode="after")
    def _one_source(self) -> Self:
        if (self.monthly_c is None) == (self.csv is None):
            raise refusal("", "give exactly one of monthly_c (12 numbers) and csv with column")
        if (self.csv is None) != (self.column is None):
            missing = "column" if self.column is None else "csv"
            raise refusal(missing, "csv and column belong together; add it")
        if self.column is not None and not self.column.lower().endswith("_c"):
            raise refusal(
                "column", f"'{self.column}' has no unit; name the column so that it ends in _c (Celsius)"
            )
        if any(b.battery_c <= a.battery_c for a, b in pairwise(self.usable)):
            raise refusal("usable", "needs rising temperatures, coldest first")
        if any(b.usable_fraction < a.usable_fraction for a, b in pairwise(self.usable)):
            raise refusal(
                "usable", "falls with rising temperature; a warmer battery gives no less: check the order"
            )
        return self


class CyclesAt(Frozen):
    """How many cycles of one depth the cells last."""

    depth_percent: Annotated[float, Strict(), Field(gt=0, le=100)] = Field(
        description="depth of the cycle, in percent of nominal"
    )
    cycles_count: Positive = Field(description="cycles of that depth until the end of life")


class Life(Frozen):
    """How the cells age: by cycles and by the calendar, until a stated share of the capacity is left."""

    cycles: Annotated[tuple[CyclesAt, ...], Field(min_length=1)] = Field(
        description="cycle life by depth, a table each, shallowest first; the sheet's one point will do"
    )
    left_percent: Annotated[float, Strict(), Field(gt=0, lt=100)] = Field(
        80.0, description="capacity left at the end of that life, in percent"
    )
    calendar_fade_per_year_fraction: NotNegative = Field(
        0.0, description="share of the capacity lost in a year without use"
    )
    pack_price: NotNegative | None = Field(
        None, description="money for one pack; prices the wear where battery.wear_per_kwh is not given"
    )

    @model_validator(mode="after")
    def _curve_falls(self) -> Self:
        points = self.cycles
        if any(b.depth_percent <= a.depth_percent for a, b in pairwise(points)):
            raise refusal("cycles", "needs rising depths, shallowest first")
        if any(b.cycles_count >= a.cycles_count for a, b in pairwise(points)):
            raise refusal("cycles", "deeper cycles must be fewer; check the order of the points")
        return self


class Care(Frozen):
    """What the maker asks for when the packs rest; without a figure the card points to the manual."""

    store_at_percent: Annotated[float, Strict(), Field(gt=0, le=100)] | None = Field(
        None, description="level to store the packs at, in percent of nominal"
    )
    recharge_at_percent: Annotated[float, Strict(), Field(ge=0, lt=100)] | None = Field(
        None, description="level at which resting packs must be charged again, in percent"
    )
    full_cycle_every_months: Annotated[int, Strict(), Field(ge=1, le=36)] | None = Field(
        None, description="months after which resting packs want a full discharge and charge"
    )

    @model_validator(mode="after")
    def _levels_fall(self) -> Self:
        store, low = self.store_at_percent, self.recharge_at_percent
        if store is not None and low is not None and low >= store:
            raise refusal(
                "recharge_at_percent", f"{low:g} is not below store_at_percent = {store:g}; lower it"
            )
        return self


class Mains(Frozen):
    """What the charger accepts at its AC input."""

    lowest_v: Positive = Field(description="lowest voltage, in V")
    highest_v: Positive = Field(description="highest voltage, in V")
    lowest_hz: Positive = Field(description="lowest frequency, in Hz")
    highest_hz: Positive = Field(description="highest frequency, in Hz")

    @model_validator(mode="after")
    def _range_is_open(self) -> Self:
        for unit in ("v", "hz"):
            low, high = getattr(self, f"lowest_{unit}"), getattr(self, f"highest_{unit}")
            if low >= high:
                raise refusal(f"lowest_{unit}", f"{low:g} is not below highest_{unit} = {high:g}")
        return self
