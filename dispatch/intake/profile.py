"""Typical loads for homes without meter data: from a year's kWh and a kind of household, seeded.

They are no home's own readings, and the column they are written in says so: ``typical_load_kwh``.
"""

from __future__ import annotations

import csv
import datetime as dt
import zlib
from dataclasses import dataclass
from importlib import resources
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from dispatch.errors import SeriesError
from dispatch.scenario.fields import TYPICAL

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dispatch.arrays import Floats


COLUMN = f"{TYPICAL}load_kwh"
H0 = "bdew-h0"
_QUARTERS = 96
_MOST_KWH = 200_000.0

_H0_SEASONS = (
    # season, from (month, day), to (month, day), both included: BDEW/VDEW, "Repraesentative VDEW-Lastprofile", M-28/99
    ("winter", (1, 1), (3, 20)),
    ("transition", (3, 21), (5, 14)),
    ("summer", (5, 15), (9, 14)),
    ("transition", (9, 15), (10, 31)),
    ("winter", (11, 1), (12, 31)),
)


@dataclass(frozen=True)
class Kind:
    """How a kind of household spends its day.

    The figures are common practice, no source.

    Attributes
    ----------
    words : str
        What it is.
    always_fraction : float
        Share of the year's energy that runs always: refrigerators, network, standby.
    weekday, weekend : tuple of 24 float
        How busy each hour is, relative to the busiest.
    runs_per_day : float
        Machines started in a day: washing, dishes, oven.
    """

    words: str
    always_fraction: float
    weekday: tuple[float, ...]
    weekend: tuple[float, ...]
    runs_per_day: float


KINDS = {
    "single": Kind(
        "one person, out by day",
        0.42,
        (
            .10, .06, .05, .05, .05, .10, .42, .60, .34, .16, .14, .14,
            .18, .16, .15, .18, .30, .62, .92, 1., .94, .80, .52, .24,
        ),
        (
            .18, .10, .06, .05, .05, .06, .14, .30, .56, .72, .70, .68,
            .74, .62, .54, .52, .58, .74, .92, 1., .94, .82, .58, .32,
        ),
        0.9,
    ),
    "couple": Kind(
        "two people, out by day",
        0.38,
        (
            .10, .06, .05, .05, .05, .14, .50, .66, .40, .22, .20, .20,
            .24, .20, .20, .26, .42, .76, 1., .98, .90, .76, .48, .22,
        ),
        (
            .16, .09, .06, .05, .05, .06, .16, .36, .64, .80, .78, .76,
            .82, .68, .58, .58, .66, .84, 1., .98, .90, .78, .54, .28,
        ),
        1.6,
    ),
    "family": Kind(
        "a family with children",
        0.32,
        (
            .10, .06, .05, .05, .06, .16, .58, .78, .50, .30, .28, .30,
            .40, .34, .34, .46, .66, .88, 1., .96, .86, .72, .46, .22,
        ),
        (
            .14, .08, .06, .05, .05, .07, .18, .44, .74, .88, .84, .82,
            .90, .76, .66, .66, .74, .90, 1., .96, .86, .72, .50, .26,
        ),
        2.6,
    ),
    "retired": Kind(
        "two people at home by day",
        0.40,
        (
            .09, .06, .05, .05, .05, .08, .28, .56, .74, .72, .68, .74,
            .96, .72, .54, .52, .62, .80, .92, .88, .80, .62, .34, .16,
        ),
        (
            .10, .06, .05, .05, .05, .07, .24, .50, .72, .74, .72, .80,
            1., .76, .56, .54, .62, .78, .90, .86, .78, .62, .36, .18,
        ),
        1.5,
    ),
}  # fmt: skip

_DARK_EXTRA = 0.22
"""How much busier lamps and ovens make the darkest time of the year than the mean.  # common practice, no source"""


def h0_year(year: int, free_days: Sequence[dt.date] = ()) -> Floats:
    """Return the BDEW H0 profile of a calendar year in quarter-hours, without smoothing by day, summing to 1.

    Parameters
    ----------
    year : int
    free_days : sequence of date
        Holidays: like Sundays.

    Returns
    -------
    ndarray of float, shape (35040,) or (35136,)
        On a clock without summer time. Source of the table: BDEW (formerly VDEW) standard load profile H0, as kept in
        the package demandlib 0.2.2 (MIT).
    """
    table = _h0_table()
    first, count = dt.date(year, 1, 1), 366 if _is_leap(year) else 365
    days = [first + dt.timedelta(days=at) for at in range(count)]
    values = np.concatenate([table[_h0_season(day), _h0_day(day, free_days)] for day in days])
    return np.asarray(values / values.sum())


def _is_leap(year: int) -> bool:
    return dt.date(year, 12, 31).timetuple().tm_yday == 366


def _h0_table() -> dict[tuple[str, str], Floats]:
    text = resources.files("dispatch.intake").joinpath("h0.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(text.splitlines()))
    return {
        (season, day): np.array([float(row[f"{season}_{day}_w"]) for row in rows])
        for season in ("winter", "summer", "transition")
        for day in ("workday", "saturday", "sunday")
    }


def _h0_season(day: dt.date) -> str:
    return next(name for name, begin, end in _H0_SEASONS if begin <= (day.month, day.day) <= end)


def _h0_day(day: dt.date, free_days: Sequence[dt.date]) -> str:
    if day in free_days or day.weekday() == 6:
        return "sunday"
    return "saturday" if day.weekday() == 5 else "workday"


def typical_load(  # noqa: PLR0913, PLR0917 - what a year is made of
    kwh: float, kind: str, year: int, time_zone: str, step_minutes: int = 60, seed: int = 1
) -> tuple[pd.DatetimeIndex, Floats]:
    """Make a year of a typical load.

    Parameters
    ----------
    kwh : float
        Energy of the year. [kWh]
    kind : str
        A key of `KINDS`, or ``bdew-h0``.
    year : int
        Calendar year.
    time_zone : str
        IANA zone: habits follow its wall clock.
    step_minutes : int
        15, 30 or 60.
    seed : int
        The same seed gives the same year; another one gives other days. H0 has no chance in it.

    Returns
    -------
    DatetimeIndex and ndarray of float, shape (n,)
        Energy in each step; sums to `kwh`. [kWh]

    Raises
    ------
    SeriesError
        If a figure cannot be used.
    """
    if not 0 < kwh <= _MOST_KWH:
        raise SeriesError(
            f"--kwh: should be the kWh of a year, above 0 and at most {_MOST_KWH:,.0f} (got {kwh:g})"
        )
    if step_minutes not in {15, 30, 60}:
        raise SeriesError(f"--step: should be 15, 30 or 60 minutes (got {step_minutes})")
    if not 1990 <= year <= 2100:
        raise SeriesError(f"--year: should lie between 1990 and 2100 (got {year})")
    if kind != H0 and kind not in KINDS:
        raise SeriesError(f"--household: should be one of {', '.join([*KINDS, H0])} (got {kind!r})")
    zone = ZoneInfo(time_zone)
    fine = pd.date_range(f"{year}-01-01", f"{year + 1}-01-01", freq="15min", tz=zone, inclusive="left")
    if kind == H0:
        shape = h0_year(year)
        local = fine.tz_localize(None)
        places = (
            (local.day_of_year.to_numpy() - 1) * _QUARTERS
            + local.hour.to_numpy() * 4
            + local.minute.to_numpy() // 15
        )
        values = shape[places]
    else:
        values = _drawn(KINDS[kind], kind, fine, seed)
    many = step_minutes // 15
    joined = values.reshape(-1, many).sum(axis=1)
    return fine[::many], np.asarray(joined * (kwh / joined.sum()))


def _drawn(kind: Kind, name: str, times: pd.DatetimeIndex, seed: int) -> Floats:
    local = times.tz_localize(None)
    quarter = local.hour.to_numpy() * 4 + local.minute.to_numpy() // 15
    day = local.day_of_year.to_numpy() - 1
    weekend = local.day_of_week.to_numpy() >= 5
    curves = [
        np.interp((np.arange(_QUARTERS) + 0.5) / 4, np.arange(25), [*hours, hours[0]])
        for hours in (kind.weekday, kind.weekend)
    ]
    days = int(day.max()) + 1
    # people are early or late by up to three quarters of an hour, and days are busier or quieter
    shift = np.floor(_uniform(seed, name, "early or late", days) * 7 - 3).astype(int)
    lively = 0.75 + 0.5 * _uniform(seed, name, "lively", days)
    restless = 0.6 + 0.8 * _uniform(seed, name, "restless", len(times))
    at = (quarter - shift[day]) % _QUARTERS
    busy = np.where(weekend, curves[1][at], curves[0][at]) * lively[day] * restless * _dark(times)
    busy /= busy.sum()
    machines = _machines(kind, name, seed, days, curves, local)[day * _QUARTERS + quarter]
    share = 0.25 * min(kind.runs_per_day / 2, 1.0)
    moving = (1 - share) * busy + share * machines / machines.sum()
    return np.asarray(kind.always_fraction / len(times) + (1 - kind.always_fraction) * moving)


def _machines(  # noqa: PLR0913, PLR0917 - one draw in parts
    kind: Kind, name: str, seed: int, days: int, curves: Sequence[Floats], local: pd.DatetimeIndex
) -> Floats:
    """Draw when machines are started; each runs for an hour or so. Relative to one another, by local quarter-hour."""
    values = np.zeros(days * _QUARTERS + _QUARTERS)
    most = int(np.ceil(kind.runs_per_day * 2))
    chance = _uniform(seed, name, "started", days * most).reshape(days, most)
    when = _uniform(seed, name, "when", days * most).reshape(days, most)
    length = _uniform(seed, name, "how long", days * most).reshape(days, most)
    first = local[0].to_pydatetime().weekday()
    for day in range(days):
        curve = curves[(first + day) % 7 >= 5]
        cumulated = np.cumsum(curve) / curve.sum()
        for run in np.flatnonzero(chance[day] < kind.runs_per_day / most).tolist():
            begin = day * _QUARTERS + int(np.searchsorted(cumulated, when[day, run]))
            values[begin : begin + 2 + int(length[day, run] * 5)] += 1.0
    return values[: days * _QUARTERS]


def _dark(times: pd.DatetimeIndex) -> Floats:
    """Return how much busier the dark time of the year is; summer time tells the hemisphere, if there is any."""
    year = int(times[len(times) // 2].year)
    saving = {month: dt.datetime(year, month, 15, tzinfo=times.tz).dst() for month in (1, 7)}
    north, south = bool(saving[7]), bool(saving[1])
    if north == south:
        return np.ones(len(times))
    turn = np.cos(2 * np.pi * (times.day_of_year.to_numpy() - 5) / 365.25)
    return np.asarray(1.0 + (_DARK_EXTRA if north else -_DARK_EXTRA) * turn)


def _uniform(seed: int, name: str, label: str, size: int) -> Floats:
    """Draw numbers in [0, 1) from a stream of their own, so that one ingredient does not move the others."""
    stream = zlib.crc32(f"{seed}/{name}/{label}".encode())
    return np.random.Generator(np.random.PCG64(stream)).random(size)
