"""What can be entered on the device: the ``[settings]`` section of a scenario file."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, Strict, model_validator

from dispatch.scenario_fields import Frozen, Switch, refusal

Windows = Annotated[int, Strict(), Field(ge=0, le=8)]


class DeviceSettings(Frozen):
    """How many windows and which steps the device takes; hardware differs."""

    charge_window_count: Windows = Field(
        2,
        description="most charge windows per season and kind of day; 0 = the grid never charges by the clock",
    )
    discharge_window_count: Windows = Field(
        2, description="most discharge windows per season and kind of day"
    )
    time_step_minutes: Annotated[int, Strict(), Field(ge=15, le=720)] = Field(
        30, description="windows begin and end on multiples of it; must divide a day"
    )
    level_step_percent: Annotated[float, Strict(), Field(gt=0, le=50)] = Field(
        5.0, description="levels are multiples of it, in percent of nominal; must divide 100"
    )
    tells_weekends: Switch = Field(
        default=True, description="whether weekends can have settings of their own"
    )
    knows_holidays: Switch = Field(
        default=False, description="whether holidays can have settings of their own; most devices cannot"
    )
    sun_first: Literal["load", "battery", "either"] = Field(
        "either", description="where the sun can be sent first: 'load', 'battery', or 'either' as set"
    )

    @model_validator(mode="after")
    def _steps_divide(self) -> Self:
        if 1440 % self.time_step_minutes:
            text = f"{self.time_step_minutes} minutes do not divide a day; write 15, 30, 60, 120 or 180"
            raise refusal("time_step_minutes", text)
        if abs(100 / self.level_step_percent - round(100 / self.level_step_percent)) > 1e-9:
            text = f"{self.level_step_percent:g} percent do not divide 100; write 1, 5 or 10"
            raise refusal("level_step_percent", text)
        return self
