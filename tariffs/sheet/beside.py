"""Files that a tariff names and that lie beside it: event dates and price series."""

import datetime as dt
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from tariffs.errors import TariffError
from tariffs.reading.table import Floats, Rows, column, numbers, read_rows, regular_seconds, times
from tariffs.sheet.tariff import HourlyPrices, PriceSeries

_UNITS = {"_per_kwh": 1.0, "_per_mwh": 0.001}


def with_event_dates(document: Mapping[str, Any], folder: Path) -> dict[str, Any]:
    """Return a tariff document whose events hold the dates of the CSV files they name.

    Raises
    ------
    TariffError
        If such a file cannot be read.
    """
    events = document.get("events")
    if events is None:
        return dict(document)
    listed = events if isinstance(events, list) else [events]
    return {**document, "events": [_event(event, folder) for event in listed]}


def _event(event: object, folder: Path) -> object:
    if not isinstance(event, Mapping) or not isinstance(event.get("csv"), str):
        return event
    own = event.get("dates", [])
    return {**event, "dates": [*own, *_dates(folder / event["csv"])]} if isinstance(own, list) else event


def _dates(path: Path) -> list[dt.date]:
    rows = read_rows(path)
    found = []
    for line, cell in zip(rows.lines, column(rows, "date", "events"), strict=True):
        try:
            found.append(dt.date.fromisoformat(cell.strip()))
        except ValueError:
            text = "not a date; write 2025-07-31"
            raise TariffError(f"{path}: row {line}: column 'date': {text} (got {cell!r})") from None
    return found


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
    rows = read_rows(folder / hourly.csv)
    moments = times(rows, zone)
    seconds = regular_seconds(rows, moments)
    return PriceSeries(
        path=str(rows.path),
        starts=np.asarray(moments.as_unit("s").asi8, dtype=np.int64),
        seconds=seconds,
        import_price_per_kwh=_prices(rows, hourly.import_column, "hourly_prices.import_column"),
        export_price_per_kwh=_prices(rows, hourly.export_column, "hourly_prices.export_column"),
    )


def _prices(rows: Rows, name: str | None, asked_by: str) -> Floats | None:
    if name is None:
        return None
    factor = next((factor for ending, factor in _UNITS.items() if name.lower().endswith(ending)), None)
    if factor is None:
        endings = " or ".join(_UNITS)
        raise TariffError(
            f"{rows.path}: column {name!r}, needed by {asked_by}, does not say its unit; "
            f"end its name in {endings} (got {name!r})"
        )
    return numbers(rows, name, asked_by, negative=True) * factor
