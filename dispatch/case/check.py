"""What can be told about a case without solving it: the facts behind ``dispatch check``."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from dispatch.case.origin import origin_of
from dispatch.case.transfer import transfer_gap
from tariffs.periods.layout import holidays_in_force

if TYPE_CHECKING:
    from pathlib import Path

    from dispatch.arrays import Floats
    from dispatch.case.case import Case
    from dispatch.case.limits import Limits
    from dispatch.case.origin import Origin
    from dispatch.case.transfer import TransferGap
    from tariffs.sheet.holidays import KeptHoliday
    from tariffs.slips import Slip


_YEAR_HOURS = 8760.0


@dataclass(frozen=True)
class SeriesSummary:
    """One load, or the sun, over the span.

    Attributes
    ----------
    name : str
        "load", "other_load", "critical_load", "idle" or "sun", as in the scenario file.
    kwh, kwh_per_year : float
        Energy over the span, and scaled to 8,760 hours. [kWh]
    mean_kw, peak_kw : float
        Mean power over the span, and the largest mean power of a step. [kW]
    peak_at : pandas.Timestamp
        Start of the first step with that power.
    """

    name: str
    kwh: float
    kwh_per_year: float
    mean_kw: float
    peak_kw: float
    peak_at: pd.Timestamp


@dataclass(frozen=True)
class BandSummary:
    """One price of the tariff.

    Attributes
    ----------
    name : str
        As the tariff calls it; "hourly prices" where the tariff has no named windows.
    hours, share_fraction : float
        How long it holds, and as a share of the span. [h]
    import_low_per_kwh, import_high_per_kwh, export_low_per_kwh, export_high_per_kwh : float
        Lowest and highest price in it, all adjustments counted: they differ where seasons or tariff
        versions do.
    load_kwh : float
        Consumption in it: load, rest of the house and idle draw. [kWh]
    """

    name: str
    hours: float
    share_fraction: float
    import_low_per_kwh: float
    import_high_per_kwh: float
    export_low_per_kwh: float
    export_high_per_kwh: float
    load_kwh: float


@dataclass(frozen=True)
class CheckSummary:
    """A case in a page: nothing here needs a solved program.

    Attributes
    ----------
    path : Path
        The scenario file.
    name, currency, time_zone, tariff_name : str
        As the files say.
    start, end : pandas.Timestamp
        First instant, and the end of the last step.
    steps : int
    dt_hours, hours : float
        Length of a step and of the span. [h]
    series : tuple of SeriesSummary
        load, other_load, critical_load, idle, sun, in this order; the sun after clipping.
    bands : tuple of BandSummary
        The tariff's prices that occur, cheapest first.
    limits : Limits
    usable_kwh : float
        full - empty. [kWh]
    floor_low_kwh, floor_high_kwh : float
        Lowest and highest level the reserve asks for. [kWh]
    floor_capped_hours : float
        How long a reserve in hours asks for more than the ceiling. [h]
    clipped_sun_kwh : float
        Sun lost to the limit of the solar input. [kWh]
    target_hours : float or None
        Hours of backup wanted, if any were stated. [h]
    share_of_instants_fraction : float
        Share of all instants at which they are wanted.
    critical_above_inverter_hours : float
        How long the critical load with idle draw is above what the inverter holds. [h]
    repeats : bool
        Whether the period ends at the level it begins with; start and closing level are not used then.
    transfer : TransferGap or None
        Which loads notice the system taking over, where a time is stated.
    notes : tuple of str
        What was left out, clipped, capped or wrapped.
    holidays : tuple of KeptHoliday
        What the tariff's calendar keeps as holidays in the years of the data.
    slips : tuple of Slip
        What looks odd.
    origin : Origin
        What the summary was made from.
    """

    path: Path
    name: str
    currency: str
    time_zone: str
    tariff_name: str
    start: pd.Timestamp
    end: pd.Timestamp
    steps: int
    dt_hours: float
    hours: float
    series: tuple[SeriesSummary, ...]
    bands: tuple[BandSummary, ...]
    limits: Limits
    usable_kwh: float
    floor_low_kwh: float
    floor_high_kwh: float
    floor_capped_hours: float
    clipped_sun_kwh: float
    target_hours: float | None
    share_of_instants_fraction: float
    critical_above_inverter_hours: float
    repeats: bool
    transfer: TransferGap | None
    notes: tuple[str, ...]
    slips: tuple[Slip, ...]
    origin: Origin
    holidays: tuple[KeptHoliday, ...] = ()


def check_summary(case: Case) -> CheckSummary:
    """Sum up a case without solving anything."""
    dt_hours, steps, limits = case.dt_hours, len(case.times), case.limits
    series = {
        "load": case.load_kwh,
        "other_load": case.other_kwh,
        "critical_load": case.critical_kwh,
        "idle": case.idle_kwh,
        "sun": case.sun_kwh,
    }
    outage_kw = (case.critical_kwh + case.idle_kwh) / dt_hours
    return CheckSummary(
        path=case.path,
        name=case.name,
        currency=case.currency,
        time_zone=case.scenario.site.time_zone,
        tariff_name=case.tariff.name,
        start=case.times[0],
        end=case.times[-1] + pd.Timedelta(hours=dt_hours),
        steps=steps,
        dt_hours=dt_hours,
        hours=steps * dt_hours,
        series=tuple(_series(case, name, values) for name, values in series.items()),
        bands=_bands(case),
        limits=limits,
        usable_kwh=limits.full_kwh - limits.empty_kwh,
        floor_low_kwh=float(case.floor_kwh.min()),
        floor_high_kwh=float(case.floor_kwh.max()),
        floor_capped_hours=float(case.floor_capped_steps.sum() * dt_hours),
        clipped_sun_kwh=case.clipped_sun_kwh,
        target_hours=case.scenario.backup.target_hours,
        share_of_instants_fraction=case.scenario.backup.share_of_instants_fraction,
        critical_above_inverter_hours=float((outage_kw > limits.inverter_kw + 1e-9).sum() * dt_hours),
        repeats=case.scenario.repeats,
        transfer=transfer_gap(case),
        notes=case.notes,
        holidays=holidays_in_force(case.tariff, case.times[0].date(), case.times[-1].date()),
        slips=case.slips,
        origin=origin_of(case.inputs),
    )


def _series(case: Case, name: str, values_kwh: Floats) -> SeriesSummary:
    hours = len(values_kwh) * case.dt_hours
    at = int(np.argmax(values_kwh))
    total_kwh = float(values_kwh.sum())
    return SeriesSummary(
        name=name,
        kwh=total_kwh,
        kwh_per_year=total_kwh * _YEAR_HOURS / hours,
        mean_kw=total_kwh / hours,
        peak_kw=float(values_kwh[at]) / case.dt_hours,
        peak_at=case.times[at],
    )


def _bands(case: Case) -> tuple[BandSummary, ...]:
    prices = case.prices
    drawn_kwh = case.load_kwh + case.other_kwh + case.idle_kwh
    everywhere = np.ones(len(case.times), dtype=bool)
    if prices.hourly:
        named = {"hourly prices": everywhere}
    else:
        named = {name: prices.band == at for at, name in enumerate(prices.band_names)}
    bands = []
    for name, holds in named.items():
        if not holds.any():
            continue
        bought, sold = prices.import_price_per_kwh[holds], prices.export_price_per_kwh[holds]
        band = BandSummary(
            name=name,
            hours=float(holds.sum() * case.dt_hours),
            share_fraction=float(holds.mean()),
            import_low_per_kwh=float(bought.min()),
            import_high_per_kwh=float(bought.max()),
            export_low_per_kwh=float(sold.min()),
            export_high_per_kwh=float(sold.max()),
            load_kwh=float(drawn_kwh[holds].sum()),
        )
        bands.append(band)
    return tuple(sorted(bands, key=lambda band: band.import_low_per_kwh))
