"""Tonight: the next day or two from today's level, and how far to charge."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from dispatch.ahead.planner import PLANNED_KWH, Forecast, History, Plan, Planner, first_value
from dispatch.errors import ScenarioError, SeriesError
from tariffs.reading.clock import instant
from tariffs.reading.table import KWH_PER_UNIT, kwh_factor, read_table

if TYPE_CHECKING:
    import datetime as dt
    from pathlib import Path

    from dispatch.arrays import Floats
    from dispatch.case.case import Case
    from tariffs.reading.table import Table


PLAN_HOURS_FROM, PLAN_HOURS_TO = 12.0, 72.0


DAYLIGHT_FROM_HOUR = 6  # before it, the day that is dawning counts as tomorrow


TRICKLE_SHARE = 0.05  # of the charger's power: less only holds the reserve against self-discharge


GAP_HOURS = 3.0  # charging interrupted for less is one charge


SIMPLE = "simple forecasts from the scenario's own past"


_LEVEL = re.compile(r"\s*([0-9]*\.?[0-9]+)\s*(%|kwh)\s*", re.IGNORECASE)


@dataclass(frozen=True)
class Charge:
    """The next charge from the grid: from, to (starts and end on the site's clock), level at its end."""

    begins: pd.Timestamp
    ends: pd.Timestamp
    to_kwh: float
    to_percent: float


@dataclass(frozen=True)
class Tonight:
    """The plan for the coming hours.

    Attributes
    ----------
    case : Case
    at : Timestamp
        Start of the first planned step.
    level_kwh : float
        Stored then.
    times : DatetimeIndex, shape (h,)
    expected : Forecast
    source : str
        What the forecast rests on, in words.
    plan, half_plan : Plan
        As forecast, and with half the sun on ``half_date``.
    half_date : date
    charge, half_charge : Charge or None
        The next charge from the grid in each; None where none is planned.
    import_price_per_kwh : array, shape (h,)
    band : tuple of str
        Price band of each step.
    floor_kwh : array, shape (h,)
    notes : tuple of str
    """

    case: Case
    at: pd.Timestamp
    level_kwh: float
    times: pd.DatetimeIndex
    expected: Forecast
    source: str
    plan: Plan
    half_plan: Plan
    half_date: dt.date
    charge: Charge | None
    half_charge: Charge | None
    import_price_per_kwh: Floats
    band: tuple[str, ...]
    floor_kwh: Floats
    notes: tuple[str, ...]


def tonight(case: Case, at: str, level: str, *, forecast: Path | None = None, hours: float = 36.0) -> Tonight:
    """Plan from a moment and a level.

    Parameters
    ----------
    case : Case
    at : str
        ISO date and time, on the site's clock unless it carries an offset; inside the data, or their very end.
    level : str
        ``62%`` of nominal, or ``6.5kWh``.
    forecast : Path, optional
        CSV with ``time`` and columns ``load_…``, ``sun_…``, ``other_…`` (unit by suffix); what it lacks is
        forecast simply.
    hours : float
        How far to plan.

    Raises
    ------
    ScenarioError
        If time, level or hours cannot be used.
    SeriesError
        If the forecast does not cover the plan.
    """
    if not PLAN_HOURS_FROM <= hours <= PLAN_HOURS_TO:
        raise ScenarioError(
            f"--hours: {hours:g} is no length for a plan; choose {PLAN_HOURS_FROM:g} to {PLAN_HOURS_TO:g}"
        )
    first, moment, moved = _first_step(case, at)
    planner = Planner(case, hours)
    where = planner.calendar(first)
    floor = case.floor_kwh[where]
    level_kwh = _level_kwh(case, level, float(floor[0]))
    times = pd.date_range(moment, periods=planner.steps, freq=pd.Timedelta(hours=case.dt_hours))
    expected, source = _expected(case, first, times, forecast)
    day = moment.date() if moment.hour < DAYLIGHT_FROM_HOUR else (moment + pd.Timedelta(days=1)).date()
    dim = np.array([t.date() == day for t in times])
    half = replace(expected, sun_kwh=np.where(dim, 0.5, 1.0) * expected.sun_kwh)
    value = first_value(case)
    day_steps = min(round(24 / case.dt_hours), planner.steps - 1)
    draft = planner.plan(first, level_kwh, expected, value)
    value = float(draft.value_per_kwh[planner.steps - 1 - day_steps])
    plan, half_plan = (planner.plan(first, level_kwh, series, value) for series in (expected, half))
    ahead = planner.ahead(first)
    return Tonight(
        case=case,
        at=moment,
        level_kwh=level_kwh,
        times=times,
        expected=expected,
        source=source,
        plan=plan,
        half_plan=half_plan,
        half_date=day,
        charge=next_charge(case, times, plan),
        half_charge=next_charge(case, times, half_plan),
        import_price_per_kwh=planner.buy[ahead],
        band=tuple(planner.bands[ahead]),
        floor_kwh=floor,
        notes=tuple(_notes(planner, first, moved)),
    )


def _notes(planner: Planner, first: int, moved: str | None) -> list[str]:
    notes = [moved] if moved else []
    if first + planner.steps > len(planner.case.times):
        also = "" if planner.beyond is not None else ", and prices, which the tariff does not tell,"
        notes.append(
            f"the plan reaches past the data: critical load and reserve there{also} are those of a week before"
        )
    return notes


def _first_step(case: Case, at: str) -> tuple[int, pd.Timestamp, str | None]:
    """Find the step that begins at (or holds) the moment."""
    zone = case.scenario.site.time_zone
    begin, end = case.times[0], case.times[-1] + pd.Timedelta(hours=case.dt_hours)
    moment = pd.Timestamp(instant(at, zone, "--at", ScenarioError)).as_unit("ns")
    if not begin <= moment <= end:
        raise ScenarioError(
            f"--at: {moment.isoformat(timespec='minutes')} is outside the data, which run from "
            f"{begin.isoformat(timespec='minutes')} to {end.isoformat(timespec='minutes')}; choose a time in them"
        )
    place = (moment - begin) / pd.Timedelta(hours=case.dt_hours)
    first = math.floor(place + 1e-9)
    start = begin + first * pd.Timedelta(hours=case.dt_hours)
    moved = None
    if start != moment:
        moved = f"the plan begins with the step that holds --at, at {start:%H:%M}"
    return first, start, moved


def _level_kwh(case: Case, level: str, floor_kwh: float) -> float:
    limits = case.limits
    match = _LEVEL.fullmatch(level)
    if match is None:
        raise ScenarioError(f"--level: not a level (got '{level}'); write such as 62% or 6.5kWh")
    number = float(match[1])
    level_kwh = number / 100 * limits.full_kwh if match[2] == "%" else number
    if not floor_kwh - 1e-6 <= level_kwh <= limits.full_kwh + 1e-6:
        low, high = (100 * kwh / limits.full_kwh for kwh in (floor_kwh, limits.full_kwh))
        raise ScenarioError(
            f"--level: {level} is {level_kwh:.4g} kWh, outside reserve {floor_kwh:.4g} kWh ({low:.4g} %) to full "
            f"{limits.full_kwh:.4g} kWh ({high:.4g} %); read the display again, or lower [reserve] for now"
        )
    return min(level_kwh, limits.ceiling_kwh)


def next_charge(case: Case, times: pd.DatetimeIndex, plan: Plan) -> Charge | None:
    """Return the first charge from the grid that a plan holds, small interruptions included."""
    trickle = TRICKLE_SHARE * case.limits.grid_charge_kw * case.dt_hours
    charging = np.flatnonzero(plan.flows["grid_to_battery"] > max(trickle, PLANNED_KWH))
    if not len(charging):
        return None
    gaps = np.flatnonzero(np.diff(charging) * case.dt_hours > GAP_HOURS + case.dt_hours)
    last = int(charging[gaps[0]]) if len(gaps) else int(charging[-1])
    stored = plan.flows["stored"]
    to_kwh = float(stored[int(charging[0]) : last + 1].max())
    step = case.scenario.settings.level_step_percent
    top = math.floor(100 * case.limits.ceiling_kwh / case.limits.full_kwh / step + 1e-9) * step
    percent = min(math.ceil(100 * to_kwh / case.limits.full_kwh / step - 1e-6) * step, top)
    ends = times[last] + pd.Timedelta(hours=case.dt_hours)
    return Charge(times[int(charging[0])], ends, to_kwh, percent)


# ---- forecasts ---------------------------------------------------------------------------------------------
def _expected(case: Case, first: int, times: pd.DatetimeIndex, path: Path | None) -> tuple[Forecast, str]:
    simple = History(case).forecast(first, len(times))
    simple = replace(simple, sun_kwh=np.minimum(simple.sun_kwh, case.limits.solar_input_kw * case.dt_hours))
    if path is None:
        return simple, SIMPLE
    given = _read_forecast(case, times, path)
    if "sun" in given:
        given["sun"] = np.minimum(given["sun"], case.limits.solar_input_kw * case.dt_hours)
    names = ", ".join({"load": "load", "sun": "sun", "other": "rest of the house"}[name] for name in given)
    rest = "" if len(given) == 3 else f"; the rest: {SIMPLE}"
    merged = replace(simple, **{f"{name}_kwh": values for name, values in given.items()})
    return merged, f"{path.name} for {names}{rest}"


def _read_forecast(case: Case, times: pd.DatetimeIndex, path: Path) -> dict[str, Floats]:
    """Read the columns a forecast file has for the plan's own steps; refuse one that does not cover them."""
    file = read_table(path, SeriesError)
    wanted = _columns(file)
    table = file.readings(dict.fromkeys(wanted.values(), "--forecast"), case.scenario.site.time_zone)
    place = pd.Index(table.times).get_indexer(times)
    missing = np.flatnonzero(place < 0)
    if len(missing):
        at = times[int(missing[0])]
        until = "nothing" if not len(table.times) else f"{table.times[-1].isoformat(timespec='minutes')}"
        raise SeriesError(
            f"{path}: the forecast has no line for {len(missing)} of the plan's {len(times)} steps of "
            f"{case.dt_hours * 60:g} minutes (first: {at.isoformat(timespec='minutes')}; its last line is {until}); "
            "supply them, or shorten the plan with --hours"
        )
    found = {}
    for name, column in wanted.items():
        found[name] = table.columns[column][place] * kwh_factor(column, case.dt_hours)
    return found


def _columns(table: Table) -> dict[str, str]:
    """Find the forecast's columns by their names."""
    found: dict[str, str] = {}
    for name in ("load", "sun", "other"):
        fits = [column for column in table.header if column in {f"{name}{unit}" for unit in KWH_PER_UNIT}]
        if fits:
            found[name] = fits[0]
    if not found:
        raise SeriesError(
            f"{table.path}: no column to use (the file has {', '.join(table.header)}); name one load_kw, sun_kw or "
            "other_kw (or _w, _wh, _kwh)"
        )
    return found
