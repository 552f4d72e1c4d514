"""CSV files of times and numbers, read exactly as they stand: nothing filled in, dropped or reordered.

The fast path parses whole columns at once; only when that fails is the file gone through line by line to say
which are at fault. All problems of a file come in one message. The exception to raise is handed in.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
from dataclasses import dataclass
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from tariffs.reading.clock import EXAMPLE, FIRST_YEAR, LAST_YEAR, NO_DATE, ambiguity, day_of, moment_of
from tariffs.reading.opening import MOST_TABLE_BYTES, MOST_TABLE_LINES, read_bytes
from tariffs.reading.refusals import listed, nearest, problem_report, show, visible

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from tariffs.errors import DispatchError

    Span = tuple[pd.Timestamp, pd.Timestamp]

TIME_COLUMN = "time"
"""The column that holds the start of each step."""

KWH_PER_UNIT = {"_kwh": (1.0, 0.0), "_kw": (0.0, 1.0), "_wh": (1e-3, 0.0), "_w": (0.0, 1e-3)}
"""By a column's ending: factor to kWh for energy in the step, or to kW for mean power in it."""

CELSIUS = "_c"
"""Ending of a column of temperatures."""

_LARGEST = 1e9  # no reading of a household and no price is larger, in whatever unit


def unit_of(column: str) -> str | None:
    """Return the ending of a column's name that is a unit of energy or power, as in `KWH_PER_UNIT`."""
    return next((ending for ending in KWH_PER_UNIT if column.lower().endswith(ending)), None)


def kwh_factor(column: str, dt_hours: float) -> float:
    """Return what a number of a column with a unit is multiplied by to be energy in the step. [kWh]."""
    energy, power = KWH_PER_UNIT[unit_of(column) or "_kwh"]
    return energy + power * dt_hours


def without_unit(column: str) -> str:
    """Say what is wrong with a column whose name has no unit."""
    return (
        f"the column name {column!r} has no unit; rename the column in the file so that it ends in _w or _kw "
        "(mean power in the step), _wh or _kwh (energy in it)"
    )


@dataclass(frozen=True)
class Readings:
    """The lines of one CSV file that lie inside the wanted span, as written and in file order.

    Attributes
    ----------
    path : Path
    lines : ndarray of int, shape (n,)
        Line of the file each reading stands on, the first line being 1.
    times : pandas.DatetimeIndex, shape (n,)
        Start of each step, tz-aware on the clock asked for, else UTC; not yet known to be regular.
    columns : dict of str to ndarray of float, shape (n,)
        The numbers of each wanted column, in the column's own unit; finite.
    ignored_lines : int
        Lines outside the span, left out.
    refuse : type of DispatchError
        What to raise.
    """

    path: Path
    lines: NDArray[np.int64]
    times: pd.DatetimeIndex
    columns: dict[str, NDArray[np.float64]]
    ignored_lines: int
    refuse: type[DispatchError]

    def place(self, at: int) -> str:
        """Name a reading by its line and time."""
        return f"line {self.lines[at]} ({self.times[at].isoformat(timespec='minutes')})"


@dataclass(frozen=True)
class Table:
    """A comma-separated file as written.

    Attributes
    ----------
    path : Path
    header : list of str
        Names of the columns.
    rows : list of list of str
        Cells of every other line that is not wholly empty.
    lines : ndarray of int
        Where each stands, the first line of the file being 1.
    refuse : type of DispatchError
        What to raise.
    """

    path: Path
    header: list[str]
    rows: list[list[str]]
    lines: NDArray[np.int64]
    refuse: type[DispatchError]

    def require(self, wanted: Mapping[str, str]) -> None:
        """Refuse missing columns and names that stand twice; `wanted` says which setting asks for each."""
        problems = []
        for name, asked_by in wanted.items():
            if name not in self.header:
                near = nearest(name, self.header, cutoff=0.5)
                hint = f"did you mean '{visible(near)}'?" if near else "rename a column or choose one"
                have = ", ".join(map(visible, self.header[:12]))
                problems.append(f"no column '{name}', needed by {asked_by}; {hint} (the file has {have})")
            elif self.header.count(name) > 1:
                problems.append(f"the column name '{name}' stands there twice; rename one of them")
        if problems:
            raise self.refuse(problem_report(self.path, problems))

    def column(self, name: str) -> list[str]:
        """Return the cells of a column that is there."""
        place = self.header.index(name)
        return [row[place] for row in self.rows]

    def dates(self, name: str, asked_by: str) -> list[dt.date]:
        """Return a column of dates."""
        self.require({name: asked_by})
        cells = self.column(name)
        if wrong := _offenders(cells, self.lines, day_of):
            raise self.refuse(f"{self.path}: column '{name}': {NO_DATE}: {listed(wrong)}")
        return list(map(day_of, cells))

    def readings(
        self,
        columns: Mapping[str, str],
        zone: str | None,
        span: Span | None = None,
        *,
        negative: bool = False,
    ) -> Readings:
        """Read columns of numbers and the ``time`` column.

        Parameters
        ----------
        columns : mapping of str to str
            The columns wanted, and the setting that asks for each, to be named if it is not there.
        zone : str or None
            IANA zone: the clock that times without an offset are read on. None: every time needs its offset.
        span : tuple of Timestamp, optional
            Start and end (not included), tz-aware; lines outside are counted and otherwise left alone.
        negative : bool
            Whether numbers below 0 are allowed; in temperatures they always are.

        Raises
        ------
        DispatchError
            If a column is missing, a time or number cannot be read, or a time without an offset happens twice
            or never on the clock.
        """
        self.require({TIME_COLUMN: "every series", **columns})
        if not self.rows:
            raise self.refuse(f"{self.path}: no readings below the column names; supply them")
        times, inside = self._times(zone, span)
        if not inside.any():
            raise self.refuse(f"{self.path}: {self._none_inside(span)}")
        lines, problems, numbers = self.lines[inside], [], {}
        for name in columns:
            cells = self.column(name)
            if not inside.all():
                cells = [cell for cell, keep in zip(cells, inside, strict=True) if keep]
            signed = negative or name.lower().endswith(CELSIUS)
            numbers[name], wrong = _numbers(name, cells, lines, negative=signed)
            problems += wrong
        if problems:
            raise self.refuse(problem_report(self.path, problems))
        return Readings(self.path, lines, times, numbers, int(len(inside) - inside.sum()), self.refuse)

    def _none_inside(self, span: Span | None) -> str:
        cells = self.column(TIME_COLUMN)
        start, end = (edge.isoformat(timespec="minutes") for edge in span or ())
        between = f"{cells[0]} to {cells[-1]}"
        return f"none of its times, {between}, lies in [period], {start} to {end}; correct [period]"

    def _times(self, zone: str | None, span: Span | None) -> tuple[pd.DatetimeIndex, NDArray[np.bool_]]:
        """Parse the time column; return the times inside the span, and which lines these are."""
        cells = self.column(TIME_COLUMN)
        try:
            moments = list(map(dt.datetime.fromisoformat, map(str.strip, cells)))
            if any(
                cell[4:6] not in {"-0", "-1"} for cell in map(str.strip, cells)
            ):  # by week, or without dashes
                raise ValueError  # noqa: TRY301 - as what is no time at all
        except ValueError:
            wrong = _offenders(cells, self.lines, moment_of)
            text = f"times that are not ISO 8601: {listed(wrong)}; write them as {EXAMPLE}"
            raise self.refuse(f"{self.path}: {text}") from None
        strange = np.flatnonzero([not FIRST_YEAR <= moment.year <= LAST_YEAR for moment in moments]).tolist()
        if strange:
            where = [f"line {self.lines[at]} ({show(cells[at])})" for at in strange]
            raise self.refuse(f"{self.path}: times out of range: {listed(where)}; correct the year")
        naive = np.array([moment.tzinfo is None for moment in moments], dtype=bool)
        if naive.any() and not naive.all():
            odd = naive if 2 * naive.sum() <= len(naive) else ~naive
            first = int(np.argmax(odd))
            has = "no offset" if naive[first] else "an offset"
            text = f"has {has}, unlike other lines; write every time alike, best with offset ({EXAMPLE})"
            raise self.refuse(f"{self.path}: line {self.lines[first]}: time {show(cells[first])} {text}")
        if naive.any():
            return self._on_clock(moments, zone, span)
        stamps = np.array([moment.timestamp() for moment in moments], dtype=np.float64)
        # float seconds of this century are exact to far below a microsecond
        micros = np.rint(stamps * 1e6).astype("datetime64[us]").astype("datetime64[ns]")
        times = pd.DatetimeIndex(micros, tz="UTC")
        times = times if zone is None else times.tz_convert(ZoneInfo(zone))
        inside = np.ones(len(times), dtype=bool)
        if span is not None:
            inside = np.asarray((times >= span[0]) & (times < span[1]), dtype=bool)
        return times[inside], inside

    def _on_clock(
        self, moments: Sequence[dt.datetime], zone: str | None, span: Span | None
    ) -> tuple[pd.DatetimeIndex, NDArray[np.bool_]]:
        """Place times without an offset on a clock, where that can be done in one way only."""
        if zone is None:
            text = "times have no offset and no time_zone is known"
            seen = show(self.column(TIME_COLUMN)[0])
            raise self.refuse(
                f"{self.path}: line {self.lines[0]}: {text} (got {seen}); write {EXAMPLE}, or name the time_zone"
            )
        local = pd.DatetimeIndex(np.array(moments, dtype="datetime64[us]").astype("datetime64[ns]"))
        inside, lines = np.ones(len(local), dtype=bool), self.lines
        if span is not None:
            start, end = (edge.tz_localize(None) for edge in span)
            inside = np.asarray((local >= start) & (local < end), dtype=bool)
            local, lines = local[inside], lines[inside]
        clock = ZoneInfo(zone)
        times = local.tz_localize(clock, ambiguous="NaT", nonexistent="NaT")
        lost = np.asarray(times.isna(), dtype=bool)
        if lost.any():
            raise self.refuse(problem_report(self.path, _clock_problems(local[lost], lines[lost], clock)))
        return times, inside


def read_table(path: Path, refuse: type[DispatchError]) -> Table:
    """Read a UTF-8, comma-separated file whose first line names its columns.

    Raises
    ------
    DispatchError
        If it is missing, empty, not text, or a line has too few or too many cells.
    """
    rows: list[list[str]] = []
    lines: list[int] = []
    raw = read_bytes(path, refuse, MOST_TABLE_BYTES, ".csv")
    if (count := raw.count(b"\n")) > MOST_TABLE_LINES:
        text = f"has {count:,} lines; at most {MOST_TABLE_LINES:,} are read: cut it into years"
        raise refuse(f"{path}: {text}")
    reader = csv.reader(io.TextIOWrapper(io.BytesIO(raw), encoding="utf-8-sig", newline=""), strict=True)
    try:
        for row in reader:
            if row:  # a wholly empty line holds no reading
                rows.append(row)
                lines.append(reader.line_num)
    except UnicodeDecodeError:
        raise refuse(f"{path}: not a UTF-8 text file; save the table as 'CSV UTF-8'") from None
    except csv.Error as error:
        line = f"line {reader.line_num}"
        raise refuse(f"{path}: {line}: not readable as CSV: {error}; check the quotes") from None
    if not rows:
        raise refuse(f"{path}: the file is empty; its first line must name the columns")
    header = [name.strip() for name in rows[0]]
    for mark, called in ((";", "semicolons"), ("\t", "tabs")):
        if len(header) == 1 and mark in header[0]:
            text = f"columns are separated by {called}; save it with commas between columns and a point "
            raise refuse(f"{path}: line 1: {text}as decimal mark (got {show(header[0])})")
    uneven = [at for at in range(1, len(rows)) if len(rows[at]) != len(header)]
    if uneven:
        first = uneven[0]
        text = f"{len(rows[first])} cells under {len(header)} column names; write one value in each cell, "
        seen = show(",".join(rows[first])) + (f", {len(uneven):,} such lines" if len(uneven) > 1 else "")
        raise refuse(f"{path}: line {lines[first]}: {text}with a point as decimal mark (got {seen})")
    return Table(path, header, rows[1:], np.array(lines[1:], dtype=np.int64), refuse)


# ---- cells -------------------------------------------------------------------------------------------------
def _offenders(cells: Sequence[str], lines: NDArray[np.int64], parse: Callable[[str], object]) -> list[str]:
    """Name the cells that cannot be parsed, by their lines."""
    wrong = []
    for cell, line in zip(cells, lines, strict=True):
        try:
            parse(cell.strip())
        except ValueError:
            wrong.append(f"line {line} ({show(cell)})")
    return wrong


def _numbers(
    name: str, cells: Sequence[str], lines: NDArray[np.int64], *, negative: bool
) -> tuple[NDArray[np.float64], list[str]]:
    """Parse a column; return its numbers and the cells at fault, sorted by what is wrong with them."""
    try:
        values = np.array(cells).astype(np.float64)
    except ValueError:
        values = np.full(len(cells), np.nan)
    low = -_LARGEST if negative else 0.0
    # NumPy takes 1_000 for a number, as Python does, and drops a NUL; a table that holds one is not understood
    strange = {"_", "\0"} & set("".join(cells))
    if not strange and bool(((values >= low) & (values <= _LARGEST)).all()):
        return values, []
    kinds: dict[str, list[str]] = {}
    for cell, line in zip(cells, lines, strict=True):
        if kind := _cell_problem(cell, negative=negative):
            kinds.setdefault(kind, []).append(
                f"line {line} ({show(cell)})" if cell.strip() else f"line {line}"
            )
    return values, [f"column '{name}': {kind}: {listed(where)}" for kind, where in kinds.items()]


def _cell_problem(cell: str, *, negative: bool) -> str | None:
    text = cell.strip()
    if not text:
        return "an empty cell; supply the reading (0 only if nothing flowed)"
    try:
        value = float(text.replace("_", "?"))
    except ValueError:
        return "not a number; write plain numbers with a point as decimal mark, without unit"
    if not np.isfinite(value):
        return "not a finite number; supply the reading"
    if abs(value) > _LARGEST:
        return f"more than {_LARGEST:,g}, which nothing here can be; correct it"
    if value < 0.0 and not negative:
        return "a negative number; write energy as positive numbers, what is fed in as a column of its own"
    return None


def _clock_problems(local: pd.DatetimeIndex, lines: NDArray[np.int64], clock: ZoneInfo) -> list[str]:
    kinds: dict[bool, list[str]] = {True: [], False: []}
    for moment, line in zip(local.to_pydatetime(), lines, strict=True):
        comes = "twice" in (ambiguity(moment, clock) or "")
        kinds[comes].append(f"line {line} ({moment:%Y-%m-%d %H:%M})")
    sample = local[0].to_pydatetime()
    first, second = (sample.replace(tzinfo=clock, fold=fold).isoformat("T", "minutes") for fold in (0, 1))
    problems = []
    if kinds[True]:
        problems.append(
            f"times in the hour that the clock of {clock.key} repeats: {listed(kinds[True])}; write the "
            f"offset to every time of the file, as in {first} or {second}"
        )
    if kinds[False]:
        problems.append(
            f"times in the hour that the clock of {clock.key} skips: {listed(kinds[False])}; the file "
            "may be on another clock: write the offset to every time, or correct the time_zone"
        )
    return problems
