"""A plan as a few things to enter: charges, discharges, and when the sun charges first."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from dispatch.rules.walk import Orders

if TYPE_CHECKING:
    from dispatch.ahead.sweep import Policy
    from dispatch.arrays import Flags, Floats
    from dispatch.case.case import Case


TRICKLE_SHARE = 0.05  # of the charger's power: less only holds the reserve against self-discharge
GIVEN_KWH = 0.005  # less is no discharge worth an entry
GAP_HOURS = 3.0  # charging interrupted for less, by nothing but waiting, is one charge
CHARGE, DISCHARGE, SUN_FIRST = "charge", "discharge", "sun first"


@dataclass(frozen=True)
class Entry:
    """One thing to enter: from, to (starts and end on the site's clock), and up or down to which level.

    Attributes
    ----------
    kind : str
        "charge" (from the grid, up to the level), "discharge" (down to it) or "sun first" (the sun charges first).
    begins, ends : Timestamp
    to_kwh, to_percent : float
        The level, as the device takes it.
    """

    kind: str
    begins: pd.Timestamp
    ends: pd.Timestamp
    to_kwh: float
    to_percent: float


def percent_up(case: Case, level_kwh: float) -> float:
    """Round a level up to one that the device takes, at most the highest below the ceiling. [%]."""
    step = case.scenario.settings.level_step_percent
    top = math.floor(100 * case.limits.ceiling_kwh / case.limits.full_kwh / step + 1e-9) * step
    return min(math.ceil(100 * level_kwh / case.limits.full_kwh / step - 1e-6) * step, top)


def entries_of_run(
    case: Case, times: pd.DatetimeIndex, policy: Policy, planned: dict[str, Floats], promised_kwh: Floats
) -> tuple[Entry, ...]:
    """Put the orders of every step together to windows.

    Parameters
    ----------
    case : Case
    times : DatetimeIndex, shape (h,)
    policy : Policy
    planned : dict of str to array, shape (h,)
        The policy run on what is expected.
    promised_kwh : array, shape (h,)

    Returns
    -------
    tuple of Entry
        In the order of the clock. A charge is never put together with another across a discharge.
    """
    trickle = TRICKLE_SHARE * case.limits.grid_charge_kw * case.dt_hours
    charging = planned["grid_to_battery"] > max(trickle, 1e-6)
    giving = np.isfinite(policy.drain_kwh) & (
        planned["battery_to_load"] + planned["battery_to_grid"] > GIVEN_KWH
    )
    giving &= ~charging
    first = np.isinf(policy.drain_kwh) & (planned["sun_to_battery"] > GIVEN_KWH) & ~giving
    gap = round(GAP_HOURS / case.dt_hours)
    step = pd.Timedelta(hours=case.dt_hours)
    full = case.limits.full_kwh
    level_step = case.scenario.settings.level_step_percent / 100 * full
    entries = []
    for begin, end in _charges(charging, giving, gap, policy.fill_kwh, level_step):
        to = max(float(policy.fill_kwh[begin:end].max()), float(planned["stored"][begin:end].max()))
        to = min(to, float(policy.fill_kwh[begin:end].max()))
        percent = percent_up(case, to)
        entries.append(Entry(CHARGE, times[begin], times[end - 1] + step, percent / 100 * full, percent))
    for begin, end in _discharges(giving, policy, planned):
        level = max(
            float(policy.drain_kwh[begin:end][giving[begin:end]].min()), float(promised_kwh[begin:end].max())
        )
        percent = percent_up(case, level)
        entries.append(Entry(DISCHARGE, times[begin], times[end - 1] + step, percent / 100 * full, percent))
    for begin, end in _runs(first, giving, gap):
        entries.append(Entry(SUN_FIRST, times[begin], times[end - 1] + step, full, 100.0))
    return tuple(sorted(entries, key=lambda entry: (entry.begins, entry.kind)))


def _charges(
    charging: Flags, giving: Flags, gap: int, fill_kwh: Floats, level_step_kwh: float
) -> list[tuple[int, int]]:
    """Stretches of charging to one level: one that is to go higher later, or to wait between, is two.

    Entered as one, the battery would be filled to the higher level in the earlier, dearer hours.
    """
    found: list[tuple[int, int]] = []
    for begin, end in _runs(charging, giving, gap):
        first = begin
        for t in range(begin + 1, end):
            level = float(fill_kwh[first:t][charging[first:t]].max())
            waited = t - 1 - int(np.flatnonzero(charging[first:t])[-1]) - first
            lowest = float(fill_kwh[t - waited : t].min()) if waited else level
            if charging[t] and (fill_kwh[t] > level + level_step_kwh or lowest < level - level_step_kwh):
                found.append((first, t - waited))
                first = t
        found.append((first, end))
    return found


def _runs(flags: Flags, between: Flags, gap: int) -> list[tuple[int, int]]:
    """Stretches of flagged steps; a gap of at most so many steps is bridged where nothing else happens in it."""
    found: list[tuple[int, int]] = []
    for t in np.flatnonzero(flags).tolist():
        if found and t - found[-1][1] <= gap and not between[found[-1][1] : t].any():
            found[-1] = (found[-1][0], t + 1)
        else:
            found.append((t, t + 1))
    return found


def _discharges(giving: Flags, policy: Policy, planned: dict[str, Floats]) -> list[tuple[int, int]]:
    """Stretches in which the load may draw; steps in which it draws nothing of what it may are bridged."""
    allowed = np.isfinite(policy.drain_kwh) & (policy.drain_kwh <= planned["stored"] + 1e-6)
    found: list[tuple[int, int]] = []
    for t in np.flatnonzero(giving).tolist():
        between = slice(found[-1][1] if found else t, t)
        empty = planned["stored"][between] <= planned["stored"][max(between.start - 1, 0)] + 1e-3
        if found and bool((allowed[between] | empty).all()):
            found[-1] = (found[-1][0], t + 1)
        else:
            found.append((t, t + 1))
    return found


def orders_of(  # noqa: PLR0913, PLR0917 - where the entries stand in the case
    case: Case,
    times: pd.DatetimeIndex,
    entries: tuple[Entry, ...],
    promised_kwh: Floats,
    first: int,
    steps: int,
) -> Orders:
    """Turn entries into the rules' orders: outside every window the reserve is kept and the battery waits."""
    limits = case.limits
    fill = np.minimum(np.array(promised_kwh), limits.ceiling_kwh)
    drain = np.full(len(times), np.inf)
    sun = any(entry.kind == SUN_FIRST for entry in entries)
    if sun:  # where the sun is not told to charge first, it serves the load: a window that gives nothing
        drain[:] = limits.full_kwh
    for entry in entries:
        inside = np.asarray((times >= entry.begins) & (times < entry.ends))
        if entry.kind == CHARGE:
            fill[inside] = np.maximum(fill[inside], min(entry.to_kwh, limits.ceiling_kwh))
        elif entry.kind == DISCHARGE:
            drain[inside] = np.maximum(entry.to_kwh, promised_kwh[inside])
        else:
            drain[inside] = np.inf
    row = np.zeros(steps, dtype=np.intp)
    row[first : first + len(times)] = np.arange(len(times))
    return Orders(row, fill[:, None], drain[:, None], sun_waits=sun)
