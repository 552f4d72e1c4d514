"""Reading a CSV of times and numbers exactly as it stands: nothing filled in, dropped or reordered.

Whole columns are parsed at once; only a file that fails is gone through row by row to say where.
"""

import csv
import datetime as dt
import difflib
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tariffs.errors import MeterError

Floats = NDArray[np.float64]


_SHOWN = 3


_EXAMPLE = "2025-01-31T14:00-05:00"


@dataclass(frozen=True)
class Rows:
    """A table as written; `lines` are the file's line numbers, `cells` the columns by name."""

    path: Path
    lines: list[int]
    cells: dict[str, list[str]]


def _table(path: Path) -> list[tuple[int, list[str]]]:
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.reader(file, strict=True)
            table = [(reader.line_num, row) for row in reader if row]
    except FileNotFoundError:
        raise MeterError(f"{path}: no such file; check the path") from None
    except UnicodeDecodeError:
        raise MeterError(f"{path}: is not a UTF-8 text file; save the table as 'CSV UTF-8'") from None
    except csv.Error as error:
        raise MeterError(f"{path}: is not readable as CSV ({error}); check the quotes") from None
    except OSError as error:
        raise MeterError(f"{path}: cannot be read ({error.strerror}); check the path") from None
    if not table:
        raise MeterError(f"{path}: the file is empty; its first line must name the columns")
    return table


def read_rows(path: Path) -> Rows:
    """Read a comma-separated file whose first line names its columns.

    Raises
    ------
    MeterError
        If it is missing, empty, not text, or a row has too few or too many cells.
    """
    table = _table(path)
    header = [name.strip() for name in table[0][1]]
    if len(header) == 1 and (";" in header[0] or "\t" in header[0]):
        text = "save it with commas between columns and a point as decimal mark"
        raise MeterError(
            f"{path}: row 1: the columns are not separated by commas (got {header[0]!r}); {text}"
        )
    if len(set(header)) < len(header):
        twice = next(name for name in header if header.count(name) > 1)
        raise MeterError(f"{path}: row 1: a column name stands twice (got {twice!r}); rename one")
    for line, row in table[1:]:
        if len(row) != len(header):
            text = f"has {len(row)} cells under {len(header)} column names (got {','.join(row)!r})"
            raise MeterError(f"{path}: row {line}: {text}; write one value per column")
    if len(table) == 1:
        raise MeterError(f"{path}: has no rows below its column names; supply them")
    columns = [list(cells) for cells in zip(*(row for _, row in table[1:]), strict=True)]
    return Rows(path, [line for line, _ in table[1:]], dict(zip(header, columns, strict=True)))


def column(rows: Rows, name: str, asked_by: str) -> list[str]:
    """Return one column's cells.

    Raises
    ------
    MeterError
        If there is none of that name.
    """
    if name not in rows.cells:
        close = difflib.get_close_matches(name, rows.cells, n=1, cutoff=0.5)
        hint = f"did you mean {close[0]!r}?" if close else "rename a column or name another"
        have = ", ".join(rows.cells)
        raise MeterError(f"{rows.path}: has no column {name!r}, needed by {asked_by} (got {have}); {hint}")
    return rows.cells[name]


def numbers(rows: Rows, name: str, asked_by: str, *, negative: bool = False) -> Floats:
    """Return one column as finite numbers.

    Parameters
    ----------
    rows : Rows
    name, asked_by : str
        The column, and the setting that wants it.
    negative : bool
        Whether numbers below 0 are allowed.

    Raises
    ------
    MeterError
        Naming the first rows at fault and how many there are.
    """
    cells = column(rows, name, asked_by)
    try:
        values = np.array(cells, dtype=np.str_).astype(np.float64)
    except ValueError:
        values = np.full(len(cells), np.nan)
    plain = "_" not in "".join(cells)  # 1_000 is a number to a program, not to a table
    if plain and bool(np.isfinite(values).all()) and (negative or not bool((values < 0).any())):
        return values
    faults = [
        (line, cell, _fault(cell, negative=negative)) for line, cell in zip(rows.lines, cells, strict=True)
    ]
    wrong = [(line, cell, fault) for line, cell, fault in faults if fault]
    where = _listed([f"row {line} (got {cell!r})" for line, cell, fault in wrong if fault == wrong[0][2]])
    raise MeterError(f"{rows.path}: column {name!r}: {where}: {wrong[0][2]}")


def _fault(cell: str, *, negative: bool) -> str:
    if not cell.strip():
        return "an empty cell; supply the reading"
    try:
        value = float(cell.replace("_", "?"))
    except ValueError:
        return "not a number; write plain numbers with a point as decimal mark, without unit"
    if not math.isfinite(value):
        return "not a finite number; supply the reading"
    return "a negative number; put energy fed in under export_kwh" if value < 0 and not negative else ""


def _listed(items: Sequence[str]) -> str:
    shown = ", ".join(items[:_SHOWN])
    return f"{shown} and {len(items) - _SHOWN:,} more" if len(items) > _SHOWN else shown


def times(rows: Rows, zone: str | None) -> pd.DatetimeIndex:
    """Return the ``time`` column in UTC, in file order.

    Times carry an offset or ``Z``; without one they are read on the clock of `zone`, unless that clock
    skips or repeats them.

    Raises
    ------
    MeterError
        Naming the first rows at fault.
    """
    cells = column(rows, "time", "every series")
    try:
        moments = [dt.datetime.fromisoformat(cell.strip()) for cell in cells]
    except ValueError:
        where = _bad(rows, cells, _is_time)
        raise MeterError(f"{rows.path}: column 'time': {where}: not ISO 8601; write {_EXAMPLE}") from None
    if any(not 1970 <= moment.year <= 2100 for moment in moments):
        years = _bad(rows, cells, lambda cell: 1970 <= dt.datetime.fromisoformat(cell.strip()).year <= 2100)
        raise MeterError(f"{rows.path}: column 'time': {years}: out of range; correct the year")
    naive = [moment.tzinfo is None for moment in moments]
    if any(naive) and not all(naive):
        first = naive.index(not naive[0])
        text = "with and without offset are mixed; write every time alike, best with offset"
        raise MeterError(f"{rows.path}: row {rows.lines[first]}: times {text} (got {cells[first]!r})")
    if naive[0]:
        return _on_clock(rows, cells, moments, zone)
    micros = np.rint(np.array([moment.timestamp() for moment in moments]) * 1e6).astype("datetime64[us]")
    return pd.DatetimeIndex(micros.astype("datetime64[ns]"), tz="UTC")


def _is_time(cell: str) -> bool:
    try:
        dt.datetime.fromisoformat(cell.strip())
    except ValueError:
        return False
    return True


def _bad(rows: Rows, cells: Sequence[str], good: Callable[[str], bool]) -> str:
    wrong = [
        f"row {line} (got {cell!r})" for line, cell in zip(rows.lines, cells, strict=True) if not good(cell)
    ]
    return _listed(wrong)


def _on_clock(
    rows: Rows, cells: Sequence[str], moments: Sequence[dt.datetime], zone: str | None
) -> pd.DatetimeIndex:
    if zone is None:
        text = f"times have no offset and no time_zone is known (got {cells[0]!r}); write {_EXAMPLE}"
        raise MeterError(f"{rows.path}: row {rows.lines[0]}: {text}, or add time_zone to the tariff")
    local = pd.DatetimeIndex(np.array(moments, dtype="datetime64[us]").astype("datetime64[ns]"))
    placed = local.tz_localize(ZoneInfo(zone), ambiguous="NaT", nonexistent="NaT")
    lost = np.flatnonzero(np.asarray(placed.isna(), dtype=bool)).tolist()
    if lost:
        where = _listed([f"row {rows.lines[at]} (got {cells[at]!r})" for at in lost])
        raise MeterError(
            f"{rows.path}: column 'time': {where}: the clock of {zone} repeats or skips this time; "
            f"write the offset to every time, as in {_EXAMPLE}"
        )
    return placed.tz_convert("UTC")


def regular_seconds(rows: Rows, moments: pd.DatetimeIndex, steps: Iterable[int] | None = None) -> int:
    """Return the even distance of the times. [s].

    Parameters
    ----------
    rows : Rows
    moments : DatetimeIndex
    steps : iterable of int, optional
        Distances allowed; any if left out.

    Raises
    ------
    MeterError
        If times stand twice, out of order, with gaps, or at another distance.
    """
    if len(moments) < 2:
        raise MeterError(f"{rows.path}: has one row only; a series needs two or more to show its step")
    seconds = np.asarray(moments.as_unit("s").asi8, dtype=np.int64)
    gaps = np.diff(seconds)
    early = np.flatnonzero(gaps <= 0)
    if early.size:
        at = int(early[0]) + 1
        what = "stands twice" if gaps[at - 1] == 0 else "stands before the row above it"
        raise MeterError(
            f"{rows.path}: row {rows.lines[at]}: the time {what} (got {rows.cells['time'][at]!r}); "
            "write every time once, in order"
        )
    step = int(np.min(gaps))
    odd = np.flatnonzero(gaps != step)
    if odd.size:
        at = int(odd[0])
        missing = int((gaps[odd] // step - 1).sum())
        first = (moments[at] + pd.Timedelta(seconds=step)).isoformat()
        raise MeterError(
            f"{rows.path}: row {rows.lines[at + 1]}: the times are not evenly {step // 60} minutes apart "
            f"(got {rows.cells['time'][at + 1]!r} after {rows.cells['time'][at]!r}; about {missing:,} missing "
            f"in all, first {first}); supply the readings"
        )
    if steps is not None and step not in tuple(steps):
        allowed = ", ".join(str(each // 60) for each in steps)
        raise MeterError(f"{rows.path}: the step must be {allowed} minutes (got {step / 60:g}); resample it")
    return step
