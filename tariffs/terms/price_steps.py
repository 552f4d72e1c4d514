"""Effective prices of every step, and the terms that a price per step cannot say, as floats.

Billing does not use these: it builds lines of exact decimals and adjusts those.
"""

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import TypeVar

import pandas as pd

from tariffs.meter import NONE_BESIDE, OtherReadings
from tariffs.periods.blocks import block_cells
from tariffs.periods.cells import kwh_minimum_cells, netting_cells
from tariffs.periods.demand import demand_cells
from tariffs.periods.layout import Layout, lay_out
from tariffs.periods.rebates import rebate_events
from tariffs.periods.registers import lay_registers
from tariffs.sheet.tariff import Tariff
from tariffs.terms.build import Cells, block_terms, demand_terms, netting_terms
from tariffs.terms.counting import counting_terms, kwh_minimum_terms
from tariffs.terms.energy import fixed_amount, step_prices
from tariffs.terms.evaluate import amounts, counted_base, earned_credit, evaluate
from tariffs.terms.money_terms import CountingTerm
from tariffs.terms.rebates import rebate_terms
from tariffs.terms.terms import PricedSteps

Counting = TypeVar("Counting", bound=CountingTerm)


def price_steps(
    tariff: Tariff, times: pd.DatetimeIndex, dt_hours: float, others: OtherReadings = NONE_BESIDE
) -> PricedSteps:
    """Price every step of a series under a tariff.

    Parameters
    ----------
    tariff : Tariff
    times : DatetimeIndex, length n
        Starts of the steps; tz-aware, regular.
    dt_hours : float
        Length of each step. [h]
    others : OtherReadings, optional
        What is metered beside import and export.

    Raises
    ------
    TariffError
        If the tariff does not cover the series, or changes inside a step.
    """
    layout = lay_out(tariff, times, dt_hours)
    cells = Cells(
        block_cells(layout),
        demand_cells(layout, others),
        netting_cells(layout),
        kwh_minimum_cells(layout),
        rebate_events(layout),
    )
    counting = counting_terms(layout, cells)
    import_price, export_price = step_prices(layout, None)
    prices = PricedSteps(
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
        minimums=counting.minimums,
        netting=netting_terms(layout, cells),
        kwh_minimums=kwh_minimum_terms(layout, cells),
        percentages=counting.percentages,
        credits=counting.credits,
        rebates=rebate_terms(layout, cells.rebates),
    )
    return with_registers(prices, layout, others)


def with_registers(prices: PricedSteps, layout: Layout, others: OtherReadings) -> PricedSteps:
    """Add what the registers beside the main meter come to: no plan changes it, so it is fixed money."""
    if others.leave_out_registers:
        return prices
    for one in lay_registers(layout, others):
        own = price_steps(one.layout.tariff, layout.times, layout.dt_hours)
        found = amounts(own, one.bought, one.sold)
        based = partial(counted_base, own, found=found, import_kwh=one.bought, export_kwh=one.sold)
        money = evaluate(replace(own, minimums=(), percentages=(), credits=()), one.bought, one.sold)
        prices = replace(
            prices,
            fixed_total=prices.fixed_total + money,
            minimums=tuple(map(partial(_with_base, based), prices.minimums, own.minimums)),
            percentages=tuple(map(partial(_with_base, based), prices.percentages, own.percentages)),
            credits=tuple(
                replace(
                    _with_base(based, term, same),
                    earned_fixed=term.earned_fixed + earned_credit(own, same, found, one.sold),
                )
                for term, same in zip(prices.credits, own.credits, strict=True)
            ),
        )
    return prices


def _with_base(base_of: Callable[[CountingTerm], float], term: Counting, own: CountingTerm) -> Counting:
    """Add what a register's lines are in the base of a term that counts lines."""
    return replace(term, base_fixed=term.base_fixed + base_of(own))


def _fixed_total(layout: Layout) -> float:
    return sum(fixed_amount(layout, part, None) for part in layout.parts)
