"""What candidate settings earn: bill, wear and broken promises of many of them at once, or all flows of one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

import tariffs
from dispatch.case.floor import following_sum
from dispatch.case.limits import step_limits
from dispatch.rules.conditions import Conditions, conditions
from dispatch.rules.walk import FlowBlock, Orders, simulate

if TYPE_CHECKING:
    from dispatch.arrays import Floats
    from dispatch.case.case import Case


BROKEN_KWH = 1e-6  # a level or limit missed by less is rounding


def case_conditions(case: Case, *, sells: bool = False) -> Conditions:
    """Return what the steps of a case bring; see :func:`dispatch.rules.conditions.conditions`."""
    limits = step_limits(case.limits, case.dt_hours)
    return conditions(
        limits,
        case.load_kwh + case.idle_kwh,
        case.other_kwh,
        case.sun_kwh,
        sells=sells,
        may_charge=case.may_charge,
    )


def target_level_kwh(case: Case, hours: float | None = None) -> Floats | None:
    """Level at the end of each step that carries the backup target, shape (n,); None without a target.

    Critical load and idle draw of the following hours, past the data's end their beginning. Where one of those steps
    is more than the inverter gives, no level carries it: infinity.

    Parameters
    ----------
    case : Case
    hours : float, optional
        Default: ``backup.target_hours``. [h]
    """
    wanted = case.scenario.backup.target_hours if hours is None else hours
    if wanted is None:
        return None
    limits, steps = case.limits, wanted / case.dt_hours
    drawn = case.critical_kwh + case.idle_kwh
    rounds, part = divmod(steps, len(drawn))
    needed = following_sum(drawn, part) + rounds * drawn.sum()
    level = np.asarray(limits.empty_kwh + needed / (limits.eta_inverter * limits.eta_discharge))
    trips = drawn > limits.inverter_kw * case.dt_hours + 1e-9
    if trips.any() and wanted > 0:
        reached = np.ones(len(drawn), dtype=bool) if rounds else following_sum(trips.astype(float), part) > 0
        level = np.where(reached, np.inf, level)
    return level


@dataclass
class Tally:
    """Totals of k candidates over the steps simulated: arrays of shape (k,).

    Attributes
    ----------
    money : array
        Energy bought less energy sold at the effective prices; no fixed charges, blocks or demand.
    wear : array
        Money for wear.
    unserved_kwh, excess_kwh, short_kwh : array
        Load not served; import above the limit; Σ over the steps of what the level lacks of the floor.
    missed_steps : array
        Steps at whose end the level does not carry the backup target.
    end_kwh : array
        Level after the last step.
    """

    money: Floats
    wear: Floats
    unserved_kwh: Floats
    excess_kwh: Floats
    short_kwh: Floats
    missed_steps: Floats
    end_kwh: Floats


class _Counter:
    """Adds blocks up."""

    def __init__(self, case: Case, given: Conditions, k: int, target: Floats | None) -> None:
        self.case, self.given, self.target, self.floor = case, given, target, case.floor_kwh
        self.tally = Tally(*np.zeros((7, k)))

    def add(self, block: FlowBlock) -> None:
        case, tally, steps = self.case, self.tally, block.steps
        prices, limits = case.prices, case.limits
        bought = np.maximum(block.net, 0.0)
        tally.money += prices.import_price_per_kwh[steps] @ bought
        if limits.feed_in == "grid":
            tally.money -= prices.export_price_per_kwh[steps] @ (bought - block.net)
        tally.wear += limits.wear_per_kwh * block.cells_out.sum(axis=0)
        tally.unserved_kwh += block.unserved_load.sum(axis=0)
        if np.isfinite(self.given.limits.import_kwh):
            tally.excess_kwh += np.maximum(bought - self.given.limits.import_kwh, 0.0).sum(axis=0)
        short = self.floor[steps, None] - block.stored
        tally.short_kwh += np.where(short > BROKEN_KWH, short, 0.0).sum(axis=0)
        if self.target is not None:
            tally.missed_steps += (block.stored < self.target[steps, None] - BROKEN_KWH).sum(axis=0)


@dataclass(frozen=True)
class Scorer:
    """Runs candidates through a case and adds up what they cost.

    Attributes
    ----------
    case : Case
    given : Conditions
        What the steps bring; worked out once for many calls.
    target : array, shape (n,), or None
        From :func:`target_level_kwh`.
    """

    case: Case
    given: Conditions
    target: Floats | None

    @classmethod
    def of(cls, case: Case, *, sells: bool = False, target: Floats | None = None) -> Scorer:
        """Prepare a case; the target is its own unless another is given."""
        wanted = target_level_kwh(case) if target is None else target
        return cls(case, case_conditions(case, sells=sells), wanted)

    def tally_by_bill(
        self, orders: Orders, start_kwh: float | Floats | None = None, stored: Floats | None = None
    ) -> Tally:
        """Score k candidates on the whole period by every term of the bill: tiers, demand, netting, minimums too.

        ``money`` is then all but the fixed charges, as it is in :meth:`tally` where prices per step are everything.

        Parameters
        ----------
        orders : Orders
        start_kwh : float or array, shape (k,), optional
            Level before the first step; default: the case's.
        stored : array, shape (n, k), optional
            Filled with the level at the end of each step. [kWh]
        """
        if self.case.prices.is_plain:
            return self.tally(orders, start_kwh, stored=stored)
        prices = self.case.prices
        net = np.empty((len(self.case.times), orders.fill_kwh.shape[1]))
        tally = self.tally(orders, start_kwh, net=net, stored=stored)
        for column, mine in enumerate(net.T):
            bought = np.maximum(mine, 0.0)
            tally.money[column] = tariffs.evaluate(prices, bought, bought - mine) - prices.fixed_total
        return tally

    def tally(
        self,
        orders: Orders,
        start_kwh: float | Floats | None = None,
        steps: tuple[int, int] | None = None,
        net: Floats | None = None,
        stored: Floats | None = None,
    ) -> Tally:
        """Score k candidates.

        Parameters
        ----------
        orders : Orders
        start_kwh : float or array, shape (k,), optional
            Level before the first step; default: the case's.
        steps : (int, int), optional
            Only these steps; default: all.
        net : array, shape (n, k), optional
            Filled with import less export at the meter. [kWh]
        stored : array, shape (n, k), optional
            Filled with the level at the end of each step. [kWh]
        """
        counter = _Counter(self.case, self.given, orders.fill_kwh.shape[1], self.target)
        start = self.case.limits.start_kwh if start_kwh is None else start_kwh

        def visit(block: FlowBlock) -> None:
            counter.add(block)
            if net is not None:
                net[block.steps] = block.net
            if stored is not None:
                stored[block.steps] = block.stored

        counter.tally.end_kwh = simulate(self.given, orders, start, visit, steps)
        return counter.tally
