"""Tables as Parquet: the same columns as the CSV, times as ISO text with offset, floats to the bit."""

from __future__ import annotations

import csv
import io
import math
from decimal import Decimal
from typing import TYPE_CHECKING

from dispatch.errors import SeriesError
from dispatch.exports.files import as_written
from dispatch.writing import collected, together, write

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
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
        If a file cannot be written; then none of them is.
    """
    with together():
        return tuple(write_table(directory / f"{name}.parquet", table) for name, table in tables.items())


def beside_csv(write_csv: Callable[[Path], object], directory: Path) -> tuple[Path, ...]:
    """Write as Parquet what an export writes as CSV.

    Parameters
    ----------
    write_csv : callable
        Writes CSV files into the directory it is given.
    directory : Path
        Where the Parquet files go, by the names of the CSV files.

    Returns
    -------
    tuple of Path
        Columns of whole numbers and floats are such (the same bits as in memory: the CSV holds every digit); exact
        decimals stay decimals; all else, times with their offset too, is text.
    """
    with collected() as files:
        write_csv(directory)
    tables = {path.stem: _typed(files[path].decode()) for path in sorted(files)}
    return write_tables(directory, tables)


def _typed(text: str) -> pd.DataFrame:
    import pandas as pd  # noqa: PLC0415 - the libraries are loaded where they are used

    header, *rows = csv.reader(io.StringIO(text, newline=""))
    columns = zip(*rows, strict=True) if rows else ((),) * len(header)
    named = (tuple(map(as_written, cells)) for cells in columns)
    return pd.DataFrame({name: _column(cells) for name, cells in zip(header, named, strict=True)})


def _column(cells: tuple[str, ...]) -> object:
    import pandas as pd  # noqa: PLC0415

    filled = [cell for cell in cells if cell]
    if filled and len(filled) == len(cells) and all(cell.removeprefix("-").isdigit() for cell in cells):
        return pd.Series(list(map(int, cells)), dtype="int64")
    try:
        values = [float(cell) if cell else math.nan for cell in cells]
    except ValueError:
        return pd.Series(list(cells), dtype=object)
    short = filled and all(repr(float(cell)) == cell or float(cell).is_integer() for cell in filled)
    if short:
        return pd.Series(values, dtype="float64")
    return pd.Series([Decimal(cell) if cell else None for cell in cells], dtype=object)


def write_table(path: Path, table: pd.DataFrame) -> Path:
    """Write one table.

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
        if values.dtype.kind in "fiub":
            array = pa.array(values.to_numpy())
        else:
            cells = values.tolist()
            exact = any(isinstance(cell, Decimal) for cell in cells)
            array = pa.array(cells) if exact else pa.array(cells, type=pa.string())
        unit = next((unit for ending, unit in _UNITS.items() if name.endswith(ending)), None)
        unit = "ISO 8601 with offset" if name == "time" else unit
        fields.append(pa.field(name, array.type, metadata=None if unit is None else {"unit": unit}))
        arrays.append(array)
    whole = io.BytesIO()
    pq.write_table(pa.table(arrays, schema=pa.schema(fields)), whole)
    write({path: whole.getvalue()})
    return path
