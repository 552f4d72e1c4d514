"""The table of rebates for using less than a baseline on event days."""

from decimal import Decimal
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from tariffs.reading.clock import pieces
from tariffs.sheet.fields import Day, ExactPositive, Name, exact_table, listed
from tariffs.sheet.when import Hours

KnownBaselines = Annotated[dict[str, Decimal], BeforeValidator(exact_table)]


class Rebate(Hours):
    """What is paid for every kWh used less than a baseline in the hours of event days; never less than nothing."""

    name: Name = Field(description="name of its line on the bill")
    dates: Annotated[tuple[Day, ...], BeforeValidator(listed)] = Field((), description="the event days")
    csv: Name | None = Field(
        None, description="or a CSV file with a column named date, beside the tariff file"
    )
    price_per_kwh: ExactPositive = Field(description="paid for each kWh below the baseline")
    like_days: Annotated[int, Field(ge=1, le=60)] = Field(
        5, description="the baseline is the mean of the same hours of this many like days before the event"
    )
    highest_days: Annotated[int, Field(ge=1, le=60)] | None = Field(
        None, description="of these, the mean of this many with the most kWh; default: of all"
    )
    like: Literal["same-kind", "any-day"] = Field(
        "same-kind",
        description="like days are weekdays for a weekday, weekend days, holidays; 'any-day': all. Never event days",
    )
    within_days: Annotated[int, Field(ge=1, le=400)] = Field(
        60, description="how far before the event like days may lie"
    )
    known_baseline_kwh: KnownBaselines = Field(
        default_factory=dict,
        description='baselines the utility has told, by day, such as { "2025-07-03" = 6.1 }',
    )

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.highest_days is not None and self.highest_days > self.like_days:
            raise ValueError(
                f"highest_days is at most like_days (got {self.highest_days} of {self.like_days})"
            )
        return self

    @property
    def runs(self) -> tuple[tuple[int, int, int], ...]:
        """(days after the event's date, first minute, end minute) of every stretch."""
        return tuple(
            (later, *piece) for stretch in self.stretches for later, piece in enumerate(pieces(*stretch))
        )
