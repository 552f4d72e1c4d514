"""One outage played step by step under a strategy's schedule: what was stored, what was served, when it went dark.

Up to the outage the schedule runs; from its first instant the grid is gone and :mod:`dispatch.outages.island` takes
over, without foresight. Panels go on working, a stated generator is started when its level says so. Where critical
appliances have priorities, those with the highest numbers go without first. The rules in words: dispatch/README.md.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from dispatch.errors import ScenarioError
from dispatch.outages.diary import ApplianceOutcome, Appliances, Dark, Diary, Event, FuelDay, after_hours
from dispatch.outages.island import Island
from dispatch.outages.recharge import Recharge, recharges
from tariffs.reading.clock import instant

if TYPE_CHECKING:
    from collections.abc import Iterator

    from dispatch.case.case import Case
    from dispatch.flows import Flows
    from dispatch.outages.island import Moves


__all__ = [
    "STEP_COLUMNS",
    "ApplianceOutcome",
    "Dark",
    "Event",
    "FuelDay",
    "Played",
    "Span",
    "play",
    "span_of",
]

STEP_COLUMNS = (
    "wanted",
    "shed",
    "sun_to_load",
    "sun_to_battery",
    "spill",
    "battery_to_load",
    "generator_to_load",
    "generator_to_battery",
    "unserved",
)

SHORTEST_HOURS = 1 / 60


@dataclass(frozen=True)
class Played:
    """One outage under one strategy.

    Attributes
    ----------
    strategy : str
    begins, ends : Timestamp
    stored_kwh, stored_end_kwh : float or None
        Level at its first and last instant; None without a system. [kWh]
    wanted_kwh, served_kwh, shed_kwh, unserved_kwh : float
        Critical load: in all, served, left off on purpose, and wanted but not served. [kWh, AC]
    sun_kwh : float
        Sun used, straight or into the battery. [kWh, DC]
    generator_hours, litres, fuel_cost : float
    tripped_hours : float
        Hours in which the inverter had tripped: more was wanted of it than it holds. [h]
    first_trip : Timestamp or None
    tank_empty_at : Timestamp or None
        When the fuel at hand was used up.
    dark : tuple of Dark
        When critical load was not fully served.
    fuel_days : tuple of FuelDay
        Empty where no generator ran.
    events : tuple of Event
        What was switched, in order of time.
    appliances : tuple of ApplianceOutcome
        In the order in which they are kept; empty where the critical load is no list of appliances.
    recharges : tuple of Recharge
        Filling up again once the grid is back; empty without a system.
    steps : DataFrame
        One row per step: ``begins``, ``hours``, ``<column>_kwh``, ``stored_kwh`` at its end, generator hours, litres.
    """

    strategy: str
    begins: pd.Timestamp
    ends: pd.Timestamp
    stored_kwh: float | None
    stored_end_kwh: float | None
    wanted_kwh: float
    served_kwh: float
    shed_kwh: float
    unserved_kwh: float
    sun_kwh: float
    generator_hours: float
    litres: float
    fuel_cost: float
    tripped_hours: float
    first_trip: pd.Timestamp | None
    tank_empty_at: pd.Timestamp | None
    dark: tuple[Dark, ...]
    fuel_days: tuple[FuelDay, ...]
    events: tuple[Event, ...]
    appliances: tuple[ApplianceOutcome, ...]
    recharges: tuple[Recharge, ...]
    steps: pd.DataFrame

    @property
    def dark_hours(self) -> float:
        """Hours in which critical load was not fully served. [h]."""
        return sum(spell.hours for spell in self.dark)


@dataclass(frozen=True)
class Span:
    """When an outage is: the step it begins in, how far into it, and how long it lasts. [h]."""

    first: int
    offset_hours: float
    hours: float


def span_of(case: Case, at: str, hours: float) -> Span:
    """Read when an outage is to begin, on the site's clock.

    Parameters
    ----------
    case : Case
    at : str
        ISO 8601 date and time; without an offset it is local.
    hours : float
        How long it lasts. [h]

    Raises
    ------
    ScenarioError
        If it is no time, not one instant on that clock, outside the data, or longer than them.
    """
    zone, where = case.scenario.site.time_zone, f"{case.path}: --at"
    moment = pd.Timestamp(instant(at, zone, where, ScenarioError)).as_unit("ns")
    steps, step = len(case.times), case.dt_hours
    end = case.times[-1] + pd.Timedelta(hours=step)
    if not case.times[0] <= moment < end:
        raise ScenarioError(
            f"{case.path}: --at: {at} lies outside the data, {_local(case.times[0])} to {_local(end)}; "
            "name an instant within them"
        )
    if not SHORTEST_HOURS <= hours <= steps * step:
        raise ScenarioError(
            f"{case.path}: --hours: {hours:g} hours, but the data hold {steps * step:g}; "
            "name at least a minute and no more than those"
        )
    passed = float((moment - case.times[0]) / pd.Timedelta(hours=1))
    first = min(int(passed / step + 1e-9), steps - 1)
    return Span(first, max(passed - first * step, 0.0), hours)


def _local(moment: pd.Timestamp) -> str:
    return moment.isoformat(timespec="minutes")


def play(case: Case, flows: Flows, span: Span, *, sun: bool = True) -> Played:
    """Play one outage under one strategy.

    Parameters
    ----------
    case : Case
    flows : Flows
        The strategy's schedule, as set or planned; the household without a system serves nothing.
    span : Span
        From :func:`span_of`.
    sun : bool
        Whether the panels work in the outage.
    """
    has_system = flows.has_system
    island = Island(case, sun=sun and has_system, generator=has_system, sheds=has_system)
    stored = _level_at(case, flows, span) if has_system else case.limits.empty_kwh
    state = island.start(np.array([stored]))
    begins = case.times[span.first] + after_hours(span.offset_hours)
    diary, keeping = Diary(island, begins), Appliances(island.ranked)
    rows = []
    for passed, index, hours in _pieces(case, span):
        diary.turn_to(passed, index)
        moves = island.step(state, np.array([index]), hours, diary.write)
        keeping.add(index, hours, moves, diary.shed_kwh)
        diary.burn(passed, moves)
        rows.append(_row(begins + after_hours(passed), hours, moves, float(state.stored[0])))
    steps = pd.DataFrame(rows)
    diary.close(span.hours, state)
    last = span.offset_hours + span.hours
    end_step = span.first + int(last / case.dt_hours + 1e-9)
    end_offset = max(last - (end_step - span.first) * case.dt_hours, 0.0)
    level = float(state.stored[0])
    after = [again for again in recharges(case, end_step, level, end_offset) if again.source != "generator"]
    total = steps.sum(numeric_only=True)
    return Played(
        strategy=flows.name,
        begins=begins,
        ends=begins + after_hours(span.hours),
        stored_kwh=stored if has_system else None,
        stored_end_kwh=level if has_system else None,
        wanted_kwh=float(total["wanted_kwh"] + total["shed_kwh"]),
        served_kwh=float(total["wanted_kwh"] - total["unserved_kwh"]),
        shed_kwh=float(total["shed_kwh"]),
        unserved_kwh=float(total["unserved_kwh"]),
        sun_kwh=float(total["sun_to_load_kwh"] + total["sun_to_battery_kwh"]),
        generator_hours=float(total["generator_hours"]),
        litres=float(total["litres"]),
        fuel_cost=float(total["litres"]) * diary.price_per_litre,
        tripped_hours=diary.tripped_hours if has_system else 0.0,
        first_trip=diary.first("inverter trips") if has_system else None,
        tank_empty_at=diary.first("tank empty"),
        dark=diary.dark_spells(),
        fuel_days=tuple(diary.fuel_days),
        events=tuple(diary.events) if has_system else (),
        appliances=keeping.outcomes(),
        recharges=tuple(after) if has_system else (),
        steps=steps,
    )


def _level_at(case: Case, flows: Flows, span: Span) -> float:
    """Level when it begins; within a step of the schedule the level moves evenly."""
    before, after = flows.stored_before_kwh()[span.first], flows["stored"][span.first]
    return float(before + (after - before) * span.offset_hours / case.dt_hours)


def _pieces(case: Case, span: Span) -> Iterator[tuple[float, int, float]]:
    """Hours passed, step of the data, and the hours played of it, until the outage is over."""
    passed, index, offset = 0.0, span.first, span.offset_hours
    while span.hours - passed > 1e-9:
        hours = min(case.dt_hours - offset, span.hours - passed)
        yield passed, index % len(case.times), hours
        passed, index, offset = passed + hours, index + 1, 0.0


def _row(begins: pd.Timestamp, hours: float, moves: Moves, stored_kwh: float) -> dict[str, object]:
    energies = {f"{name}_kwh": float(getattr(moves, name)[0]) for name in STEP_COLUMNS}
    return {
        "begins": begins,
        "hours": hours,
        **energies,
        "stored_kwh": stored_kwh,
        "generator_hours": float(moves.generator_hours[0]),
        "litres": float(moves.litres[0]),
    }
