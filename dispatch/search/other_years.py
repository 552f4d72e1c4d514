"""The settings on other years: days of load and sun drawn anew, all years run at once.

A year is drawn day by day: each day is replaced by one of the same weekday and the same tariff season at most
``REACH_DAYS`` away on the calendar (around the year's end too), load, rest of the house, critical load and sun of
one day staying together. Days with 23 or 25 hours stay as they are. What a spell of several days does (a cold week,
a dark fortnight) is thinned out by that, and no year brings weather the data never saw: the range is a floor of the
uncertainty, not its measure.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

import tariffs
from dispatch.cards.raises import raised_steps
from dispatch.case.limits import step_limits
from dispatch.outages.hours import backup_hours
from dispatch.rules.conditions import conditions
from dispatch.rules.score import BROKEN_KWH, target_level_kwh
from dispatch.rules.walk import FlowBlock, Orders, simulate

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dispatch.arrays import Floats
    from dispatch.cards.card import Card
    from dispatch.case.case import Case
    from dispatch.rules.conditions import Conditions


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
class CardYears:
    """What one card came to in each drawn year, arrays of shape (years,).

    Attributes
    ----------
    bills : array
    costs : array
        Bill + wear, less what more is stored at the end than at the start.
    stored : array, shape (n, years)
        Level at the end of each step. [kWh]
    missed_steps, short_kwh : array
        Steps at whose end the level does not carry the backup target, and the most that is missing then.
    below_floor_kwh : array
        The most that the level lacks of the scenario's reserve.
    """

    bills: Floats
    costs: Floats
    stored: Floats
    missed_steps: Floats
    short_kwh: Floats
    below_floor_kwh: Floats


@dataclass(frozen=True)
class Robustness:
    """What the settings would have brought in other years.

    Attributes
    ----------
    years, seed : int
    bill, saving : Range
        Money; saving is against the household without the system in the same year.
    minimum_backup_hours : Range
    below_plain : Range
        What the card costs less than the plain one in the same year: bill + wear.
    cheaper_fraction : float
        Share of the years in which it costs less than the plain one.
    keeps_target_fraction : float or None
        Share of the years in which the backup target holds as often as is wanted; None without a target.
    keeps_reserve_fraction : float
        Share of the years in which the scenario's reserve is kept at every instant.
    savings, minimums : array, shape (years,)
        Saving and fewest hours of backup of each year.
    """

    years: int
    seed: int
    bill: Range
    saving: Range
    minimum_backup_hours: Range
    below_plain: Range
    cheaper_fraction: float
    keeps_target_fraction: float | None
    keeps_reserve_fraction: float
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


class DrawnYears:
    """Years drawn from a case's days, in which cards are run; the same seed gives the same years.

    Parameters
    ----------
    case : Case
    years, seed : int
    end_value : float
        Money a kWh stored at the end of a year counts.
    """

    def __init__(self, case: Case, years: int = YEARS, seed: int = SEED, end_value: float = 0.0) -> None:
        self.case, self.years, self.seed, self.end_value = case, years, seed, end_value
        self.steps = drawn_steps(case, years, seed)
        self._given: dict[tuple[bool, int], Conditions] = {}

    @cached_property
    def reference(self) -> Floats:
        """Bill of the household without the system, shape (years,)."""
        return _bills(self.case, (self.case.load_kwh + self.case.other_kwh)[self.steps])

    @cached_property
    def target_kwh(self) -> Floats | None:
        """Level that carries the backup target at the end of each step, shape (n, years); None without one."""
        if self.case.scenario.backup.target_hours is None:
            return None
        levels = np.empty(self.steps.shape)
        for year in range(self.years):
            critical = self.case.critical_kwh[self.steps[:, year]]
            levels[:, year] = target_level_kwh(replace(self.case, critical_kwh=critical))
        return levels

    @cached_property
    def floor_kwh(self) -> Floats:
        """Level that keeps the reserve at the end of each step: the drawn day's, but a dated raise on its own date."""
        case = self.case
        raised = raised_steps(case)[:, None]
        usual = case.floor_kwh[self.steps]
        # a day drawn from a raise's dates brings the raise with it; the lowest of like instants is then the usual one
        usual = np.where(raised_steps(case)[self.steps], np.minimum(usual, case.floor_kwh[:, None]), usual)
        return np.where(raised, case.floor_kwh[:, None], usual)

    def run(self, card: Card, orders: Orders, start_kwh: float, *, promises: bool = True) -> CardYears:
        """Run one card, whose orders these are, through every year from a level; ``promises`` counts the broken."""
        case, shape = self.case, self.steps.shape
        net, stored, given_out = np.empty(shape), np.empty(shape), np.zeros(self.years)
        together = max(1, MOST_CELLS // len(case.times))
        for first in range(0, self.years, together):
            some = slice(first, min(first + together, self.years))
            fill, drain = (
                np.repeat(table, some.stop - first, axis=1) for table in (orders.fill_kwh, orders.drain_kwh)
            )

            def keep(block: FlowBlock, some: slice = some) -> None:
                net[block.steps, some], stored[block.steps, some] = block.net, block.stored
                given_out[some] += block.cells_out.sum(axis=0)

            told = Orders(orders.row, fill, drain, orders.sun_waits)
            simulate(self._conditions(some, sells=card.sells), told, start_kwh, keep)
        bills = _bills(case, net)
        none = np.zeros(self.years)
        missing = none[None, :] if self.target_kwh is None or not promises else self.target_kwh - stored
        return CardYears(
            bills=bills,
            costs=bills + case.limits.wear_per_kwh * given_out - self.end_value * (stored[-1] - start_kwh),
            stored=stored,
            missed_steps=np.sum(missing > BROKEN_KWH, axis=0).astype(float),
            short_kwh=np.maximum(missing.max(axis=0), 0.0),
            below_floor_kwh=np.maximum((self.floor_kwh - stored).max(axis=0), 0.0) if promises else none,
        )

    def _conditions(self, some: slice, *, sells: bool) -> Conditions:
        """Work out what the steps of some years bring; kept where all years fit at once."""
        case, key = self.case, (sells, some.start)
        if key in self._given:
            return self._given[key]
        steps = self.steps[:, some]
        given = conditions(
            step_limits(case.limits, case.dt_hours),
            (case.load_kwh + case.idle_kwh)[steps],
            case.other_kwh[steps],
            case.sun_kwh[steps],
            sells=sells,
            may_charge=case.may_charge[steps],
        )
        if some == slice(0, self.years):
            self._given[key] = given
        return given

    def minimums(self, stored: Floats) -> Floats:
        """Fewest hours of backup of each year, shape (years,)."""
        case = self.case
        return np.array(
            [
                backup_hours(
                    replace(case, critical_kwh=case.critical_kwh[self.steps[:, year]]),
                    stored[:, year],
                    with_sun=False,
                ).min()
                for year in range(self.years)
            ]
        )

    def kept(self, run: CardYears) -> float | None:
        """Share of the years in which the backup target holds as often as is wanted; None without a target."""
        backup = self.case.scenario.backup
        if backup.target_hours is None:
            return None
        allowed = (1 - backup.share_of_instants_fraction) * len(self.case.times) + 1e-6
        return float(np.mean(run.missed_steps <= allowed))

    def kept_reserve(self, run: CardYears) -> float:
        """Share of the years in which the scenario's reserve is kept at every instant."""
        return float(np.mean(run.below_floor_kwh <= BROKEN_KWH))


def robustness(drawn: DrawnYears, run: CardYears, naive: CardYears) -> Robustness:
    """Sum up what a card came to in drawn years, beside the plain one in the same years.

    Parameters
    ----------
    drawn : DrawnYears
    run, naive : CardYears
        Of the card, and of the plain one.
    """
    minimums, savings = drawn.minimums(run.stored), drawn.reference - run.bills
    less = naive.costs - run.costs
    return Robustness(
        years=drawn.years,
        seed=drawn.seed,
        bill=_range(run.bills),
        saving=_range(savings),
        minimum_backup_hours=_range(minimums),
        below_plain=_range(less),
        cheaper_fraction=float(np.mean(less > 0.0)),
        keeps_target_fraction=drawn.kept(run),
        keeps_reserve_fraction=drawn.kept_reserve(run),
        savings=savings,
        minimums=minimums,
    )


def _range(values: Floats) -> Range:
    low, median, high = np.percentile(values, [LOW, 50.0, HIGH]).tolist()
    return Range(low, median, high)


def _bills(case: Case, net_kwh: Floats) -> Floats:
    """Bill of every column of net energy at the meter, not rounded, shape (years,)."""
    bought, prices = np.maximum(net_kwh, 0.0), case.prices
    sold = bought - net_kwh
    if case.prices.is_plain:
        return prices.fixed_total + prices.import_price_per_kwh @ bought - prices.export_price_per_kwh @ sold
    return np.array(
        [
            tariffs.evaluate(prices, np.ascontiguousarray(a), np.ascontiguousarray(b))
            for a, b in zip(bought.T, sold.T, strict=True)
        ]
    )
