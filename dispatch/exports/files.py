"""From records to JSON, and files that are whole or absent: the one encoder, the one writer."""

from __future__ import annotations

import dataclasses
import datetime as dt
import math
import os
from collections.abc import Mapping, Sequence
from decimal import ROUND_HALF_EVEN, Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import simplejson
from pydantic import BaseModel

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


def write_files(directory: Path, texts: Mapping[str, str]) -> tuple[Path, ...]:
    """Write several text files so that a reader sees each of them whole or not at all.

    Parameters
    ----------
    directory : pathlib.Path
        Made if need be.
    texts : mapping of str to str
        File name to content; written as UTF-8.

    Returns
    -------
    tuple of pathlib.Path
        The files, in the given order.

    Raises
    ------
    OSError
        If one cannot be written; then nothing has been replaced and no temporary file stays behind.
    """
    directory.mkdir(parents=True, exist_ok=True)
    moves = {directory / f".{name}.{os.getpid()}.tmp": directory / name for name in texts}
    try:
        for temporary, text in zip(moves, texts.values(), strict=True):
            temporary.write_text(text, encoding="utf-8", newline="")
        for temporary, target in moves.items():
            os.replace(temporary, target)  # noqa: PTH105 - the atomic rename, by its own name
    finally:
        for temporary in moves:
            temporary.unlink(missing_ok=True)
    return tuple(moves.values())
