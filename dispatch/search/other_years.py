"""The settings on other years: days of load and sun drawn anew, all years run at once.

A year is drawn day by day: each day is replaced by one of the same weekday and the same tariff season at most
``REACH_DAYS`` away on the calendar (around the year's end too), load, rest of the house, critical load and sun of
one day staying together. Days with 23 or 25 hours stay as they are. What a spell of several days does (a cold week,
a dark fortnight) is thinned out by that, and no year brings weather the data never saw: the range is a floor of the
uncertainty, not its measure.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

import tariffs
from dispatch.backup.hours import backup_hours
from dispatch.case.limits import step_limits
from dispatch.rules.conditions import conditions
from dispatch.rules.walk import Block, Orders, simulate

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dispatch.arrays import Floats
    from dispatch.case.case import Case
    from dispatch.settings.card import Card


YEARS, SEED = 200, 20250101
MOST_CELLS = 2_000_000  # steps x years run at once: 200 years of hours; finer series take several turns
REACH_DAYS = 45
LOW, HIGH = 5.0, 95.0


@dataclass(frozen=True)
class Range:
    """5th percentile, median and 95th percentile over the years."""

    low: float
    median: float
    high: float


@dataclass(frozen=True)
class Robustness:
    """What the settings would have brought in other years.

    Attributes
    ----------
    years, seed : int
    bill, saving : Range
        Money; saving is against the household without the system in the same year.
    minimum_backup_hours : Range
    savings : array, shape (years,)
    minimums : array, shape (years,)
        Fewest hours of backup of each year.
    """

    years: int
    seed: int
    bill: Range
    saving: Range
    minimum_backup_hours: Range
    savings: Floats
    minimums: Floats


def drawn_steps(case: Case, years: int, seed: int) -> NDArray[np.intp]:
    """Step of the data that stands in each step of each drawn year, shape (n, years)."""
    random = np.random.default_rng(seed)
    begins = np.concatenate([[0], np.flatnonzero(np.diff(case.times.normalize().asi8)) + 1])
    lengths = np.diff(np.concatenate([begins, [len(case.times)]]))
    first = case.times[begins]
    weekday, number = np.asarray(first.day_of_week), np.asarray(first.day_of_year)
    season = case.prices.season[begins]
    days = len(begins)
    steps = np.empty((len(case.times), years), dtype=np.intp)
    for day in range(days):
        apart = np.abs(number - number[day])
        near = np.minimum(apart, 365 - apart) <= REACH_DAYS
        alike = np.flatnonzero(
            near & (weekday == weekday[day]) & (season == season[day]) & (lengths == lengths[day])
        )
        chosen = begins[random.choice(alike, size=years)]
        begin, length = begins[day], lengths[day]
        steps[begin : begin + length] = chosen[None, :] + np.arange(length)[:, None]
    return steps


def other_years(case: Case, card: Card, orders: Orders, years: int = YEARS, seed: int = SEED) -> Robustness:
    """Run one card through drawn years.

    Parameters
    ----------
    case : Case
    card : Card
    orders : Orders
        Of that card alone.
    years, seed : int

    Returns
    -------
    Robustness
        The same seed gives the same years.
    """
    steps = drawn_steps(case, years, seed)
    net, stored = np.empty(steps.shape), np.empty(steps.shape)
    together = max(1, MOST_CELLS // len(case.times))
    for first in range(0, years, together):
        some = slice(first, first + together)
        net[:, some], stored[:, some] = _run(case, card, orders, steps[:, some])
    bills = _bills(case, net)
    without = _bills(case, (case.load_kwh + case.other_kwh)[steps])
    minimums = np.array(
        [
            backup_hours(
                replace(case, critical_kwh=case.critical_kwh[steps[:, year]]), stored[:, year], with_sun=False
            ).min()
            for year in range(years)
        ]
    )
    return Robustness(
        years=years,
        seed=seed,
        bill=_range(bills),
        saving=_range(without - bills),
        minimum_backup_hours=_range(minimums),
        savings=without - bills,
        minimums=minimums,
    )


def _run(case: Case, card: Card, orders: Orders, steps: NDArray[np.intp]) -> tuple[Floats, Floats]:
    """Run the card through drawn years at once; return net energy at the meter and levels, shape (n, years)."""
    years = steps.shape[1]
    given = conditions(
        step_limits(case.limits, case.dt_hours),
        (case.load_kwh + case.idle_kwh)[steps],
        case.other_kwh[steps],
        case.sun_kwh[steps],
        sells=card.sells,
        may_charge=case.may_charge[steps],
    )
    fill, drain = (np.repeat(table, years, axis=1) for table in (orders.fill_kwh, orders.drain_kwh))
    net, stored = np.empty(steps.shape), np.empty(steps.shape)

    def keep(block: Block) -> None:
        net[block.steps], stored[block.steps] = block.net, block.stored

    simulate(given, Orders(orders.row, fill, drain, orders.sun_waits), case.limits.start_kwh, keep)
    return net, stored


def _range(values: Floats) -> Range:
    low, median, high = np.percentile(values, [LOW, 50.0, HIGH]).tolist()
    return Range(low, median, high)


def _bills(case: Case, net_kwh: Floats) -> Floats:
    """Bill of every column of net energy at the meter, shape (years,)."""
    bought, prices = np.maximum(net_kwh, 0.0), case.prices
    if case.prices.is_plain:
        sold = bought - net_kwh
        return prices.fixed_total + prices.import_price_per_kwh @ bought - prices.export_price_per_kwh @ sold
    return np.array(
        [
            float(
                tariffs.bill(
                    case.tariff,
                    case.times,
                    case.dt_hours,
                    bought[:, year],
                    bought[:, year] - net_kwh[:, year],
                ).total_unrounded
            )
            for year in range(net_kwh.shape[1])
        ]
    )
