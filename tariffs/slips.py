"""What a tariff or a meter file may say but hardly means: an amount in cents, a register's level read as energy.

Findings are facts; whoever shows them has the words. Nothing here refuses anything. The thresholds lie outside what
households see and inside what the usual slips give (a factor of 10, 100 or 1,000, a loss for an efficiency).
"""
# common practice, no source: every threshold of this module

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

import numpy as np
from pydantic import BaseModel

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from tariffs.meter import Meter
    from tariffs.sheet.tariff import Tariff

    Floats = NDArray[np.float64]

MAJOR = frozenset({"AUD", "CAD", "CHF", "EUR", "GBP", "NZD", "SGD", "USD"})
"""Currencies in whose unit a kWh costs well below 3 and a day's standing charge below 4."""

DEAR_PER_KWH = 3.0
DEAR_PER_DAY = 4.0
LARGE_KWH_PER_YEAR = 150_000.0
_YEAR_HOURS = 8760.0
_FEW_STEPS = 48
_DUST_KWH = 1e-9


@dataclass(frozen=True)
class Slip:
    """One thing that is allowed and looks wrong.

    Attributes
    ----------
    kind : str
        What looks wrong, as the words know it.
    place : str
        Dotted setting, or what of a series.
    seen : float or str
        As it stands there.
    meant : float or str or None
        What it was probably meant to be; None where that cannot be told.
    """

    kind: str
    place: str
    seen: float | str
    meant: float | str | None = None


def tariff_slips(tariff: Tariff) -> tuple[Slip, ...]:
    """Find what looks wrong in a tariff file, each thing once however many versions repeat it."""
    major = tariff.currency in MAJOR
    found = [slip for dated in tariff.sheets for slip in _walk(dated.sheet, "", major=major)]
    prices = tariff.series.import_price_per_kwh if tariff.series is not None else None
    if major and prices is not None and len(prices) and (usual := float(np.median(prices))) > DEAR_PER_KWH:
        found.append(Slip("price", "hourly_prices.import_column, usual price", usual, usual / 100))
    return tuple(dict.fromkeys(found))


def _walk(table: BaseModel, prefix: str, *, major: bool) -> Iterator[Slip]:
    for name in type(table).model_fields:
        if name != "versions":
            yield from _value(getattr(table, name), f"{prefix}{name}", name, major=major)


def _value(value: object, place: str, name: str, *, major: bool) -> Iterator[Slip]:
    if isinstance(value, BaseModel):
        yield from _walk(value, f"{place}.", major=major)
    elif isinstance(value, Mapping):
        for key, each in value.items():
            yield from _value(each, f"{place}.{key}", name, major=major)
    elif isinstance(value, tuple) and value and isinstance(value[0], BaseModel):
        for at, each in enumerate(value, 1):
            yield from _value(each, f"{place}[{at}]", name, major=major)
    elif isinstance(value, Decimal):
        yield from _number(float(value), place, name, major=major)


def _number(value: float, place: str, name: str, *, major: bool) -> Iterator[Slip]:
    if name.endswith("per_kwh") and major and abs(value) > DEAR_PER_KWH:
        yield Slip("price", place, value, value / 100)
    elif name == "percent" and 0 < abs(value) < 1:
        yield Slip("small percent", place, value, value * 100)
    elif name == "percent" and abs(value) > 100:
        yield Slip("large percent", place, value, value / 100)
    elif name == "loss_factor" and value > 1.5:
        yield Slip("loss factor", place, value, 1 + value / 100)
    elif name == "loss_factor" and value < 0.5:
        yield Slip("loss factor", place, value, 1 + value)
    elif name == "per_day" and major and abs(value) > DEAR_PER_DAY:
        yield Slip("day or month", place, value, value)


def meter_slips(meter: Meter) -> tuple[Slip, ...]:
    """Find what looks wrong in a meter's readings."""
    found = list(_energy(meter.import_kwh, "import", meter.dt_hours))
    found += _energy(meter.export_kwh, "export", meter.dt_hours)
    both = (meter.import_kwh > _DUST_KWH) & (meter.export_kwh > _DUST_KWH)
    if len(both) >= _FEW_STEPS and both.all():
        found.append(Slip("import and export together", "import, export", f"{len(both):,}"))
    if meter.export_kwh.any() and np.array_equal(meter.import_kwh, meter.export_kwh):
        found.append(Slip("equal", "export", "import"))
    if meter.whole_z_days:
        found.append(Slip("labelled Z", "time", str(meter.times.tz)))
    return tuple(found)


def _energy(values_kwh: Floats, place: str, dt_hours: float) -> Iterator[Slip]:
    if only_rises(values_kwh):
        yield Slip("register", place, f"{values_kwh[0]:.6g} to {values_kwh[-1]:.6g}")
    elif (year := per_year(values_kwh, dt_hours)) > LARGE_KWH_PER_YEAR:
        yield Slip("large energy", place, year, year / 1000)


def per_year(values_kwh: Floats, dt_hours: float) -> float:
    """Scale energy to a year. [kWh]."""
    return float(values_kwh.sum()) * _YEAR_HOURS / (len(values_kwh) * dt_hours)


def only_rises(values: Floats) -> bool:
    """Tell whether a column never falls and ends above where it began, as the level of a register does."""
    return len(values) >= _FEW_STEPS and bool(values[-1] > values[0] and (np.diff(values) >= 0).all())
