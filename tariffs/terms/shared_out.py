"""What each step costs where prices depend on a whole period's energy: blocks and netting shared out by energy.

A price per step says nothing of a tiered tariff. Here every term that depends on energy is shared out in proportion
to the energy of the steps it counts::

    unit[t] = import_price[t] + Σ over blocks that count t of  cost of the block / energy of the block
    cost[t] = import[t]·unit[t] - export[t]·(export unit)[t]

so that Σ cost[t] is the energy part of the bill: everything but fixed charges, demand, minimum top-ups, and
percentages with a ceiling or with tiers, and what is used of an export credit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tariffs.terms.evaluate import amounts, block_cost

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    import tariffs
    from tariffs.terms.evaluate import Amounts

    Floats = NDArray[np.float64]


@dataclass(frozen=True)
class UnitPrices:
    """What energy cost on average, by step.

    Attributes
    ----------
    import_per_kwh, export_per_kwh : array, shape (n,)
        What a kWh bought in the step cost, and one sold earned, its share of blocks and netting included.
    without_energy : array, shape (n,)
        Money owed though a term counts no energy (a fixed amount of a block), spread evenly. [currency]
    """

    import_per_kwh: Floats
    export_per_kwh: Floats
    without_energy: Floats


def unit_prices(prices: tariffs.PricedSteps, import_kwh: Floats, export_kwh: Floats) -> UnitPrices:
    """Share out what blocks and netting cost for given flows.

    Parameters
    ----------
    prices : PricedSteps
    import_kwh, export_kwh : array, shape (n,)
        Energy in each step, both >= 0. [kWh]
    """
    bought, sold = prices.import_price_per_kwh.copy(), prices.export_price_per_kwh.copy()
    owed = _Owed(bought, sold, np.zeros(len(bought)), import_kwh, export_kwh)
    if prices.blocks or prices.netting or prices.kwh_minimums:
        found = amounts(prices, import_kwh, export_kwh)
        _share_blocks(owed, prices, found)
        _share_netting(owed, prices, found)
        for short, missing in zip(prices.kwh_minimums, found.missing_kwh, strict=True):
            owed.share(short.price_per_kwh * missing, short.steps)
    for rebate in prices.rebates:
        owed.share(-rebate.price_per_kwh * rebate.saved_kwh(import_kwh), rebate.steps)
    return UnitPrices(bought, sold, owed.nothing)


def step_costs(prices: tariffs.PricedSteps, import_kwh: Floats, export_kwh: Floats) -> Floats:
    """Return what each step cost, shape (n,): the energy part of the bill, step by step. [currency].

    Parameters
    ----------
    prices : PricedSteps
    import_kwh, export_kwh : array, shape (n,)
        Energy in each step, both >= 0. [kWh]
    """
    unit = unit_prices(prices, import_kwh, export_kwh)
    return import_kwh * unit.import_per_kwh - export_kwh * unit.export_per_kwh + unit.without_energy


@dataclass(frozen=True)
class _Owed:
    """Unit prices being added to, and the energy they are shared out over."""

    bought: Floats
    sold: Floats
    nothing: Floats
    import_kwh: Floats
    export_kwh: Floats

    def share(self, money: float, steps: NDArray[np.int64], *, of_export: bool = False) -> None:
        """Add an amount to the unit prices of some steps, in proportion to their energy."""
        if not money or not len(steps):
            return
        kwh = float((self.export_kwh if of_export else self.import_kwh)[steps].sum())
        if kwh <= 0.0:
            self.nothing[steps] += money / len(steps)
        elif of_export:
            self.sold[steps] -= money / kwh
        else:
            self.bought[steps] += money / kwh


def _share_blocks(owed: _Owed, prices: tariffs.PricedSteps, found: Amounts) -> None:
    for at, block in enumerate(prices.blocks):
        money = block_cost(block, block.schedule, found, at)
        if block.netted:
            _share_netted(owed, prices, found, block.netted, money)
        else:
            owed.share(money, block.steps, of_export=block.of_export)


def _share_netted(
    owed: _Owed,
    prices: tariffs.PricedSteps,
    found: Amounts,
    pairs: Sequence[tuple[int, int]],
    money: float,
) -> None:
    """Share a block's cost over the groups that are billed in it, each by what of it is billed."""
    pairs = [pair for pair in pairs if len(prices.netting[pair[0]].groups[pair[1]].steps)]
    billed = np.array([found.netted[term].billed[group] for term, group in pairs])
    if not pairs:
        return
    parts = billed / billed.sum() if billed.sum() > 0.0 else np.full(len(pairs), 1.0 / len(pairs))
    for (term, group), part in zip(pairs, parts.tolist(), strict=True):
        owed.share(money * part, prices.netting[term].groups[group].steps)


def _share_netting(owed: _Owed, prices: tariffs.PricedSteps, found: Amounts) -> None:
    for term, netted in zip(prices.netting, found.netted, strict=True):
        for group, set_off in zip(term.groups, netted.set_off.tolist(), strict=True):
            owed.share(-group.value_per_kwh * set_off, group.steps)
        everywhere = np.concatenate([group.steps for group in term.groups])
        owed.share(-term.leftover_price_per_kwh * netted.leftover, everywhere, of_export=True)
