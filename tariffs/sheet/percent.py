"""Percentages of what stands on a bill: one rate, or rates by tiers of the total; with a ceiling or without."""

from decimal import Decimal
from itertools import pairwise
from typing import Annotated, Self

from pydantic import Field, model_validator

from tariffs.reading.models import Frozen
from tariffs.sheet.fields import TABLES, Exact, ExactPositive, Name, Names


class PercentStep(Frozen):
    """One tier of a percentage, and the total up to which it holds."""

    up_to_kwh: ExactPositive | None = Field(
        None, description="it holds up to this many kWh bought in the month; left out in the last"
    )
    up_to_amount: ExactPositive | None = Field(
        None,
        description="or up to this much money a month of what the percentage is of; left out in the last",
    )
    percent: Exact = Field(description="percentage of this tier; 0 where it is free")

    @property
    def limit(self) -> Decimal | None:
        """The total up to which it holds; None above all."""
        return self.up_to_kwh if self.up_to_kwh is not None else self.up_to_amount


class Adjustment(Frozen):
    """A percentage of what stands on the bill so far, or of named parts of it."""

    name: Name = Field(description="name of its line on the bill")
    percent: Exact | None = Field(None, description="percentage added; negative: taken off")
    steps: Annotated[tuple[PercentStep, ...], TABLES] = Field(
        (), description="in place of one percentage: tiers by the total, lowest first"
    )
    whole_band: bool = Field(
        default=False, description="with steps: the tier that the total falls in holds for all of it"
    )
    at_most: ExactPositive | None = Field(
        None,
        description="most it may come to in a month, in size: a rebate of at most so much, or a capped tax",
    )
    applies_to: Names = Field(
        (),
        description="groups or names of lines it is of; default: everything so far, earlier adjustments included",
    )
    not_to: Names = Field((), description="everything so far but these")

    @property
    def is_plain(self) -> bool:
        """Whether it is one rate of its base, whatever that comes to."""
        return self.percent is not None and self.at_most is None

    @property
    def by_kwh(self) -> bool:
        """Whether its tiers are of energy, not of money."""
        return any(step.up_to_kwh is not None for step in self.steps)

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if (self.percent is None) == (not self.steps):
            raise ValueError("needs either percent = ... or steps = [...]")
        if self.steps and self.at_most is not None:
            raise ValueError(
                "at_most belongs to one percent; leave it out, or write one percent in place of steps"
            )
        if self.whole_band and not self.steps:
            raise ValueError("whole_band belongs to steps = [...]; leave it out")
        if self.steps:
            self._check_steps()
        return self

    def _check_steps(self) -> None:
        *closed, last = self.steps
        for step in self.steps:
            if step.up_to_kwh is not None and step.up_to_amount is not None:
                raise ValueError("give each step up_to_kwh or up_to_amount, not both")
        if any(step.limit is None for step in closed):
            raise ValueError(
                "only the last of the steps may leave its limit out; give up_to_kwh to the others"
            )
        if last.limit is not None:
            raise ValueError(
                f"the last of the steps must be open above (got {last.limit}); leave its limit out, "
                "or add a step for what lies above"
            )
        if len({step.up_to_kwh is None for step in closed}) > 1:
            raise ValueError("give every limit as up_to_kwh or every limit as up_to_amount, not both")
        for before, after in pairwise([step.limit for step in closed]):
            if before is not None and after is not None and after <= before:
                raise ValueError(
                    f"limits must rise from step to step (got {after} after {before}); sort the steps"
                )
