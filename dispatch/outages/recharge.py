"""How long the battery takes to fill again, by the one law of its level.

The level is followed through the data's own steps (:mod:`dispatch.outages.level`: the charging limits, a straight line
until the taper binds, an exponential from there on), beside the load of those steps. Sources:

===============  ============================================================================================
grid             the grid is back: it carries served load and idle draw, the charger takes what cord, import
                 limit and charger leave; the sun is not counted
sun              the sun serves the load first, as most strategies do, or charges first; the charger is off
grid and sun     both; the sun enters first
generator        still no grid: the generator carries critical load and idle draw and charges with the rest of
                 its power, the input turned down to what it gives; the sun is not counted. It ends with the tank
===============  ============================================================================================

Load above what sun and AC input carry is taken from the battery meanwhile, as in daily use.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from dispatch.outages.generator import FULL_FRACTION, Fuelled, generator_of
from dispatch.outages.level import DUST_KWH, Course, next_line, offer

if TYPE_CHECKING:
    import pandas as pd

    from dispatch.arrays import Floats
    from dispatch.case.case import Case

    SunGoes = Literal["load", "battery"]

__all__ = ["FULL_FRACTION", "HORIZON_HOURS", "SOURCES", "Recharge", "recharge", "recharges"]
SOURCES = ("grid", "sun", "grid and sun", "generator")
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
        Time until then; None where it is not reached within a week, or before the tank is empty. [h]
    plug_kwh, sun_kwh : float
        Energy taken by the charger (AC) and by the cells from the sun (DC) until then. [kWh]
    generator_hours, litres, fuel_cost : float
        Run time, fuel and its price; 0 for the other sources.
    tank_empty_hours : float or None
        When the tank ran dry before the battery was full. [h]
    reached_kwh : float
        Level at the end: wanted, or where tank or week ended. [kWh]
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
    tank_empty_hours: float | None
    reached_kwh: float


def recharges(
    case: Case, first: int, stored_kwh: float, offset_hours: float = 0.0, *, sun_goes: SunGoes = "load"
) -> tuple[Recharge, ...]:
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
    sun_goes : str
        Where the strategy sends the sun first: to the "load" or to the "battery".

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
    return tuple(recharge(case, name, first, stored_kwh, offset_hours, sun_goes=sun_goes) for name in names)


def recharge(  # noqa: PLR0913 - an instant, a level and a source
    case: Case,
    source: str,
    first: int,
    stored_kwh: float,
    offset_hours: float = 0.0,
    *,
    sun_goes: SunGoes = "load",
) -> Recharge:
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
        How far into that step. [h]
    sun_goes : str
        "load": the sun serves the load first and charges with what is left; "battery": it charges first.
    """
    goal = FULL_FRACTION * case.limits.ceiling_kwh
    run = _Run(case, source, sun_goes)
    hours = run.follow(first, offset_hours, stored_kwh, goal)
    price = run.fuelled.price_per_litre if run.fuelled else 0.0
    return Recharge(
        source=source,
        begins=case.times[first % len(case.times)] + np.timedelta64(round(offset_hours * 3600), "s"),
        from_kwh=stored_kwh,
        to_kwh=goal,
        hours=hours,
        plug_kwh=run.plug_kwh,
        sun_kwh=run.sun_kwh,
        generator_hours=run.passed if run.fuelled else 0.0,
        litres=run.litres,
        fuel_cost=run.litres * price,
        tank_empty_hours=run.passed if run.is_dry else None,
        reached_kwh=run.level,
    )


class _Run:
    def __init__(self, case: Case, source: str, sun_goes: SunGoes) -> None:
        self.case, self.limits = case, case.limits
        self.fuelled: Fuelled | None = generator_of(case) if source == "generator" else None
        if source == "generator" and self.fuelled is None:
            raise ValueError("this case has no generator that may feed the system")
        self.uses_plug = source != "sun"
        self.uses_sun, self.sun_serves = "sun" in source, sun_goes == "load"
        self.tank = self.fuelled.tank_litres if self.fuelled else math.inf
        self.level = self.passed = self.plug_kwh = self.sun_kwh = self.litres = 0.0
        self.is_dry = False

    def follow(self, first: int, offset_hours: float, stored_kwh: float, goal_kwh: float) -> float | None:
        """Return the hours until the level reaches the goal, or None where it does not."""
        self.level, index, left = stored_kwh, first, self.case.dt_hours - offset_hours
        while self.passed < HORIZON_HOURS:
            if self.level >= goal_kwh - DUST_KWH:
                return self.passed
            if self.is_dry:
                return None
            left -= self._stretch(index % len(self.case.times), left, goal_kwh)
            if left <= 1e-12:
                index, left = index + 1, self.case.dt_hours
        return None

    def _stretch(self, index: int, left: float, goal_kwh: float) -> float:
        """Go on until the step is over, the goal or a line is met, or the tank is empty; return the hours."""
        sun_kw, spare_kw, draw_kw, straight_kw = self._beside(index)
        offered = offer(self.limits, _one(sun_kw), _one(spare_kw), _one(draw_kw))
        course = Course(self.limits, _one(self.level), offered)
        lines = (*course.lines(), _one(goal_kwh), *self._bends(course, straight_kw))
        target = next_line(course.level, course.rate_kw, lines)
        hours = np.minimum(course.hours_to(target), left)
        burnt = self._burnt(course, hours, straight_kw)
        if burnt >= self.tank - self.litres:
            hours = _one(self._until_dry(course, float(hours[0]), straight_kw))
            burnt, self.is_dry = self.tank - self.litres, True
        reached = course.after(hours)
        if abs(float(reached[0]) - float(target[0])) <= DUST_KWH:
            reached = target
        sun_in, plug_in = course.taken(hours, reached)
        self.level = float(reached[0])
        self.sun_kwh += float(sun_in[0])
        self.plug_kwh += float(plug_in[0])
        self.litres += burnt
        self.passed += float(hours[0])
        return float(hours[0])

    def _beside(self, index: int) -> tuple[float, float, float, float]:
        """Sun left (DC), AC left for the charger, draw of the cells, and what goes straight to the load. [kW]."""
        case, limits, hours = self.case, self.limits, self.case.dt_hours
        idle = float(case.idle_kwh[index])
        inf = math.inf
        cord, bypass = (inf if kw is None else kw for kw in (limits.ac_input_kw, limits.bypass_kw))
        sun = float(case.sun_kwh[index]) / hours if self.uses_sun else 0.0
        if self.fuelled is not None:
            need = (float(case.critical_kwh[index]) + idle) / hours
            supply = self.fuelled.power_kw
        else:
            need = (float(case.load_kwh[index]) + idle) / hours
            most = inf if limits.import_limit_kw is None else limits.import_limit_kw
            supply = max(most - float(case.other_kwh[index]) / hours, 0.0)
        through, eta = min(bypass, cord, supply), limits.eta_inverter
        alone = (
            limits.switches_whole_load and need > limits.inverter_kw + 1e-12
        )  # then the inverter gives nothing
        straight = 0.0
        if self.sun_serves and not alone:
            straight = min(sun, need / eta, limits.inverter_kw / eta)
        from_plug = min(max(need - eta * straight, 0.0), through)
        if self.fuelled is not None and limits.switches_whole_load and need > through:
            from_plug = 0.0  # it cannot carry the whole load, so it only charges
        lacking = max(need - eta * straight - from_plug, 0.0)
        drawn = 0.0 if alone else min(lacking, limits.inverter_kw - eta * straight)
        spare = max(min(cord, supply) - from_plug, 0.0) if self.uses_plug else 0.0
        warm = float(case.may_charge[index])
        return warm * (sun - straight), warm * spare, drawn / (eta * limits.eta_discharge), from_plug

    # ---- fuel ----------------------------------------------------------------------------------------------

    def _bends(self, course: Course, straight_kw: float) -> list[Floats]:
        """Levels at which the charger's load meets a bend of the fuel curve."""
        if self.fuelled is None or not bool(course.tapers[0]):
            return []
        into = self.limits.eta_charger * (self.fuelled.load_kw - straight_kw)
        return [_one(self.limits.full_kwh - self.limits.taper_hours * kw) for kw in into.tolist()]

    def _burnt(self, course: Course, hours: Floats, straight_kw: float) -> float:
        if self.fuelled is None or float(hours[0]) <= 0.0:
            return 0.0
        plug = float(course.taken(hours, course.after(hours))[1][0])
        mean_kw = np.array([straight_kw + plug / float(hours[0])])
        return float(self.fuelled.burnt_per_hour(mean_kw)[0]) * float(hours[0])

    def _until_dry(self, course: Course, hours: float, straight_kw: float) -> float:
        low, high = 0.0, hours
        for _ in range(60):
            middle = (low + high) / 2.0
            if self._burnt(course, _one(middle), straight_kw) < self.tank - self.litres:
                low = middle
            else:
                high = middle
        return (low + high) / 2.0


def _one(value: float) -> Floats:
    return np.array([value], dtype=np.float64)
