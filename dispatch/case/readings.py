"""Reading one CSV file of measurements: its times, its numbers, and what is wrong with them.

The fast path parses whole columns at once; only when that fails is the file gone through row by row to
say which lines are at fault. Nothing is filled in, dropped or reordered.
"""

from __future__ import annotations

import csv
import datetime as dt
from dataclasses import dataclass
from difflib import get_close_matches
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from dispatch.errors import SeriesError
from dispatch.scenario.load import missing_file, problem_report, show

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray


TIME_COLUMN = "time"
"""The column that holds the start of each step."""


SHOWN = 3
"""How many offenders a message names before it gives the total."""


_EXAMPLE = "2025-01-31T14:00-04:00"


@dataclass(frozen=True)
class Readings:
    """The rows of one CSV file that lie inside the wanted span, as written and in file order.

    Attributes
    ----------
    path : Path
    lines : ndarray of int, shape (n,)
        Line of the file each row stands on, the first line being 1.
    times : pandas.DatetimeIndex, shape (n,)
        Start of each step, tz-aware on the site's clock; not yet known to be regular.
    columns : dict of str to ndarray of float, shape (n,)
        The numbers of each wanted column, in the column's own unit; finite and not negative.
    ignored_rows : int
        Rows outside the span, left out.
    """

    path: Path
    lines: NDArray[np.int64]
    times: pd.DatetimeIndex
    columns: dict[str, NDArray[np.float64]]
    ignored_rows: int


def read_readings(
    path: Path,
    columns: Mapping[str, str],
    time_zone: str,
    span: tuple[pd.Timestamp, pd.Timestamp] | None = None,
) -> Readings:
    """Read columns of a CSV file with a ``time`` column.

    Parameters
    ----------
    path : Path
        UTF-8, comma-separated, first line the names of the columns.
    columns : mapping of str to str
        The columns wanted, and the setting that asks for each, to be named if it is not there.
    time_zone : str
        IANA zone of the site: the clock that times without an offset are read on.
    span : tuple of Timestamp, optional
        Start and end (not included), tz-aware; rows outside are counted and otherwise left alone.

    Returns
    -------
    Readings

    Raises
    ------
    SeriesError
        If the file or a column is missing, a time or number cannot be read, a number is negative or not
        finite, or a time without an offset happens twice or never on the site's clock.
    """
    header, rows, lines = _read_rows(path)
    places = _places(path, header, {TIME_COLUMN: "every series", **columns})
    cells = [row[places[0]] for row in rows]
    times, inside = _read_times(path, cells, lines, time_zone, span)
    if not inside.all():
        rows = [row for row, keep in zip(rows, inside, strict=True) if keep]
        lines = lines[inside]
    if not rows:
        raise SeriesError(f"{path}: {_no_rows(cells, span)}")
    problems: list[str] = []
    numbers = {}
    for name, place in zip(columns, places[1:], strict=True):
        numbers[name], wrong = _read_numbers(name, [row[place] for row in rows], lines)
        problems += wrong
    if problems:
        raise SeriesError(problem_report(path, problems))
    return Readings(path, lines, times, numbers, int(len(inside) - inside.sum()))


def _no_rows(cells: Sequence[str], span: tuple[pd.Timestamp, pd.Timestamp] | None) -> str:
    if not cells or span is None:
        return "no readings below the column names; supply them"
    start, end = (edge.isoformat(timespec="minutes") for edge in span)
    return (
        f"none of its times, {cells[0]} to {cells[-1]}, lies in [period], {start} to {end}; correct [period]"
    )


def listed(items: Sequence[str], total: int) -> str:
    """Name the first few of ``total`` offenders and how many more there are."""
    shown = ", ".join(items[:SHOWN])
    return f"{shown} and {total - SHOWN:,} more" if total > SHOWN else shown


def _read_rows(path: Path) -> tuple[list[str], list[list[str]], NDArray[np.int64]]:
    rows: list[list[str]] = []
    lines: list[int] = []
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.reader(file, strict=True)
            for row in reader:
                if row:  # a wholly empty line holds no reading
                    rows.append(row)
                    lines.append(reader.line_num)
    except UnicodeDecodeError:
        raise SeriesError(f"{path}: not a UTF-8 text file; save the table as 'CSV UTF-8'") from None
    except csv.Error as error:
        raise SeriesError(
            f"{path}: line {reader.line_num}: not readable as CSV: {error}; check the quotes"
        ) from None
    except OSError:
        raise SeriesError(f"{path}: {missing_file(path)}") from None
    if not rows:
        raise SeriesError(f"{path}: the file is empty; its first line must name the columns")
    header = [name.strip() for name in rows[0]]
    for mark, called in ((";", "semicolons"), ("\t", "tabs")):
        if len(header) == 1 and mark in header[0]:
            text = f"columns are separated by {called}; save it with commas between columns and a point "
            raise SeriesError(f"{path}: line 1: {text}as decimal mark (got {show(header[0])})")
    uneven = [at for at in range(1, len(rows)) if len(rows[at]) != len(header)]
    if uneven:
        first = uneven[0]
        text = f"{len(rows[first])} cells under {len(header)} column names; write one value in each cell, "
        seen = show(",".join(rows[first])) + (f", {len(uneven):,} such lines" if len(uneven) > 1 else "")
        raise SeriesError(f"{path}: line {lines[first]}: {text}with a point as decimal mark (got {seen})")
    return header, rows[1:], np.array(lines[1:], dtype=np.int64)


def _places(path: Path, header: Sequence[str], wanted: Mapping[str, str]) -> list[int]:
    problems = []
    for name, asked_by in wanted.items():
        if name not in header:
            near = get_close_matches(name, header, n=1, cutoff=0.5) or [
                other for other in header if other.lower() == name.lower()
            ]
            hint = f"did you mean '{near[0]}'?" if near else "rename a column or choose one"
            have = ", ".join(header)
            problems.append(f"no column '{name}', needed by {asked_by}; {hint} (the file has {have})")
        elif header.count(name) > 1:
            problems.append(f"the column name '{name}' stands there twice; rename one of them")
    if problems:
        raise SeriesError(problem_report(path, problems))
    return [header.index(name) for name in wanted]


def _read_numbers(
    name: str, cells: Sequence[str], lines: NDArray[np.int64]
) -> tuple[NDArray[np.float64], list[str]]:
    try:
        values = np.array(cells).astype(np.float64)
    except ValueError:
        values = np.full(len(cells), np.nan)
        fine = False
    else:
        # NumPy takes 1_000 for a number, as Python does; a table that holds it is not understood
        signed = _is_signed(name)
        fine = (
            bool(np.isfinite(values).all())
            and (signed or not (values < 0.0).any())
            and "_" not in "".join(cells)
        )
    return values, [] if fine else _cell_problems(name, cells, lines)


def _is_signed(column: str) -> bool:
    """Tell whether a column may hold numbers below zero: temperatures may."""
    return column.lower().endswith("_c")


def _cell_problems(name: str, cells: Sequence[str], lines: NDArray[np.int64]) -> list[str]:
    """Sort the cells that are no usable number by what is wrong with them."""
    kinds: dict[str, list[str]] = {}
    for cell, line in zip(cells, lines, strict=True):
        if kind := _cell_problem(cell, signed=_is_signed(name)):
            kinds.setdefault(kind, []).append(
                f"line {line} ({show(cell)})" if cell.strip() else f"line {line}"
            )
    return [f"column '{name}': {kind}: {listed(where, len(where))}" for kind, where in kinds.items()]


def _cell_problem(cell: str, *, signed: bool = False) -> str | None:
    text = cell.strip()
    if not text:
        return "an empty cell; supply the reading (0 only if nothing flowed)"
    try:
        value = float(text.replace("_", "?"))
    except ValueError:
        return "not a number; write plain numbers with a point as decimal mark, without unit"
    if not np.isfinite(value):
        return "not a finite number; supply the reading"
    if value < 0.0 and not signed:
        return "a negative number; consumption and sun are written as positive numbers"
    return None


def _read_times(
    path: Path,
    cells: Sequence[str],
    lines: NDArray[np.int64],
    time_zone: str,
    span: tuple[pd.Timestamp, pd.Timestamp] | None,
) -> tuple[pd.DatetimeIndex, NDArray[np.bool_]]:
    """Parse the time column; return the times inside the span, and which rows these are."""
    try:
        moments = list(map(dt.datetime.fromisoformat, map(str.strip, cells)))
    except ValueError:
        raise SeriesError(_unreadable_times(path, cells, lines)) from None
    years = [moment.year for moment in moments]
    if moments and not (min(years) >= 1970 and max(years) <= 2100):
        _refuse_times(path, cells, lines, [not 1970 <= year <= 2100 for year in years], "correct the year")
    naive = np.array([moment.tzinfo is None for moment in moments], dtype=bool)
    if naive.any() and not naive.all():
        odd = naive if 2 * naive.sum() <= len(naive) else ~naive
        first = int(np.argmax(odd))
        has = "no offset" if naive[first] else "an offset"
        text = f"has {has}, unlike other lines; write every time alike, best with offset ({_EXAMPLE})"
        raise SeriesError(f"{path}: line {lines[first]}: time {show(cells[first])} {text}")
    if naive.any():
        return _on_site_clock(path, moments, lines, time_zone, span)
    stamps = np.array([moment.timestamp() for moment in moments], dtype=np.float64)
    # float seconds of this century are exact to far below a microsecond
    micros = np.rint(stamps * 1e6).astype("datetime64[us]").astype("datetime64[ns]")
    times = pd.DatetimeIndex(micros, tz="UTC").tz_convert(ZoneInfo(time_zone))
    inside = np.ones(len(times), dtype=bool)
    if span is not None:
        inside = np.asarray((times >= span[0]) & (times < span[1]), dtype=bool)
        times = times[inside]
    return times, inside


def _unreadable_times(path: Path, cells: Sequence[str], lines: NDArray[np.int64]) -> str:
    wrong = []
    for cell, line in zip(cells, lines, strict=True):
        try:
            dt.datetime.fromisoformat(cell.strip())
        except ValueError:
            wrong.append(f"line {line} ({show(cell)})")
    text = f"times that are not ISO 8601: {listed(wrong, len(wrong))}; write them as {_EXAMPLE}"
    return problem_report(path, [text])


def _refuse_times(
    path: Path, cells: Sequence[str], lines: NDArray[np.int64], wrong: Sequence[bool], remedy: str
) -> None:
    where = [f"line {lines[at]} ({show(cells[at])})" for at in np.flatnonzero(wrong).tolist()]
    raise SeriesError(f"{path}: times out of range: {listed(where, len(where))}; {remedy}")


def _on_site_clock(
    path: Path,
    moments: Sequence[dt.datetime],
    lines: NDArray[np.int64],
    time_zone: str,
    span: tuple[pd.Timestamp, pd.Timestamp] | None,
) -> tuple[pd.DatetimeIndex, NDArray[np.bool_]]:
    """Place times without an offset on the site's clock, where that can be done in one way only."""
    local = pd.DatetimeIndex(np.array(moments, dtype="datetime64[us]").astype("datetime64[ns]"))
    inside = np.ones(len(local), dtype=bool)
    if span is not None:
        start, end = (edge.tz_localize(None) for edge in span)
        inside = np.asarray((local >= start) & (local < end), dtype=bool)
        local, lines = local[inside], lines[inside]
    zone = ZoneInfo(time_zone)
    times = local.tz_localize(zone, ambiguous="NaT", nonexistent="NaT")
    lost = np.asarray(times.isna(), dtype=bool)
    if lost.any():
        raise SeriesError(problem_report(path, _clock_problems(local[lost], lines[lost], zone)))
    return times, inside


def _clock_problems(local: pd.DatetimeIndex, lines: NDArray[np.int64], zone: ZoneInfo) -> list[str]:
    twice: list[str] = []
    never: list[str] = []
    for moment, line in zip(local.to_pydatetime(), lines, strict=True):
        back = moment.replace(tzinfo=zone).astimezone(dt.UTC).astimezone(zone).replace(tzinfo=None)
        (twice if back == moment else never).append(f"line {line} ({moment:%Y-%m-%d %H:%M})")
    sample = local[0].to_pydatetime()
    say: Callable[[int], str] = lambda fold: sample.replace(tzinfo=zone, fold=fold).isoformat("T", "minutes")  # noqa: E731
    problems = []
    if twice:
        problems.append(
            f"times in the hour that the clock of {zone.key} repeats: {listed(twice, len(twice))}; write the "
            f"offset to every time of the file, as in {say(0)} or {say(1)}"
        )
    if never:
        problems.append(
            f"times in the hour that the clock of {zone.key} skips: {listed(never, len(never))}; the file "
            "may be on another clock: write the offset to every time, or correct site.time_zone"
        )
    return problems
