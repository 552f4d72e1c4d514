"""The reserve as a level for the end of every step: the one place where the floor is computed.

::

    percent  floor = percent of nominal capacity          kwh  floor = that energy
    hours    floor[t] = empty + Σ_{t+1 … t+H} max(critical + idle - share·η_inverter·sun, 0) / (η_inverter·η_discharge)

A fractional H takes the fraction of its last step; past the data's end the sum goes on with the data's start. On
top of the reserve itself come its raised times: part of the year, part of the day, named dates. At every instant
the **highest** level that applies is the floor, never below ``empty``. A level in hours is capped at the ceiling,
and the capped instants are told; a constant level above the ceiling is an error.

A raised level holds from the first to the last instant of its time, both included. Levels move evenly within a
step, so a time that begins or ends inside a step binds that step's both ends.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from dispatch.errors import ScenarioError
from tariffs.reading.clock import month_day
from tariffs.reading.refusals import problem_report

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from dispatch.arrays import Floats
    from dispatch.case.limits import Limits
    from dispatch.scenario.model import Reserve
    from dispatch.scenario.outages import RaisedReserve

    Mask = NDArray[np.bool_]


_ROUNDING_KWH = 1e-9
"""Levels closer than this are equal."""

_DAY_MINUTES = 1440.0


@dataclass(frozen=True)
class Ground:
    """What a floor is computed from.

    Attributes
    ----------
    limits : Limits
    times : DatetimeIndex, shape (n,)
        Start of each step on the site's clock.
    dt_hours : float
        Length of a step. [h]
    critical_kwh, sun_kwh : array, shape (n,)
        Critical load (AC) and sun (DC, clipped to the solar input) in each step. [kWh]
    """

    limits: Limits
    times: pd.DatetimeIndex
    dt_hours: float
    critical_kwh: Floats
    sun_kwh: Floats


@dataclass(frozen=True)
class Floor:
    """A floor, where it had to be capped, and what is to be told about it."""

    level_kwh: Floats
    capped: Mask
    notes: tuple[str, ...]


def floor_of(reserve: Reserve | None, ground: Ground, path: Path | str) -> Floor:
    """Resolve a reserve with all its raised times.

    Parameters
    ----------
    reserve : Reserve or None
        None keeps nothing back: the floor is ``empty``.
    ground : Ground
    path : Path or str
        What a message calls the scenario.

    Returns
    -------
    Floor
        ``level_kwh``, shape (n,): level at the end of each step, between ``empty`` and the ceiling. [kWh]

    Raises
    ------
    ScenarioError
        If a constant level lies above the ceiling, hours reach past the data, or a date lies outside them. One
        message holds every problem.
    """
    limits, steps = ground.limits, len(ground.times)
    level = np.full(steps, limits.empty_kwh)
    if reserve is None:
        return Floor(level, np.zeros(steps, dtype=bool), ())
    problems = _problems(reserve, ground)
    if problems:
        raise ScenarioError(problem_report(path, problems))
    capped, notes = np.zeros(steps, dtype=bool), []
    for name, rule, where in _parts(reserve, ground):
        wanted = _wanted_kwh(rule, ground)
        over = where & (wanted > limits.ceiling_kwh + _ROUNDING_KWH)
        level = np.where(where, np.maximum(level, np.minimum(wanted, limits.ceiling_kwh)), level)
        capped |= over
        notes += _notes(name, rule, ground, over)
        if not where.any():
            notes.append(f"{name}: no instant of the data lies in this time; it changes nothing")
    return Floor(level, capped, tuple(notes))


def hours_level_kwh(ground: Ground, hours: float, sun_share: float = 0.0) -> Floats:
    """Tell the level that carries the critical load of the next hours from the end of each step.

    Parameters
    ----------
    ground : Ground
    hours : float
        Hours to be carried, at most those of the data. [h]
    sun_share : float
        Share of the expected sun that may be counted on. Sun that a step leaves over is not carried into the
        next: a reserve errs on the side of keeping more.

    Returns
    -------
    array, shape (n,)
        Level, which may lie above the ceiling. [kWh]
    """
    limits = ground.limits
    drawn = ground.critical_kwh + limits.idle_on_kw * ground.dt_hours
    drawn = np.maximum(drawn - sun_share * limits.eta_inverter * ground.sun_kwh, 0.0)
    needed = following_sum(drawn, hours / ground.dt_hours)
    return limits.empty_kwh + needed / (limits.eta_inverter * limits.eta_discharge)


def following_sum(values: Floats, steps: float) -> Floats:
    """Add up what follows each step, going on with the beginning past the end.

    Parameters
    ----------
    values : ndarray of float, shape (n,)
    steps : float
        How many of the following steps, at most n; of the last the fraction is taken.

    Returns
    -------
    ndarray of float, shape (n,)
        ``Σ values[t+1 … t+steps]``.
    """
    count = len(values)
    whole = int(np.floor(steps))
    part = steps - whole
    around = np.resize(values, 2 * count + 2)
    total = np.concatenate([[0.0], np.cumsum(around)])
    first = np.arange(count) + 1
    sums: Floats = total[first + whole] - total[first] + part * around[first + whole]
    return sums


def applies(rule: RaisedReserve, times: pd.DatetimeIndex, dt_hours: float) -> Mask:
    """Tell at the end of which steps a raised level must be held.

    Parameters
    ----------
    rule : RaisedReserve
    times : DatetimeIndex, shape (n,)
        Start of each step, tz-aware.
    dt_hours : float
        Length of a step. [h]

    Returns
    -------
    array of bool, shape (n,)
        A time that runs past midnight belongs to the date, and the season, on which it begins.
    """
    wall = (times + pd.Timedelta(hours=dt_hours)).tz_localize(None)
    midnight = wall.normalize()
    minute = np.asarray((wall - midnight) / pd.Timedelta(minutes=1), dtype=np.float64)
    first, last = rule.minutes
    step = dt_hours * 60.0
    found = np.zeros(len(times), dtype=bool)
    for days in (-1, 0, 1):  # the instant as seen from the day after, of and before it
        seen = minute + days * _DAY_MINUTES
        inside = (seen > first - step + 1e-6) & (seen < last + step - 1e-6)
        if inside.any():
            found |= inside & _on_days(rule, midnight - pd.Timedelta(days=days))
    return found


def _on_days(rule: RaisedReserve, days: pd.DatetimeIndex) -> Mask:
    chosen = np.ones(len(days), dtype=bool)
    if rule.dates is not None:
        chosen &= np.asarray(days.isin(pd.DatetimeIndex([pd.Timestamp(date) for date in rule.dates])))
    if rule.season_from is not None and rule.season_to is not None:
        first, last = ((m * 100 + d) for m, d in (month_day(rule.season_from), month_day(rule.season_to)))
        of_year = days.month.to_numpy() * 100 + days.day.to_numpy()
        after, before = of_year >= first, of_year <= last
        chosen &= (after & before) if first <= last else (after | before)
    return chosen


def _parts(reserve: Reserve, ground: Ground) -> list[tuple[str, Reserve | RaisedReserve, Mask]]:
    """List the reserve itself and its raised times, each with its name in the file and where it holds."""
    always = np.ones(len(ground.times), dtype=bool)
    parts: list[tuple[str, Reserve | RaisedReserve, Mask]] = []
    if any(value is not None for value in (reserve.percent, reserve.kwh, reserve.hours)):
        parts.append(("reserve", reserve, always))
    for number, rule in enumerate(reserve.raised, start=1):
        where = applies(rule, ground.times, ground.dt_hours)
        parts.append((f"reserve.raised[{number}]", rule, where))
    return parts


def _wanted_kwh(rule: Reserve | RaisedReserve, ground: Ground) -> Floats:
    if rule.hours is not None:
        return hours_level_kwh(ground, rule.hours, rule.sun_share_fraction or 0.0)
    return np.full(len(ground.times), _constant_kwh(rule, ground.limits))


def _constant_kwh(rule: Reserve | RaisedReserve, limits: Limits) -> float:
    return limits.full_kwh * rule.percent / 100.0 if rule.percent is not None else rule.kwh or 0.0


def _problems(reserve: Reserve, ground: Ground) -> list[str]:
    problems = []
    for name, rule, _ in _parts(reserve, ground):
        problems += _too_much(name, rule, ground)
    problems += [
        problem
        for number, rule in enumerate(reserve.raised, start=1)
        for problem in _dates_outside(f"reserve.raised[{number}]", rule, ground)
    ]
    return problems


def _too_much(name: str, rule: Reserve | RaisedReserve, ground: Ground) -> list[str]:
    limits, span_hours = ground.limits, len(ground.times) * ground.dt_hours
    if rule.hours is not None:
        if rule.hours > span_hours + 1e-9:
            text = f"{rule.hours:g} hours reach past the {span_hours:g} hours of data"
            return [f"{name}.hours: {text}; lower the reserve or supply more data"]
        return []
    level_kwh = _constant_kwh(rule, limits)
    if level_kwh <= limits.ceiling_kwh + _ROUNDING_KWH:
        return []
    field, written = f"{name}.kwh", f"{level_kwh:g} kWh"
    if rule.percent is not None:
        field, written = f"{name}.percent", f"{rule.percent:g} % = {written}"
    holds_all = limits.ceiling_kwh >= limits.full_kwh - _ROUNDING_KWH
    top, remedy = (
        ("what the packs hold", "add packs") if holds_all else ("battery.ceiling", "raise the ceiling")
    )
    return [
        f"{field}: {written} lies above {top} = {limits.ceiling_kwh:.6g} kWh; lower the reserve or {remedy}"
    ]


def _dates_outside(name: str, rule: RaisedReserve, ground: Ground) -> list[str]:
    first, last = ground.times[0].date(), ground.times[-1].date()
    outside = [d for d in rule.dates or () if not first <= dt.date.fromisoformat(d) <= last]
    if not outside:
        return []
    text = f"{', '.join(outside)} lies outside the data, {first} to {last}"
    return [f"{name}.dates: {text}; correct the date or supply readings for it"]


def _notes(name: str, rule: Reserve | RaisedReserve, ground: Ground, over: Mask) -> list[str]:
    if rule.hours is None:
        return []
    notes = []
    if name == "reserve":
        text = f"an outage in the last {rule.hours:g} h of the data goes on with their beginning"
        notes.append(f"{name}.hours: {text}")
    if over.any():
        count_hours, span_hours = over.sum() * ground.dt_hours, len(over) * ground.dt_hours
        first = ground.times[int(np.argmax(over))].isoformat(timespec="minutes")
        notes.append(
            f"{name}.hours: {rule.hours:g} h of critical load need more than the battery may hold "
            f"({ground.limits.ceiling_kwh:.4g} kWh) in {count_hours:,.6g} h of {span_hours:,.6g} h, first at "
            f"{first}; the floor is the ceiling there"
        )
    return notes
