"""The table that keeps what exports earn as a credit in money, to be set against later charges."""

from decimal import Decimal
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from tariffs.reading.models import Frozen
from tariffs.sheet.fields import ExactNotNegative, MonthDay, Name, Names

_NONE = Decimal(0)


class ExportCredit(Frozen):
    """What exports earn is not paid but kept as a credit in money, and set against charges."""

    name: Name = Field("export credit", description="name of its lines on the bill")
    applies_to: Names = Field(
        ("energy", "riders", "demand"),
        description="groups or names of lines it is set against, never below zero; 'everything': the whole bill",
    )
    first_use: Literal["this-bill", "next-bill"] = Field(
        "this-bill", description="whether what a bill earns may be used on it, or from the next bill on"
    )
    expires_months: Annotated[int, Field(ge=0, le=120)] | None = Field(
        None, description="a credit not used this many months after its bill is lost; default: never"
    )
    settlement: MonthDay | None = Field(
        None,
        description="'MM-DD': once a year, at the end of the period with this day, what is left is settled",
    )
    settlement_percent: ExactNotNegative = Field(
        _NONE, description="percent of what is left that is paid then; the rest is lost"
    )
    opening_amount: ExactNotNegative = Field(_NONE, description="credit from before the series")

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.settlement == (2, 29):
            raise ValueError('settlement must be a day of every year (got "02-29"); write "02-28" or "03-01"')
        if self.settlement_percent and self.settlement is None:
            raise ValueError('settlement_percent needs settlement = "MM-DD"')
        if self.expires_months == 0 and self.first_use == "next-bill":
            raise ValueError("a credit of the next bill cannot expire with its own (got expires_months = 0)")
        return self
