"""The series an import gives, as CSV with units in its headings and times with their offset."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from dispatch.arrays import Floats


def iso_times(times: pd.DatetimeIndex) -> list[str]:
    """Write local times with their offset, such as ``2025-01-31T14:00:00-05:00``."""
    utc = np.asarray(times.as_unit("s").asi8, dtype=np.int64)
    local = np.asarray(times.tz_localize(None).as_unit("s").asi8, dtype=np.int64)
    texts = np.datetime_as_string(local.astype("datetime64[s]"), unit="s").tolist()
    offsets = local - utc
    words = {offset: _offset(offset) for offset in np.unique(offsets).tolist()}
    return [text + words[offset] for text, offset in zip(texts, offsets.tolist(), strict=True)]


def _offset(seconds: int) -> str:
    minutes = abs(seconds) // 60
    return f"{'-' if seconds < 0 else '+'}{minutes // 60:02d}:{minutes % 60:02d}"


def csv_text(times: pd.DatetimeIndex, columns: Mapping[str, Floats]) -> str:
    """Write columns beside their times, every digit needed to read them back to the same bits.

    Parameters
    ----------
    times : DatetimeIndex, shape (n,)
        Starts of the steps, tz-aware.
    columns : mapping of str to ndarray of float, shape (n,)
        By name; the ending is the unit.

    Returns
    -------
    str
    """
    cells = [iso_times(times), *([repr(value) for value in values.tolist()] for values in columns.values())]
    rows = map(",".join, zip(*cells, strict=True))
    return "\n".join((",".join(("time", *columns)), *rows, ""))
