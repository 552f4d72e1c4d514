"""Times on a local clock as instants: the repeated hour told by the order of the rows, the skipped one found out."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from dispatch.intake.intervals import Clock, Flags, Ints


@dataclass(frozen=True)
class Placed:
    """Local times as instants.

    Attributes
    ----------
    utc : ndarray of int, shape (n,)
        [s since 1970, UTC]; of a time that the clock skips: the instant at which it does.
    skipped : ndarray of bool, shape (n,)
        Times that the clock never shows.
    single : tuple of str
        Days whose repeated hour stands there once only: it is taken as the first of the two.
    repeated : tuple of str
        Days whose repeated hour stands there twice.
    """

    utc: Ints
    skipped: Flags
    single: tuple[str, ...]
    repeated: tuple[str, ...]


def standard_offset(zone: ZoneInfo, year: int) -> int:
    """Return the offset of a zone's standard time in a year. [s]."""
    offsets = [dt.datetime(year, month, 15, tzinfo=zone).utcoffset() for month in range(1, 13)]
    return min(int(offset.total_seconds()) for offset in offsets if offset is not None)


def on_wall(utc: Ints, zone: str) -> Ints:
    """Return instants as seconds since 1970 on the local clock."""
    times = pd.to_datetime(utc, unit="s", utc=True).tz_convert(ZoneInfo(zone)).tz_localize(None)
    return np.asarray(times.as_unit("s").asi8, dtype=np.int64)


def place(local: Ints, zone: str, clock: Clock) -> Placed:
    """Put local times, in the order of the file, on the line of real time.

    Parameters
    ----------
    local : ndarray of int, shape (n,)
        Seconds since 1970 on the local clock, rising but where the clock goes back.
    zone : str
        IANA zone.
    clock : str
        ``wall``, ``standard`` (the zone's standard time all year) or ``utc``.

    Returns
    -------
    Placed
    """
    never = np.zeros(len(local), dtype=bool)
    if clock == "utc":
        return Placed(local, never, (), ())
    key = ZoneInfo(zone)
    if clock == "standard":
        year = dt.datetime.fromtimestamp(int(local[0]), dt.UTC).year
        return Placed(local - standard_offset(key, year), never, (), ())
    naive = pd.DatetimeIndex(local.astype("datetime64[s]"))
    first = naive.tz_localize(key, ambiguous=np.ones(len(local), dtype=bool), nonexistent="shift_forward")
    second = naive.tz_localize(key, ambiguous=np.zeros(len(local), dtype=bool), nonexistent="shift_forward")
    early = np.asarray(first.as_unit("s").asi8, dtype=np.int64)
    late = np.asarray(second.as_unit("s").asi8, dtype=np.int64)
    shown = np.asarray(first.tz_localize(None).as_unit("s").asi8, dtype=np.int64)
    utc = early.copy()
    single: list[str] = []
    repeated: list[str] = []
    doubtful = np.flatnonzero(early != late)
    for group in _by_day(doubtful, local):
        behind = _second_pass(local[group])
        utc[group[behind]] = late[group[behind]]
        day = str(np.datetime64(int(local[group[0]]), "s"))[:10]
        (repeated if behind.any() else single).append(day)
    return Placed(utc, shown != local, tuple(single), tuple(repeated))


def _by_day(places: Ints, local: Ints) -> list[Ints]:
    days = local[places] // 86_400
    return [places[days == day] for day in np.unique(days)]


def _second_pass(times: Ints) -> Flags:
    """Tell which of the times of one repeated hour, in the order of the file, belong to its second pass."""
    steps = np.diff(times)
    pairs = len(times) % 2 == 0 and len(times) > 2 and bool((steps[::2] == 0).all())
    if pairs:  # sorted by the clock: each time stands there twice in a row
        return np.asarray(np.arange(len(times)) % 2 == 1)
    back = np.flatnonzero(steps <= 0)
    behind = np.zeros(len(times), dtype=bool)
    if back.size:
        behind[int(back[0]) + 1 :] = True
    return behind
