"""Loads and sun as arrays of kWh per step, on one grid of times.

The grid is ``[period]`` where the scenario has one, else the times of the first CSV series. Every other
series must have exactly these times: aligned or refused, never filled in. A step is labelled by its start
and has the same real length everywhere; the local clock jumps over it twice a year.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from dispatch.case.panels import beside_ac_solar, sun_in_device
from dispatch.errors import ScenarioError, SeriesError
from dispatch.scenario.equipment import Surroundings
from tariffs.reading.clock import instant, minutes_of
from tariffs.reading.offsets import other_clock, whole_z_days
from tariffs.reading.refusals import missing_file, problem_report
from tariffs.reading.steps import MOST_STEPS, minutes_text, off_grid, step_of
from tariffs.reading.table import TIME_COLUMN, kwh_factor, read_table, unit_of, without_unit

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from numpy.typing import NDArray

    from dispatch.arrays import Floats
    from dispatch.scenario.equipment import AcSolar
    from dispatch.scenario.model import Appliance, Load, Period, Scenario, Sun
    from tariffs.reading.table import Readings


_HOUSEHOLD_KW = 1000.0
"""A mean power no household has: above it the unit of the column is wrong."""

SECTIONS = ("load", "other_load", "critical_load", "sun", "ac_solar")
TEMPERATURE = "surroundings"


@dataclass(frozen=True)
class Series:
    """The loads and the sun of a scenario on one grid.

    Attributes
    ----------
    times : pandas.DatetimeIndex, shape (n,)
        Start of each step, tz-aware on the site's clock, regular in real time.
    dt_hours : float
        Length of a step. [h]
    load_kwh, other_kwh, critical_kwh, sun_kwh : ndarray of float, shape (n,)
        Energy in each step, >= 0; the sun is not yet clipped. [kWh]
    load_path : Path or None
        The CSV file of the load, if it is one.
    load_lines : ndarray of int, shape (n,), or None
        Its line for each step.
    notes : tuple of str
        What was left out, to be told.
    battery_c : ndarray of float, shape (n,), or None
        Temperature of the packs where the scenario has a series of it. [C]
    registers : mapping of str to ndarray of float, shape (n,)
        What the tariff's registers beside the main meter count. [kWh]
    other_clocks : tuple of (str, str)
        Files whose offsets are never the site's, and these offsets: they may be of another place.
    whole_z_days : tuple of str
        Files whose times are labelled Z and cover whole days of UTC, not of the site: they may be local times.
    """

    times: pd.DatetimeIndex
    dt_hours: float
    load_kwh: Floats
    other_kwh: Floats
    critical_kwh: Floats
    sun_kwh: Floats
    load_path: Path | None
    load_lines: NDArray[np.int64] | None
    notes: tuple[str, ...]
    battery_c: Floats | None = None
    registers: Mapping[str, Floats] = field(default_factory=dict)
    other_clocks: tuple[tuple[str, str], ...] = ()
    whole_z_days: tuple[str, ...] = ()


def read_series(scenario: Scenario, path: Path) -> Series:
    """Read every series of a scenario and put them on its grid.

    Parameters
    ----------
    scenario : Scenario
    path : Path
        The scenario file: CSV paths are relative to it, and messages name it.

    Raises
    ------
    SeriesError
        If a file, column, time or number cannot be used, or a series does not fit the grid.
    ScenarioError
        If there is neither a CSV series nor a period, or the period is no span of whole steps.
    """
    span = _span(scenario, path)
    written = _read_tables(scenario, path, span)
    tables = {csv: readings for csv, (_, readings) in written.items()}
    times, step = _grid(scenario, path, tables, span)
    dt_hours = step / pd.Timedelta(hours=1)
    notes = [
        f"{table.path.name}: {table.ignored_lines:,} lines outside [period] are left out"
        for table in tables.values()
        if table.ignored_lines
    ]
    arrays: dict[str, Floats] = {}
    for name, source in sections(scenario).items():
        if not isinstance(source, Surroundings):
            arrays[name] = _series_kwh(name, source, tables, times, dt_hours)
    if scenario.sun is not None:
        arrays["sun"] = sun_in_device(scenario, path, arrays["sun"], times, dt_hours, notes)
    nothing = np.zeros(len(times))
    critical_kwh = arrays.get("critical_load", arrays["load"])  # in an outage AC-coupled panels are off
    if "ac_solar" in arrays:
        arrays["other_load"], arrays["load"] = beside_ac_solar(
            arrays["ac_solar"], arrays.get("other_load", nothing), arrays["load"], notes
        )
    table = tables.get(scenario.load.csv or "")
    return Series(
        times=times,
        dt_hours=dt_hours,
        load_kwh=arrays["load"],
        other_kwh=arrays.get("other_load", nothing),
        critical_kwh=critical_kwh,
        sun_kwh=arrays.get("sun", nothing),
        load_path=table.path if table else None,
        load_lines=table.lines if table else None,
        notes=tuple(notes),
        battery_c=_battery_c(scenario, tables),
        registers={name: arrays[f"registers.{name}"] for name in scenario.registers},
        other_clocks=tuple(
            (csv, offsets)
            for csv, (cells, readings) in written.items()
            if (offsets := other_clock(cells, readings.times))
        ),
        whole_z_days=tuple(
            csv for csv, (cells, readings) in written.items() if whole_z_days(cells, readings.times, dt_hours)
        ),
    )


def sections(scenario: Scenario) -> dict[str, Load | Sun | AcSolar | Surroundings]:
    """Return everything of a scenario that may be a CSV series, by its section; registers of the tariff, too."""
    named = {name: getattr(scenario, name) for name in (*SECTIONS, TEMPERATURE)}
    named |= {f"registers.{name}": load for name, load in scenario.registers.items()}
    return {name: source for name, source in named.items() if source is not None}


def _battery_c(scenario: Scenario, tables: dict[str, Readings]) -> Floats | None:
    place = scenario.surroundings
    if place is None or place.csv is None or place.column is None:
        return None
    return tables[place.csv].columns[place.column]


def appliances_kwh(appliances: tuple[Appliance, ...], times: pd.DatetimeIndex, dt_hours: float) -> Floats:
    """Add up a list of appliances.

    Parameters
    ----------
    appliances : tuple of Appliance
        One without ``starts_at`` draws its daily energy evenly over the day; one with it runs for
        ``hours_per_day`` from that local clock time on, past midnight if need be. On a day when
        the clock skips that time it starts as the clock goes on; when it comes twice, at the first.
    times : pandas.DatetimeIndex, shape (n,)
        Start of each step, tz-aware.
    dt_hours : float
        Length of a step. [h]

    Returns
    -------
    ndarray of float, shape (n,)
        Energy in each step. [kWh]
    """
    total_kwh = np.zeros(len(times))
    for appliance in appliances:
        kw = appliance.watts * appliance.count / 1000.0
        if appliance.starts_at is None or appliance.hours_per_day >= 24.0:
            total_kwh += kw * dt_hours * appliance.hours_per_day / 24.0
        else:
            total_kwh += kw * _running_hours(appliance, times, dt_hours)
    return total_kwh


def _running_hours(appliance: Appliance, times: pd.DatetimeIndex, dt_hours: float) -> Floats:
    """Tell for how much of each step an appliance that starts by the clock is running, in hours."""
    offset = pd.Timedelta(minutes=minutes_of(appliance.starts_at or "00:00"))
    days = pd.date_range(
        times[0].tz_localize(None).normalize() - pd.Timedelta(days=1),
        times[-1].tz_localize(None).normalize() + pd.Timedelta(days=1),
        freq="D",
    )
    starts = _instants(days + offset, times)
    origin = times[0]
    start_hours = np.asarray((starts - origin) / pd.Timedelta(hours=1), dtype=np.float64)
    # on a 23-hour day the next start may come first: the appliance then simply goes on
    end_hours = np.minimum(start_hours + appliance.hours_per_day, np.append(start_hours[1:], np.inf))
    knots = np.stack([start_hours, end_hours], axis=1).ravel()
    ran = np.stack([np.zeros(len(days)), end_hours - start_hours], axis=1).ravel().cumsum()
    edges = np.arange(len(times) + 1) * dt_hours
    return np.diff(np.interp(edges, knots, ran))


def _instants(wall: pd.DatetimeIndex, times: pd.DatetimeIndex) -> pd.DatetimeIndex:
    """Find when a clock first shows each of some times, or first goes past it where it skips it."""
    starts = wall.tz_localize(times.tz, ambiguous=np.ones(len(wall), dtype=bool), nonexistent="NaT")
    for at in np.flatnonzero(starts.isna()).tolist():
        # not nonexistent="shift_forward": it goes to the full hour where a clock skips half of one
        minutes = pd.date_range(wall[at].floor("min"), periods=25 * 60, freq="min")
        shown = minutes.tz_localize(times.tz, ambiguous="NaT", nonexistent="NaT").dropna()
        starts = starts.delete(at).insert(at, shown[0])
    return starts


def _span(scenario: Scenario, path: Path) -> tuple[pd.Timestamp, pd.Timestamp] | None:
    period = scenario.period
    if period is None:
        if not any(getattr(source, "csv", None) for source in sections(scenario).values()):
            text = "needed because no series is a CSV file; add start and end under [period]"
            raise ScenarioError(f"{path}: period: {text}")
        return None
    start, end = (
        pd.Timestamp(instant(text, scenario.site.time_zone, f"{path}: period.{name}", ScenarioError)).as_unit(
            "ns"
        )
        for name, text in (("start", period.start), ("end", period.end))
    )
    if end <= start:
        text = f"{period.end!r} is not after period.start = {period.start!r}; the end is not included"
        raise ScenarioError(f"{path}: period.end: {text}")
    return start, end


def _read_tables(
    scenario: Scenario, path: Path, span: tuple[pd.Timestamp, pd.Timestamp] | None
) -> dict[str, tuple[list[str], Readings]]:
    """Read each CSV file once, with all the columns wanted from it; its times as written stand beside."""
    wanted: dict[str, dict[str, str]] = {}
    problems = []
    for name, source in sections(scenario).items():
        if source.csv is None or source.column is None:
            continue
        if not (path.parent / source.csv).is_file():
            problems.append(f"{name}.csv: {source.csv!r}: {missing_file(path.parent / source.csv)}")
        if name != TEMPERATURE and unit_of(source.column) is None:
            problems.append(f"{name}.column: {without_unit(source.column)}")
        wanted.setdefault(source.csv, {}).setdefault(source.column, f"{name}.column")
    if problems:
        raise ScenarioError(problem_report(path, problems))
    zone = scenario.site.time_zone
    found = {}
    for csv, columns in wanted.items():
        table = read_table(path.parent / csv, SeriesError)
        readings = table.readings(columns, zone, span)
        found[csv] = table.column(TIME_COLUMN), readings
    return found


def _series_kwh(
    name: str,
    source: Load | Sun | AcSolar,
    tables: dict[str, Readings],
    times: pd.DatetimeIndex,
    dt_hours: float,
) -> Floats:
    if source.csv is not None and source.column is not None:
        return _column_kwh(tables[source.csv], source.column, name, dt_hours)
    appliances: tuple[Appliance, ...] | None = getattr(source, "appliances", None)
    if appliances is not None:
        return appliances_kwh(appliances, times, dt_hours)
    watts: float = getattr(source, "watts", None) or 0.0
    return np.full(len(times), watts / 1000.0 * dt_hours)


def _column_kwh(table: Readings, column: str, name: str, dt_hours: float) -> Floats:
    values = table.columns[column]
    energy_kwh = values * kwh_factor(column, dt_hours)
    worst = int(np.argmax(energy_kwh))
    if (power_kw := energy_kwh[worst] / dt_hours) > _HOUSEHOLD_KW:
        raise SeriesError(
            f"{table.path}: line {table.lines[worst]}, column '{column}' ({name}): {values[worst]:g} would be "
            f"a mean power of {power_kw:,.0f} kW, more than {_HOUSEHOLD_KW:,.0f} kW; correct the reading, or "
            f"rename the column if it is in another unit than {unit_of(column)} says"
        )
    return energy_kwh


def _grid(
    scenario: Scenario,
    path: Path,
    tables: dict[str, Readings],
    span: tuple[pd.Timestamp, pd.Timestamp] | None,
) -> tuple[pd.DatetimeIndex, pd.Timedelta]:
    """Settle the grid and hold every table against it."""
    first = next(iter(tables.values()), None)
    step = _step(scenario.period, first)
    goal = "[period]"
    if span is None:
        assert first is not None  # noqa: S101 - _span refused a scenario with neither
        span = (first.times.min(), first.times.max() + step)
        goal = "its own first to last time"
    else:
        _check_whole_steps(span, step, path)
    if (span[1] - span[0]) / step > MOST_STEPS:
        raise ScenarioError(
            f"{path}: period: more than {MOST_STEPS:,} steps of {minutes_text(step)}; shorten it"
        )
    # counted in real time: the local clock has days of 23 and 25 hours
    utc = pd.date_range(span[0].tz_convert("UTC"), span[1].tz_convert("UTC"), freq=step, inclusive="left")
    times = utc.as_unit("ns").tz_convert(ZoneInfo(scenario.site.time_zone)).rename("time")
    for table in tables.values():
        beside = table is not first and goal != "[period]" and first is not None
        wanted = f"the times of {first.path.name}" if beside and first else goal
        if problems := off_grid(table, times, step, wanted):
            raise SeriesError(problem_report(table.path, problems))
    return times, step


def _step(period: Period | None, table: Readings | None) -> pd.Timedelta:
    """Take the step from the scenario or from the table, and refuse if they differ."""
    stated = period.step_minutes if period else None
    if table is None or (stated is not None and len(table.times) == 1):
        return pd.Timedelta(minutes=stated or 60)
    step = step_of(table)
    if stated is not None and step != pd.Timedelta(minutes=stated):
        raise SeriesError(
            f"{table.path}: most lines are {minutes_text(step)} apart, but the scenario says "
            f"period.step_minutes = {stated}; write the step of the file there, or supply other readings"
        )
    return step


def _check_whole_steps(span: tuple[pd.Timestamp, pd.Timestamp], step: pd.Timedelta, path: Path) -> None:
    if (span[1] - span[0]) % step:
        hours = (span[1] - span[0]) / pd.Timedelta(hours=1)
        raise ScenarioError(
            f"{path}: period: {hours:g} hours are no whole number of steps of {minutes_text(step)}; "
            "move start or end"
        )
