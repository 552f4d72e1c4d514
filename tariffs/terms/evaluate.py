"""The algebra of `tariffs.terms` in plain numpy: what a program's objective must come to."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tariffs.terms.flow_terms import BlockTerm, NettingTerm
from tariffs.terms.money_terms import CountingTerm, CreditTerm, MinimumTerm
from tariffs.terms.schedules import Floats, Ints, Schedule
from tariffs.terms.terms import PricedSteps

_NEVER_EXPIRES = 10**9  # month of a credit from before the series


@dataclass(frozen=True)
class Netted:
    """What one netting term came to: kWh billed and set off by group, and kWh left over."""

    billed: Floats
    set_off: Floats
    leftover: float

    def cost(self, values: Sequence[float] | Floats, leftover_price: float) -> float:
        """Return the term's cost under given values."""
        return -float(self.set_off @ np.asarray(values)) - leftover_price * self.leftover


@dataclass(frozen=True)
class Amounts:
    """The amounts that the terms of a `PricedSteps` are priced by, for given flows."""

    netted: tuple[Netted, ...]
    block_kwh: tuple[float, ...]
    past_means: tuple[float, ...]
    billed_kw: tuple[float, ...]
    missing_kwh: tuple[float, ...] = ()
    saved_kwh: tuple[float, ...] = ()


def evaluate(priced: PricedSteps, import_kwh: Floats, export_kwh: Floats) -> float:
    """Return the whole bill of a series from the terms alone.

    Parameters
    ----------
    priced : PricedSteps
    import_kwh, export_kwh : array, shape (n,)
        Energy in each step, both >= 0. [kWh]
    """
    found = amounts(priced, import_kwh, export_kwh)
    total = priced.fixed_total
    total += float(import_kwh @ priced.import_price_per_kwh - export_kwh @ priced.export_price_per_kwh)
    for index, block in enumerate(priced.blocks):
        total += block_cost(block, block.schedule, found, index)
    for demand, kw in zip(priced.demand, found.billed_kw, strict=True):
        total += sum(schedule(kw) for schedule in demand.schedules)
    for term, netted in zip(priced.netting, found.netted, strict=True):
        total += netted.cost([group.value_per_kwh for group in term.groups], term.leftover_price_per_kwh)
    for short, missing in zip(priced.kwh_minimums, found.missing_kwh, strict=True):
        total += short.price_per_kwh * missing
    total -= sum(r.price_per_kwh * kwh for r, kwh in zip(priced.rebates, found.saved_kwh, strict=True))
    values = counted_values(priced, found, import_kwh, export_kwh)
    return total + sum(term.topup_factor * values[term.order] for term in priced.counting)


def counted_values(
    priced: PricedSteps, found: Amounts, import_kwh: Floats, export_kwh: Floats
) -> dict[int, float]:
    """Return the value of every minimum bill and uneven percentage, by its order."""
    values: dict[int, float] = {}
    lots = [(_NEVER_EXPIRES, term.opening) for term in priced.credits if term.opening]
    for term in priced.counting:
        base = counted_base(priced, term, found, import_kwh, export_kwh)
        base += sum(factor * values[at] for at, factor in term.counts)
        if isinstance(term, MinimumTerm):
            values[term.order] = term.value(base)
        elif isinstance(term, CreditTerm):
            earned = term.earned_fixed + earned_credit(priced, term, found, export_kwh)
            values[term.order] = term.value(base, earned, lots)
        else:
            kwh = _billed_kwh(term.netted, term.steps, found.netted, import_kwh)
            values[term.order] = term.value(base, kwh + sum(found.missing_kwh[at] for at in term.missing))
    return values


def earned_credit(priced: PricedSteps, term: CreditTerm, found: Amounts, export_kwh: Floats) -> float:
    """Return what exports earn of a credit in a period, other registers apart."""
    earned = float(export_kwh[term.steps] @ term.earned_per_kwh)
    return earned - sum(
        block_cost(priced.blocks[at], schedule, found, at) for at, schedule in term.earned_blocks
    )


def _billed_kwh(
    pairs: Sequence[tuple[int, int]], steps: Ints, netted: Sequence[Netted], import_kwh: Floats
) -> float:
    """Return the kWh bought in these steps, or what netting leaves of them."""
    if pairs:
        return float(sum(netted[term].billed[group] for term, group in pairs))
    return float(import_kwh[steps].sum())


def amounts(priced: PricedSteps, import_kwh: Floats, export_kwh: Floats) -> Amounts:
    """Return the amounts that blocks, demand and netting are priced by."""
    netted = tuple(_chain(priced.netting, import_kwh, export_kwh))
    blocks = []
    for block in priced.blocks:
        flow = export_kwh if block.of_export else import_kwh
        if block.netted:
            blocks.append(float(sum(netted[term].billed[group] for term, group in block.netted)))
        else:
            blocks.append(float(flow[block.steps].sum()))
    measured = [demand.measured_kw(import_kwh) for demand in priced.demand]
    billed = [
        max(demand.billed_kw(kw, measured), 0.0) for demand, kw in zip(priced.demand, measured, strict=True)
    ]
    missing = []
    for short in priced.kwh_minimums:
        kwh = max(short.kwh - _billed_kwh(short.netted, short.steps, netted, import_kwh), 0.0)
        missing.append(kwh)
        for at in short.blocks:
            blocks[at] += kwh
    saved = (rebate.saved_kwh(import_kwh) for rebate in priced.rebates)
    means = (block.past_use.mean_kwh(import_kwh) if block.past_use else 0.0 for block in priced.blocks)
    return Amounts(netted, tuple(blocks), tuple(means), tuple(billed), tuple(missing), tuple(saved))


def block_cost(block: BlockTerm, schedule: Schedule, found: Amounts, index: int) -> float:
    """Return what one block term costs under a schedule, its own or that of a minimum bill."""
    if block.demand is not None:
        schedule = schedule.scaled(found.billed_kw[block.demand])
    if schedule.by_past:
        return schedule.in_class(found.block_kwh[index], found.past_means[index])
    own = found.block_kwh[index]
    if not (block.earlier or block.together or block.opening_kwh):
        return schedule(own)
    before = block.opening_kwh + sum(found.block_kwh[at] for at in block.earlier)
    if not block.together:
        return schedule(before + own) - schedule(before)
    total = sum(found.block_kwh[at] for at in block.together)
    return own / total * (schedule(before + total) - schedule(before)) if total else 0.0


def counted_base(
    priced: PricedSteps, term: CountingTerm, found: Amounts, import_kwh: Floats, export_kwh: Floats
) -> float:
    """Return the money that a term counts, what earlier counting terms add apart."""
    bought, sold = import_kwh[term.steps], export_kwh[term.steps]
    base = term.base_fixed + float(bought @ term.import_price_per_kwh - sold @ term.export_price_per_kwh)
    for at, schedule in term.blocks:
        base += block_cost(priced.blocks[at], schedule, found, at)
    for at, schedules in term.demand:
        base += sum(schedule(found.billed_kw[at]) for schedule in schedules)
    for at, values, leftover_price in term.netting:
        base += found.netted[at].cost(values, leftover_price)
    for at, price in term.rebates:
        base -= price * found.saved_kwh[at]
    for at, price in term.kwh_minimums:
        base += price * found.missing_kwh[at]
    return base


def _chain(terms: Sequence[NettingTerm], import_kwh: Floats, export_kwh: Floats) -> list[Netted]:
    """Play the netting terms through time."""
    banks: dict[int, float] = {}
    found = []
    for term in terms:
        for band, kwh in term.opening_kwh:
            banks[band] = banks.get(band, 0.0) + kwh
        bought = [float(import_kwh[group.steps].sum()) for group in term.groups]
        sold = [float(export_kwh[group.steps].sum()) for group in term.groups]
        own = term.across == "any-band"
        need = [b if own else max(b - s, 0.0) for b, s in zip(bought, sold, strict=True)]
        keys = [group.band if term.across == "same-band" else -1 for group in term.groups]
        for key, b, s in zip(keys, bought, sold, strict=True):
            banks[key] = banks.get(key, 0.0) + (s if own else max(s - b, 0.0))
        billed = []
        for key, wanted in zip(keys, need, strict=True):
            spent = min(banks[key], wanted)
            banks[key] -= spent
            billed.append(wanted - spent)
        left = sum(banks.values())
        if term.leftover != "carried":
            banks = {}
        set_off = np.array(bought) - np.array(billed)
        found.append(Netted(np.array(billed), set_off, left if term.leftover == "paid" else 0.0))
    return found
