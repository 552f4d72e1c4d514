"""What a person says about buying: which sizes to look at, what parts cost, what money costs. All of it is optional."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Self

from pydantic import Field, Strict, model_validator

from dispatch.scenario.fields import Count, NotNegative, Share, Switch, refusal
from dispatch.scenario.solar import String  # noqa: TC001 - pydantic reads the annotations when it runs
from tariffs.reading.models import Frozen, Text

Growth = Annotated[float, Strict(), Field(gt=-1, le=1)]


class PanelsChoice(Frozen):
    """One amount of panels to look at: a multiple of the scenario's, or strings of [solar] modules."""

    name: Text | None = Field(None, description="what the table calls it; default: its multiple or its watts")
    panels_factor: NotNegative | None = Field(
        None, description="times the scenario's panels: 0 = none, 1 = as they are, 1.5 = half as many again"
    )
    strings: Annotated[tuple[String, ...], Field(min_length=1)] | None = Field(
        None, description="instead: what is wired to the solar inputs, as in [[solar.strings]]"
    )
    price: NotNegative | None = Field(
        None, description="money for all of these panels, wired; default: sizing.panels_price in proportion"
    )

    @model_validator(mode="after")
    def _one_amount(self) -> Self:
        if (self.panels_factor is None) == (self.strings is None):
            raise refusal("", "give exactly one of panels_factor and strings")
        return self


class Sizing(Frozen):
    """What `dispatch size` looks at, what parts cost, and how money of later years is counted."""

    most_packs_count: Count | None = Field(
        None, description="most packs looked at, in all; default: what the units take, but not more than 8"
    )
    unit_count: Annotated[tuple[Count, ...], Field(min_length=1, max_length=2)] | None = Field(
        None, description="numbers of units looked at, such as [1, 2]; default: as in [units]"
    )
    panels: tuple[PanelsChoice, ...] = Field(
        (),
        description="amounts of panels looked at, a table each, fewest first; default: none, and the scenario's "
        "once, one and a half times and twice",
    )
    parts_are_owned: Switch = Field(
        default=True,
        description="true: the scenario's parts are there, and what is asked is what to add; false: nothing is",
    )
    pack_price: NotNegative | None = Field(None, description="money for one pack; default: life.pack_price")
    unit_price: NotNegative | None = Field(None, description="money for one unit, without packs")
    panels_price: NotNegative | None = Field(
        None, description="money for the scenario's panels, wired; other amounts in proportion"
    )
    work_price: NotNegative = Field(
        0.0, description="money that any purchase costs once beside its parts, such as the electrician"
    )
    horizon_years: Annotated[int, Strict(), Field(ge=1, le=60)] = Field(
        15, description="years that count for the net present value"
    )
    discount_per_year_fraction: Annotated[float, Strict(), Field(ge=0, le=1)] = Field(
        0.05, description="price of money: what it would earn or save elsewhere in a year"
    )
    tariff_growth_per_year_fraction: Growth = Field(
        0.0, description="how much all prices of energy rise in a year"
    )
    pack_fade_per_year_fraction: Share | None = Field(
        None,
        description="share of what packs bring that is lost with each year; default: from [life] as run, else 0.02",
    )
    panels_fade_per_year_fraction: Share = Field(
        0.005, description="share of what panels bring that is lost with each year"
    )
    discount_doubt_fraction: Share = Field(
        0.02, description="how far off the price of money may be, up or down"
    )
    tariff_growth_doubt_fraction: Share = Field(
        0.02, description="how far off the growth of the tariff may be, up or down"
    )
    fade_doubt_factor: Annotated[float, Strict(), Field(ge=1, le=10)] = Field(
        2.0, description="fading may be this many times faster or slower"
    )

    @model_validator(mode="after")
    def _lists_rise(self) -> Self:
        counts = self.unit_count or ()
        if any(count > 2 for count in counts) or len(set(counts)) < len(counts):
            raise refusal("unit_count", "takes 1, 2 or both, each once; write [1, 2]")
        if list(counts) != sorted(counts):
            raise refusal("unit_count", "write the smaller number first: [1, 2]")
        kinds = {choice.strings is None for choice in self.panels}
        if len(kinds) > 1:
            raise refusal(
                "panels",
                "mixes panels_factor and strings; use one of the two (no panels are always looked at)",
            )
        factors = [choice.panels_factor for choice in self.panels if choice.panels_factor is not None]
        if any(b <= a for a, b in pairwise(factors)):
            raise refusal("panels", "needs rising panels_factor, fewest panels first")
        return self
