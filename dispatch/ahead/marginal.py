"""What one more kWh at the meter costs tonight, where the month decides: tiers, netting and demand.

A bill's terms over a month are no price per step. For a plan of two days they are taken at the margin:

tiers      the price of the block in which the month is expected to end: what was bought so far, and for the rest of
           the month as much a day as lately (before that is known: what the household uses)
netting    a kWh sold saves what setting it off saves, as a household that buys more than it sells finds
demand     import above the month's highest so far costs the price of a kW; while the month has just begun the
           highest that the last weeks' days could have been held to with this battery stands for it
minimum    taken as exceeded
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from dispatch.ahead.sweep import Money

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dispatch.ahead.calendar import Paths
    from dispatch.arrays import Floats
    from dispatch.case.case import Case
    from tariffs.terms.flow_terms import BlockTerm
    from tariffs.terms.schedules import Schedule


LATELY_DAYS = 28


class Meter:
    """What has been bought and sold so far, step by step.

    Parameters
    ----------
    steps : int
        Steps of the case.

    Attributes
    ----------
    bought, sold : array, shape (n,)
        [kWh]; zero where not yet read.
    read_to : int
        Steps read.
    more_kwh, highest_kw : dict of int to float
        What a billing period had before the first step: energy bought, and highest power. [kWh], [kW]
    """

    def __init__(self, steps: int) -> None:
        self.bought, self.sold = np.zeros(steps), np.zeros(steps)
        self.read_to = 0
        self.more_kwh: dict[int, float] = {}
        self.highest_kw: dict[int, float] = {}

    def read(self, span: slice, bought: Floats, sold: Floats) -> None:
        """Take the readings of the next steps."""
        self.bought[span], self.sold[span] = bought, sold
        self.read_to = span.stop


def price_at(schedule: Schedule, amount: float) -> float:
    """Return what one more unit costs at an amount: the price of the block it falls in."""
    step = next(step for step in schedule.classes if amount <= step.upper)
    starts = np.concatenate(([0.0], np.cumsum(step.widths[:-1])))
    return float(step.prices[int(np.searchsorted(starts, amount, side="right")) - 1])


class Prices:
    """The prices of a case at the margin."""

    def __init__(self, case: Case) -> None:
        self.case, self.prices = case, case.prices
        self.used = case.load_kwh + case.idle_kwh + case.other_kwh
        terms = self.prices.blocks, self.prices.demand, self.prices.netting
        self.is_plain = not any((*terms, self.prices.credits, self.prices.rebates))

    def ahead(self, first: int, steps: int, meter: Meter, paths: Paths) -> Money:
        """Return the money of the ``steps`` from ``first`` on, as it looks after what the meter has read."""
        ahead = slice(first, first + steps)
        buy = self.prices.import_price_per_kwh[ahead]
        sell = (
            self.prices.export_price_per_kwh[ahead] if self.case.limits.feed_in == "grid" else np.zeros(steps)
        )
        free, over = np.full(steps, np.inf), np.zeros(steps)
        if not self.is_plain:
            buy, sell = buy.copy(), sell.copy()
            self._add_blocks(first, buy, sell, meter)
            self._add_netting(first, sell)
            self._add_credits_and_rebates(first, buy, sell)
            self._add_demand(first, meter, paths, free, over)
        return Money(buy, sell, free, over)

    def _add_blocks(self, first: int, buy: Floats, sell: Floats, meter: Meter) -> None:
        for block in self.prices.blocks:
            inside = block.steps[(block.steps >= first) & (block.steps < first + len(buy))]
            if not len(inside):
                continue
            # what fills the tiers first, or at once with these kWh, decides the tier too
            beside = [self.prices.blocks[at] for at in {*block.earlier, *block.together}]
            others = (self._expected(other, first, meter) for other in beside if other is not block)
            expected = block.opening_kwh + self._expected(block, first, meter) + sum(others)
            price = price_at(block.schedule, expected)
            if block.of_export:
                sell[inside - first] -= price  # credits have negative prices
            else:
                buy[inside - first] += price

    def _expected(self, block: BlockTerm, first: int, meter: Meter) -> float:
        """Return what a blocks term is expected to count in the end: what it has, and the rest as lately. [kWh]."""
        flow = meter.sold if block.of_export else meter.bought
        so_far = float(flow[block.steps[block.steps < meter.read_to]].sum())
        rest = int(np.sum(block.steps >= first))
        return so_far + meter.more_kwh.get(block.period, 0.0) + rest * self._lately(meter, block.of_export)

    def _lately(self, meter: Meter, of_export: bool) -> float:
        """Return what one step brought on average lately. [kWh]."""
        steps = round(LATELY_DAYS * 24 / self.case.dt_hours)
        seen = slice(max(meter.read_to - steps, 0), meter.read_to)
        if seen.stop - seen.start < steps // 4:  # a week
            return 0.0 if of_export else float(np.maximum(self.used - self.case.sun_kwh, 0.0).mean())
        return float((meter.sold if of_export else meter.bought)[seen].mean())

    def _add_netting(self, first: int, sell: Floats) -> None:
        for term in self.prices.netting:
            for group in term.groups:
                inside = group.steps[(group.steps >= first) & (group.steps < first + len(sell))]
                sell[inside - first] += group.value_per_kwh

    def _add_credits_and_rebates(self, first: int, buy: Floats, sell: Floats) -> None:
        """Take a credit in money for what it saves when it is used, and a rebate's hours for below the baseline."""
        for term in self.prices.credits:
            inside = (term.steps >= first) & (term.steps < first + len(sell))
            sell[term.steps[inside] - first] += term.topup_factor * term.earned_per_kwh[inside]
        for rebate in self.prices.rebates:
            inside = (rebate.steps >= first) & (rebate.steps < first + len(buy))
            buy[rebate.steps[inside] - first] += rebate.price_per_kwh

    def _add_demand(self, first: int, meter: Meter, paths: Paths, free: Floats, over: Floats) -> None:
        dt = self.case.dt_hours
        for term in self.prices.demand:
            inside = term.steps[(term.steps >= first) & (term.steps < first + len(free))]
            if not len(inside):
                continue
            read = term.steps[term.steps < meter.read_to]
            highest = float(meter.bought[read].max()) / dt if len(read) else 0.0
            highest = max(highest, meter.highest_kw.get(term.period, 0.0), term.floor_kw)
            highest = max(highest, self._holdable_kw(inside, first, paths))
            price = sum(price_at(schedule, highest) for schedule in term.schedules) / term.days_averaged
            at = inside - first
            free[at] = np.minimum(free[at], highest * dt)
            over[at] += price / dt

    def _holdable_kw(self, inside: NDArray[np.int64], first: int, paths: Paths) -> float:
        """Return the power that the paths' days could all be held to by this battery, from full to the reserve."""
        case, limits = self.case, self.case.limits
        at = inside - first
        same_day = at < at[0] + round(24 / case.dt_hours)
        rows = paths.steps[:, at[same_day]]
        used = np.maximum(self.used[rows] - limits.eta_inverter * case.sun_kwh[rows], 0.0)
        floor = float(case.floor_kwh[inside].max())
        held = max(limits.ceiling_kwh - floor, 0.0) * limits.eta_inverter * limits.eta_discharge
        low, high = np.zeros(len(rows)), used.max(axis=1)
        for _ in range(30):
            middle = (low + high) / 2
            enough = np.maximum(used - middle[:, None], 0.0).sum(axis=1) <= held
            low, high = np.where(enough, low, middle), np.where(enough, middle, high)
        most = float(np.max(used.max(axis=1) - limits.inverter_kw * case.dt_hours, initial=0.0))
        return max(float(high.max()), most) / case.dt_hours
