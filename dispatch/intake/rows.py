"""A table file as text cells: its size, encoding, separator and where the column names stand."""

from __future__ import annotations

import csv
from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING

from dispatch.errors import SeriesError
from dispatch.intake.dates import is_clock, is_date, is_moment, is_range
from dispatch.intake.intervals import quoted
from dispatch.intake.numbers import is_missing, is_number
from dispatch.intake.units import UNITS
from dispatch.intake.written import Rows
from tariffs.reading import opening
from tariffs.reading.opening import MOST_TABLE_BYTES, MOST_TABLE_LINES

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path


_HEAD_LINES = 150
"""The column names must stand within so many lines."""

_SEPARATORS = {"\t": "tabs", ";": "semicolons", "|": "bars", ",": "commas"}
_FOOT_LINES = 10

_NOT_TEXT = {
    b"PK\x03\x04": "a spreadsheet or zip archive",
    b"\xd0\xcf\x11\xe0": "an old spreadsheet",
    b"%PDF": "a PDF",
    b"\x1f\x8b": "a gzip archive",
    b"PAR1": "a Parquet file",
}


def read_bytes(path: Path) -> bytes:
    """Read a whole file of a sensible size.

    Raises
    ------
    SeriesError
        If it is missing, no ordinary file, empty, or above the limit; a file too large is not opened.
    """
    raw = opening.read_bytes(path, SeriesError, MOST_TABLE_BYTES, path.suffix)
    if not raw.strip():
        raise SeriesError(f"{path}: the file is empty; export the readings again")
    for mark, called in _NOT_TEXT.items():
        if raw.startswith(mark):
            raise SeriesError(f"{path}: is {called}, not text; open it and save the table as 'CSV UTF-8'")
    return raw


def decoded(path: Path, raw: bytes) -> tuple[str, str]:
    """Return the text and the encoding it was read in; UTF-8 and UTF-16 are certain, the rest is said."""
    if raw[:2] in {b"\xff\xfe", b"\xfe\xff"}:
        encoding = "utf-16"
    elif raw[:400].count(0) > len(raw[:400]) // 4:
        encoding = "utf-16-le" if raw[1:400:2].count(0) >= raw[0:400:2].count(0) else "utf-16-be"
    else:
        encoding = "utf-8-sig"
    try:
        text = raw.decode(encoding)
    except UnicodeDecodeError:
        if encoding != "utf-8-sig":
            raise SeriesError(f"{path}: is damaged UTF-16 text; export it again as 'CSV UTF-8'") from None
        text, encoding = raw.decode("cp1252", errors="replace"), "cp1252"
    if "\0" in text:
        raise SeriesError(f"{path}: holds NUL characters and is no text; export it again as 'CSV UTF-8'")
    return text, encoding


def read_rows(path: Path, raw: bytes) -> Rows:
    """Find the table in a text file.

    Parameters
    ----------
    path : Path
        For messages.
    raw : bytes
        The file.

    Raises
    ------
    SeriesError
        If there is no table of times and numbers in it, or rows do not have its columns.
    """
    text, encoding = decoded(path, raw)
    lines = text.splitlines()
    if len(lines) > MOST_TABLE_LINES:
        text = f"has {len(lines):,} lines; at most {MOST_TABLE_LINES:,} are read"
        raise SeriesError(f"{path}: {text}: export a year at a time")
    separator = _separator(lines)
    table, numbers = _cells(path, lines, separator)
    head, first = _head(path, table, numbers)
    facts = [f"columns separated by {_SEPARATORS[separator]}; their names stand on line {numbers[head]}"]
    doubts: list[str] = []
    if encoding == "cp1252":
        doubts.append("the text is not UTF-8; it was read as Windows-1252, which changes names only")
    header = _named(table, head)
    heading = [cell.strip() for row in table[:head] for cell in row if cell.strip()]
    return _fitted(
        path, header, table[first:], numbers[first:], Rows(path, [], [], [], heading, facts, doubts)
    )


def _cells(path: Path, lines: list[str], separator: str) -> tuple[list[list[str]], Sequence[int]]:
    """Cut lines into cells; return them with the line each row ends on."""
    reader = csv.reader(lines, delimiter=separator, strict=True)
    try:
        table = list(reader)
    except csv.Error as error:
        raise SeriesError(
            f"{path}: line {reader.line_num}: not readable as a table ({error}); check the quotes"
        ) from None
    if len(table) == len(lines):
        return table, range(1, len(lines) + 1)
    numbers, again = [], csv.reader(lines, delimiter=separator, strict=True)
    for _ in again:
        numbers.append(again.line_num)  # noqa: PERF401 - the reader's own count as it goes
    return table, numbers


def _separator(lines: list[str]) -> str:
    """Choose the separator that cuts the most lines into the same number of cells."""
    sample = [line for line in lines[:400] if line.strip()]
    best, most = ",", 0
    for mark in _SEPARATORS:
        counts = Counter(line.count(mark) for line in sample)
        counts.pop(0, None)
        # semicolons before commas: those may be decimal marks
        agreeing = counts.most_common(1)[0][1] if counts else 0
        if agreeing > max(most, len(sample) // 3):
            best, most = mark, agreeing
            if mark != ",":
                most = max(most, len(sample))
    return best


def _is_data(row: list[str]) -> bool:
    """Tell whether a row has a time and, in another cell, a number or an empty place for one."""
    times = [is_moment(cell) or is_date(cell) or is_range(cell) for cell in row]
    rest = [cell for cell, time in zip(row, times, strict=True) if not time and not is_clock(cell)]
    return any(times) and any(is_number(cell) for cell in rest)


def _head(path: Path, table: list[list[str]], numbers: Sequence[int]) -> tuple[int, int]:
    """Return the places of the row of names and of the first reading."""
    for at in range(min(len(table), _HEAD_LINES)):
        follows = table[at + 1 : at + 2]
        if _is_data(table[at]) and all(_is_data(row) and len(row) == len(table[at]) for row in follows):
            above = [
                place
                for place in range(at)
                if sum(bool(cell.strip()) for cell in table[place]) >= 1 + (place < at - 1)
                and not _is_data(table[place])
            ]
            if not above:
                text = "no line above the readings names the columns"
                raise SeriesError(
                    f"{path}: line {numbers[at]}: {text} (got {quoted(','.join(table[at]))}); "
                    "add one, such as time,import_kwh"
                )
            return above[-1], at
    seen = next((row for row in table if any(cell.strip() for cell in row)), [])
    raise SeriesError(
        f"{path}: no reading found in the first {_HEAD_LINES} lines: a reading is a line with a date or time and a "
        f"number (the file begins {quoted(','.join(seen))}); is it the interval data, and saved as CSV?"
    )


def _named(table: list[list[str]], head: int) -> list[str]:
    """Return the names of the columns; where units stand in a line of their own below them, names with units."""
    header = [cell.strip() for cell in table[head]]
    units = [cell.strip("()[] ").lower() for cell in header if cell]
    above = table[head - 1] if head else []
    if len(above) != len(header) or not all(unit in UNITS for unit in units) or sum(map(bool, above)) < 2:
        return header
    return [
        f"{name.strip()} ({unit.strip('()[] ')})" if unit else name.strip()
        for name, unit in zip(above, header, strict=True)
    ]


def _fitted(
    path: Path, header: list[str], table: list[list[str]], numbers: Sequence[int], about: Rows
) -> Rows:
    """Drop empty lines, split off the foot, and give every row its columns or refuse it."""
    width = len(header)
    # a row whose first cell is empty may be empty: only those are looked at whole
    empty = {
        at for at, row in enumerate(table) if not row or (not row[0].strip() and not "".join(row).strip())
    }
    rows, lines = table, list(numbers)
    if empty:
        kept = [at for at in range(len(table)) if at not in empty]
        rows, lines = [table[at] for at in kept], [numbers[at] for at in kept]
    foot = 0
    while foot < min(_FOOT_LINES, len(rows)) and not _has_time(rows[-1 - foot]):
        foot += 1
    if foot:
        left = "; ".join(quoted(",".join(row), 40) for row in rows[len(rows) - foot :])
        about.doubts.append(f"{foot} line{'s' * (foot > 1)} below the readings left out: {left}")
        del rows[len(rows) - foot :], lines[len(lines) - foot :]
    if not rows:
        raise SeriesError(f"{path}: no readings below the column names; export them again")
    wide = max(map(len, rows))
    if width == wide - 1 and all(len(row) == wide and not row[-1].strip() for row in rows):
        header = [*header, ""]  # every line ends with a separator
        width += 1
    while width > wide and not header[-1]:
        header, width = header[:-1], width - 1
    uneven = [at for at, row in enumerate(rows) if len(row) != width]
    if uneven:
        at = uneven[0]
        text = f"{len(rows[at])} cells under {width} column names (got {quoted(','.join(rows[at]))})"
        more = f"; {len(uneven):,} such lines" if len(uneven) > 1 else ""
        raise SeriesError(
            f"{path}: line {lines[at]}: {text}{more}; the file may be cut off, or hold decimal commas between "
            "columns separated by commas: export it again, with semicolons or quotes"
        )
    return replace(about, header=header, rows=rows, lines=lines)


def _has_time(row: list[str]) -> bool:
    return any(is_moment(cell) or is_date(cell) or is_range(cell) for cell in row) and not all(
        is_missing(cell) for cell in row
    )
