"""What a person gives on the command line: a moment, a level, a forecast file, the last weeks' readings."""

from __future__ import annotations

import csv
import datetime as dt
import re
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from dispatch.case.readings import read_readings
from dispatch.errors import ScenarioError, SeriesError

if TYPE_CHECKING:
    from pathlib import Path

    from dispatch.arrays import Floats
    from dispatch.case.case import Case


SERIES = {"load": "load", "sun": "sun", "other": "rest of the house"}


_LEVEL = re.compile(r"\s*([0-9]*\.?[0-9]+)\s*(%|kwh)\s*", re.IGNORECASE)


_KWH_PER_UNIT = {"kwh": (1.0, 0.0), "kw": (0.0, 1.0), "wh": (1e-3, 0.0), "w": (0.0, 1e-3)}


def read_moment(case: Case, option: str, text: str) -> pd.Timestamp:
    """Read a date and time, on the site's clock unless it carries an offset.

    Raises
    ------
    ScenarioError
        If it is none, does not exist or comes twice on that clock, or lies before the data.
    """
    zone, begin = case.scenario.site.time_zone, case.times[0]
    try:
        moment = pd.Timestamp(dt.datetime.fromisoformat(text))
    except ValueError:
        raise ScenarioError(
            f"{option}: not a date and time (got '{text}'); write such as {begin:%Y-%m-%d}T18:00"
        ) from None
    try:
        moment = moment.tz_localize(zone) if moment.tz is None else moment.tz_convert(zone)
    except ValueError:
        raise ScenarioError(
            f"{option}: {text} does not exist or comes twice on the clock of {zone}; write the offset, such as "
            f"{text}{begin:%z}"
        ) from None
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
    match = _LEVEL.fullmatch(text)
    if match is None:
        raise ScenarioError(f"--level: not a level (got '{text}'); write such as 62% or 6.5kWh")
    level = float(match[1]) / 100 * full if match[2] == "%" else float(match[1])
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
    wanted = _columns(path)
    table = read_readings(path, dict.fromkeys(wanted.values(), "--forecast"), case.scenario.site.time_zone)
    place = pd.Index(table.times).get_indexer(times)
    missing = np.flatnonzero(place < 0)
    if len(missing):
        at = times[int(missing[0])]
        until = "nothing" if not len(table.times) else f"{table.times[-1].isoformat(timespec='minutes')}"
        raise SeriesError(
            f"{path}: the forecast has no row for {len(missing)} of the plan's {len(times)} steps of "
            f"{case.dt_hours * 60:g} minutes (first: {at.isoformat(timespec='minutes')}; its last row is {until}); "
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
    wanted = _columns(path)
    table = read_readings(path, dict.fromkeys(wanted.values(), "--recent"), case.scenario.site.time_zone)
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
    energy, power = _KWH_PER_UNIT[column.rsplit("_", 1)[1]]
    kwh = values * (energy + power * case.dt_hours)
    return np.minimum(kwh, case.limits.solar_input_kw * case.dt_hours) if column.startswith("sun") else kwh


def _columns(path: Path) -> dict[str, str]:
    """Find the columns to use by their names."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            header = [cell.strip() for cell in next(csv.reader(file), [])]
    except (OSError, UnicodeDecodeError):
        header = []  # read_readings says what is wrong with the file
    found: dict[str, str] = {}
    for name in SERIES:
        fits = [column for column in header if column in {f"{name}_{unit}" for unit in _KWH_PER_UNIT}]
        if fits:
            found[name] = fits[0]
    if not found and header:
        raise SeriesError(
            f"{path}: no column to use (found {', '.join(header)}); name one load_kw, sun_kw or other_kw "
            "(or _w, _wh, _kwh)"
        )
    return found or {"load": "load_kw"}
