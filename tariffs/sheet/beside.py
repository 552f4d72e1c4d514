"""Files that a tariff names and that lie beside it: event dates and price series."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from tariffs.errors import TariffError
from tariffs.reading.steps import even_step
from tariffs.reading.table import Readings, read_table
from tariffs.sheet.tariff import HourlyPrices, PriceSeries

_DATED = ("events", "demand", "rebates")
"""Tables whose entries may take their dates from a CSV."""
_UNITS = {"_per_kwh": 1.0, "_per_mwh": 0.001}


def with_event_dates(document: Mapping[str, Any], folder: Path) -> dict[str, Any]:
    """Return a tariff document whose events and demand windows hold the dates of the CSV files they name.

    Raises
    ------
    TariffError
        If such a file cannot be read.
    """
    complete = dict(document)
    for table in _DATED:
        if table in document:
            complete[table] = [_dated(entry, folder, table) for entry in _listed(document[table])]
    return complete


def _listed(value: object) -> list[object]:
    return value if isinstance(value, list) else [value]


def _dated(entry: object, folder: Path, table: str) -> object:
    """Return an entry with the dates of its CSV, and of those of its windows."""
    if not isinstance(entry, Mapping):
        return entry
    if "windows" in entry:
        entry = {**entry, "windows": [_dated(one, folder, table) for one in _listed(entry["windows"])]}
    own = entry.get("dates", [])
    if not isinstance(entry.get("csv"), str) or not isinstance(own, list):
        return entry
    return {**entry, "dates": [*own, *read_table(folder / entry["csv"], TariffError).dates("date", table)]}


def read_prices(hourly: HourlyPrices, folder: Path, zone: str | None) -> PriceSeries:
    """Read the price series a tariff names.

    Parameters
    ----------
    hourly : HourlyPrices
        The file and its columns; a column's name ends in its unit, ``_per_kwh`` or ``_per_mwh``.
    folder : Path
        Where the tariff lies.
    zone : str or None
        The clock of times without offset.

    Raises
    ------
    TariffError
        If the file cannot be read as it stands.
    """
    path = folder / hourly.csv
    wanted = {
        f"hourly_prices.{key}": name
        for key in ("import_column", "export_column")
        if (name := getattr(hourly, key)) is not None
    }
    factors = {key: _factor(path, name, key) for key, name in wanted.items()}
    table = read_table(path, TariffError)
    readings = table.readings({name: key for key, name in wanted.items()}, zone, negative=True)
    _refuse_days(readings)
    prices = {key: readings.columns[name] * factors[key] for key, name in wanted.items()}
    return PriceSeries(
        path=str(path),
        starts=np.asarray(readings.times.as_unit("s").asi8, dtype=np.int64),
        seconds=round(even_step(readings).total_seconds()),
        import_price_per_kwh=prices.get("hourly_prices.import_column"),
        export_price_per_kwh=prices.get("hourly_prices.export_column"),
    )


def _refuse_days(readings: Readings) -> None:
    """Refuse a row a day over a clock change: a day of 23 or 25 hours is no even row."""
    local = readings.times
    hours = set((np.diff(local.asi8) // 3_600_000_000_000).tolist()) if len(local) > 1 else set()
    if len(hours) > 1 and hours <= {23, 24, 25}:
        at = int(np.flatnonzero(np.diff(local.asi8) != 24 * 3_600_000_000_000)[0])
        raise readings.refuse(
            f"{readings.path}: a row a day cannot hold over a change of the clock, where a day has 23 or 25 hours (got "
            f"{local[at].isoformat()} and then {local[at + 1].isoformat()}); write a row for each hour, each with its "
            "day's price"
        )


def _factor(path: Path, name: str, asked_by: str) -> float:
    factor = next((factor for ending, factor in _UNITS.items() if name.lower().endswith(ending)), None)
    if factor is None:
        raise TariffError(
            f"{path}: the column name {name!r}, needed by {asked_by}, has no unit; rename the column in the file "
            f"so that it ends in {' or '.join(_UNITS)}"
        )
    return factor
