"""A tariff file and a meter file brought together: the bill, and what lies behind its lines."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

import tariffs
from tariffs.periods.layout import holidays_in_force
from tariffs.reading.clock import unknown_zone
from tariffs.reading.refusals import show
from tariffs.terms.event_days import EventTotals, event_totals
from tariffs.terms.peak_demand import PeakDemand, peak_demand

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from tariffs.sheet.holidays import KeptHoliday


_ROUNDED_KWH = 1e-3
"""A meter's last digit: two registers that show the same may differ by it."""


@dataclass(frozen=True)
class MeterBill:
    """What ``dispatch bill`` shows.

    Attributes
    ----------
    tariff : Tariff
    meter_path : Path
    meter : Meter
        On the tariff's clock.
    bill : Bill
    events : EventTotals or None
        Energy and money on event days; None without any.
    demand : tuple of PeakDemand
        Highest demand by charge and period.
    holidays : tuple of KeptHoliday
        What the tariff's calendar keeps as holidays in the years of the readings.
    """

    tariff: tariffs.Tariff
    meter_path: Path
    meter: tariffs.Meter
    bill: tariffs.Bill
    events: EventTotals | None
    demand: tuple[PeakDemand, ...]
    holidays: tuple[KeptHoliday, ...] = ()

    def at_least(self, period: str | None = None) -> bool:
        """Tell whether a demand figure behind a period's bill, or any bill, may have been higher."""
        return any(peak.at_least for peak in self.demand if period in {None, peak.period})


def meter_bill(
    tariff_path: Path,
    meter_path: Path,
    time_zone: str | None = None,
    import_columns: Sequence[str] = (),
    export_columns: Sequence[str] = (),
) -> MeterBill:
    """Price a meter file under a tariff file.

    Parameters
    ----------
    tariff_path, meter_path : Path
    time_zone : str, optional
        The tariff's clock, for a tariff file that names none.
    import_columns, export_columns : sequence of str, optional
        Columns of the meter file to add up in place of ``import_kwh`` and ``export_kwh``.

    Raises
    ------
    TariffError
        If a file cannot be used, the two do not fit each other, or no clock is known.
    """
    tariff = tariffs.load_tariff(tariff_path)
    zone = _zone_of(tariff, time_zone)
    columns = {register.name: register.meter_column for register, _ in tariff.beside}
    meter = tariffs.read_meter(meter_path, zone, import_columns, export_columns, columns)
    meter = _without_inner_registers(tariff, meter, meter_path)
    bill = tariffs.bill(
        tariff, meter.times, meter.dt_hours, meter.import_kwh, meter.export_kwh, others=meter.others
    )
    prices = tariffs.price_steps(tariff, meter.times, meter.dt_hours, meter.others)
    return MeterBill(
        tariff=tariff,
        meter_path=meter_path,
        meter=meter,
        bill=bill,
        events=event_totals(prices, meter.import_kwh, meter.export_kwh),
        demand=peak_demand(prices, meter.import_kwh, meter.export_kwh),
        holidays=holidays_in_force(tariff, bill.periods[0].start, bill.periods[-1].end),
    )


def _without_inner_registers(tariff: tariffs.Tariff, meter: tariffs.Meter, path: Path) -> tariffs.Meter:
    """Take off the main meter what registers behind it count on their own."""
    for register, _ in tariff.beside:
        if not register.inside_main:
            continue
        key = "import_kwh" if register.of == "import" else "export_kwh"
        own = meter.others.registers[register.name]
        rest = getattr(meter, key) - own
        if (low := np.flatnonzero(rest < -_ROUNDED_KWH)).size:
            at = int(low[0])
            raise tariffs.MeterError(
                f"{path}: column {register.meter_column!r}: register {register.name!r} lies inside the main meter and "
                f"counts more than it in {low.size:,} steps (got {own[at]:g} kWh of {getattr(meter, key)[at]:g} in the "
                f"step {meter.times[at].isoformat()}); correct the readings, or drop inside_main"
            )
        meter = replace(meter, **{key: np.maximum(rest, 0.0)})
    return meter


def _zone_of(tariff: tariffs.Tariff, asked: str | None) -> str:
    """Choose the clock; refuse none, an unknown one, and one that contradicts the file."""
    if asked is not None and (problem := unknown_zone(asked)) is not None:
        raise tariffs.TariffError(f"--time-zone: {problem} (got {show(asked)})")
    if tariff.time_zone is None and asked is None:
        raise tariffs.TariffError(
            f"{tariff.source}: time_zone: the file names no clock for its windows and days; add "
            'time_zone = "..." to it, or name one with --time-zone America/Moncton'
        )
    if asked is not None and tariff.time_zone not in {None, asked}:
        raise tariffs.TariffError(
            f"--time-zone: contradicts the tariff {tariff.source}, which follows the clock of "
            f"'{tariff.time_zone}' (got '{asked}'); leave --time-zone out, or correct the file"
        )
    return asked or tariff.time_zone or "UTC"
