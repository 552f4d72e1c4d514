"""How amounts become money, and metered kWh the kWh that are priced."""

from typing import Literal

from pydantic import Field

from tariffs.reading.models import Frozen
from tariffs.sheet.fields import ExactPositive

RoundingMode = Literal["half-up", "half-even", "down", "up"]


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
    kwh_places: int | None = Field(
        None,
        ge=0,
        le=3,
        description="decimal places that the kWh of each band are rounded to before they are priced; 0: whole kWh",
    )
    kwh_mode: RoundingMode = Field("half-up", description="how kWh are rounded, likewise")
