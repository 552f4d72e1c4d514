"""From records to JSON, and from cells to CSV: the one encoder of each."""

from __future__ import annotations

import dataclasses
import datetime as dt
import math
import re
from collections.abc import Mapping, Sequence
from decimal import ROUND_HALF_EVEN, Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import simplejson
from pydantic import BaseModel

from dispatch.writing import write

if TYPE_CHECKING:
    from collections.abc import Iterable


_PLACES = 15
"""Decimals kept of shares such as 12 of 31 days, which have no end."""


def plain(value: object, leave: Iterable[str] = ()) -> Any:  # noqa: ANN401 - JSON is any of its types
    """Put a result into plain JSON types.

    Parameters
    ----------
    value : object
        Records become dicts by their fields, arrays and tuples lists, times ISO 8601 with offset, paths text; NaN and
        a figure that does not exist are null, decimals stay decimals.
    leave : iterable of str
        Fields of the outermost record to leave out.

    Raises
    ------
    TypeError
        If a value has no form in JSON.
    """
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        left = set(leave)
        names = (each.name for each in dataclasses.fields(value))
        return {name: plain(getattr(value, name)) for name in names if name not in left}
    if isinstance(value, Mapping):
        return {str(key): plain(each) for key, each in value.items()}
    if isinstance(value, np.ndarray | np.generic):
        return plain(value.tolist())
    if isinstance(value, Sequence | set | frozenset) and not isinstance(value, str):
        return [plain(each) for each in value]
    if isinstance(value, BaseModel):  # a section of a scenario
        return plain(value.model_dump())
    return _plain_single(value)


def _plain_single(value: object) -> Any:  # noqa: ANN401
    if value is None or isinstance(value, str | bool | int):
        return value
    if isinstance(value, float):
        return None if math.isnan(value) else float(value)
    if isinstance(value, Decimal):
        return _plain_decimal(value)
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, Path):
        return str(value)
    raise TypeError(f"not for JSON: {value!r}")


def _plain_decimal(value: Decimal) -> Decimal:
    places = value.as_tuple().exponent
    if isinstance(places, int) and places < -_PLACES:
        value = value.quantize(Decimal(1).scaleb(-_PLACES), rounding=ROUND_HALF_EVEN).normalize()
    return value or abs(value)


def json_text(document: Mapping[str, Any]) -> str:
    """Write a document as JSON.

    Returns
    -------
    str
        ASCII, ends with a newline. Floats have full precision, decimals every digit as numbers; infinity is refused.
    """
    exact = _fixed(plain(document))
    return str(simplejson.dumps(exact, indent=2, allow_nan=False, use_decimal=True)) + "\n"


def plain_number(value: Decimal) -> str:
    """Write a decimal with all its digits, without exponent."""
    return format(_plain_decimal(value), "f")


class _Number(Decimal):
    """A decimal that is written without exponent."""

    def __str__(self) -> str:
        return format(self, "f")


def _fixed(value: object) -> object:
    if isinstance(value, Decimal):
        return _Number(value)
    if isinstance(value, dict):
        return {key: _fixed(each) for key, each in value.items()}
    return [_fixed(each) for each in value] if isinstance(value, list) else value


_FORMULA = re.compile(r"'*[=+\-@\t\r]")


def as_cell(text: str) -> str:
    """Write a name as a cell that a spreadsheet shows and does not work out: with an apostrophe before ``=+-@``."""
    return f"'{text}" if _FORMULA.match(text) else text


def as_written(cell: str) -> str:
    """Return the name that :func:`as_cell` made a cell of."""
    return cell[1:] if cell.startswith("'") and _FORMULA.match(cell[1:]) else cell


def write_files(directory: Path, texts: Mapping[str, str]) -> tuple[Path, ...]:
    """Write several text files into a folder, made if need be, as :func:`dispatch.writing.write`.

    Parameters
    ----------
    directory : pathlib.Path
    texts : mapping of str to str
        File name to content; written as UTF-8.

    Raises
    ------
    OSError, OutputError
        If one cannot be written; then nothing has been replaced and no temporary file stays behind.
    """
    return write({directory / name: text.encode() for name, text in texts.items()})
