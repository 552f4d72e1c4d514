"""What one more kWh can cost at least and earn at most, wherever a tariff's terms happen to stand.

A tariff with a minimum bill has two *views*: while the bill lies above the minimum a kWh costs what it costs; while
it lies below, what a kWh adds to the base of the minimum is taken off the top-up again. A
tariff with an export credit has two likewise: all of it is used, or there is more of it than charges::

    above   price                        below   price - topup_factor·(its price in the base)

So it is with every percentage that has a ceiling or tiers, and with several of these: a view for each state they can be
in. Between them everything is a mean of views, so what is true of all is true of the tariff.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise, product
from typing import TYPE_CHECKING

import numpy as np

from tariffs.terms.money_terms import CreditTerm, MinimumTerm, PercentTerm
from tariffs.terms.schedules import RESOLUTION, Schedule, ScheduleClass

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from tariffs.terms.money_terms import CountingTerm
    from tariffs.terms.terms import PricedSteps

    Floats = NDArray[np.float64]


NOISE = 1e-12  # money per unit; two products of the same factors may differ by this


def lowest_slope(schedule: Schedule, most: float = math.inf) -> float:
    """Return the least that one more unit can cost below ``most``; -inf where the cost drops at a limit."""
    return _slopes(schedule, most)[0]


def highest_slope(schedule: Schedule, most: float = math.inf) -> float:
    """Return the most that one more unit can cost below ``most``; inf where the cost jumps at a limit."""
    return _slopes(schedule, most)[1]


def _slopes(schedule: Schedule, most: float) -> tuple[float, float]:
    if schedule.by_past:  # this bill's use sets no class: every class may hold for every amount
        every = np.concatenate([step.prices for step in schedule.classes])
        return float(every.min()), float(every.max())
    lowest, highest, below, before = math.inf, -math.inf, 0.0, None
    for step in schedule.classes:
        if before is not None:
            jump = step.cost(below) - before.cost(below)
            lowest = -math.inf if jump < -NOISE else lowest
            highest = math.inf if jump > NOISE else highest
        starts = np.concatenate(([0.0], np.cumsum(step.widths[:-1])))
        inside = (starts <= min(step.upper, most)) & (starts + step.widths >= below)
        prices = step.prices[inside] if inside.any() else step.prices
        lowest, highest = min(lowest, float(prices.min())), max(highest, float(prices.max()))
        below, before = step.upper, step
        if below + RESOLUTION >= most:
            break
    return lowest, highest


@dataclass(frozen=True)
class View:
    """The prices of a tariff's terms as they act on one side of the minimum bill.

    Attributes
    ----------
    buying, selling : array, shape (n,)
        Import and export price of each step. [currency/kWh]
    blocks : tuple of Schedule
    demand : tuple of tuple of Schedule
    netting : tuple of (values per group, price of what is left over)
    missing : tuple of float
        Price of a missing kWh of each minimum in kWh.
    rebates : tuple of float
        What a kWh saved of each rebate earns.
    """

    buying: Floats
    selling: Floats
    blocks: tuple[Schedule, ...]
    demand: tuple[tuple[Schedule, ...], ...]
    netting: tuple[tuple[Floats, float], ...]
    missing: tuple[float, ...] = ()
    rebates: tuple[float, ...] = ()


def value_slopes(term: CountingTerm) -> tuple[float, ...]:
    """Return what one more unit of a counting term's base can change its value by, the usual case first."""
    if isinstance(term, MinimumTerm | CreditTerm):
        return (0.0, -1.0)
    assert isinstance(term, PercentTerm)  # noqa: S101 - there are no others
    slopes = dict.fromkeys(term.fractions)
    return tuple(slopes if math.isinf(term.most) else dict.fromkeys((*slopes, 0.0)))


def views_of(prices: PricedSteps) -> tuple[View, ...]:
    """Return a view for each state that minimum bills and uneven percentages can be in; the first is the usual one."""
    above = View(
        prices.import_price_per_kwh,
        prices.export_price_per_kwh,
        tuple(term.schedule for term in prices.blocks),
        tuple(term.schedules for term in prices.demand),
        tuple(
            (np.array([group.value_per_kwh for group in term.groups]), term.leftover_price_per_kwh)
            for term in prices.netting
        ),
        tuple(short.price_per_kwh for short in prices.kwh_minimums),
        tuple(rebate.price_per_kwh for rebate in prices.rebates),
    )
    found = [_in_state(above, prices, state) for state in _states(prices)]
    if prices.kwh_minimums:
        found += [_below_kwh(view, prices) for view in found]
    return tuple(found)


def _states(prices: PricedSteps) -> Iterator[dict[int, float]]:
    """Yield the slope of every counting term; periods do not mix, so terms go by their place in their own."""
    places: dict[int, list[int]] = {}
    for term in prices.counting:
        places.setdefault(term.period, []).append(term.order)
    by_order = {term.order: value_slopes(term) for term in prices.counting}
    most = max(map(len, places.values()), default=0)
    columns = [[orders[at] for orders in places.values() if at < len(orders)] for at in range(most)]
    for choice in product(*(range(max(len(by_order[order]) for order in column)) for column in columns)):
        yield {
            order: by_order[order][min(at, len(by_order[order]) - 1)]
            for column, at in zip(columns, choice, strict=True)
            for order in column
        }


def _in_state(above: View, prices: PricedSteps, state: dict[int, float]) -> View:
    buying, selling = above.buying.copy(), above.selling.copy()
    blocks, demand, netting = list(above.blocks), [list(each) for each in above.demand], list(above.netting)
    missing, rebates = list(above.missing), list(above.rebates)
    _sell_for_credit(prices, state, selling, blocks)
    weights = _base_weights(prices, state)
    for term in prices.counting:
        factor = -weights[term.order]
        if not factor:
            continue
        buying[term.steps] -= factor * term.import_price_per_kwh
        selling[term.steps] -= factor * term.export_price_per_kwh
        for at, schedule in term.blocks:
            blocks[at] = _less(blocks[at], schedule, factor)
        for at, schedules in term.demand:
            _take_off(demand[at], schedules, factor)
        for at, values, leftover in term.netting:
            old, old_leftover = netting[at]
            netting[at] = old - factor * values, old_leftover - factor * leftover
        for at, price in term.kwh_minimums:
            missing[at] -= factor * price
        for at, price in term.rebates:
            rebates[at] -= factor * price
    every = tuple(tuple(each) for each in demand)
    return View(buying, selling, tuple(blocks), every, tuple(netting), tuple(missing), tuple(rebates))


def _sell_for_credit(
    prices: PricedSteps, state: dict[int, float], selling: Floats, blocks: list[Schedule]
) -> None:
    """Price what is fed in for a credit, in place: where all of it is used, it saves charges."""
    for term in prices.credits:
        if not state[term.order]:
            selling[term.steps] += term.topup_factor * term.earned_per_kwh
            for at, schedule in term.earned_blocks:
                blocks[at] = _less(blocks[at], schedule, -term.topup_factor)


def _base_weights(prices: PricedSteps, state: dict[int, float]) -> dict[int, float]:
    """Return what one more unit of each base comes to in the bill, by order, in a state."""
    return {order: state[order] * worth for order, worth in _worths(prices, state).items()}


def _worths(prices: PricedSteps, state: dict[int, float]) -> dict[int, float]:
    """Return what one unit of each counting term's value comes to in the bill, by order, in a state."""
    found: dict[int, float] = {}
    for term in reversed(prices.counting):
        # its own factor, and what later terms make of it
        found[term.order] = term.topup_factor + sum(
            factor * state[later.order] * found[later.order]
            for later in prices.counting
            for order, factor in later.counts
            if order == term.order
        )
    return found


def worth_ranges(prices: PricedSteps) -> dict[int, tuple[float, float]]:
    """Return the least and the most that one unit of each counting term comes to in the bill, by order."""
    found: dict[int, tuple[float, float]] = {}
    for state in _states(prices):
        for order, worth in _worths(prices, state).items():
            low, high = found.get(order, (worth, worth))
            found[order] = min(low, worth), max(high, worth)
    return found


def _below_kwh(view: View, prices: PricedSteps) -> View:
    """Return the view while a minimum in kWh is not reached: a kWh more takes the place of a missing one."""
    buying = view.buying.copy()
    for short, price in zip(prices.kwh_minimums, view.missing, strict=True):
        highest = sum(highest_slope(view.blocks[at]) for at in short.blocks)
        buying[short.steps] -= price + highest
    return replace(view, buying=buying)


def block_slopes(prices: PricedSteps, view: View, at: int) -> tuple[float, float]:
    """Return the least and the most that one more kWh of a block term can cost, later terms it fills included."""
    low, high = lowest_slope(view.blocks[at]), highest_slope(view.blocks[at])
    for later, term in enumerate(prices.blocks):
        if at in term.earlier and not _same_prices(view.blocks[at], view.blocks[later]):
            spread = highest_slope(view.blocks[later]) - lowest_slope(view.blocks[later])
            low, high = low - spread, high + spread
    return low, high


def _same_prices(one: Schedule, other: Schedule) -> bool:
    return _same_shape(one, other) and all(
        np.array_equal(a.prices, b.prices) for a, b in zip(one.classes, other.classes, strict=True)
    )


def scaled_prices(one: Schedule, other: Schedule | None, factor: float = 1.0) -> Schedule:
    """Return a schedule of the same limits at its prices times a factor, less those of another."""
    return Schedule(
        tuple(
            ScheduleClass(
                step.upper,
                step.fixed * factor,
                step.widths,
                step.prices * factor - (0.0 if other is None else other.classes[at].prices),
            )
            for at, step in enumerate(one.classes)
        )
    )


def _take_off(schedules: list[Schedule], in_base: Sequence[Schedule], factor: float) -> None:
    """Take a minimum's share off those schedules it counts: same limits, one factor on every price."""
    free = list(range(len(schedules)))
    for base in in_base:
        at = next(place for place in free if _same_shape(schedules[place], base))
        free.remove(at)
        schedules[at] = _less(schedules[at], base, factor)


def _same_shape(one: Schedule, other: Schedule) -> bool:
    pairs = list(zip(one.classes, other.classes, strict=False))
    return len(one.classes) == len(other.classes) and all(
        a.upper == b.upper and np.array_equal(a.widths, b.widths) for a, b in pairs
    )


def _less(schedule: Schedule, in_base: Schedule, factor: float) -> Schedule:
    return Schedule(
        tuple(
            ScheduleClass(
                step.upper, step.fixed - factor * base.fixed, step.widths, step.prices - factor * base.prices
            )
            for step, base in zip(schedule.classes, in_base.classes, strict=True)
        ),
        schedule.by_past,
    )


def never_cheaper_above(schedule: Schedule) -> bool:
    """Tell whether no amount costs less in a class than in the class below it."""
    for below, above in pairwise(schedule.classes):
        edges = np.concatenate([[0.0], np.cumsum(below.widths[:-1]), np.cumsum(above.widths[:-1])])
        if any(above.cost(edge) < below.cost(edge) - NOISE for edge in edges.tolist()):
            return False
        if above.prices[-1] < below.prices[-1] - NOISE:
            return False
    return True


def rises(views: Sequence[Schedule]) -> bool:
    """Tell whether in every view prices never fall from block to block, in any class."""
    return all(bool((np.diff(step.prices) >= -NOISE).all()) for view in views for step in view.classes)
