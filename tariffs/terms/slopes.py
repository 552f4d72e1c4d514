"""What one more kWh can cost at least and earn at most, wherever a tariff's terms happen to stand.

A tariff with a minimum bill has two *views*: while the bill lies above the minimum a kWh costs what it costs; while
it lies below, what a kWh adds to the base of the minimum is taken off the top-up again. A
tariff with an export credit has two likewise: all of it is used, or there is more of it than charges::

    above   price                        below   price - topup_factor·(its price in the base)

Between them everything is a mean of the two, so what is true of both is true of the tariff.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from tariffs.terms.terms import RESOLUTION, Schedule, ScheduleClass

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from tariffs.terms.terms import CountingTerm, PricedSteps

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
    """

    buying: Floats
    selling: Floats
    blocks: tuple[Schedule, ...]
    demand: tuple[tuple[Schedule, ...], ...]
    netting: tuple[tuple[Floats, float], ...]


def views_of(prices: PricedSteps) -> tuple[View, ...]:
    """Return the view above the minimum bill and, where the tariff has one, the view below it."""
    above = View(
        prices.import_price_per_kwh,
        prices.export_price_per_kwh,
        tuple(term.schedule for term in prices.blocks),
        tuple(term.schedules for term in prices.demand),
        tuple(
            (np.array([group.value_per_kwh for group in term.groups]), term.leftover_price_per_kwh)
            for term in prices.netting
        ),
    )
    views = (above, _below(above, prices.minimums)) if prices.minimums else (above,)
    if not prices.credits:
        return views
    return (*(_scarce(view, prices) for view in views), *(_below(view, prices.credits) for view in views))


def _scarce(view: View, prices: PricedSteps) -> View:
    """Return a view in which all of an export credit is used: what is fed in saves charges."""
    selling, blocks = view.selling.copy(), list(view.blocks)
    for term in prices.credits:
        selling[term.steps] += term.topup_factor * term.earned_per_kwh
        for at, schedule in term.earned_blocks:
            blocks[at] = _less(blocks[at], schedule, -term.topup_factor)
    return replace(view, selling=selling, blocks=tuple(blocks))


def _below(above: View, terms: Sequence[CountingTerm]) -> View:
    buying, selling = above.buying.copy(), above.selling.copy()
    blocks, demand, netting = list(above.blocks), [list(each) for each in above.demand], list(above.netting)
    for term in terms:
        factor = term.topup_factor
        buying[term.steps] -= factor * term.import_price_per_kwh
        selling[term.steps] -= factor * term.export_price_per_kwh
        for at, schedule in term.blocks:
            blocks[at] = _less(blocks[at], schedule, factor)
        for at, schedules in term.demand:
            _take_off(demand[at], schedules, factor)
        for at, values, leftover in term.netting:
            old, old_leftover = netting[at]
            netting[at] = old - factor * values, old_leftover - factor * leftover
    return View(buying, selling, tuple(blocks), tuple(tuple(each) for each in demand), tuple(netting))


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


def rebate_prices(prices: PricedSteps) -> list[tuple[float, float]]:
    """Return for each rebate the least and the most that a kWh saved earns, whatever minimum bills stand at."""
    found = []
    for at, rebate in enumerate(prices.rebates):
        taken = [
            term.topup_factor * price
            for term in prices.minimums
            for other, price in term.rebates
            if other == at
        ]
        views = [
            rebate.price_per_kwh,
            rebate.price_per_kwh - sum(taken),
            *(rebate.price_per_kwh - one for one in taken),
        ]
        found.append((min(views), max(views)))
    return found


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
