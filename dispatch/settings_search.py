"""The best settings that can be entered: from the optimum's shape and the tariff's windows, by search.

Settings are judged by running them as the inverter would (:mod:`dispatch.rules`). What counts, in this order: load
served, import limit, reserve floor, backup target, then bill + wear, the energy left at the end valued at the year's
lowest price. The search has two parts:

1. **Shape**, on every sixth week: from each start, one window, level or reserve at a time is put wherever it earns
   most, all places of the clock tried.
2. **Polish**, on the whole period: small changes of everything, until none helps. The plain settings of the tariff's
   windows are always among the starts, so that nothing found is worse than they are.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

import tariffs
from dispatch.rules import simulate
from dispatch.rules_scoring import Scorer, is_plain
from dispatch.settings import Card, ChargeWindow, DayPlan, Tables
from dispatch.settings_moves import (
    apart,
    charge_moves,
    discharge_moves,
    fine_moves,
    level_moves,
    pairs,
    reserve_moves,
)
from dispatch.settings_plain import longest, plain_card, windows_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    from numpy.typing import NDArray

    from dispatch.case import Case
    from dispatch.flows import Flows
    from dispatch.rules import Block, Orders
    from dispatch.rules_scoring import Tally
    from dispatch.settings import Space

    Floats = NDArray[np.float64]
    Tell = Callable[[str], None]

SHAPE_WEEKS = 6  # the shape is searched on one week in so many
SHAPE_PASSES, POLISH_PASSES = 2, 2
BATCH = 1500  # candidates simulated together
TERMS_BATCH = 100  # where every candidate's energy is kept for a bill of many terms
STARTS = 2
SIMPLER_FRACTION = 4e-4  # of the bill: what fewer entries may cost in all
OPTIMUM_SHARES = (0.1, 0.35)  # of the busiest hour: where the optimum counts as charging or discharging


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
    """Scores cards; the smaller the better.

    Parameters
    ----------
    case : Case
    space : Space
    """

    def __init__(self, case: Case, space: Space) -> None:
        self.case, self.space = case, space
        self.tables = Tables(case, space)
        self.scorer = Scorer.of(case)
        prices = case.prices
        self.end_value = float(prices.import_price_per_kwh.min())
        dearest = float(prices.import_price_per_kwh.max()) + case.limits.wear_per_kwh + 1.0
        # each promise weighs more than anything the ones after it and the whole bill could bring
        self.weight = 100 * dearest * max(float((case.load_kwh + case.other_kwh).sum()), 1.0)
        self.allowed_steps = self._allowed_steps()
        self.count = 0
        self.batch = BATCH if is_plain(case) else TERMS_BATCH

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
            return self.total(self._whole(orders, start), start)
        share = sum(last - first for first, last in part.spans) / len(self.case.times)
        total, missed = np.zeros(k), np.zeros(k)
        for span, start in zip(part.spans, part.starts, strict=True):
            tally = self.scorer.tally(orders, start, span)
            missed += tally.missed_steps
            tally.missed_steps = np.zeros(k)
            total += self.total(tally, start)
        return total + self.weight * np.maximum(missed - share * self.allowed_steps, 0.0)

    def _whole(self, orders: Orders, start_kwh: float) -> Tally:
        """Score the whole period; where a bill is more than prices per step, by all of its terms."""
        if is_plain(self.case):
            return self.scorer.tally(orders, start_kwh)
        k = orders.fill_kwh.shape[1]
        net = np.empty((len(self.case.times), k))
        tally = self.scorer.tally(orders, start_kwh, net=net)
        bought, prices = np.maximum(net, 0.0), self.case.prices
        for column in range(k):
            mine = bought[:, column]
            tally.money[column] = tariffs.evaluate(prices, mine, mine - net[:, column]) - prices.fixed_total
        return tally

    def cards(self, cards: Sequence[Card]) -> list[Judged]:
        """Score whole cards on the whole period, best first."""
        found: list[Judged] = []
        for sun_first in dict.fromkeys(card.sun_first for card in cards):
            mine = [card for card in cards if card.sun_first == sun_first]
            for begin in range(0, len(mine), self.batch):
                part = mine[begin : begin + self.batch]
                totals = self.scores(self.tables.orders(part))
                found += [Judged(float(s), card) for s, card in zip(totals, part, strict=True)]
        return sorted(found, key=lambda judged: (judged.score, _entries(judged.card)))

    def parts(self, card: Card, spans: Iterable[Sequence[tuple[int, int]]]) -> list[Part]:
        """Take several sets of stretches of the period, each begun at the level that this card has there."""
        levels = np.empty(len(self.case.times))

        def keep(block: Block) -> None:
            levels[block.steps] = block.stored[:, 0]

        start = self.case.limits.start_kwh
        simulate(self.scorer.given, self.tables.orders([card]), start, keep)
        return [
            Part(tuple(some), tuple(float(levels[first - 1]) if first else start for first, _ in some))
            for some in spans
        ]


def _entries(card: Card) -> int:
    """How much there is to enter: windows, reserves that differ, and sun sent another way than usual."""
    reserves = len({plan.reserve_percent for plan in card.plans})
    return sum(plan.entries for plan in card.plans) + reserves + (card.sun_first == "battery")


def plain(judge: Judge, strategy: str = "off-peak-first") -> Judged:
    """Return the plain card of a strategy with the lowest reserve that keeps the scenario's promises."""
    space = judge.space
    cards = [plain_card(judge.case, space, strategy, reserve) for reserve in space.reserves]
    kept = [card for card in cards if all(_levels_fit(plan) for plan in card.plans)]
    totals = judge.scores(judge.tables.orders(kept))
    promises = np.floor(totals / judge.weight + 0.5)
    best = int(np.flatnonzero(promises <= promises.min())[0])  # reserves rise: the first is the lowest
    return Judged(float(totals[best]), kept[best])


def _levels_fit(plan: DayPlan) -> bool:
    return all(window.to_percent >= plan.reserve_percent for window in plan.charge)


def find(
    judge: Judge, optimum: Flows | None, tell: Tell = lambda _label: None, keep: int = 1
) -> list[Judged]:
    """Search for the best settings.

    Parameters
    ----------
    judge : Judge
    optimum : Flows or None
        The least-cost schedule, whose shape gives starts.
    tell : callable
        Told what is being done.
    keep : int
        How many to return: where a bill has parts that no price per step can say, the caller has more to price.

    Returns
    -------
    list of Judged
        The best first; it is never worse than the plain settings.
    """
    tell("trying starts")
    starts = judge.cards(_starts(judge, optimum))
    chosen = [starts[0]]
    for judged in starts[1:]:  # starts that differ in where the sun goes first, then the next best
        if len(chosen) < STARTS and judged.card.plans not in [other.card.plans for other in chosen]:
            chosen.append(judged)
    found: list[Judged] = []
    for number, judged in enumerate(chosen, start=1):
        tell(f"search {number} of {len(chosen)}")
        found.append(_shape(judge, judged.card))
    tell("polishing")
    ranked = judge.cards([*(judged.card for judged in found), starts[0].card, plain(judge).card])
    best = _polish(judge, ranked[0])
    other = [replace(best.card, sun_first=choice) for choice in judge.space.sun_choices]
    best = _simpler(judge, min([best, *judge.cards(other)], key=lambda judged: judged.score))
    if keep == 1:
        return [best]
    near = [
        replace(best.card, plans=(*best.card.plans[:g], changed, *best.card.plans[g + 1 :]))
        for g, plan in enumerate(best.card.plans)
        for changed in fine_moves(plan, judge.space)
        if _levels_fit(changed)
    ]
    return [best, *ranked, *judge.cards(list(dict.fromkeys(near)))][:keep]


def _starts(judge: Judge, optimum: Flows | None) -> list[Card]:
    space = judge.space
    plans = [plain(judge, name).card.plans for name in ("off-peak-first", "solar-first", "reserve-first")]
    if optimum is not None:
        reserve = plans[0][0].reserve_percent
        for share in OPTIMUM_SHARES:
            shaped = [_shape_of(judge, optimum, g, share, reserve) for g in range(len(space.groups))]
            plans.append(tuple(shaped))
    return [Card(plan, sun_first=choice) for plan in plans for choice in space.sun_choices]


def _shape_of(judge: Judge, optimum: Flows, group: int, share: float, reserve_percent: float) -> DayPlan:
    """Read the optimum's habits off one group: the hours in which it charges and discharges, and how far."""
    case, space = judge.case, judge.space
    inside = space.group_of == group
    slots = len(space.minutes)
    slot = space.slot_of[inside]

    def busy(flow: Floats) -> NDArray[np.bool_]:
        mean = np.bincount(slot, weights=flow[inside], minlength=slots)
        return np.asarray(mean > share * max(mean.max(), 1e-9))

    charging, giving = busy(optimum["grid_to_battery"]), busy(optimum["battery_to_load"])
    full = case.limits.full_kwh
    charge = []
    for window in longest(windows_of(charging & ~giving, space), space.charge_windows):
        held = window.holds(space.minutes)[space.slot_of] & inside & (optimum["grid_to_battery"] > 1e-6)
        level = 100 * float(np.quantile(optimum["stored"][held], 0.75)) / full if held.any() else 0.0
        target = min(space.levels, key=lambda entry: abs(entry - max(level, reserve_percent)))
        charge.append(ChargeWindow(window.start, window.end, max(target, reserve_percent)))
    discharge = longest(windows_of(giving, space), space.discharge_windows)
    plan = DayPlan(tuple(charge), discharge, reserve_percent)
    return apart(plan, space, charge_wins=False) or DayPlan((), discharge, reserve_percent)


# ---- the two parts of the search ---------------------------------------------------------------------------


def _shape(judge: Judge, card: Card) -> Judged:
    """Improve one plan after the other on a sample of weeks."""
    best = card
    parts = judge.parts(card, [sample_spans(judge.case, judge.space, g) for g in range(len(card.plans))])
    for number in range(SHAPE_PASSES):
        before = best
        for group, part in enumerate(parts):
            best = _shape_group(judge, best, group, part, with_levels=number == 0)
        if best == before:
            break
    return judge.cards([best])[0]


def _shape_group(judge: Judge, card: Card, group: int, part: Part, *, with_levels: bool) -> Card:
    space = judge.space
    windows = tuple(pairs(space))

    def best_of(moves: Callable[[DayPlan], Iterable[DayPlan]]) -> None:
        nonlocal card
        card = _best_of(judge, card, group, moves(card.plans[group]), part)

    best_of(lambda plan: reserve_moves(plan, space))
    for index in range(space.charge_windows):
        best_of(lambda plan, i=index: charge_moves(plan, space, windows, i))  # type: ignore[misc]
        if with_levels:
            best_of(lambda plan, i=index: level_moves(plan, space, i))  # type: ignore[misc]
    for index in range(space.discharge_windows):
        best_of(lambda plan, i=index: discharge_moves(plan, space, windows, i))  # type: ignore[misc]
    best_of(lambda plan: fine_moves(plan, space))
    return card


def _best_of(judge: Judge, card: Card, group: int, plans: Iterable[DayPlan], part: Part | None) -> Card:
    """Return the card with the best of these plans in one group; the card itself where none is better."""
    own = card.plans[group]
    unique = [own, *(plan for plan in dict.fromkeys(plans) if plan != own and _levels_fit(plan))]
    totals = np.concatenate(
        [
            judge.scores(judge.tables.variations(card, group, unique[i : i + judge.batch]), part)
            for i in range(0, len(unique), judge.batch)
        ]
    )
    best = int(np.argmin(np.round(totals, 9)))
    if totals[best] >= totals[0] - 1e-9:
        return card
    return replace(card, plans=(*card.plans[:group], unique[best], *card.plans[group + 1 :]))


def season_spans(space: Space, group: int, kept: NDArray[np.bool_] | None = None) -> list[tuple[int, int]]:
    """Stretches of a group's season as (first step, step after the last), where ``kept`` holds."""
    season = space.groups[group].season
    mine = np.isin(space.group_of, [g for g, other in enumerate(space.groups) if other.season == season])
    steps = np.flatnonzero(mine if kept is None else mine & kept)
    runs = np.split(steps, np.flatnonzero(np.diff(steps) != 1) + 1)
    return [(int(run[0]), int(run[-1]) + 1) for run in runs]


def sample_spans(case: Case, space: Space, group: int) -> list[tuple[int, int]]:
    """Every sixth week of a group's season; all of a short season."""
    week = np.unique(case.times.normalize().asi8, return_inverse=True)[1] // 7
    season = space.groups[group].season
    mine = np.isin(space.group_of, [g for g, other in enumerate(space.groups) if other.season == season])
    weeks = np.unique(week[mine])
    kept = weeks if len(weeks) <= 2 * SHAPE_WEEKS else weeks[1::SHAPE_WEEKS]
    return season_spans(space, group, np.isin(week, kept))


def _polish(judge: Judge, judged: Judged) -> Judged:
    """Small changes on the whole period until none helps."""
    best = judged
    for _ in range(POLISH_PASSES):
        card = best.card
        spans = [season_spans(judge.space, group) for group in range(len(card.plans))]
        for group, part in enumerate(judge.parts(card, spans)):
            moves = fine_moves(card.plans[group], judge.space)
            card = _best_of(judge, card, group, moves, part if is_plain(judge.case) else None)
        better = min(_one_reserve(judge, [best.card, card]), key=lambda other: other.score)
        if better.score >= best.score - 1e-9:
            break
        best = better
    return best


def _one_reserve(judge: Judge, cards: Sequence[Card]) -> list[Judged]:
    """Try the same reserve in all plans: alone, no plan could lower it where the others hold the level up."""
    changed = [
        replace(card, plans=plans)
        for card in cards
        for plans in zip(*(reserve_moves(plan, judge.space) for plan in card.plans), strict=True)
    ]
    return judge.cards([*cards, *changed])


def _simpler(judge: Judge, best: Judged) -> Judged:
    """Leave out what earns next to nothing: less to type, less to get wrong."""
    allowance = SIMPLER_FRACTION * max(abs(best.score), 1e-9)
    while True:
        fewer = [
            card
            for card in _one_less(best.card, judge.space.sun_choices)
            if _entries(card) < _entries(best.card)
        ]
        judged = judge.cards(fewer)[0] if fewer else None
        if judged is None or judged.score > best.score + allowance:
            return best
        allowance -= max(judged.score - best.score, 0.0)
        best = judged


def _one_less(card: Card, choices: Sequence[str]) -> Iterator[Card]:
    """Every card with one window left out, one plan's reserve made that of another, or the load first."""
    yield replace(card, sun_first="load" if "load" in choices else card.sun_first)
    for g, plan in enumerate(card.plans):
        smaller = [
            *(replace(plan, charge=plan.charge[:i] + plan.charge[i + 1 :]) for i in range(len(plan.charge))),
            *(
                replace(plan, discharge=plan.discharge[:i] + plan.discharge[i + 1 :])
                for i in range(len(plan.discharge))
            ),
            *(replace(plan, reserve_percent=other.reserve_percent) for other in card.plans),
        ]
        for changed in smaller:
            if _levels_fit(changed):
                yield replace(card, plans=(*card.plans[:g], changed, *card.plans[g + 1 :]))
