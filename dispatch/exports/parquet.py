"""Tables as Parquet: the same columns as the CSV, times as ISO text with offset, floats to the bit."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from dispatch.errors import SeriesError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    import pandas as pd

    from dispatch.arrays import Floats


_UNITS = {
    "_per_kwh": "currency/kWh",
    "_kwh": "kWh",
    "_kw": "kW",
    "_wh": "Wh",
    "_w": "W",
    "_hours": "h",
    "_fraction": "1",
    "_percent": "%",
}


def write_parquet(path: Path, times: pd.DatetimeIndex, columns: Mapping[str, Floats]) -> Path:
    """Write a series.

    Parameters
    ----------
    path : Path
    times : DatetimeIndex, shape (n,)
        tz-aware; written as ISO 8601 text with offset.
    columns : mapping of str to ndarray of float, shape (n,)
        By name; the ending is the unit and also stands in the field's metadata.
    """
    import pandas as pd  # noqa: PLC0415 - the libraries are loaded where they are used

    from dispatch.intake.write import iso_times  # noqa: PLC0415

    return write_table(path, pd.DataFrame({"time": iso_times(times), **columns}))


def write_tables(directory: Path, tables: Mapping[str, pd.DataFrame]) -> tuple[Path, ...]:
    """Write several tables into a directory, made if need be.

    Raises
    ------
    OSError
        If a file cannot be written; a file is whole or absent.
    """
    directory.mkdir(parents=True, exist_ok=True)
    return tuple(write_table(directory / f"{name}.parquet", table) for name, table in tables.items())


def write_table(path: Path, table: pd.DataFrame) -> Path:
    """Write one table under a temporary name, then give it its own.

    Raises
    ------
    SeriesError
        If the library that writes Parquet is not installed.
    OSError
        If the file cannot be written.
    """
    try:
        import pyarrow as pa  # noqa: PLC0415
        import pyarrow.parquet as pq  # noqa: PLC0415
    except ImportError:
        raise SeriesError(
            f"{path}: writing Parquet needs the library pyarrow; install it: pip install 'tou-dispatch[parquet]'"
        ) from None
    fields, arrays = [], []
    for name in table.columns:
        values = table[name]
        text = values.dtype.kind not in "fiub"
        array = pa.array(values.tolist(), type=pa.string()) if text else pa.array(values.to_numpy())
        unit = next((unit for ending, unit in _UNITS.items() if name.endswith(ending)), None)
        unit = "ISO 8601 with offset" if name == "time" else unit
        fields.append(pa.field(name, array.type, metadata=None if unit is None else {"unit": unit}))
        arrays.append(array)
    temporary = path.with_name(f".{path.name}.{os.getpid()}.tmp")
    try:
        pq.write_table(pa.table(arrays, schema=pa.schema(fields)), temporary)
        os.replace(temporary, path)  # noqa: PTH105 - the atomic rename, by its own name
    finally:
        temporary.unlink(missing_ok=True)
    return path
