"""The judge of settings: runs cards as the inverter would and scores them.

What counts, in this order: load served, import limit, reserve floor, backup target, then bill + wear, the energy
left at the end valued at the year's lowest price.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from dispatch.case.stored_value import lowest_price_per_kwh
from dispatch.rules.score import BROKEN_KWH, Scorer
from dispatch.rules.walk import simulate
from dispatch.settings.plain import plain_card
from dispatch.settings.space import Tables

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from dispatch.arrays import Flags, Floats
    from dispatch.case.case import Case
    from dispatch.rules.score import Tally
    from dispatch.rules.walk import Block, Orders
    from dispatch.settings.card import Card, DayPlan
    from dispatch.settings.space import Space


BATCH = 1500  # candidates simulated together
TERMS_BATCH = 100  # where every candidate's energy is kept for a bill of many terms


@dataclass(frozen=True)
class Part:
    """Some stretches of the period: (first step, step after the last), and the level before each [kWh]."""

    spans: tuple[tuple[int, int], ...]
    starts: tuple[float, ...]


@dataclass(frozen=True)
class Judged:
    """A card and what it scored: money where every promise is kept, far more where one is broken."""

    score: float
    card: Card


class Judge:
    """Scores cards; the smaller the better."""

    def __init__(self, case: Case, space: Space) -> None:
        self.case, self.space = case, space
        self.tables = Tables(case, space)
        self.scorer = Scorer.of(case)
        prices = case.prices
        self.end_value = lowest_price_per_kwh(case)
        dearest = float(prices.import_price_per_kwh.max()) + case.limits.wear_per_kwh + 1.0
        # each promise weighs more than anything the ones after it and the whole bill could bring
        self.weight = 100 * dearest * max(float((case.load_kwh + case.other_kwh).sum()), 1.0)
        self.allowed_steps = self._allowed_steps()
        # the lowest reserve alone does not keep the backup target as often as is wanted
        self.target_binds = self._target_binds()
        self.count = 0
        self.plain: dict[str, Judged] = {}
        self._hopeless: Flags | None = None
        self.batch = BATCH if case.prices.is_plain else TERMS_BATCH

    def _target_binds(self) -> bool:
        target, space, full = self.scorer.target, self.space, self.case.limits.full_kwh
        if target is None:
            return False
        lowest = max(space.reserves[0] / 100 * full, self.case.limits.empty_kwh)
        return float(np.sum(target > lowest + 1e-6)) > self.allowed_steps

    def _allowed_steps(self) -> float:
        backup = self.case.scenario.backup
        return (1 - backup.share_of_instants_fraction) * len(self.case.times) + 1e-6

    def total(self, tally: Tally, start_kwh: float | Floats, share: float = 1.0) -> Floats:
        """One number per candidate; ``share`` of the period was simulated."""
        missed = np.maximum(tally.missed_steps - share * self.allowed_steps, 0.0)
        return (
            tally.money
            + tally.wear
            - self.end_value * (tally.end_kwh - start_kwh)
            + self.weight
            * (1e6 * tally.unserved_kwh + 1e4 * tally.excess_kwh + 1e2 * tally.short_kwh + missed)
        )

    def scores(self, orders: Orders, part: Part | None = None) -> Floats:
        """Score candidates on a part of the period; default: all of it."""
        k = orders.fill_kwh.shape[1]
        self.count += k
        if part is None:
            start = self.case.limits.start_kwh
            return self.total(self.scorer.tally_by_bill(orders, start), start)
        total, missed = np.zeros(k), np.zeros(k)
        for span, start in zip(part.spans, part.starts, strict=True):
            tally = self.scorer.tally(orders, start, span)
            missed += tally.missed_steps
            tally.missed_steps = np.zeros(k)
            total += self.total(tally, start)
        return total + self.weight * np.maximum(missed - self._allowed_in(part), 0.0)

    def _allowed_in(self, part: Part) -> float:
        """Count the steps of a part that may miss the target: those nothing saves, and a share of what is left over.

        A target is missed where the load is high, not evenly: the fullest battery tells where nothing can be done.
        """
        if not self.target_binds or self.scorer.target is None:
            return math.inf
        if self._hopeless is None:
            full = self.levels(plain_card(self.case, self.space, "reserve-first", self.space.reserves[0]))
            self._hopeless = full < self.scorer.target - BROKEN_KWH
        share = sum(last - first for first, last in part.spans) / len(self.case.times)
        inside = sum(int(self._hopeless[first:last].sum()) for first, last in part.spans)
        return inside + share * max(self.allowed_steps - int(self._hopeless.sum()), 0.0)

    def cards(self, cards: Sequence[Card]) -> list[Judged]:
        """Score whole cards on the whole period, best first."""
        found: list[Judged] = []
        for sun_first in dict.fromkeys(card.sun_first for card in cards):
            mine = [card for card in cards if card.sun_first == sun_first]
            for begin in range(0, len(mine), self.batch):
                part = mine[begin : begin + self.batch]
                totals = self.scores(self.tables.orders(part))
                found += [Judged(float(s), card) for s, card in zip(totals, part, strict=True)]
        return sorted(found, key=lambda judged: (judged.score, entries(judged.card)))

    def levels(self, card: Card) -> Floats:
        """Level at the end of every step of the period under a card, shape (n,)."""
        levels = np.empty(len(self.case.times))

        def keep(block: Block) -> None:
            levels[block.steps] = block.stored[:, 0]

        simulate(self.scorer.given, self.tables.orders([card]), self.case.limits.start_kwh, keep)
        return levels

    def parts(self, card: Card, spans: Iterable[Sequence[tuple[int, int]]]) -> list[Part]:
        """Take several sets of stretches of the period, each begun at the level that this card has there."""
        levels, start = self.levels(card), self.case.limits.start_kwh
        return [
            Part(tuple(some), tuple(float(levels[first - 1]) if first else start for first, _ in some))
            for some in spans
        ]


def entries(card: Card) -> int:
    """How much there is to enter: windows, reserves that differ, and sun sent another way than usual."""
    reserves = len({plan.reserve_percent for plan in card.plans})
    return sum(plan.entries for plan in card.plans) + reserves + (card.sun_first == "battery")


def plain(judge: Judge, strategy: str = "off-peak-first") -> Judged:
    """Return the plain card of a strategy with the lowest reserve that keeps the scenario's promises."""
    if strategy not in judge.plain:
        judge.plain[strategy] = _plain(judge, strategy)
    return judge.plain[strategy]


def _plain(judge: Judge, strategy: str) -> Judged:
    space = judge.space
    cards = [plain_card(judge.case, space, strategy, reserve) for reserve in space.reserves]
    kept = [card for card in cards if all(levels_fit(plan) for plan in card.plans)]
    totals = judge.scores(judge.tables.orders(kept))
    promises = np.floor(totals / judge.weight + 0.5)
    best = int(np.flatnonzero(promises <= promises.min())[0])  # reserves rise: the first is the lowest
    return Judged(float(totals[best]), kept[best])


def levels_fit(plan: DayPlan) -> bool:
    """Tell whether every target lies at or above the reserve."""
    return all(window.to_percent >= plan.reserve_percent for window in plan.charge)


def with_plan(card: Card, group: int, plan: DayPlan) -> Card:
    """Return the card with one group's plan replaced."""
    return replace(card, plans=(*card.plans[:group], plan, *card.plans[group + 1 :]))
