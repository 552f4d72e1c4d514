"""Sheets with a day per row and an hour, half-hour or quarter-hour per column."""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Literal
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from dispatch.errors import SeriesError
from dispatch.intake.columns import flow_of, plain, unit_of
from dispatch.intake.dates import Moments, first_of_range, is_date, read_days_and_clocks
from dispatch.intake.intervals import FLOWS, Asked, Flow, Where, quoted
from dispatch.intake.numbers import read_numbers
from dispatch.intake.units import UNITS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dispatch.arrays import Floats
    from dispatch.intake.intervals import Flags, Ints
    from dispatch.intake.written import Rows


_CLOCK = re.compile(r"(?:.*?[ _])?(\d{1,2}):(\d{2})(?::00)?(?: ?([ap])\.?m\.?)?")
_NUMBER = re.compile(r"(?:hour|hr|h|he|hour ending|interval|period|int)?[ _]?(\d{1,2})(?: ?kwh)?")
_PER_DAY = (24, 48, 96)


@dataclass(frozen=True)
class Wide:
    """Where a wide sheet holds its days and steps.

    Attributes
    ----------
    date : int
        The column of dates.
    columns : tuple of int
        The columns of steps, from midnight on.
    minutes : int
        Length of a step.
    extra : int or None
        The column of the 25th hour.
    ends : bool
        Whether the columns are named by the ends of their steps.
    """

    date: int
    columns: tuple[int, ...]
    minutes: int
    extra: int | None
    ends: bool


@dataclass(frozen=True)
class Sheet:
    """A wide sheet as one long series, in the order of time."""

    times: Moments
    flow: Flow
    unit: str
    numbers: Floats
    estimated: Flags
    where: Where
    facts: list[str]


def find_wide(rows: Rows) -> Wide | None:
    """Recognise a wide sheet by the names of its columns; None if it is none."""
    labels = {at: label for at, name in enumerate(rows.header) if (label := _label(name)) is not None}
    if len(labels) < _PER_DAY[0]:
        return None
    date = next((at for at, cell in enumerate(rows.rows[0]) if is_date(cell)), None)
    if date is None:
        return None
    clocks = [at for at, (kind, _) in labels.items() if kind == "clock"]
    if len(clocks) >= _PER_DAY[0]:
        return _by_clock(date, {at: labels[at][1] for at in clocks})
    return _by_number(date, {at: number for at, (kind, number) in labels.items() if kind == "number"})


def _label(name: str) -> tuple[Literal["clock", "number"], int] | None:
    """Return the minute or the number a column is named by."""
    text = first_of_range(name).lower()
    if found := _CLOCK.fullmatch(text):
        hour, minute = int(found[1]), int(found[2])
        if found[3]:
            hour = hour % 12 + 12 * (found[3] == "p")
        return ("clock", hour * 60 + minute) if minute < 60 and hour * 60 + minute <= 1440 else None
    if found := _NUMBER.fullmatch(plain(name)):
        return "number", int(found[1])
    return None


def _by_clock(date: int, minutes: dict[int, int]) -> Wide | None:
    order = sorted(minutes, key=lambda at: minutes[at])
    steps = {minutes[after] - minutes[before] for before, after in pairwise(order)}
    values = sorted(minutes.values())
    # named by ends, the last is 24:00, or 00:00 standing behind all others
    last_is_midnight = values[0] == 0 and max(minutes, key=lambda at: at) == order[0] and order[0] > order[1]
    if last_is_midnight:
        order = [*order[1:], order[0]]
        steps = {minutes[after] - minutes[before] for before, after in pairwise(order[:-1])}
    if len(steps) != 1 or len(order) not in _PER_DAY:
        return None
    step = steps.pop()
    ends = last_is_midnight or values[0] == step
    return Wide(date, tuple(order), step, None, ends) if step * len(order) == 1440 else None


def _by_number(date: int, numbers: dict[int, int]) -> Wide | None:
    order = sorted(numbers, key=lambda at: numbers[at])
    values = [numbers[at] for at in order]
    if len(set(values)) < len(values):
        return None
    for count in _PER_DAY:
        if values == list(range(count)):
            return Wide(date, tuple(order), 1440 // count, None, ends=False)
        if values[:count] == list(range(1, count + 1)) and len(values) in {count, count + 1}:
            extra = order[count] if len(values) > count else None
            if extra is not None and count != 24:
                continue
            return Wide(date, tuple(order[:count]), 1440 // count, extra, ends=True)
    return None


def read_wide(rows: Rows, wide: Wide, asked: Asked) -> Sheet:
    """Lay a wide sheet out as one series.

    Raises
    ------
    SeriesError
        If a date or number cannot be read, or the unit stands nowhere.
    """
    name = rows.header[wide.date]
    count = len(wide.columns)
    midnight = read_days_and_clocks(
        rows, name, rows.column(wide.date), [""] * len(rows.rows), asked.day_first
    )
    order = np.argsort(midnight.seconds, kind="stable")
    if (np.diff(midnight.seconds[order]) == 0).any():
        text = "a day stands there twice: the sheet holds several meters or registers"
        raise SeriesError(f"{rows.path}: {text}; keep the rows of one, and import the other apart")
    table = np.column_stack(
        [read_numbers(rows, rows.header[at], rows.column(at), asked.decimal) for at in wide.columns]
    )[order]
    starts = midnight.seconds[order][:, None] + np.arange(count)[None, :] * wide.minutes * 60
    values, seconds, places = table.ravel(), starts.ravel(), np.repeat(order, count)
    facts = [f"a day per row, {count} steps of {wide.minutes} minutes each"]
    if wide.extra is not None:
        values, seconds, places = _with_extra(rows, wide, asked, order, values, seconds, places)
        facts.append("the 25th column is the hour that the clock repeats in autumn")
    flow, unit = _meaning(rows, asked)
    facts.append(f"{flow}: the whole sheet, {unit}")
    where = _Places(rows.lines, places)
    estimated = np.zeros(len(values), dtype=bool)
    return Sheet(
        Moments(seconds, None, midnight.day_first, midnight.how), flow, unit, values, estimated, where,
        [*facts, *([midnight.how] if midnight.how else [])],
    )  # fmt: skip


def _with_extra(  # noqa: PLR0913, PLR0917 - one sheet in parts
    rows: Rows, wide: Wide, asked: Asked, order: Ints, values: Floats, seconds: Ints, places: Ints
) -> tuple[Floats, Ints, Ints]:
    """Lay out a day of 25 hours: they are numbered on, and the clock shows one of them twice."""
    at = wide.extra or 0
    extra = read_numbers(rows, rows.header[at], rows.column(at), asked.decimal)[order]
    zone = ZoneInfo(asked.time_zone or "UTC")
    count = len(wide.columns)
    table, clock, owner = (array.reshape(-1, count) for array in (values, seconds, places))
    parts: list[tuple[Floats, Ints, Ints]] = []
    for row, more in enumerate(extra):
        line = (table[row], clock[row], owner[row])
        if not np.isnan(more):
            midnight = pd.Timestamp(int(clock[row, 0]), unit="s").tz_localize(zone)
            hours = pd.date_range(midnight, periods=count + 1, freq="h").tz_localize(None)
            line = (
                np.append(table[row], more),
                np.asarray(hours.as_unit("s").asi8, dtype=np.int64),
                np.append(owner[row], owner[row, :1]),
            )
        parts.append(line)
    joined = [np.concatenate(column) for column in zip(*parts, strict=True)]
    return joined[0], joined[1], joined[2]


class _Places:
    """``line 12`` for every value, made only when a message wants it."""

    def __init__(self, lines: Sequence[int], places: Ints) -> None:
        self._lines, self._places = lines, places

    def __len__(self) -> int:
        return len(self._places)

    def __getitem__(self, at: int) -> str:
        return f"line {self._lines[int(self._places[at])]}"


def _meaning(rows: Rows, asked: Asked) -> tuple[Flow, str]:
    """Return what a wide sheet holds and its unit: from the person, or from its heading cells."""
    texts = [*rows.header, *rows.heading, rows.path.stem]
    named: list[Flow] = [each for each in FLOWS if each in asked.columns]
    flow = named[0] if named else None
    told: set[Flow] = {found for text in texts if (found := flow_of(text)) is not None} - {"import"}
    if flow is None and len(told) > 1:
        have = ", ".join(sorted(told))
        raise SeriesError(
            f"{rows.path}: what the sheet holds cannot be told ({have}); add --export '*' or --net '*'"
        )
    unit = (asked.unit or "").lower() or next(filter(None, map(unit_of, texts)), None)
    if unit is None or unit not in UNITS:
        raise SeriesError(
            f"{rows.path}: its unit stands nowhere (columns {quoted(rows.header[0])}, ...); add --unit kWh (energy in "
            "the step) or --unit kW (mean power), or Wh or W"
        )
    heard: Flow = next(iter(told), "import")
    return heard if flow is None else flow, unit
