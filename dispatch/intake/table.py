"""A meter table of any of the usual shapes as intervals of real time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from dispatch.errors import SeriesError
from dispatch.intake.clock import on_wall, place
from dispatch.intake.columns import Columns, Value, by_register, find_columns, is_estimate, starts_by_name
from dispatch.intake.dates import (
    Moments,
    first_of_range,
    is_range,
    read_days_and_clocks,
    read_moments,
)
from dispatch.intake.intervals import Asked, Clock, Flags, Flow, Found, Ints, Where, in_order, listed, quoted
from dispatch.intake.numbers import read_numbers
from dispatch.intake.units import UNITS
from dispatch.intake.wide import Wide, find_wide, read_wide

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from dispatch.arrays import Floats
    from dispatch.intake.written import Rows


_MOST_SECONDS = 3600


@dataclass(frozen=True)
class Written:
    """A table's readings as written, in file order.

    Attributes
    ----------
    times : Moments
    label : str
        Whether each time is the ``start`` or the ``end`` of its reading, or ``open`` where nothing says it.
    numbers : dict of flow to list of (unit, numbers)
    estimated : ndarray of bool, shape (n,)
    where : Where
        Line of each reading.
    ends : ndarray of int, shape (n,), or None
        Ends as written, on the same clock as the starts. [s]
    facts : list of str
    """

    times: Moments
    label: Literal["start", "end", "open"]
    numbers: dict[Flow, list[tuple[str, Floats]]]
    estimated: Flags
    where: Where
    ends: Ints | None
    facts: list[str]


@dataclass(frozen=True)
class _Placed:
    starts: Ints
    seconds: int
    keep: Flags
    facts: list[str]
    doubts: list[str]


def read_table(path: Path, rows: Rows, asked: Asked) -> Found:
    """Understand a meter table.

    Parameters
    ----------
    path : Path
    rows : Rows
        Its cells.
    asked : Asked
        What the person said about it.

    Returns
    -------
    Found

    Raises
    ------
    SeriesError
        If something can be understood in two ways or in none; the message names line, value and remedy.
    """
    registers = by_register(rows)
    if registers and not asked.columns:
        return _of_registers(path, registers, asked)
    wide = find_wide(rows)
    written = _long(rows, asked) if wide is None else _widely(rows, wide, asked)
    zone = _zone(rows, written, asked)
    placed = _place(rows, written, zone, asked)
    flows = {}
    doubts = [*rows.doubts, *placed.doubts]
    for flow, columns in written.numbers.items():
        total = np.zeros(len(written.estimated))
        for unit, numbers in columns:
            energy, power = UNITS[unit]
            total = total + numbers * (energy + power * placed.seconds / 3600)
        _refuse_skipped(rows, written, placed, total, zone)
        keep = placed.keep
        flows[flow], dropped = in_order(
            path,
            placed.starts[keep],
            np.full(int(keep.sum()), placed.seconds, dtype=np.int64),
            total[keep],
            written.estimated[keep],
            written.where if keep.all() else [written.where[at] for at in np.flatnonzero(keep).tolist()],
            asked,
        )
        if dropped:
            doubts.append(
                f"{flow}: {dropped:,} readings stood there twice with the same value; each is used once"
            )
    facts = [*rows.facts, *written.facts, *placed.facts]
    shape = "table of days by hours" if wide is not None else "table of readings"
    return Found(path, shape, zone, flows, tuple(facts), tuple(doubts))


def _of_registers(path: Path, registers: dict[Flow, Rows], asked: Asked) -> Found:
    """Read a table that holds a row for each register at each time, register by register."""
    parts = {flow: read_table(path, part, asked) for flow, part in registers.items()}
    flows = {flow: next(iter(part.flows.values())) for flow, part in parts.items()}
    first = next(iter(parts.values()))
    facts = [f"{len(parts)} registers in rows of their own: {', '.join(parts)}"]
    facts += [fact for part in parts.values() for fact in part.facts]
    doubts = [doubt for part in parts.values() for doubt in part.doubts]
    return Found(
        path, first.shape, first.zone, flows, tuple(dict.fromkeys(facts)), tuple(dict.fromkeys(doubts))
    )


# ---- as written --------------------------------------------------------------------------------------------
def _long(rows: Rows, asked: Asked) -> Written:
    columns = find_columns(rows, asked)
    times, ends, label, facts = _times(rows, columns, asked)
    values: dict[Flow, list[tuple[str, Floats]]] = {}
    for value in columns.chosen:
        numbers = read_numbers(rows, rows.header[value.at], rows.column(value.at), asked.decimal)
        values.setdefault(value.flow, []).append((value.unit, numbers))
        facts.append(f"{value.flow}: column {quoted(rows.header[value.at])}, {_unit_words(value)}")
    estimated = np.zeros(len(rows.rows), dtype=bool)
    if columns.quality is not None:
        cells = rows.column(columns.quality)
        marks = {cell: is_estimate(cell) for cell in set(cells)}
        estimated = np.array([marks[cell] for cell in cells], dtype=bool)
    return Written(times, label, values, estimated, _Lines(rows.lines), ends, facts)


def _unit_words(value: Value) -> str:
    spelt = {"mwh": "MWh", "kwh": "kWh", "wh": "Wh", "mw": "MW", "kw": "kW", "w": "W"}[value.unit]
    return f"{spelt} in the step" if value.unit.endswith("h") else f"mean {spelt} in the step"


class _Lines:
    """``line 12`` for every row, made only when a message wants it."""

    def __init__(self, lines: Sequence[int]) -> None:
        self._lines = lines

    def __len__(self) -> int:
        return len(self._lines)

    def __getitem__(self, at: int) -> str:
        return f"line {self._lines[at]}"


def _times(
    rows: Rows, columns: Columns, asked: Asked
) -> tuple[Moments, Ints | None, Literal["start", "end", "open"], list[str]]:
    """Read the times; return them, the ends where they stand apart, what they label, and what was understood."""
    if columns.moment is not None:
        return _moments(rows, columns, columns.moment, asked)
    days = rows.column(columns.date or 0)
    name = rows.header[columns.date or 0]
    if columns.clock is not None:
        cells = rows.column(columns.clock)
        starts = [first_of_range(cell) for cell in cells]
        times = read_days_and_clocks(rows, name, days, starts, asked.day_first)
        paired = starts != [cell.strip() for cell in cells]
        label = (
            "start" if paired else _label(rows.header[columns.clock], asked, ended=columns.end is not None)
        )
        return times, None, label, _order_facts(times)
    if columns.hour is not None:
        return _numbered(rows, columns.hour, days, name, asked)
    raise SeriesError(
        f"{rows.path}: column {quoted(name)} holds dates without a time of day, and no other column does; interval "
        "readings of 60 minutes or less are needed"
    )


def _moments(
    rows: Rows, columns: Columns, at: int, asked: Asked
) -> tuple[Moments, Ints | None, Literal["start", "end", "open"], list[str]]:
    cells, name = rows.column(at), rows.header[at]
    if is_range(cells[0]):
        times = read_moments(rows, name, [first_of_range(cell) for cell in cells], asked.day_first)
        return times, None, "start", _order_facts(times)
    times = read_moments(rows, name, cells, asked.day_first)
    if columns.end == at:
        return times, None, asked.label or "end", _order_facts(times)
    ends = None
    if columns.end is not None:
        order = asked.day_first if asked.day_first is not None else times.day_first
        ends = read_moments(rows, rows.header[columns.end], rows.column(columns.end), order).seconds
    label = "start" if ends is not None else _label(name, asked, ended=False)
    return times, ends, label, _order_facts(times)


def _order_facts(times: Moments) -> list[str]:
    return [times.how] if times.how else []


def _label(name: str, asked: Asked, *, ended: bool) -> Literal["start", "end", "open"]:
    if asked.label is not None:
        return asked.label
    if ended:
        return "end"
    return "start" if starts_by_name(name) else "open"


def _numbered(
    rows: Rows, at: int, days: Sequence[str], name: str, asked: Asked
) -> tuple[Moments, Ints | None, Literal["start", "end", "open"], list[str]]:
    """Read dates with the number of the hour, 0 to 23 or 1 to 24."""
    hours = read_numbers(rows, rows.header[at], rows.column(at), asked.decimal)
    low, high = float(hours.min()), float(hours.max())
    # 100 to 2400 is an hour written as a clock without its colon
    if high > 25 and bool((hours % 100 == 0).all()):
        hours, low, high = hours / 100, low / 100, high / 100
    whole = bool((hours % 1 == 0).all())
    if not whole or low < 0 or high > (25 if low > 0 else 23):
        text = f"should number the hours 0 to 23 or 1 to 24 (got {low:g} to {high:g})"
        raise SeriesError(
            f"{rows.path}: column {quoted(rows.header[at])}: {text}; write clock times such as 14:00"
        )
    if low > 0 and high < 24 and asked.label is None:
        text = "hold neither hour 0 nor hour 24: whether 1 is the hour that starts or ends at 1:00 cannot be told"
        raise SeriesError(
            f"{rows.path}: column {quoted(rows.header[at])}: {text}; add --times start or --times end"
        )
    ends = high >= 24 or asked.label == "end"
    midnight = read_days_and_clocks(rows, name, days, [""] * len(days), asked.day_first)
    seconds = _hours_after(midnight.seconds, hours.astype(np.int64) - ends, asked)
    said = "hours are numbered by their end" if ends else "hours are numbered by their start"
    return (
        Moments(seconds, None, midnight.day_first, midnight.how),
        None,
        "start",
        [*_order_facts(midnight), said],
    )


def _hours_after(midnight: Ints, numbers: Ints, asked: Asked) -> Ints:
    """Return local times of numbered hours; days of 23 or 25 numbers count on through the clock change."""
    seconds = midnight + numbers * 3600
    if asked.time_zone is None or (asked.clock or "wall") != "wall":
        return np.asarray(seconds)
    zone = ZoneInfo(asked.time_zone)
    days, places, counts = np.unique(midnight, return_inverse=True, return_counts=True)
    for at in np.flatnonzero((counts == 23) | (counts == 25)).tolist():
        inside = places == at
        first, after = (
            pd.Timestamp(int(days[at]) + more, unit="s").tz_localize(zone) for more in (0, 86_400)
        )
        count = int((after - first).total_seconds() // 3600)
        if count == counts[at] and np.array_equal(np.sort(numbers[inside]), np.arange(count)):
            local = pd.date_range(first, periods=count, freq="h").tz_localize(None).as_unit("s").asi8
            seconds[inside] = np.asarray(local)[numbers[inside]]
    return np.asarray(seconds)


def _widely(rows: Rows, wide: Wide, asked: Asked) -> Written:
    sheet = read_wide(rows, wide, asked)
    return Written(
        sheet.times,
        "start",
        {sheet.flow: [(sheet.unit, sheet.numbers)]},
        sheet.estimated,
        sheet.where,
        None,
        sheet.facts,
    )


# ---- on the line of real time ------------------------------------------------------------------------------
def _zone(rows: Rows, written: Written, asked: Asked) -> str:
    if asked.time_zone is not None:
        return asked.time_zone
    if written.times.offsets is None:
        text = "its times have no offset, and a table does not say where the home is"
        raise SeriesError(
            f"{rows.path}: line {rows.lines[0]}: {text}; add --time-zone, such as America/Toronto"
        )
    return "UTC"


def _place(rows: Rows, written: Written, zone: str, asked: Asked) -> _Placed:
    if written.times.offsets is not None:
        return _with_offsets(rows, written, asked)
    local, order = _rising(written.times.seconds)
    step = _step(rows, local)
    facts = [] if order is None else ["the newest reading stands first"]
    clock: Clock = asked.clock or "wall"
    label, why = _proven_label(rows, written, local, step)
    facts += [why] if why else []
    shifts = [(step, 0), (0, step)] if label == "end" else [(0, 0)]
    tries = [(place(local - before, zone, clock), after) for before, after in shifts]
    # an end of 02:00 may be the wall's own or the start plus an hour: the one that leaves no hole is meant
    best, after = min(tries, key=lambda each: _roughness(each[0].utc - each[1], step))
    starts = best.utc - after
    keep = np.ones(len(local), dtype=bool)
    skipped = best.skipped if after == 0 else np.zeros(len(local), dtype=bool)
    keep &= ~skipped
    facts.append(_clock_fact(zone, clock, best.repeated))
    doubts = [_single_doubt(zone, best.single)] if best.single else []
    if order is not None:
        starts, keep = starts[order], keep[order]
    return _Placed(starts, step, keep, facts, doubts)


def _with_offsets(rows: Rows, written: Written, asked: Asked) -> _Placed:
    offsets = written.times.offsets
    assert offsets is not None  # noqa: S101 - chosen by the caller
    utc, order = _rising(written.times.seconds - offsets)
    step = _step(rows, utc)
    # whole days are those of the home where it is known, else of the offsets
    local, _ = (
        _rising(written.times.seconds) if asked.time_zone is None else (on_wall(utc, asked.time_zone), None)
    )
    label, why = _proven_label(rows, written, local, step)
    starts = utc - (step if label == "end" else 0)
    facts = [*([why] if why else []), "times carry their offset from UTC"]
    if order is not None:
        facts.append("the newest reading stands first")
        starts = starts[order]
    return _Placed(starts, step, np.ones(len(starts), dtype=bool), facts, [])


def _rising(times: Ints) -> tuple[Ints, Ints | None]:
    """Return times from old to new; and, where the file runs the other way, the order that turns them back."""
    if len(times) > 1 and times[0] > times[-1]:
        turned = np.arange(len(times) - 1, -1, -1)
        return times[::-1], turned
    return times, None


def _step(rows: Rows, times: Ints) -> int:
    """Return the distance that most readings have. [s]."""
    gaps = np.diff(times)
    rising = gaps[gaps > 0]
    if not rising.size:
        raise SeriesError(f"{rows.path}: has one reading only; two or more are needed to show their step")
    lengths, counts = np.unique(rising, return_counts=True)
    step = int(lengths[np.argmax(counts)])
    if step > _MOST_SECONDS or _MOST_SECONDS % step or step < 60:
        text = f"readings stand {step / 60:g} minutes apart; steps that divide an hour, 1 to 60 minutes, can be used"
        raise SeriesError(f"{rows.path}: {text}: ask the utility for interval data")
    odd = np.flatnonzero((gaps > 0) & (gaps % step != 0))
    if odd.size:
        at = int(odd[0]) + 1
        text = f"{len(odd):,} readings do not stand a multiple of {step // 60} minutes after the one above"
        raise SeriesError(
            f"{rows.path}: {text} (first line {rows.lines[min(at, len(rows.lines) - 1)]}); export one step only"
        )
    return step


def _proven_label(rows: Rows, written: Written, local: Ints, step: int) -> tuple[str, str]:
    """Return whether times are starts or ends, and how that is known."""
    if written.ends is not None:
        length = int(np.median(written.ends - written.times.seconds))
        if length < step:  # ends such as 00:14 or 00:59:59 mean the last minute or second
            length += 60 if length % 60 == 0 else 1
        if length != step:
            text = f"its readings last {length / 60:g} minutes but start {step / 60:g} minutes apart"
            raise SeriesError(f"{rows.path}: {text}; export the meter's own interval")
        return "start", ""
    if written.label != "open":
        return written.label, f"each time is the {written.label} of its reading"
    first, last = int(local[0]) % 86_400, int(local[-1]) % 86_400
    if first == 0 and last == 86_400 - step:
        return (
            "start",
            "each time is the start of its reading: the file runs from midnight to the step before midnight",
        )
    if first == step and last == 0:
        return (
            "end",
            "each time is the end of its reading: the file runs from the first step of a day to midnight",
        )
    text = "whether a time is the start or the end of its reading cannot be told"
    raise SeriesError(
        f"{rows.path}: line {rows.lines[0]}: {text} (the file does not run over whole days); "
        "add --times start or --times end"
    )


def _roughness(starts: Ints, step: int) -> int:
    return int((np.diff(starts) != step).sum())


def _clock_fact(zone: str, clock: Clock, repeated: Sequence[str]) -> str:
    if clock == "utc":
        return "times are in UTC, as you said"
    if clock == "standard":
        return f"times are on the standard time of {zone} all year, as you said"
    told = (
        f"; the hour repeated on {listed(repeated)} is told apart by the order of its rows"
        if repeated
        else ""
    )
    return f"times are on the clock of {zone}{told}"


def _single_doubt(zone: str, days: Sequence[str]) -> str:
    return (
        f"the hour that the clock of {zone} repeats on {listed(days)} stands there once: it is taken as the first of "
        "the two, the second is a gap. If the file keeps standard time all year, add --clock standard"
    )


def _refuse_skipped(rows: Rows, written: Written, placed: _Placed, total: Floats, zone: str) -> None:
    """Refuse readings at times that the clock never shows; empty places and zeros there are the file's filling."""
    wrong = np.flatnonzero(~placed.keep & (np.nan_to_num(total) != 0.0))
    if wrong.size:
        where = listed(written.where[at] for at in wrong.tolist())
        raise SeriesError(
            f"{rows.path}: {where}: readings in the hour that the clock of {zone} skips in spring; the file is not on "
            "that clock: add --clock standard (standard time all year), --clock utc, or another --time-zone"
        )
