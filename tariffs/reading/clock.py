"""The clock on the wall: times of day, days of the year, windows across midnight, instants of a zone."""

from __future__ import annotations

import datetime as dt
import re
from difflib import get_close_matches
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo, available_timezones

from tariffs.reading.refusals import show

if TYPE_CHECKING:
    from tariffs.errors import DispatchError

MINUTES_PER_DAY = 1440

FIRST_YEAR, LAST_YEAR = 1970, 2100
"""Years a series or a period may lie in: outside them is a slip of the keyboard."""

EXAMPLE = "2025-01-31T14:00-04:00"
"""An instant as it should be written."""

NO_CLOCK_TIME = "not a clock time; write it between quotes, such as '18:00'"

PAST_MIDNIGHT = "the day ends at 24:00; a window that crosses midnight runs from '22:00' to '06:00', say"

NO_DAY_OF_YEAR = "not a day of the year; write month and day between quotes, such as '11-15'"

NO_DATE = "not a date; write such as 2025-01-31"

_CLOCK = re.compile(r"(\d{1,2}):([0-5]\d)(?::00)?", re.ASCII)

_DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)

_MOMENT = re.compile(r"\d{4}-\d{2}-\d{2}(?:[T ]\d{2}[\d:.,Z+-]{0,40})?", re.ASCII)
"""The calendar dates of ISO 8601: not its dates by week or day of the year, which few can read."""

_MONTH_DAY = re.compile(r"(\d{1,2})-(\d{1,2})", re.ASCII)


def clock_text(minute: int) -> str:
    """Write minutes after midnight as ``HH:MM``."""
    return f"{minute // 60:02d}:{minute % 60:02d}"


def minutes_of(text: str) -> int:
    """Read a clock time as minutes after midnight; ``24:00`` is the day's end.

    Raises
    ------
    ValueError
        If it is none.
    """
    match = _CLOCK.fullmatch(text.strip())
    if match is None:
        raise ValueError(NO_CLOCK_TIME)
    minutes = int(match[1]) * 60 + int(match[2])
    if minutes > MINUTES_PER_DAY:
        raise ValueError(PAST_MIDNIGHT)
    return minutes


def month_day(text: str) -> tuple[int, int]:
    """Read a day of the year, ``MM-DD``; 29 February is one.

    Raises
    ------
    ValueError
        If there is no such day in any year.
    """
    match = _MONTH_DAY.fullmatch(text.strip())
    try:
        day = dt.date(2024, int(match[1]), int(match[2])) if match else None
    except ValueError:
        day = None
    if day is None:
        raise ValueError(NO_DAY_OF_YEAR)
    return day.month, day.day


def day_of(text: str) -> dt.date:
    """Read a date, ``YYYY-MM-DD``, of a year that anything here can lie in.

    Raises
    ------
    ValueError
        If it is none.
    """
    text = text.strip()
    if _DAY.fullmatch(text) is None:
        raise ValueError(NO_DATE)
    day = dt.date.fromisoformat(text)
    if not FIRST_YEAR <= day.year <= LAST_YEAR:
        raise ValueError(f"the year looks wrong; write a year from {FIRST_YEAR} to {LAST_YEAR}")
    return day


def moment_of(text: str) -> dt.datetime:
    """Read an ISO 8601 date, or date and time, with or without offset, of any year.

    Raises
    ------
    ValueError
        If it is none.
    """
    text = text.strip()
    if _MOMENT.fullmatch(text) is None:
        raise ValueError("no date and time")
    return dt.datetime.fromisoformat(text)


def pieces(start: int, end: int) -> tuple[tuple[int, int], ...]:
    """Cut a stretch of the clock, in minutes, into the parts within one day each: two if it crosses midnight.

    The second part, if any, begins at 0 and belongs to the next day where the stretch belongs to a date.
    """
    if start < end:
        return ((start, end),)
    return ((start, MINUTES_PER_DAY), (0, end)) if end else ((start, MINUTES_PER_DAY),)


def unknown_zone(name: str) -> str | None:
    """Say what is wrong with the name of a time zone; None if there is such a zone."""
    try:
        ZoneInfo(name)
    except (OSError, ValueError, KeyError):  # unknown, a folder of zones, or not a plain name
        near = _near_zone(name)
        return "no such time zone; " + (
            f"did you mean '{near}'?" if near else "write an IANA name such as 'Europe/Lisbon'"
        )
    return None


def _near_zone(value: str) -> str | None:
    names = sorted(available_timezones())
    wanted = value.strip().lower().replace(" ", "_")[:60]
    # the last part alone is what people remember: "Halifax"
    for part_of in (str.lower, lambda name: name.rsplit("/", 1)[-1].lower()):
        table = {part_of(name): name for name in names}
        if near := get_close_matches(wanted, table, n=1, cutoff=0.78):
            return table[near[0]]
    return None


def instant(text: str, zone: str, where: str, refuse: type[DispatchError]) -> dt.datetime:
    """Read an ISO 8601 date and time as one instant, on a zone's clock unless it carries an offset.

    Parameters
    ----------
    text : str
    zone : str
        IANA name.
    where : str
        What to begin a refusal with: the file and field, or the option.
    refuse : type of DispatchError
        What to raise.

    Returns
    -------
    datetime
        Aware, on the zone's clock.

    Raises
    ------
    DispatchError
        If it is no time, lies outside 1970 to 2100, or comes twice or never on that clock.
    """
    try:
        moment = moment_of(text)
    except ValueError:
        raise refuse(f"{where}: {show(text)} is no date and time; write such as '2025-01-31T14:00'") from None
    if not FIRST_YEAR <= moment.year <= LAST_YEAR:
        hint = f"write a year from {FIRST_YEAR} to {LAST_YEAR}"
        raise refuse(f"{where}: the year of {text!r} looks wrong; {hint}")
    clock = ZoneInfo(zone)
    if moment.tzinfo is not None:
        return moment.astimezone(clock)
    problem = ambiguity(moment, clock)
    if problem:
        raise refuse(f"{where}: {text!r} {problem}")
    return moment.replace(tzinfo=clock)


def ambiguity(moment: dt.datetime, clock: ZoneInfo) -> str | None:
    """Say how a wall time without offset fails to be one instant on a clock; None if it is one."""
    earlier, later = (moment.replace(tzinfo=clock, fold=fold) for fold in (0, 1))
    if earlier.utcoffset() == later.utcoffset():
        return None
    if earlier.astimezone(dt.UTC).astimezone(clock).replace(tzinfo=None) != moment:
        return f"never comes on the clock of {clock.key}, which skips it; write the time that was meant"
    either = " or ".join(repr(each.isoformat("T", "minutes")) for each in (earlier, later))
    return f"comes twice on the clock of {clock.key}; write the offset, as in {either}"
