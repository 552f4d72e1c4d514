"""The judge of settings: runs cards as the inverter would and scores them.

What counts, in this order: load served, import limit, reserve floor, backup target, then bill + wear, the energy
left at the end valued at the year's lowest price. A search needs one number for that: the money, and far more where
a promise is broken. That number never leaves the search: what a reader sees is the money and the promises apart.
"""

from __future__ import annotations

import math
from copy import copy
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from dispatch.cards.plain import plain_card
from dispatch.cards.tables import Tables
from dispatch.case.stored_value import lowest_price_per_kwh
from dispatch.rules.score import BROKEN_KWH, Scorer
from dispatch.rules.walk import simulate
from dispatch.strategies.table import CHOICES

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from dispatch.arrays import Flags, Floats
    from dispatch.cards.card import Card, DayPlan
    from dispatch.cards.space import Space
    from dispatch.case.case import Case
    from dispatch.rules.score import Tally
    from dispatch.rules.walk import FlowBlock, Orders


BATCH = 1500  # candidates simulated together
TERMS_BATCH = 100  # where every candidate's energy is kept for a bill of many terms
PROMISES = ("load", "import limit", "reserve", "backup target")  # what comes before money, in this order
PROMISE_WEIGHTS = (1e6, 1e4, 1e2, 1.0)


@dataclass(frozen=True)
class Part:
    """Some stretches of the period: (first step, step after the last), and the level before each [kWh]."""

    spans: tuple[tuple[int, int], ...]
    starts: tuple[float, ...]


@dataclass(frozen=True)
class Verdict:
    """What k candidates cost, and how far they break each promise.

    Attributes
    ----------
    money : array, shape (k,)
        Bill without fixed charges + wear, less what more is stored at the end than at the start.
    broken : array, shape (4, k)
        In the order of ``PROMISES``: kWh, kWh, kWh, and steps beyond those that may miss the target.
    """

    money: Floats
    broken: Floats


@dataclass(frozen=True)
class Scored:
    """A card, what it costs, which promises it breaks, and the one number the search compares."""

    score: float
    card: Card
    money: float
    broken: tuple[str, ...] = ()


class Judge:
    """Scores cards; the smaller the better.

    Parameters
    ----------
    case : Case
    space : Space
    start_kwh : float, optional
        Level before the first step; default: the case's. [kWh]
    sells : bool
        Whether the cards sell to the grid in their discharge windows.
    """

    def __init__(
        self, case: Case, space: Space, start_kwh: float | None = None, *, sells: bool = False
    ) -> None:
        self.case, self.space = case, space
        self.start_kwh = case.limits.start_kwh if start_kwh is None else start_kwh
        self.tables = Tables(case, space)
        self.scorer = Scorer.of(case, sells=sells)
        self.target = self.scorer.target
        prices = case.prices
        self.end_value = lowest_price_per_kwh(case)
        dearest = float(prices.import_price_per_kwh.max()) + case.limits.wear_per_kwh + 1.0
        # each promise weighs more than anything the ones after it and the whole bill could bring
        self.weight = 100 * dearest * max(float((case.load_kwh + case.other_kwh).sum()), 1.0)
        backup = case.scenario.backup
        self.allowed_steps = (1 - backup.share_of_instants_fraction) * len(case.times) + 1e-6
        self._runs = [0]  # shared with every stricter judge
        self.prepare()
        self.batch = BATCH if case.prices.is_plain else TERMS_BATCH

    def prepare(self) -> None:
        """Work out what follows from the target and how often it may be missed."""
        # the lowest reserve alone does not keep the backup target as often as is wanted
        self.target_binds = self._target_binds()
        self.plain: dict[str, Scored] = {}
        self._hopeless: Flags | None = None

    def _target_binds(self) -> bool:
        target, space = self.target, self.space
        if target is None:
            return False
        levels = (
            np.array([reserves[0] for reserves in space.tried_reserves]) / 100 * self.case.limits.full_kwh
        )
        lowest = np.maximum(levels[space.group_of], self.scorer.case.floor_kwh)
        return float(np.sum(target > lowest + 1e-6)) > self.allowed_steps

    @property
    def count(self) -> int:
        """How many settings were run, on the whole period or a part of it."""
        return self._runs[0]

    def stricter(self, share_of_steps: float, more_kwh: float, more_floor_kwh: float = 0.0) -> Judge:
        """Return a judge that lets fewer steps miss the target, and asks for higher levels: for target and reserve."""
        other = copy(self)
        other.allowed_steps = self.allowed_steps * share_of_steps
        if self.target is not None and more_kwh > 0.0:
            top = max(self.case.limits.ceiling_kwh, float(self.target.max()))
            other.target = np.minimum(self.target + more_kwh, np.maximum(self.target, top))
        floor = np.minimum(self.case.floor_kwh + more_floor_kwh, self.case.limits.ceiling_kwh)
        held = self.case if more_floor_kwh <= 0.0 else replace(self.case, floor_kwh=floor)
        other.scorer = replace(self.scorer, case=held, target=other.target)
        other.prepare()
        return other

    def _verdict(self, tally: Tally, start_kwh: float | Floats, allowed: float) -> Verdict:
        return Verdict(
            money=tally.money + tally.wear - self.end_value * (tally.end_kwh - start_kwh),
            broken=np.array(
                [
                    tally.unserved_kwh,
                    tally.excess_kwh,
                    tally.short_kwh,
                    np.maximum(tally.missed_steps - allowed, 0.0),
                ]
            ),
        )

    def verdict(self, orders: Orders, part: Part | None = None) -> Verdict:
        """Tell what candidates cost and break on a part of the period; default: all of it."""
        k = orders.fill_kwh.shape[1]
        self._runs[0] += k
        if part is None:
            tally = self.scorer.tally_by_bill(orders, self.start_kwh)
            return self._verdict(tally, self.start_kwh, self.allowed_steps)
        money, broken = np.zeros(k), np.zeros((len(PROMISES), k))
        for span, start in zip(part.spans, part.starts, strict=True):
            piece = self._verdict(self.scorer.tally(orders, start, span), start, 0.0)
            money += piece.money
            broken += piece.broken
        broken[-1] = np.maximum(broken[-1] - self._allowed_in(part), 0.0)
        return Verdict(money, broken)

    def score(self, verdict: Verdict) -> Floats:
        """Put a verdict into the one number the search compares."""
        return verdict.money + self.weight * (np.array(PROMISE_WEIGHTS) @ verdict.broken)

    def scores(self, orders: Orders, part: Part | None = None) -> Floats:
        """Score candidates on a part of the period; default: all of it."""
        return self.score(self.verdict(orders, part))

    def _allowed_in(self, part: Part) -> float:
        """Count the steps of a part that may miss the target: those nothing saves, and a share of what is left over.

        A target is missed where the load is high, not evenly: the fullest battery tells where nothing can be done.
        """
        if not self.target_binds or self.target is None:
            return math.inf
        if self._hopeless is None:
            full = self.levels(plain_card(self.case, self.space, "reserve-first", self.space.reserves[0]))
            self._hopeless = full < self.target - BROKEN_KWH
        share = sum(last - first for first, last in part.spans) / len(self.case.times)
        inside = sum(int(self._hopeless[first:last].sum()) for first, last in part.spans)
        return inside + share * max(self.allowed_steps - int(self._hopeless.sum()), 0.0)

    def cards(self, cards: Sequence[Card]) -> list[Scored]:
        """Score whole cards on the whole period, best first."""
        found: list[Scored] = []
        for key in dict.fromkeys(map(_together, cards)):
            mine = [card for card in cards if _together(card) == key]
            for begin in range(0, len(mine), self.batch):
                some = mine[begin : begin + self.batch]
                verdict = self.verdict(self.tables.orders(some))
                scores = self.score(verdict).tolist()
                found += [
                    Scored(score, card, float(verdict.money[i]), broken_promises(verdict.broken[:, i]))
                    for i, (score, card) in enumerate(zip(scores, some, strict=True))
                ]
        return sorted(found, key=lambda scored: (scored.score, entries(scored.card)))

    def levels(self, card: Card) -> Floats:
        """Level at the end of every step of the period under a card, shape (n,)."""
        levels = np.empty(len(self.case.times))

        def keep(block: FlowBlock) -> None:
            levels[block.steps] = block.stored[:, 0]

        simulate(self.scorer.given, self.tables.orders([card]), self.start_kwh, keep)
        return levels

    def parts(self, card: Card, spans: Iterable[Sequence[tuple[int, int]]]) -> list[Part]:
        """Take several sets of stretches of the period, each begun at the level that this card has there."""
        stretches, start = [tuple(some) for some in spans], self.start_kwh
        later = any(first for some in stretches for first, _ in some)
        levels = self.levels(card) if later else np.empty(0)
        return [
            Part(some, tuple(float(levels[first - 1]) if first else start for first, _ in some))
            for some in stretches
        ]

    def missed_steps(self, card: Card) -> int:
        """Count the steps at whose end a card does not carry the backup target."""
        return 0 if self.target is None else int(np.sum(self.levels(card) < self.target - BROKEN_KWH))


def broken_promises(broken: Floats) -> tuple[str, ...]:
    """Name the promises of which more than rounding is missing."""
    return tuple(name for name, much in zip(PROMISES, broken.tolist(), strict=True) if much > BROKEN_KWH)


def _together(card: Card) -> tuple[object, ...]:
    """Cards that can be run at once have this alike."""
    return card.sun_first, tuple((one.begins, one.ends) for one in card.raises)


def entries(card: Card) -> int:
    """How much there is to enter: windows, reserves, seasons to change between, and sun sent another way than usual.

    What is alike on several kinds of days or in several seasons is entered once.
    """
    plans = dict.fromkeys(card.plans)
    reserves = len({plan.reserve_percent for plan in plans})
    return sum(plan.entries for plan in plans) + reserves + len(plans) - 1 + (card.sun_first == "battery")


def plain(judge: Judge, strategy: str = "off-peak-first") -> Scored:
    """Return the plain card of a strategy with the lowest reserve that keeps the scenario's promises."""
    if strategy not in judge.plain:
        judge.plain = _plain(judge)
    return judge.plain[strategy]


def _plain(judge: Judge) -> dict[str, Scored]:
    """Score the plain cards of every strategy, all reserves of all of them at once."""
    cards: list[tuple[str, Card]] = []
    for strategy in CHOICES:
        every = [plain_card(judge.case, judge.space, strategy, reserve) for reserve in judge.space.reserves]
        cards += [(strategy, card) for card in every if all(levels_fit(plan) for plan in card.plans)]
    verdict = judge.verdict(judge.tables.orders([card for _, card in cards]))
    promises = np.round(np.array(PROMISE_WEIGHTS) @ verdict.broken, 6)
    scores = judge.score(verdict)
    found: dict[str, Scored] = {}
    for strategy in CHOICES:
        mine = [i for i, (name, _) in enumerate(cards) if name == strategy]
        best = min(mine, key=lambda i: (promises[i], i))  # reserves rise: the first is the lowest
        broken = broken_promises(verdict.broken[:, best])
        found[strategy] = Scored(float(scores[best]), cards[best][1], float(verdict.money[best]), broken)
    return found


def levels_fit(plan: DayPlan) -> bool:
    """Tell whether every target lies at or above the reserve."""
    return all(window.to_percent >= plan.reserve_percent for window in plan.charge) and all(
        window.to_percent is None or window.to_percent > plan.reserve_percent for window in plan.discharge
    )


def with_plan(card: Card, group: int, plan: DayPlan) -> Card:
    """Return the card with one group's plan replaced."""
    return replace(card, plans=(*card.plans[:group], plan, *card.plans[group + 1 :]))
