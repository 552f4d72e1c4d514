"""The strategies as data: bounds and own stages on the one program."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from dispatch.case.cheap_hours import cheapest_steps, sun_to_load_first

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from dispatch.arrays import Floats
    from dispatch.case.case import Case
    from dispatch.program.arrays import Bounds
    from dispatch.program.program import Program


CHOICES = (
    "reserve-first",
    "solar-first",
    "off-peak-first",
)  # what a household can set; the rest is comparison

NAMES = ("grid-only", "sun-only", *CHOICES, "least-cost")


@dataclass(frozen=True)
class Stage:
    """One objective of the lexicographic order, to be minimised: cost per kWh of each family."""

    name: str
    coefficients: Mapping[str, Floats | float]
    often_zero: bool = (
        False  # a sum of columns ≥ 0 whose optimum is usually 0: tried at 0 before it is solved
    )

    def same_as(self, other: Stage) -> bool:
        """Whether both minimise the same thing."""
        mine, theirs = self.coefficients, other.coefficients
        return mine.keys() == theirs.keys() and all(np.array_equal(mine[k], theirs[k]) for k in mine)


@dataclass(frozen=True)
class Strategy:
    """A name, a change of bounds, and stages of its own."""

    name: str
    narrow: Callable[[Program, Bounds], None]
    own_stages: Callable[[Case], tuple[Stage, ...]] = field(default=lambda _case: ())
    uses_battery: bool = True
    near_reference: bool = (
        True  # False: so unlike least-cost that starting from its basis costs more than it saves
    )


def _fix(program: Program, bounds: Bounds, family: str, value: Floats | float) -> None:
    if family in program.columns:
        columns = program.columns[family]
        bounds.lower[columns] = bounds.upper[columns] = value


def _fix_sun_to_load(program: Program, bounds: Bounds) -> None:
    served = np.where(program.whole_load_on_grid(), 0.0, sun_to_load_first(program.case))
    _fix(program, bounds, "sun_to_load", served)


def _narrow_sun_only(program: Program, bounds: Bounds) -> None:
    for family in ("grid_to_battery", "sun_to_battery", "battery_to_load", "battery_to_grid"):
        _fix(program, bounds, family, 0.0)
    stored = program.columns["stored"]  # the cells lie idle: neither floor nor closing level is asked of them
    bounds.lower[stored], bounds.upper[stored] = 0.0, program.case.limits.full_kwh
    for rows in ("floor", "closing"):
        bounds.row_lower[program.rows[rows]] = -np.inf


def _narrow_reserve_first(program: Program, bounds: Bounds) -> None:
    _fix(program, bounds, "battery_to_load", 0.0)
    _fix(program, bounds, "battery_to_grid", 0.0)
    _fix_sun_to_load(program, bounds)


def _narrow_solar_first(program: Program, bounds: Bounds) -> None:
    _fix_sun_to_load(program, bounds)
    _fix(program, bounds, "battery_to_grid", 0.0)


def _narrow_off_peak_first(program: Program, bounds: Bounds) -> None:
    cheap = cheapest_steps(program.case)
    for family in ("battery_to_load", "battery_to_grid"):
        if family in program.columns:
            bounds.upper[program.columns[family]][cheap] = 0.0


def _most_stored(_case: Case) -> tuple[Stage, ...]:
    return (Stage("own most stored", {"stored": -1.0}),)


def _sun_stages(_case: Case) -> tuple[Stage, ...]:
    return (
        Stage("own grid into battery", {"grid_to_battery": 1.0}, often_zero=True),
        Stage("own spill and feed-in", {"spill": 1.0, "sun_to_grid": 1.0}),
    )


def _off_peak_stages(case: Case) -> tuple[Stage, ...]:
    dear = np.where(cheapest_steps(case), 0.0, 1.0)
    return (Stage("own dear grid charging", {"grid_to_battery": dear}, often_zero=True),)


STRATEGIES: dict[str, Strategy] = {
    s.name: s
    for s in (
        Strategy("sun-only", _narrow_sun_only, uses_battery=False, near_reference=False),
        Strategy("reserve-first", _narrow_reserve_first, _most_stored),
        Strategy("solar-first", _narrow_solar_first, _sun_stages),
        Strategy("off-peak-first", _narrow_off_peak_first, _off_peak_stages),
        Strategy("least-cost", lambda _program, _bounds: None),
    )
}
