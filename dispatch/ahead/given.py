"""What a person gives on the command line: a moment, a level, a forecast file, the last weeks' readings."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from dispatch.errors import ScenarioError, SeriesError
from dispatch.scenario.fields import level_kwh
from tariffs.reading.clock import instant
from tariffs.reading.refusals import show
from tariffs.reading.table import KWH_PER_UNIT, kwh_factor, read_table

if TYPE_CHECKING:
    from pathlib import Path

    from dispatch.arrays import Floats
    from dispatch.case.case import Case
    from tariffs.reading.table import Table


SERIES = {"load": "load", "sun": "sun", "other": "rest of the house"}


def read_moment(case: Case, option: str, text: str) -> pd.Timestamp:
    """Read a date and time, on the site's clock unless it carries an offset.

    Raises
    ------
    ScenarioError
        If it is none, does not exist or comes twice on that clock, or lies before the data.
    """
    begin = case.times[0]
    moment = pd.Timestamp(instant(text, case.scenario.site.time_zone, option, ScenarioError)).as_unit("ns")
    if moment < begin:
        raise ScenarioError(
            f"{option}: {moment.isoformat(timespec='minutes')} is outside the data, before their beginning at "
            f"{begin.isoformat(timespec='minutes')}; choose a time in them or after them"
        )
    return moment


def read_level(case: Case, text: str) -> float:
    """Read ``62%`` of nominal or ``6.5kWh``: any level from nothing to full. [kWh].

    Raises
    ------
    ScenarioError
        If it is no level, or above full.
    """
    full = case.limits.full_kwh
    level = level_kwh(text, full)
    if level is None:
        raise ScenarioError(f"--level: not a level (got {show(text)}); write such as 62% or 6.5kWh")
    if level > full + 1e-6:
        raise ScenarioError(
            f"--level: {text} is {level:.4g} kWh, above full = {full:.4g} kWh (100 %); read the display again"
        )
    return level


def read_forecast(case: Case, times: pd.DatetimeIndex, path: Path) -> dict[str, Floats]:
    """Read the columns a forecast has for the plan's own steps, kWh per step.

    Raises
    ------
    SeriesError
        If it does not cover every step, or has no column to use.
    """
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
    return {name: _energy(case, table.columns[column][place], column) for name, column in wanted.items()}


def read_recent(case: Case, path: Path, moment: pd.Timestamp) -> tuple[pd.DatetimeIndex, dict[str, Floats]]:
    """Read the last weeks' readings up to a moment, kWh per step, on the case's own grid of steps.

    Raises
    ------
    SeriesError
        If steps are missing, off the grid or double, if they lie before the data, or after the moment alone.
    """
    file = read_table(path, SeriesError)
    wanted = _columns(file)
    table = file.readings(dict.fromkeys(wanted.values(), "--recent"), case.scenario.site.time_zone)
    step = pd.Timedelta(hours=case.dt_hours)
    first, last = table.times[0], table.times[-1]
    if first < case.times[0]:
        raise SeriesError(
            f"{path}: line {table.lines[0]}: {first.isoformat(timespec='minutes')} lies before the data, which begin "
            f"at {case.times[0].isoformat(timespec='minutes')}; leave those rows out"
        )
    expected = pd.date_range(first, last, freq=step)
    if len(expected) != len(table.times) or not (expected == table.times).all():
        place = pd.Index(table.times).get_indexer(expected) if table.times.is_unique else np.array([-1])
        gap = expected[int(np.argmax(place < 0))] if (place < 0).any() else first
        raise SeriesError(
            f"{path}: the readings are not one row for each step of {case.dt_hours * 60:g} minutes (first at fault: "
            f"{gap.isoformat(timespec='minutes')}); supply what is missing, once and in order"
        )
    if (first - case.times[0]) % step:
        raise SeriesError(
            f"{path}: {first.isoformat(timespec='minutes')} does not begin with a step of the data; supply rows of "
            f"{case.dt_hours * 60:g} minutes that begin as theirs do"
        )
    known = table.times < moment - step + pd.Timedelta(seconds=1)
    if not known.any():
        raise SeriesError(
            f"{path}: its first row, {first.isoformat(timespec='minutes')}, comes after --at; supply what was before"
        )
    energies = {name: _energy(case, table.columns[column], column) for name, column in wanted.items()}
    return table.times[known], {name: values[known] for name, values in energies.items()}


def _energy(case: Case, values: Floats, column: str) -> Floats:
    kwh = values * kwh_factor(column, case.dt_hours)
    return np.minimum(kwh, case.limits.solar_input_kw * case.dt_hours) if column.startswith("sun") else kwh


def _columns(table: Table) -> dict[str, str]:
    """Find the columns to use by their names."""
    found: dict[str, str] = {}
    for name in SERIES:
        fits = [column for column in table.header if column in {f"{name}{unit}" for unit in KWH_PER_UNIT}]
        if fits:
            found[name] = fits[0]
    if not found:
        raise SeriesError(
            f"{table.path}: no column to use (the file has {', '.join(table.header)}); name one load_kw, sun_kw or "
            "other_kw (or _w, _wh, _kwh)"
        )
    return found
