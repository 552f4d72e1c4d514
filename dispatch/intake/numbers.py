"""Numbers as people and utilities write them: decimal points and commas, thousands marks, empty places."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np

from dispatch.errors import SeriesError
from dispatch.intake.intervals import listed, quoted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dispatch.arrays import Floats
    from dispatch.intake.written import Rows


_MISSING = frozenset(("", "-", "--", "n/a", "na", "nan", "null", "none", "missing", "nil", "#n/a"))
_NUMBER = re.compile(r"[+-]?(?:\d[\d.,'\u00a0\u202f ]*|[.,]\d+)(?:[eE][+-]?\d+)?")
_SPACES = str.maketrans("", "", "'\u00a0\u202f ")


def is_missing(cell: str) -> bool:
    """Tell whether a cell is an empty place, in one of the usual spellings."""
    return cell.strip().lower() in _MISSING


def is_number(cell: str) -> bool:
    """Tell whether a cell looks like a number in any spelling."""
    return _NUMBER.fullmatch(cell.strip()) is not None


def read_numbers(rows: Rows, name: str, cells: Sequence[str], decimal: str | None) -> Floats:
    """Read a column; an empty place is NaN.

    Parameters
    ----------
    rows : Rows
        For messages.
    name : str
        The column.
    cells : sequence of str
    decimal : str or None
        ``.`` or ``,``; None: to be proved from the cells.

    Raises
    ------
    SeriesError
        If a cell is no number, or the decimal mark cannot be told.
    """
    if decimal != ",":
        try:
            values = np.array(list(map(float, cells)), dtype=np.float64)
        except ValueError:
            pass
        else:
            # Python takes 1_000 and 1e999 for numbers; a table that holds them is not understood
            if bool(np.isfinite(values).all()) and "_" not in "".join(cells):
                return values
    mark = decimal or decimal_mark(rows, name, cells)
    return _slowly(rows, name, cells, mark)


def decimal_mark(rows: Rows, name: str, cells: Sequence[str]) -> str:
    """Prove which mark is the decimal one.

    A mark that stands twice in a number, or with other than three digits behind it, tells.
    """
    texts = [cell.strip().translate(_SPACES) for cell in cells]
    found = {mark: [text for text in texts if mark in text] for mark in ",."}
    if not found[","]:
        return "."
    for text in texts:
        comma, point = text.rfind(","), text.rfind(".")
        if comma >= 0 and point >= 0:
            return "," if comma > point else "."
        for mark, other, at in ((",", ".", comma), (".", ",", point)):
            if at >= 0 and text.count(mark) > 1:
                return other
            digits = text[at + 1 :]
            whole = text[:at].lstrip("+-")
            grouped = digits.isdigit() and len(digits) == 3 and 1 <= len(whole) <= 3 and whole != "0"
            if at >= 0 and not grouped:
                return mark
    seen = quoted(found[","][0])
    raise SeriesError(
        f"{rows.path}: column {quoted(name)}: whether the comma is a decimal mark or marks thousands cannot be told "
        f"(got {seen}); add --decimal comma or --decimal point"
    )


def _slowly(rows: Rows, name: str, cells: Sequence[str], mark: str) -> Floats:
    other = "." if mark == "," else ","
    known: dict[str, float] = {}
    wrong: list[int] = []
    values = np.empty(len(cells))
    for at, cell in enumerate(cells):
        value = known.get(cell)
        if value is None:
            value = _value(cell, mark, other)
            if value is None:
                wrong.append(at)
                value = np.nan
            known[cell] = value
        elif wrong and value != value and not is_missing(cell):  # noqa: PLR0124 - NaN
            wrong.append(at)
        values[at] = value
    if wrong:
        where = listed(f"line {rows.lines[at]} ({quoted(cells[at], 30)})" for at in wrong)
        raise SeriesError(
            f"{rows.path}: column {quoted(name)}: not a number: {where}; correct the cells, or name another column"
        )
    return values


def _value(cell: str, mark: str, other: str) -> float | None:
    if is_missing(cell):
        return float("nan")
    text = cell.strip().translate(_SPACES)
    whole, _, rest = text.partition(mark)
    if _NUMBER.fullmatch(text) is None or other in rest:
        return None
    if other in whole:
        head, *groups = whole.lstrip("+-").split(other)
        if not (1 <= len(head) <= 3 and all(len(group) == 3 for group in groups)):
            return None
    try:
        value = float(text.replace(other, "").replace(mark, "."))
    except ValueError:
        return None
    return value if np.isfinite(value) else None
