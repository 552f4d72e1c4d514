"""What a battery carries once the grid is gone: hours for what is on, and its days with sun and generator."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from dispatch.outages.hours import backup_hours
from dispatch.outages.island import Island

if TYPE_CHECKING:
    from dispatch.arrays import Floats
    from dispatch.case.case import Case
    from dispatch.outages.overload import Which


@dataclass(frozen=True)
class Carried:
    """How long the battery carries something from the storm's beginning on.

    Attributes
    ----------
    what : str
    hours : float
        Until it is empty or the inverter trips, at most the horizon.
    fits : bool
        Whether the inverter's rating covers the largest step.
    peak_kw : float
    """

    what: str
    hours: float
    fits: bool
    peak_kw: float


@dataclass(frozen=True)
class StormDay:
    """One day of the storm without grid: energies in kWh (AC where not sun), hours dark, fuel."""

    date: str
    critical_kwh: float
    sun_kwh: float
    unserved_kwh: float
    generator_hours: float
    litres: float
    level_kwh: float


def carried(case: Case, span: slice, level_kwh: float) -> tuple[Carried, ...]:
    """Hours from the span's first step on: critical load and everything, without sun and with half of it."""
    stored = np.full(len(case.times), level_kwh)
    found = []
    loads: tuple[tuple[str, Which, Floats], ...] = (
        ("critical load", "critical", case.critical_kwh),
        ("everything on", "all", case.load_kwh),
    )
    for what, load, energy in loads:
        peak = float((energy + case.idle_kwh)[span].max()) / case.dt_hours
        for sun, share in (("no sun", 0.0), ("half the sun", 0.5)):
            if share and not case.sun_kwh.any():
                continue
            mine = replace(case, sun_kwh=share * case.sun_kwh)
            hours = float(backup_hours(mine, stored, with_sun=share > 0, load=load)[span.start - 1])
            found.append(Carried(f"{what}, {sun}", hours, peak <= case.limits.inverter_kw + 1e-9, peak))
    return tuple(found)


def without_grid(case: Case, span: slice, level_kwh: float, sun_share: float) -> tuple[StormDay, ...]:
    """Play the span with the grid gone from its beginning: sun as expected (times the share) and generator."""
    case = replace(case, sun_kwh=sun_share * case.sun_kwh)
    island = Island(case)
    state = island.start(np.array([level_kwh]))
    rows = []
    for t in range(span.start, span.stop):
        moves = island.step(state, np.array([t]))
        rows.append(
            {
                "date": case.times[t].date().isoformat(),
                "critical": float(moves.wanted[0] + moves.shed[0]),
                "sun": float(moves.sun_to_load[0] + moves.sun_to_battery[0]),
                "unserved": float(moves.unserved[0]),
                "generator_hours": float(moves.generator_hours[0]),
                "litres": float(moves.litres[0]),
                "level": float(state.stored[0]),
            }
        )
    table = pd.DataFrame(rows)
    return tuple(
        StormDay(
            date=str(date),
            critical_kwh=float(day["critical"].sum()),
            sun_kwh=float(day["sun"].sum()),
            unserved_kwh=float(day["unserved"].sum()),
            generator_hours=float(day["generator_hours"].sum()),
            litres=float(day["litres"].sum()),
            level_kwh=float(day["level"].iloc[-1]),
        )
        for date, day in table.groupby("date")
    )
