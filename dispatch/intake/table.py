"""A meter table of any of the usual shapes as intervals of real time."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from dispatch.errors import SeriesError
from dispatch.intake.columns import Columns, Value, by_register, find_columns, is_estimate, starts_by_name
from dispatch.intake.dates import (
    Moments,
    first_of_range,
    is_range,
    read_days_and_clocks,
    read_moments,
)
from dispatch.intake.intervals import Asked, Flow, Found, Ints, in_order, quoted
from dispatch.intake.numbers import read_numbers
from dispatch.intake.placing import Written, place_all, refuse_skipped, zone_of
from dispatch.intake.units import UNITS
from dispatch.intake.wide import Wide, find_wide, read_wide

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from dispatch.arrays import Floats
    from dispatch.intake.written import Rows


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
    zone = zone_of(rows, written, asked)
    placed = place_all(rows, written, zone, asked)
    flows = {}
    doubts = [*rows.doubts, *placed.doubts]
    for flow, columns in written.numbers.items():
        total = np.zeros(len(written.estimated))
        for unit, numbers in columns:
            energy, power = UNITS[unit]
            total = total + numbers * (energy + power * placed.seconds / 3600)
        refuse_skipped(rows, written, placed, total, zone)
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
