"""Dates and clock times as utilities write them, read as seconds on whatever clock the file keeps."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from dispatch.errors import SeriesError
from dispatch.intake.intervals import listed, quoted

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from dispatch.intake.intervals import Ints
    from dispatch.intake.written import Rows


_MONTHS = {
    name: number
    for number, name in enumerate(
        ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"), start=1
    )
}

_YEAR_FIRST = re.compile(r"(\d{4})([-/.])(\d{1,2})\2(\d{1,2})")
_YEAR_LAST = re.compile(r"(\d{1,2})([-/.])(\d{1,2})\2(\d{4}|\d{2})")
_DAY_NAME = re.compile(r"(\d{1,2})[- ]([A-Za-z]{3})[a-z]*\.?[- ,]+(\d{4}|\d{2})")
_NAME_DAY = re.compile(r"([A-Za-z]{3})[a-z]*\.?[- ](\d{1,2}),?[- ]+(\d{4})")

_DATE = (
    r"(?:\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.](?:\d{4}|\d{2})"
    r"|\d{1,2}[- ][A-Za-z]{3,9}\.?[- ,]+(?:\d{4}|\d{2})|[A-Za-z]{3,9}\.?[- ]\d{1,2},?[- ]+\d{4})"
)

_TIME = r"\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?(?: ?[AaPp]\.?[Mm]\.?)?"


# Abbreviations that feeds put behind times, by hours from UTC; the usual meaning of each, common practice, no source.
_ABBREVIATED = {
    "UTC": 0.0,
    "GMT": 0.0,
    "WET": 0.0,
    "BST": 1.0,
    "WEST": 1.0,
    "CET": 1.0,
    "CEST": 2.0,
    "EET": 2.0,
    "EEST": 3.0,
    "NST": -3.5,
    "NDT": -2.5,
    "AST": -4.0,
    "ADT": -3.0,
    "EST": -5.0,
    "EDT": -4.0,
    "CST": -6.0,
    "CDT": -5.0,
    "MST": -7.0,
    "MDT": -6.0,
    "PST": -8.0,
    "PDT": -7.0,
    "AKST": -9.0,
    "AKDT": -8.0,
    "HST": -10.0,
    "AWST": 8.0,
    "ACST": 9.5,
    "ACDT": 10.5,
    "AEST": 10.0,
    "AEDT": 11.0,
    "NZST": 12.0,
    "NZDT": 13.0,
}

_OFFSET = rf"Z|[+-]\d{{2}}:?\d{{2}}|{'|'.join(_ABBREVIATED)}"
_ZONE = rf" ?(?:{_OFFSET})"
_DATE_ALONE = re.compile(_DATE)
_MOMENT = re.compile(rf"({_DATE})(?:T| +|, )({_TIME}(?:{_ZONE})?)")
_CLOCK = re.compile(_TIME)

_CLOCK_PARTS = re.compile(
    r"(\d{1,2}):(\d{2})(?::(\d{2})(?:\.(\d+))?)?(?: ?([AaPp])\.?[Mm]\.?)?(?: ?(" + _OFFSET + r"))?"
)

_RANGE = re.compile(r" (?:-|–|to|until|bis) |(?<=\d)\s*[-–]\s*(?=\d{1,2}:\d{2})")
_YEARS = (1990, 2100)
_EXAMPLE = "2025-01-31 14:00"


def is_date(cell: str) -> bool:
    """Tell whether a cell holds a date without a time."""
    return _DATE_ALONE.fullmatch(cell.strip()) is not None


def is_clock(cell: str) -> bool:
    """Tell whether a cell holds a time of day without a date, or two with a dash between."""
    return all(_CLOCK.fullmatch(part.strip()) for part in _split_range(cell))


def is_moment(cell: str) -> bool:
    """Tell whether a cell holds a date and a time."""
    return _MOMENT.fullmatch(cell.strip()) is not None


def is_range(cell: str) -> bool:
    """Tell whether a cell holds two moments, the start and the end of a reading."""
    if is_moment(cell):  # a dash may begin an offset
        return False
    parts = _split_range(cell)
    return len(parts) == 2 and is_moment(parts[0]) and (is_moment(parts[1]) or is_clock(parts[1]))


def _split_range(cell: str) -> list[str]:
    return _RANGE.split(cell.strip(), maxsplit=1)


def first_of_range(cell: str) -> str:
    """Return the part of a cell before its dash: where a reading starts."""
    return _split_range(cell)[0].strip()


@dataclass(frozen=True)
class Moments:
    """Times as written.

    Attributes
    ----------
    seconds : ndarray of int, shape (n,)
        Seconds since 1970 on the clock of the file.
    offsets : ndarray of int, shape (n,), or None
        Offsets from UTC where the file writes them. [s]
    day_first : bool or None
        Which order of day and month was read, None where dates begin with the year or name the month.
    how : str
        How that order is known.
    """

    seconds: Ints
    offsets: Ints | None
    day_first: bool | None
    how: str


def read_moments(rows: Rows, name: str, cells: Sequence[str], day_first: bool | None) -> Moments:
    """Read a column of dates with times.

    Raises
    ------
    SeriesError
        If a cell is no time, or the order of day and month cannot be told.
    """
    stripped = [cell.strip() for cell in cells]
    sample = _MOMENT.fullmatch(stripped[0])
    head = sample[1] if sample else stripped[0]
    if " " in head or "," in head:
        days, clocks = _by_pattern(stripped)
    else:
        mark = "T" if re.match(r"[^T ]*\dT\d", stripped[0]) else " "
        split = [cell.partition(mark) for cell in stripped]
        days = [part[0] for part in split]
        clocks = [part[2].strip() for part in split]
    return read_days_and_clocks(rows, name, days, clocks, day_first)


def _by_pattern(cells: Sequence[str]) -> tuple[list[str], list[str]]:
    days, clocks = [], []
    for cell in cells:
        found = _MOMENT.fullmatch(cell)
        days.append(found[1] if found else cell)
        clocks.append(found[2] if found else "")
    return days, clocks


def read_days_and_clocks(
    rows: Rows, name: str, days: Sequence[str], clocks: Sequence[str], day_first: bool | None
) -> Moments:
    """Read dates and times of day that stand apart; an empty time is midnight.

    Raises
    ------
    SeriesError
        As `read_moments`.
    """
    unique = list(dict.fromkeys(days))
    order, how = _order(rows, name, unique, day_first)
    known_days = {text: _day(text.strip(), order) for text in unique}
    known_clocks = {text: _clock(text) for text in dict.fromkeys(clocks)}
    _refuse_unread(rows, name, days, known_days, "a date")
    _refuse_unread(rows, name, clocks, known_clocks, "a time of day")
    day_seconds = {text: 86_400 * (day or 0) for text, day in known_days.items()}
    clock_seconds = {text: clock[0] for text, clock in known_clocks.items() if clock is not None}
    seconds = np.array([day_seconds[text] for text in days], dtype=np.int64)
    seconds += np.array([clock_seconds[text] for text in clocks], dtype=np.int64)
    offsets = _offsets(rows, name, clocks, known_clocks)
    return Moments(seconds, offsets, order, how)


def _refuse_unread(
    rows: Rows,
    name: str,
    cells: Sequence[str],
    known: dict[str, int | None] | dict[str, tuple[int, int | None] | None],
    what: str,
) -> None:
    if all(value is not None for value in known.values()):
        return
    wrong = [at for at, text in enumerate(cells) if known[text] is None]
    where = listed(f"line {rows.lines[at]} ({quoted(cells[at], 30)})" for at in wrong)
    raise SeriesError(f"{rows.path}: column {quoted(name)}: not {what}: {where}; write {_EXAMPLE}")


def _offsets(
    rows: Rows, name: str, clocks: Sequence[str], known: dict[str, tuple[int, int | None] | None]
) -> Ints | None:
    found = {text: clock[1] for text, clock in known.items() if clock is not None}
    if all(offset is None for offset in found.values()):
        return None
    bare = next((at for at, text in enumerate(clocks) if found[text] is None), None)
    if bare is not None:
        raise SeriesError(
            f"{rows.path}: line {rows.lines[bare]}: times with and without an offset are mixed in column "
            f"{quoted(name)} (got {quoted(clocks[bare], 30)}); write every time alike"
        )
    return np.array([found[text] for text in clocks], dtype=np.int64)


def _clock(text: str) -> tuple[int, int | None] | None:  # noqa: PLR0911 - a guard a line
    """Return (seconds after midnight, offset from UTC); 24:00 is the end of the day."""
    if not text:
        return 0, None
    found = _CLOCK_PARTS.fullmatch(text.strip())
    if found is None:
        return None
    hour, minute, second = int(found[1]), int(found[2]), int(found[3] or 0)
    if found[5]:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + 12 * (found[5] in "Pp")
    total = hour * 3600 + minute * 60 + second
    # a stamp of 14:59:59.9997 means 15:00
    total += 1 if found[4] and float(f"0.{found[4]}") >= 0.5 else 0
    if minute > 59 or second > 59 or total > 86_400:
        return None
    if not found[6]:
        return total, None
    if found[6] == "Z" or found[6] in _ABBREVIATED:
        return total, int(3600 * _ABBREVIATED.get(found[6], 0.0))
    digits = found[6].replace(":", "")
    size = int(digits[1:3]) * 3600 + int(digits[3:5]) * 60
    return total, -size if digits[0] == "-" else size


def _numbers(text: str) -> tuple[int, int, int] | None:
    """Return the first number, the second and the year of a date such as 03/04/2025."""
    found = _YEAR_LAST.fullmatch(text)
    if found is None:
        return None
    year = int(found[4])
    return int(found[1]), int(found[3]), year + 2000 if year < 100 else year


def _order(rows: Rows, name: str, unique: Sequence[str], day_first: bool | None) -> tuple[bool | None, str]:
    """Prove the order of day and month: by a number above 12, else by days that follow one another."""
    dates = [found for text in unique if (found := _numbers(text.strip()))]
    if not dates:
        return None, ""
    proofs = {order: all(_valid(date, order) for date in dates) for order in (True, False)}
    words = {True: "day/month", False: "month/day"}
    if day_first is not None:
        return day_first, f"dates are {words[day_first]}, as you said"
    if proofs[True] != proofs[False]:
        return proofs[True], f"dates are {words[proofs[True]]}: the other order gives months above 12"
    if proofs[True]:
        following = {order: _following(dates, order) for order in (True, False)}
        if following[True] != following[False]:
            order = following[True] > following[False]
            if following[order] > 0.8:
                return order, f"dates are {words[order]}: so read, they follow one another"
    raise SeriesError(
        f"{rows.path}: column {quoted(name)}: whether dates are day/month or month/day cannot be told (got "
        f"{quoted(unique[0], 30)}); add --dates day-first or --dates month-first"
    )


def _valid(date: tuple[int, int, int], day_first: bool) -> bool:
    return _ordinal(*date, day_first) is not None


def _ordinal(first: int, second: int, year: int, day_first: bool) -> int | None:
    day, month = (first, second) if day_first else (second, first)
    return _epoch_day(year, month, day)


def _following(dates: Sequence[tuple[int, int, int]], day_first: bool) -> float:
    """Return the share of dates that are the day after, or before, the one above."""
    days = [_ordinal(*date, day_first) or 0 for date in dates]
    steps = [abs(after - before) == 1 for before, after in pairwise(days)]
    return sum(steps) / len(steps) if steps else 0.0


def _epoch_day(year: int, month: int, day: int) -> int | None:
    if not _YEARS[0] <= year <= _YEARS[1]:
        return None
    try:
        return dt.date(year, month, day).toordinal() - dt.date(1970, 1, 1).toordinal()
    except ValueError:
        return None


def _day(text: str, day_first: bool | None) -> int | None:
    """Return days since 1970 of a date in any of the shapes, None if it is none of them."""
    readers: tuple[tuple[re.Pattern[str], Callable[[re.Match[str]], int | None]], ...] = (
        (_YEAR_FIRST, lambda found: _epoch_day(int(found[1]), int(found[3]), int(found[4]))),
        (_DAY_NAME, lambda found: _named(found[3], found[2], found[1])),
        (_NAME_DAY, lambda found: _named(found[3], found[1], found[2])),
    )
    for pattern, read in readers:
        if found := pattern.fullmatch(text):
            return read(found)
    numbers = _numbers(text)
    return None if numbers is None or day_first is None else _ordinal(*numbers, day_first)


def _named(year: str, month: str, day: str) -> int | None:
    number = _MONTHS.get(month.lower())
    full = int(year) + 2000 if len(year) == 2 else int(year)
    return None if number is None else _epoch_day(full, number, int(day))
