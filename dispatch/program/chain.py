"""Blocks that hold energy from before: tiers that count through the year, tiers that bands use up one after another.

Stated for the program, with ``F[p]`` the fills of the blocks by everything counted up to term p of a chain::

    Σ_k F[p][k] = opening + Σ amounts up to p
    money of p  = Σ_k price[p][k]·(F[p][k] - F[p-1][k])

Where neighbours have the same prices what lies between them cancels, and needs no stating; else its fills are forced
into their order by binaries, as a cost is taken off there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from dispatch.program.schedules import Money, StatedSchedule, negated
from tariffs.terms.slopes import scaled_prices

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from dispatch.program.schedules import TermWriter
    from tariffs.terms.schedules import Schedule
    from tariffs.terms.slopes import View
    from tariffs.terms.terms import PricedSteps

    Terms = list[tuple[Any, float]]
    Amount = Callable[[int], tuple[Terms, tuple[float, float]]]


def chains(prices: PricedSteps) -> list[list[int]]:
    """Return the blocks terms that hold energy from before or for later ones, chain by chain in their order."""
    found: list[list[int]] = []
    for at, term in enumerate(prices.blocks):
        same = next((chain for chain in found if chain == list(term.earlier)), None)
        if same is not None and term.earlier:
            same.append(at)
        elif term.opening_kwh or any(at in other.earlier for other in prices.blocks):
            found.append([at])
    return found


@dataclass(frozen=True)
class ChainedBlock:
    """One term of a chain: the blocks up to it, less those before it."""

    here: StatedSchedule | None
    before: StatedSchedule | None
    opening_kwh: float

    def money(self, schedule: Schedule) -> Money:
        """Price the term's own energy by a schedule of the same shape."""
        if self.here is None:
            return Money([])
        own = self.here.money(schedule)
        if self.before is None:
            return Money(own.terms, own.constant - schedule(self.opening_kwh))
        less = self.before.money(schedule)
        return Money([*own.terms, *negated(less.terms)], own.constant - less.constant)


def state_chain(
    sheet: TermWriter, chain: Sequence[int], amount: Amount, views: Sequence[View]
) -> tuple[dict[int, ChainedBlock], Money]:
    """State a chain; return its terms and what they cost together.

    Raises
    ------
    ValueError
        If limits change from term to term.
    """
    blocks = sheet.case.prices.blocks
    schedules = [blocks[at].schedule for at in chain]
    if any(not np.array_equal(one.classes[0].widths, schedules[0].classes[0].widths) for one in schedules):
        raise ValueError("limits change within the year")
    opening = blocks[chain[0]].opening_kwh
    fixed: Terms = [(sheet.column(f"chain_{chain[0]}_opening", opening, opening), 1.0)] if opening else []
    counted = bool(sheet.case.prices.counting)
    so_far: Terms = list(fixed)
    least = most = opening
    stated: list[StatedSchedule | None] = []
    charges = Money([])
    for place, at in enumerate(chain):
        terms, between = amount(at)
        so_far, most = [*so_far, *terms], most + between[1]
        least += between[0] if len(chain) == 1 else 0.0
        last = place + 1 == len(chain)
        net = [
            scaled_prices(view.blocks[at], None if last else view.blocks[chain[place + 1]]) for view in views
        ]
        if not (last or counted) and not any(np.any(one.classes[0].prices) for one in net):
            stated.append(None)
            continue
        forced = net if last and not counted else [*net, *(scaled_prices(one, None, -1.0) for one in net)]
        own = sheet.schedule(f"block_{at}", schedules[place], so_far, (least, most), forced)
        stated.append(own)
        after = None if last else schedules[place + 1]
        part = own.money(scaled_prices(schedules[place], after))
        charges = Money([*charges.terms, *part.terms], charges.constant + part.constant)
    charges = Money(charges.terms, charges.constant - schedules[0](opening))
    found = {
        at: ChainedBlock(stated[place], stated[place - 1] if place else None, opening)
        for place, at in enumerate(chain)
    }
    return found, charges
