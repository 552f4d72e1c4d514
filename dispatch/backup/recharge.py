"""How long the battery takes to fill again, simulated with the program's own limits and taper.

There is no formula for it: the level is followed in steps of two minutes within the data's own steps, through the
same charging limits as everything else, beside the load of those steps. Sources:

===============  ============================================================================================
grid             the grid is back: it carries served load and idle draw, the charger takes what cord, import
                 limit and charger leave; the sun is not counted
sun              the grid carries the load, all sun charges; the charger is off
grid and sun     both; the sun first
generator        still no grid: the generator carries critical load and idle draw and charges with the rest of
                 its power, the input turned down to what it gives; the sun is not counted
===============  ============================================================================================

Load above what the AC input carries is taken from the battery meanwhile, as in daily use.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dispatch.backup.generator import Fuelled, generator_of
from dispatch.backup.island import charge, left_by_itself
from dispatch.case.limits import StepLimits, step_limits

if TYPE_CHECKING:
    import pandas as pd

    from dispatch.case.case import Case


SOURCES = ("grid", "sun", "grid and sun", "generator")


FULL_FRACTION = 0.99
"""A battery counts as full at this share of its ceiling: a taper never quite arrives."""


FINEST_HOURS = 1 / 30


HORIZON_HOURS = 168.0


@dataclass(frozen=True)
class Recharge:
    """One refilling.

    Attributes
    ----------
    source : str
        One of ``SOURCES``.
    begins : Timestamp
    from_kwh, to_kwh : float
        Level at the beginning, and the level wanted. [kWh]
    hours : float or None
        Time until then; None where it is not reached within a week. [h]
    plug_kwh, sun_kwh : float
        Energy taken by the charger (AC) and from the sun (DC) until then. [kWh]
    generator_hours, litres, fuel_cost : float
        Run time, fuel and its price; 0 for the other sources.
    """

    source: str
    begins: pd.Timestamp
    from_kwh: float
    to_kwh: float
    hours: float | None
    plug_kwh: float
    sun_kwh: float
    generator_hours: float
    litres: float
    fuel_cost: float


@dataclass
class _Tally:
    plug_kwh: float = 0.0
    sun_kwh: float = 0.0
    hours: float = 0.0
    litres: float = 0.0


def recharges(case: Case, first: int, stored_kwh: float, offset_hours: float = 0.0) -> tuple[Recharge, ...]:
    """Refill from every source the case has.

    Parameters
    ----------
    case : Case
    first : int
        Step of the data in which it begins.
    stored_kwh : float
        Level at the beginning. [kWh]
    offset_hours : float
        How far into that step. [h]

    Returns
    -------
    tuple of Recharge
        In the order of ``SOURCES``; without sun or generator those rows are missing.
    """
    has_sun = bool(np.any(case.sun_kwh > 0))
    names = [
        "grid",
        *(["sun", "grid and sun"] if has_sun else []),
        *(["generator"] if generator_of(case) else []),
    ]
    return tuple(recharge(case, name, first, stored_kwh, offset_hours) for name in names)


def recharge(case: Case, source: str, first: int, stored_kwh: float, offset_hours: float = 0.0) -> Recharge:
    """Follow the level from ``stored_kwh`` until the battery counts as full.

    Parameters
    ----------
    case : Case
    source : str
        One of ``SOURCES``; "generator" needs a case that has one.
    first : int
        Step of the data in which it begins; past the data's end it goes on with their beginning.
    stored_kwh : float
        Level at the beginning. [kWh]
    offset_hours : float
        How far into the first step it begins. [h]

    Returns
    -------
    Recharge
    """
    goal = FULL_FRACTION * case.limits.ceiling_kwh
    run = _Run(case, source)
    hours = run.follow(first, offset_hours, stored_kwh, goal)
    tally = run.tally
    return Recharge(
        source=source,
        begins=case.times[first % len(case.times)] + np.timedelta64(round(offset_hours * 3600), "s"),
        from_kwh=stored_kwh,
        to_kwh=goal,
        hours=hours,
        plug_kwh=tally.plug_kwh,
        sun_kwh=tally.sun_kwh,
        generator_hours=tally.hours,
        litres=tally.litres,
        fuel_cost=tally.litres * (run.fuelled.price_per_litre if run.fuelled else 0.0),
    )


class _Run:
    def __init__(self, case: Case, source: str) -> None:
        self.case = case
        self.fuelled: Fuelled | None = generator_of(case) if source == "generator" else None
        if source == "generator" and self.fuelled is None:
            raise ValueError("this case has no generator that may feed the system")
        self.uses_plug = source != "sun"
        self.uses_sun = "sun" in source
        self.pieces = math.ceil(case.dt_hours / FINEST_HOURS - 1e-9)
        self.limits = step_limits(case.limits, case.dt_hours / self.pieces)
        self.tally = _Tally()

    def follow(self, first: int, offset_hours: float, stored_kwh: float, goal_kwh: float) -> float | None:
        """Return the hours until the level reaches the goal, or None beyond a week."""
        level, passed = stored_kwh, 0.0
        piece = round(offset_hours / self.limits.dt_hours)
        while passed < HORIZON_HOURS:
            if level >= goal_kwh - 1e-9:
                return passed
            index = (first + piece // self.pieces) % len(self.case.times)
            after, plug_kwh, sun_kwh, burnt = self._piece(index, level)
            part = 1.0 if after < goal_kwh else (goal_kwh - level) / (after - level)
            self.tally.plug_kwh += part * plug_kwh
            self.tally.sun_kwh += part * sun_kwh
            self.tally.litres += part * burnt
            self.tally.hours += part * self.limits.dt_hours if self.fuelled else 0.0
            passed += part * self.limits.dt_hours
            level, piece = after, piece + 1
        return None

    def _piece(self, index: int, level_kwh: float) -> tuple[float, float, float, float]:
        """Play one piece of a step: level after it, AC charged, sun charged, fuel burnt."""
        case, limits = self.case, self.limits
        need, supply = self._beside(index, limits)
        from_plug = min(need, limits.grid_kwh, supply)
        stored = np.array([level_kwh])
        spare = np.array([max(min(limits.plug_kwh, supply) - from_plug, 0.0) if self.uses_plug else 0.0])
        sun = np.array([case.sun_kwh[index] / self.pieces if self.uses_sun else 0.0])
        warm = float(case.may_charge[index])
        sun_in, plug_in = (float(taken[0]) for taken in charge(limits, stored, warm * sun, warm * spare))
        parts = limits.limits
        kept = float(left_by_itself(limits, stored)[0])
        eta = parts.eta_inverter * parts.eta_discharge
        out = min(max(need - from_plug, 0.0), limits.inverter_kwh) / eta
        out = min(out, max(kept - parts.empty_kwh, 0.0))
        burnt = 0.0
        if self.fuelled is not None:
            load_kw = np.array([(from_plug + plug_in) / limits.dt_hours])
            burnt = float(self.fuelled.burnt_per_hour(load_kw)[0]) * limits.dt_hours
        return kept + parts.eta_dc * sun_in + parts.eta_charger * plug_in - out, plug_in, sun_in, burnt

    def _beside(self, index: int, limits: StepLimits) -> tuple[float, float]:
        """Tell what must be served meanwhile, and the AC energy there is for it and for the charger."""
        case = self.case
        if self.fuelled is not None:
            need = case.critical_kwh[index] + case.idle_kwh[index]
            return float(need) / self.pieces, self.fuelled.power_kw * limits.dt_hours
        need = case.load_kwh[index] + case.idle_kwh[index]
        return float(need) / self.pieces, max(
            limits.import_kwh - float(case.other_kwh[index]) / self.pieces, 0.0
        )
