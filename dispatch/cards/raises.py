"""Reserves that are not for the whole year: dated raises, and the eve of a season with a higher reserve.

A scenario raises its reserve on dates or for part of the year. No device knows that: a person enters the higher
reserve and takes it back. It is entered at 18:00 on the evening before, earlier where the charger needs longer, so
that the level stands when the raise begins. Raises less than a day apart are one. A raise by the clock alone is a
daily one: nobody enters it every day, so it counts in the reserve of every day.

The settings of a season with a higher reserve are met in the same way: from 18:00 on the eve of its first day its
reserve holds already.
"""

from __future__ import annotations

import datetime as dt
import math
from typing import TYPE_CHECKING

import numpy as np

from dispatch.cards.card import Raise
from dispatch.case.floor import applies

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from dispatch.arrays import Flags, Floats
    from dispatch.case.case import Case


EVE = dt.timedelta(hours=6)  # before midnight: when an evening's entries are made
CHARGE_MARGIN = 1.5  # the house draws while the battery charges, and the last part of a charge is slow
MOST_LEAD_HOURS = 240.0  # a charger that needs more than ten days is none
TOGETHER = dt.timedelta(days=1)  # raises no further apart are entered as one


def wall_times(case: Case) -> NDArray[np.datetime64]:
    """Local wall time at which each step begins, without zone, shape (n,)."""
    return np.asarray(case.times.tz_localize(None), dtype="datetime64[s]")


def raised_steps(case: Case) -> Flags:
    """Tell at the end of which steps a raise of the scenario holds that a person enters for some days."""
    found = np.zeros(len(case.times), dtype=bool)
    reserve = case.scenario.reserve
    for rule in reserve.raised if reserve is not None else ():
        if rule.dates is not None or rule.season_from is not None:
            found |= applies(rule, case.times, case.dt_hours)
    return found if not found.all() else np.zeros_like(found)


def needed_raises(case: Case, levels: Sequence[float], base_percent: Floats) -> tuple[Raise, ...]:
    """Work out the raises a card needs beside its reserves, to keep the scenario's floor at every instant.

    Parameters
    ----------
    case : Case
    levels : sequence of float
        Levels the device takes, percent, rising.
    base_percent : array, shape (n,)
        Reserve outside the raises; a raise that asks for no more is none.
    """
    wall, step = wall_times(case), dt.timedelta(hours=case.dt_hours)
    floor = 100 * case.floor_kwh / case.limits.full_kwh
    inside = raised_steps(case) & (floor > base_percent + 1e-9)
    if not inside.any():
        return ()
    steps = np.flatnonzero(inside)
    apart = np.flatnonzero(np.diff(wall[steps]) > np.timedelta64(TOGETHER))
    raises = []
    for run in np.split(steps, apart + 1):
        level = next((x for x in levels if x >= floor[run].max() - 1e-9), levels[-1])
        first, last = wall[run[0]].item(), wall[run[-1]].item()
        begins = _entered(case, first + step, level - float(base_percent[run].min()))
        raises.append(Raise(begins, last + step, level))
    return tuple(raises)


def _entered(case: Case, held_from: dt.datetime, more_percent: float) -> dt.datetime:
    """When a raise must be entered, for the level to stand at its first instant."""
    limits = case.limits
    charger_kw = limits.eta_charger * min(limits.grid_charge_kw, limits.total_charge_kw)
    hours = CHARGE_MARGIN * more_percent / 100 * limits.full_kwh / max(charger_kw, 1e-9)
    evening = dt.datetime.combine(held_from.date(), dt.time()) - EVE
    return min(evening, held_from - dt.timedelta(hours=math.ceil(min(hours, MOST_LEAD_HOURS))))


def eve_of(wall: NDArray[np.datetime64], season: NDArray[np.int64]) -> NDArray[np.int64]:
    """Season that begins at the coming midnight, in the steps from 18:00 on its eve; -1 elsewhere, shape (n,)."""
    found = np.full(len(wall), -1, dtype=np.int64)
    for change in (np.flatnonzero(np.diff(season)) + 1).tolist():
        begin = wall[change] - np.timedelta64(EVE)
        found[(wall >= begin) & (np.arange(len(wall)) < change)] = season[change]
    return found


def during(raises: Sequence[Raise], wall: NDArray[np.datetime64]) -> Flags:
    """Tell in which steps each raise holds, shape (raises, n)."""
    held = [(wall >= np.datetime64(one.begins)) & (wall < np.datetime64(one.ends)) for one in raises]
    return np.array(held, dtype=bool).reshape(len(raises), len(wall))
