"""The table that lets a class of prices be set by the use of earlier months."""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from tariffs.reading.models import Frozen
from tariffs.sheet.fields import ExactNotNegative, Months, Names, PastMonths


class PastUse(Frozen):
    """Which step of a blocks table holds is set by past use: the mean of earlier months' kWh."""

    months: Annotated[int, Field(ge=1, le=60)] = Field(
        12, description="the mean of this many months before the bill"
    )
    with_this_bill: bool = Field(
        default=False, description="the bill's own month is the last of them, in place of the one before it"
    )
    bands: Names = Field((), description="count only kWh of these bands; default: all that is bought")
    decided_in_months: Months = Field(
        (), description="decided on bills of these months, and held until the next; default: on every bill"
    )
    past_kwh: PastMonths = Field(
        default_factory=dict, description='use of months before the series, such as { "2024-12" = 310 }'
    )
    past_each_kwh: ExactNotNegative | None = Field(
        None, description="or one figure, for every month before the series"
    )
    before: Literal["needed", "left-out"] = Field(
        "needed",
        description='"left-out": months without a figure do not count; with none at all the first step holds',
    )

    @model_validator(mode="after")
    def _one_past(self) -> Self:
        if self.past_kwh and self.past_each_kwh is not None:
            raise ValueError("give past_kwh (one figure per month) or past_each_kwh, not both")
        if self.past_each_kwh is not None and self.before == "left-out":
            raise ValueError(
                'past_each_kwh gives every month before a figure; drop it or before = "left-out"'
            )
        return self
