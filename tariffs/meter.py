"""A meter's own readings, for pricing a bill without a scenario."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from tariffs.meter_rows import Floats, numbers, read_rows, regular_seconds, times

_STEPS = (900, 1800, 3600)


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
    """

    times: pd.DatetimeIndex
    dt_hours: float
    import_kwh: Floats
    export_kwh: Floats


def read_meter(path: str | Path, time_zone: str | None = None) -> Meter:
    """Read ``time,import_kwh[,export_kwh]`` rows of 15, 30 or 60 minutes, labelled by their start.

    Parameters
    ----------
    path : str or Path
        A CSV in UTF-8 whose first line names the columns; other columns are not read.
    time_zone : str, optional
        The clock that times without an offset are read on, usually the tariff's.

    Raises
    ------
    MeterError
        If the file cannot be read as it stands: the message names the file, the row, the value and the
        remedy. Nothing is filled in.
    """
    rows = read_rows(Path(path))
    moments = times(rows, time_zone)
    seconds = regular_seconds(rows, moments, _STEPS)
    bought = numbers(rows, "import_kwh", "the bill")
    has_export = "export_kwh" in rows.cells
    sold = numbers(rows, "export_kwh", "the bill") if has_export else np.zeros(len(bought))
    local = moments if time_zone is None else moments.tz_convert(time_zone)
    return Meter(local, seconds / 3600, bought, sold)
