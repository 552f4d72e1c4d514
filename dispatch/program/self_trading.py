"""Where trading with oneself, or wasting energy, would pay: binaries on exactly those steps.

Buying and selling in one step pays if selling earns more than buying costs. Charging and discharging in one step
wastes ``1 - η_charger·η_discharge·η_inverter`` of what goes round, which pays if a kWh bought, or one that would
else have to be sold, is worth less than nothing by more than the wear on the cells. (Sun is never wasted through the
battery: leaving it unused is free.) And where the battery may feed in but export is limited, it may pay to empty the
cells that way before an hour in which filling them again earns money.

What a kWh costs or earns is bounded over everything that a tariff's terms could make of it, so with terms a binary
may stand where trading could pay but happens not to; with prices by the step alone the steps are exact.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from dispatch.program.solver import AT_LEAST, AT_MOST
from tariffs.terms.slopes import block_slopes

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from dispatch.arrays import Floats
    from dispatch.case.case import Case
    from dispatch.program.schedules import TermWriter
    from tariffs.terms.slopes import View
    from tariffs.terms.terms import PricedSteps

    Side = tuple[tuple[str, ...], Floats]


PAYS = 1e-9  # money per kWh; a gain below this is rounding


def forbid_self_trading(sheet: TermWriter, views: Sequence[View]) -> None:
    """Let no step both buy and sell where that would pay, nor charge and discharge where wasting would."""
    if "export" in sheet.families:
        pays = np.flatnonzero(trade_gain(sheet.case.prices, views) > PAYS)
        can_sell = sheet.most_export_kwh[pays] > 0
        sheet.statement.row_family(
            "trade_never",
            AT_MOST,
            (([(sheet.families["export"][t], 1.0)], 0.0) for t in pays[~can_sell].tolist()),
        )
        buys = (("import",), sheet.most_import_kwh)
        _one_of(sheet, "trade", pays[can_sell], (buys, (("export",), sheet.most_export_kwh)))
    pays = np.flatnonzero(burn_gain(sheet.case, views) > PAYS)
    into = (("grid_to_battery", "sun_to_battery"), _most_charge_kwh(sheet.case))
    out = (("battery_to_load", "battery_to_grid"), _most_discharge_kwh(sheet))
    _one_of(sheet, "burn", pays, (into, out), _around_bypass_kwh(sheet.case))


def _most_charge_kwh(case: Case) -> Floats:
    """More than any step can charge that does not discharge, shape (n,)."""
    limits, dt = case.limits, case.dt_hours
    room = limits.ceiling_kwh - (1 - limits.self_discharge_per_hour * dt) * limits.empty_kwh
    most = np.minimum(limits.total_charge_kw * dt, limits.grid_charge_kw * dt + case.sun_kwh)
    return np.minimum(most, room / min(limits.eta_charger, limits.eta_dc))


def _most_discharge_kwh(sheet: TermWriter) -> Floats:
    """More than any step can discharge that does not charge, at the battery's terminals, shape (n,)."""
    case, limits = sheet.case, sheet.case.limits
    use = case.load_kwh + case.idle_kwh
    if "battery_to_grid" in sheet.families:
        use = use + case.other_kwh + sheet.most_export_kwh
    use = np.minimum(use, limits.inverter_kw * case.dt_hours) / limits.eta_inverter
    return np.minimum(use, (limits.ceiling_kwh - limits.empty_kwh) * limits.eta_discharge)


def _around_bypass_kwh(case: Case) -> Floats:
    """Return what the battery must give a load that the bypass cannot serve alone, shape (n,); usually 0."""
    if case.limits.bypass_kw is None:
        return np.zeros(len(case.times))
    need = case.load_kwh + case.idle_kwh - case.limits.bypass_kw * case.dt_hours
    return np.maximum(need, 0.0) / case.limits.eta_inverter


def _one_of(
    sheet: TermWriter,
    name: str,
    steps: NDArray[np.intp],
    sides: tuple[Side, Side],
    around: Floats | None = None,
) -> None:
    """State for these steps that one of two sums of families is 0; each side comes with the most it can be.

    Where ``around`` is above 0, the second may be that much beside the first while the bypass is full.
    """
    if not len(steps):
        return
    which = sheet.statement.family(name, len(steps), 0.0, 1.0, integer=True)
    full = _bypass_full(sheet, name, steps, around)
    # Σ first ≤ most·which;  Σ second ≤ most·(1 - which) + around·full
    for place, ((names, most), sign) in enumerate(zip(sides, (-1.0, 1.0), strict=True)):
        families = [sheet.families[family] for family in names if family in sheet.families]
        sheet.statement.row_family(
            f"{name}_{place}",
            AT_MOST,
            (
                (
                    [
                        *((family[t], 1.0) for family in families),
                        (w, sign * float(most[t])),
                        *(full.get(t, ()) if place else ()),
                    ],
                    place * float(most[t]),
                )
                for t, w in zip(steps.tolist(), which, strict=True)
            ),
        )


def _bypass_full(
    sheet: TermWriter, name: str, steps: NDArray[np.intp], around: Floats | None
) -> dict[int, list[tuple[object, float]]]:
    """State where the bypass may be full: a binary that is 1 only then, and what it allows, by step."""
    if around is None or sheet.case.limits.bypass_kw is None or not np.any(around[steps]):
        return {}
    tight = steps[around[steps] > 0].tolist()
    most = sheet.case.limits.bypass_kw * sheet.case.dt_hours
    full = sheet.statement.family(f"{name}_full", len(tight), 0.0, 1.0, integer=True)
    bypass = sheet.families["grid_to_load"]
    rows = (([(bypass[t], 1.0), (f, -most)], 0.0) for t, f in zip(tight, full, strict=True))
    sheet.statement.row_family(f"{name}_bypass", AT_LEAST, rows)
    return {t: [(f, -float(around[t]))] for t, f in zip(tight, full, strict=True)}


def burn_gain(case: Case, views: Sequence[View]) -> Floats:
    """Return the most that a kWh wasted in the battery can gain in each step, shape (n,)."""
    limits = case.limits
    wasted = 1 - limits.eta_charger * limits.eta_discharge * limits.eta_inverter
    if wasted <= 0:
        return np.zeros(len(case.times))
    bought = np.min([_lowest_buying(case.prices, view) for view in views], axis=0)
    lowest = bought
    if limits.battery_feed_in and limits.feed_in != "none":
        sold = np.min([_lowest_selling(case.prices, view) for view in views], axis=0)
        lowest = np.minimum(bought, sold)
        if np.any(bought < -PAYS) and (limits.feed_in == "house" or limits.export_limit_kw is not None):
            return np.full(len(case.times), np.inf)
    return np.asarray(-lowest * wasted - limits.wear_per_kwh * limits.eta_charger)


def trade_gain(prices: PricedSteps, views: Sequence[View]) -> Floats:
    """Return the most that a kWh bought and sold in one step can gain, shape (n,)."""
    return np.asarray(np.max([_trade_gain(prices, view) for view in views], axis=0))


def _lowest_buying(prices: PricedSteps, view: View) -> Floats:
    """Return the least that one more bought kWh can cost in each step: billed, or set off against a credit."""
    buy = view.buying.copy()
    for at, block in enumerate(prices.blocks):
        if not block.of_export and not block.netted:
            buy[block.steps] += block_slopes(prices, view, at)[0]
    buy -= _earned_by_baselines(prices, view)
    # a credit that is spent is gone, which is a loss unless what it would have saved is less than nothing
    spent = min(0.0, *(_credit_worth(prices, view, at)[0] for at in range(len(prices.netting))), 0.0)
    for chain, (term, (values, _)) in enumerate(zip(prices.netting, view.netting, strict=True)):
        for at, group in enumerate(term.groups):
            billed = _billed_slopes(prices, view, chain, at)[0]
            buy[group.steps] += min(billed, spent - values[at])
    return buy


def _earned_by_baselines(prices: PricedSteps, view: View) -> Floats:
    """Return what one more kWh bought in each step earns at most by raising the baselines of rebates, shape (n,)."""
    earned = np.zeros(len(prices.times))
    for rebate, price in zip(prices.rebates, view.rebates, strict=True):
        for steps in rebate.like:
            earned[steps] += max(price, 0.0) / rebate.counted
    return earned


def _lowest_selling(prices: PricedSteps, view: View) -> Floats:
    """Return the least that one more sold kWh can earn in each step; netted ones by their lowest credit."""
    sell = view.selling.copy()
    for at, block in enumerate(prices.blocks):
        if block.of_export:
            sell[block.steps] -= block_slopes(prices, view, at)[1]
    for chain, term in enumerate(prices.netting):
        worth = min(_credit_worth(prices, view, chain)[0], *view.netting[chain][0])
        for group in term.groups:
            sell[group.steps] += worth
    return sell


def _trade_gain(prices: PricedSteps, view: View) -> Floats:
    gain = view.selling - view.buying + _earned_by_baselines(prices, view)
    for at, block in enumerate(prices.blocks):
        if not block.netted:
            gain[block.steps] -= block_slopes(prices, view, at)[0]
    for chain, (term, (values, _)) in enumerate(zip(prices.netting, view.netting, strict=True)):
        worth = _credit_worth(prices, view, chain)[1]
        for at, group in enumerate(term.groups):
            apart = worth - _billed_slopes(prices, view, chain, at)[0]  # the credit is spent elsewhere
            gain[group.steps] += max(values[at], apart) if term.across == "any-band" else values[at]
    return gain


def _billed_slopes(prices: PricedSteps, view: View, chain: int, group: int) -> tuple[float, float]:
    """Return the least and the most that blocks of netted energy charge for one more billed kWh of a group."""
    lowest = highest = 0.0
    for at, block in enumerate(prices.blocks):
        if (chain, group) in block.netted:
            low, high = block_slopes(prices, view, at)
            lowest, highest = lowest + low, highest + high
    return lowest, highest


def _credit_worth(prices: PricedSteps, view: View, chain: int) -> tuple[float, float]:
    """Return the least and the most that a credit of a netting term can save, then or until it is settled."""
    worths = []
    for at in range(chain, len(prices.netting)):
        term, (values, leftover) = prices.netting[at], view.netting[at]
        for group, value in enumerate(values):
            worths += [float(value) + slope for slope in _billed_slopes(prices, view, at, group)]
        worths.append(leftover if term.leftover == "paid" else 0.0)
        if term.leftover != "carried":
            break
    return min(worths), max(worths)
