"""How amounts become money, and metered kWh the kWh that are priced."""

from typing import Annotated, Literal

from pydantic import Field

from tariffs.reading.models import Frozen
from tariffs.sheet.fields import TABLES, ExactPositive, Names

RoundingMode = Literal["half-up", "half-even", "down", "up"]


class LineRounding(Frozen):
    """How lines of some names are rounded by themselves, whatever the others are."""

    applies_to: Names = Field(min_length=1, description="groups or names of lines it rounds")
    mode: RoundingMode = Field("half-up", description="how, as for the total")
    to: ExactPositive | None = Field(
        None, description="they are rounded to multiples of this, such as 10; default: to the places"
    )


class Rounding(Frozen):
    """How amounts become money, per line or on each period's total, and kWh the kWh that are priced."""

    places: int = Field(2, ge=0, le=6, description="decimal places of an amount of money")
    per: Literal["total", "line"] = Field(
        "total", description="whether each period's total is rounded, or every line"
    )
    mode: RoundingMode = Field(
        "half-up",
        description="what becomes of exactly half a unit; or 'down' (towards zero), 'up' (away from it) of any rest",
    )
    total_to: ExactPositive | None = Field(
        None,
        description="each period's total is rounded to multiples of this, such as 0.05; default: to the places",
    )
    lines: Annotated[tuple[LineRounding, ...], TABLES] = Field(
        (), description="lines that are rounded by themselves, each in its own way"
    )
    kwh_places: int | None = Field(
        None,
        ge=0,
        le=3,
        description="decimal places that the kWh of each band are rounded to before they are priced; 0: whole kWh",
    )
    kwh_mode: RoundingMode = Field("half-up", description="how kWh are rounded, likewise")
