"""A meter's own readings, for pricing a bill without a scenario."""

import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from tariffs.errors import MeterError
from tariffs.reading.table import Floats, Rows, column, numbers, read_rows, regular_seconds, times

_STEPS = (900, 1800, 3600)


_UNITS = {"_kwh": (1.0, 0.0), "_kw": (0.0, 1.0), "_wh": (0.001, 0.0), "_w": (0.0, 0.001)}


_OFFSET = re.compile(r"[+-]\d\d:?\d\d$")
"""By ending: factor to kWh for energy in the step, or to kW for mean power in it."""


@dataclass(frozen=True)
class Meter:
    """Readings of one meter.

    Attributes
    ----------
    times : DatetimeIndex, length n
        Starts of the steps; on the clock of the zone asked for, else in UTC.
    dt_hours : float
        Length of a step: 0.25, 0.5 or 1. [h]
    import_kwh, export_kwh : array, shape (n,)
        Energy within each step, both >= 0; no export column means none. [kWh]
    other_clock : str
        The offsets the readings carry, where none of them is ever the zone's: they may be of another place.
    """

    times: pd.DatetimeIndex
    dt_hours: float
    import_kwh: Floats
    export_kwh: Floats
    other_clock: str = ""


def read_meter(
    path: str | Path,
    time_zone: str | None = None,
    import_columns: Sequence[str] = (),
    export_columns: Sequence[str] = (),
) -> Meter:
    """Read ``time,import_kwh[,export_kwh]`` rows of 15, 30 or 60 minutes, labelled by their start.

    Parameters
    ----------
    path : str or Path
        A CSV in UTF-8 whose first line names the columns; other columns are not read.
    time_zone : str, optional
        The clock that times without an offset are read on, usually the tariff's.
    import_columns, export_columns : sequence of str, optional
        Columns to add up in place of ``import_kwh`` and ``export_kwh``. Their unit is their ending: ``_kwh`` or
        ``_wh`` (energy in the step), ``_kw`` or ``_w`` (mean power in it).

    Raises
    ------
    MeterError
        If the file cannot be read as it stands: the message names the file, the row, the value and the
        remedy. Nothing is filled in.
    """
    rows = read_rows(Path(path))
    if not import_columns:
        _check_default(rows)
    for name in (*import_columns, *export_columns):
        _check_column(rows, name)
    moments = times(rows, time_zone)
    seconds = regular_seconds(rows, moments, _STEPS)
    hours = seconds / 3600
    bought = _energy(rows, import_columns or ("import_kwh",), hours)
    given = ("export_kwh",) if "export_kwh" in rows.cells and not import_columns else ()
    sold = _energy(rows, export_columns or given, hours)
    local = moments if time_zone is None else moments.tz_convert(time_zone)
    return Meter(local, hours, bought, sold, "" if time_zone is None else _other_clock(rows, local))


def _check_default(rows: Rows) -> None:
    """Refuse a file without ``import_kwh``: which of its columns is what the meter bought is not to be guessed."""
    if "import_kwh" not in rows.cells:
        have = ", ".join(name for name in rows.cells if name != "time")
        near = [name for name in rows.cells if "import" in name.casefold()]
        hint = f"did you mean {near[0]!r}? Rename" if near else "rename"
        raise MeterError(
            f"{rows.path}: has no column 'import_kwh' (got {have}); {hint} the column that holds what was "
            "bought, or name it with --import COLUMN (several are added up)"
        )


def _other_clock(rows: Rows, local: pd.DatetimeIndex) -> str:
    """Return the offsets that readings carry where none is ever the zone's; Z and +00:00 name no clock."""
    stated = {found[0] for text in rows.cells["time"] if (found := _OFFSET.search(text))} - {"+00:00"}
    apart = (local.tz_localize(None) - local.tz_convert("UTC").tz_localize(None)).unique()
    kept = {f"{pd.Timestamp(0, tz=dt.timezone(offset)):%z}" for offset in apart.to_pytimedelta()}
    return "" if {text.replace(":", "") for text in stated} & kept else ", ".join(sorted(stated))


def _check_column(rows: Rows, name: str) -> None:
    column(rows, name, "the bill")
    if not name.endswith(tuple(_UNITS)):
        text = "the ending of its name must say its unit: _kwh, _wh, _kw or _w"
        raise MeterError(f"{rows.path}: column {name!r}: {text} (got {name!r}); rename it, as in {name}_kwh")


def _energy(rows: Rows, names: Sequence[str], hours: float) -> Floats:
    total = np.zeros(len(rows.lines))
    for name in names:
        energy, power = next(factors for ending, factors in _UNITS.items() if name.endswith(ending))
        total += numbers(rows, name, "the bill") * (energy + power * hours)
    return total
