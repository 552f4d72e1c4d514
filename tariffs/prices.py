"""Effective prices of every step: what one more kWh costs after all adjustments, as floats.

Billing does not use these: it builds lines of exact decimals and adjusts those.
"""

from collections.abc import Iterable

import numpy as np
import pandas as pd

from tariffs.model import Sheet, Tariff
from tariffs.periods import Layout, lay_out
from tariffs.terms import Floats, PricedSteps


def price_steps(tariff: Tariff, times: pd.DatetimeIndex, dt_hours: float) -> PricedSteps:
    """Price every step of a series under a tariff.

    Parameters
    ----------
    tariff : Tariff
    times : DatetimeIndex, length n
        Starts of the steps; tz-aware, regular.
    dt_hours : float
        Length of each step. [h]

    Raises
    ------
    TariffError
        If the tariff does not cover the series, or changes inside a step.
    """
    layout = lay_out(tariff, times, dt_hours)
    import_price, export_price = _band_prices(layout)
    return PricedSteps(
        times=layout.times,
        dt_hours=dt_hours,
        band=layout.band,
        band_names=layout.band_names,
        season=layout.season,
        season_names=layout.season_names,
        day_type=layout.day_type,
        day_type_names=layout.day_type_names,
        import_price_per_kwh=import_price,
        export_price_per_kwh=export_price,
        hourly=False,
        event=np.zeros(len(layout.times), dtype=bool),
        period=layout.period,
        period_names=tuple(period.name for period in layout.periods),
        fixed_total=_fixed_total(layout),
    )


def multiplier(sheet: Sheet, tags: Iterable[str]) -> float:
    """Return what one unit of money on a line becomes once every adjustment has had its say.

    Parameters
    ----------
    sheet : Sheet
    tags : iterable of str
        The line's group and name.
    """
    own = set(tags)
    weights: dict[str, float] = {}
    for adjustment in sheet.adjustments:
        wanted, barred = set(adjustment.applies_to), set(adjustment.not_to)
        base = 1.0 if (not wanted or own & wanted) and not own & barred else 0.0
        base += sum(
            weight
            for name, weight in weights.items()
            if (not wanted or name in wanted) and name not in barred
        )
        weights[adjustment.name] = base * float(adjustment.percent) / 100.0
    return 1.0 + sum(weights.values())


def _band_prices(layout: Layout) -> tuple[Floats, Floats]:
    shape = (len(layout.tariff.sheets), len(layout.band_names), len(layout.season_names))
    bought, sold = np.zeros(shape), np.zeros(shape)
    for version, dated in enumerate(layout.tariff.sheets):
        sheet = dated.sheet
        for name, band in sheet.bands.items():
            energy = multiplier(sheet, ("energy", name))
            export = multiplier(sheet, ("export", name))
            for season in sheet.season_names:
                at = version, layout.band_names.index(name), layout.season_names.index(season)
                bought[at] = float(band.import_price(season)) * energy
                sold[at] = float(band.export_price(season)) * export
    where = layout.version, layout.band, layout.season
    return bought[where], sold[where]


def _fixed_total(layout: Layout) -> float:
    total = 0.0
    for part in layout.parts:
        sheet = layout.sheet(part.version)
        for charge in sheet.charges:
            amount = float(charge.per_day or 0) * float(part.days)
            amount += float(charge.per_month or 0) * float(part.months)
            total += amount * multiplier(sheet, ("charges", charge.name))
    return total
