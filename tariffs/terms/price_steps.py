"""Effective prices of every step, and the terms that a price per step cannot say, as floats.

Billing does not use these: it builds lines of exact decimals and adjusts those.
"""

import pandas as pd

from tariffs.periods.cells import block_cells, kwh_minimum_cells, netting_cells
from tariffs.periods.demand import demand_cells
from tariffs.periods.layout import Layout, lay_out
from tariffs.sheet.tariff import Tariff
from tariffs.terms.build import Cells, block_terms, demand_terms, netting_terms
from tariffs.terms.counting import counting_terms, kwh_minimum_terms
from tariffs.terms.energy import fixed_amount, step_prices
from tariffs.terms.terms import PricedSteps


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
    cells = Cells(block_cells(layout), demand_cells(layout), netting_cells(layout), kwh_minimum_cells(layout))
    minimums, percentages = counting_terms(layout, cells)
    import_price, export_price = step_prices(layout, None)
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
        hourly=tariff.series is not None and tariff.series.import_price_per_kwh is not None,
        event=layout.event,
        period=layout.period,
        period_names=tuple(period.name for period in layout.periods),
        fixed_total=_fixed_total(layout),
        blocks=block_terms(layout, cells),
        demand=demand_terms(layout, cells),
        minimums=minimums,
        netting=netting_terms(layout, cells),
        kwh_minimums=kwh_minimum_terms(layout, cells),
        percentages=percentages,
    )


def _fixed_total(layout: Layout) -> float:
    return sum(fixed_amount(layout, part, None) for part in layout.parts)
