"""When a home buys and sells: its mean day in each month, before, as set, and with its charge started by lot.

Batteries told to charge when the cheap price begins all begin at once. A home whose charge is done before the cheap
hours end can begin later at no cost: every whole delay is run as the inverter would, and those count that cost no more
than `FREE` over the data, serve as well, keep the target as often as wanted and at no moment leave fewer hours than
the fewest there were. (Until its later start a battery waits with what it has: usual hours of the night are fewer.)
Which of them a home takes is drawn by lot from its name, so no home needs to know of another.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from dispatch.cards.plain import plain_card
from dispatch.cards.space import device_space
from dispatch.cards.tables import Tables
from dispatch.fleet.side_by_side import HomesTally, goes_beside, repeating_starts
from dispatch.fleet.stack import kind_of, stacked_conditions, stacked_orders
from dispatch.outages.hours import backup_hours
from dispatch.outcome import share_wanted
from dispatch.rules.score import target_level_kwh
from dispatch.rules.walk import simulate

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dispatch.arrays import Floats
    from dispatch.cards.card import Card
    from dispatch.cards.space import Space
    from dispatch.case.case import Case
    from dispatch.fleet.side_by_side import Advised
    from dispatch.outcome import Outcome
    from dispatch.rules.walk import FlowBlock


FREE = 0.005
"""Money over the data below which a delay costs nothing: it vanishes in the rounding of a bill."""

MOST_DELAYS = 12

LEAST_DELAY_MINUTES = 30

MONTHS, HOURS = 12, 24


@dataclass(frozen=True)
class Shapes:
    """A home's mean net power at the meter (import less export) by month and local hour, (12, 24) each. [kW].

    NaN where the data hold no such hour.

    Attributes
    ----------
    before, after, staggered : array
        Without the system; as set; as set with the start drawn by lot.
    delay_minutes : int
        The delay drawn.
    free_minutes : int
        The longest delay that costs nothing.
    """

    before: Floats
    after: Floats
    staggered: Floats
    delay_minutes: int
    free_minutes: int


def mean_days(case: Case, net_kwh: Floats) -> Floats:
    """Average net energy at the meter to powers by month and local hour, shape (12, 24). [kW]."""
    local = case.times.tz_localize(None)
    cell = (np.asarray(local.month) - 1) * HOURS + np.asarray(local.hour)
    steps = np.bincount(cell, minlength=MONTHS * HOURS)
    total = np.bincount(cell, weights=net_kwh, minlength=MONTHS * HOURS)
    mean = np.divide(total, steps * case.dt_hours, out=np.full(len(total), np.nan), where=steps > 0)
    return np.asarray(mean.reshape(MONTHS, HOURS))


def shapes_of(homes: Sequence[tuple[str, Advised]]) -> list[Shapes]:
    """Tell the shapes of many homes.

    Parameters
    ----------
    homes : sequence of (str, Advised)
        What the lot is drawn from (the home's name), and what it should set.
    """
    plain = [_unstaggered(advised) for _, advised in homes]
    kinds: dict[object, list[int]] = {}
    for at, (_, advised) in enumerate(homes):
        if advised.chosen.name == "off-peak-first" and goes_beside(advised.case):
            kinds.setdefault(kind_of(advised.case), []).append(at)
    for group in kinds.values():
        drawn = _drawn([homes[at] for at in group])
        for at, found in zip(group, drawn, strict=True):
            if found is not None:
                plain[at] = replace(
                    plain[at], staggered=found[0], delay_minutes=found[1], free_minutes=found[2]
                )
    return plain


def _unstaggered(advised: Advised) -> Shapes:
    before, after = (
        mean_days(run.case, run.flows["import"] - run.flows["export"])
        for run in (advised.no_system, advised.chosen)
    )
    return Shapes(before, after, after, 0, 0)


def delayed_cards(case: Case, space: Space, percent: float) -> tuple[list[Card], int]:
    """Return the off-peak-first card at a reserve with its charge begun later and later, and the grain in minutes."""
    card = plain_card(case, space, "off-peak-first", percent)
    grain = space.grain_minutes * -(-LEAST_DELAY_MINUTES // space.grain_minutes)
    longest = min((window.minutes for plan in card.plans for window in plan.charge), default=0)
    cards = [card]
    for count in range(1, min(MOST_DELAYS, (longest - 1) // grain) + 1):
        plans = tuple(
            replace(
                plan,
                charge=tuple(
                    replace(window, start=(window.start + count * grain) % 1440) for window in plan.charge
                ),
            )
            for plan in card.plans
        )
        cards.append(replace(card, plans=plans))
    return cards, grain


def _drawn(homes: Sequence[tuple[str, Advised]]) -> list[tuple[Floats, int, int] | None]:
    """Run every delay of homes of one kind; give each its mean days, its delay, and the longest free one."""
    cases = [advised.chosen.case for _, advised in homes]
    told, grains = [], []
    for case, (_, advised) in zip(cases, homes, strict=True):
        space = device_space(case)
        cards, grain = delayed_cards(case, space, float(advised.chosen.reserve_percent or 0.0))
        told.append(Tables(case, space).orders(cards))
        grains.append(grain)
    given, orders = stacked_conditions(cases), stacked_orders(told)
    starts = repeating_starts(cases, given, orders)
    least_kwh = np.column_stack([_least_level_kwh(advised.chosen) for _, advised in homes])
    tally = HomesTally(cases, given, orders, starts, least_kwh)
    delays = [
        _by_lot(tally, home, one.fill_kwh.shape[1], name)
        for home, (one, (name, _)) in enumerate(zip(told, homes, strict=True))
    ]
    net = np.empty((len(cases[0].times), len(cases)))
    at = np.array([mine for mine, _ in delays])
    each = np.arange(len(cases))
    chosen = replace(
        orders,
        fill_kwh=orders.fill_kwh[:, at, each][:, None],
        drain_kwh=orders.drain_kwh[:, at, each][:, None],
    )

    def keep(block: FlowBlock) -> None:
        net[block.steps] = block.net[:, 0]

    simulate(given, chosen, starts[at, each][None], keep)
    return [
        (mean_days(case, net[:, home]), mine * grain, most * grain) if most else None
        for home, (case, (mine, most), grain) in enumerate(zip(cases, delays, grains, strict=True))
    ]


def _least_level_kwh(run: Outcome) -> Floats:
    """Level at the end of each step that gives no fewer hours than the fewest of the run, shape (n,). [kWh]."""
    level = target_level_kwh(run.case, float(backup_hours(run.case, run.flows["stored"]).min()))
    assert level is not None  # noqa: S101 - hours are given
    return level


def _by_lot(tally: HomesTally, home: int, count: int, name: str) -> tuple[int, int]:
    """Draw one of the free delays; return it and the longest of them, in grains."""
    case, cost = tally.cases[home], tally.cost(home)[:count]
    share = 1.0 - tally.missed[:count, home] / len(case.times)
    unserved, below = tally.unserved_kwh[:count, home], tally.below[:count, home]
    free = np.flatnonzero(
        (cost <= cost[0] + FREE)
        & (share >= min(share[0], share_wanted(case)) - 1e-12)
        & (unserved <= unserved[0] + 1e-6)
        & (below <= below[0])
    )
    lot = int.from_bytes(hashlib.blake2b(name.encode(), digest_size=8).digest(), "big") / 2**64
    return int(free[int(lot * len(free))]), int(free[-1])
