"""The best settings that can be entered: from the optimum's shape and the tariff's windows, by search.

Settings are judged by running them as the inverter would (:mod:`dispatch.rules`). What counts, in this order: load
served, import limit, reserve floor, backup target, then bill + wear, the energy left at the end valued at the year's
lowest price. The search has two parts:

1. **Shape**, on every eighth week (sixth, where discharge windows have levels): from each start, one window, level
   or reserve at a time is put wherever it earns most, all places of the clock tried.
2. **Polish**, on the whole period: small changes of everything, until none helps. The plain settings of the tariff's
   windows are always among the starts, so that nothing found is worse than they are.

Of all cards that cost next to nothing more, the one with the fewest entries is taken: :mod:`dispatch.search.simple`.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from dispatch.cards.card import EVENT_DAYS, Card, ChargeWindow, DayPlan, DischargeWindow
from dispatch.cards.plain import longest, windows_of
from dispatch.search.judge import Judge, Part, Scored, entries, levels_fit, plain, with_plan
from dispatch.search.moves import (
    apart,
    at_reserve,
    charge_moves,
    discharge_moves,
    drain_moves,
    fine_moves,
    level_moves,
    lower_reserve_moves,
    pairs,
    reserve_and_discharge_moves,
    reserve_moves,
    split_charge_moves,
    split_moves,
)
from dispatch.search.simple import Found, simplest

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from dispatch.arrays import Flags, Floats
    from dispatch.cards.space import Space
    from dispatch.case.case import Case
    from dispatch.flows import Flows

    Tell = Callable[[str], None]


SHAPE_WEEKS, SHAPE_WEEKS_LEVELS = 8, 6  # the shape is searched on one week in so many
SHAPE_PASSES, POLISH_PASSES = 2, 2
STARTS = 2
OPTIMUM_SHARES = (0.1, 0.35)  # of the busiest hour: where the optimum counts as charging or discharging


def find(judge: Judge, optimum: Flows | None, tell: Tell = lambda _label: None) -> Found:
    """Search for the best settings.

    Parameters
    ----------
    judge : Judge
    optimum : Flows or None
        The least-cost schedule, whose shape gives starts.
    tell : callable
        Told what is being done.

    Returns
    -------
    Found
        Its best card is never worse than the plain settings; nor is the simple one.
    """
    tell("trying starts")
    starts = judge.cards(_starts(judge, optimum))
    chosen = [starts[0]]
    for scored in starts[1:]:  # starts that differ in where the sun goes first, then the next best
        if len(chosen) < STARTS and scored.card.plans not in [other.card.plans for other in chosen]:
            chosen.append(scored)
    full = plain(judge, "reserve-first")
    if judge.target_binds and full.card.plans not in [other.card.plans for other in chosen]:
        chosen.append(full)  # from a full battery a target can be kept while windows are opened
    found: list[Scored] = []
    for number, scored in enumerate(chosen, start=1):
        tell(f"search {number} of {len(chosen)}")
        found.append(_shape(judge, scored.card))
    tell("polishing")
    worth = [min([*found, starts[0], *judge.plain.values()], key=lambda scored: scored.score)]
    if judge.target_binds or judge.space.discharge_levels:
        # on a sample of weeks a target or a reserve may look kept that is not: polishing mends it
        nearest = sorted(found, key=lambda scored: scored.score)
        worth = list({scored.card: scored for scored in [*worth, *nearest]}.values())[:2]
    return refine(judge, worth)


def refine(judge: Judge, starts: Sequence[Scored]) -> Found:
    """Polish good cards on the whole period, take the best, and make it simple."""
    best = min((_polish(judge, scored) for scored in starts), key=lambda scored: scored.score)
    choices = [choice for choice in judge.space.sun_choices if choice != best.card.sun_first]
    others = judge.cards([replace(best.card, sun_first=choice) for choice in choices])
    whole = min([best, *others], key=lambda scored: scored.score)
    split = _split(judge, whole)
    if split is whole:
        return simplest(judge, whole, others)
    ways = [simplest(judge, split), simplest(judge, split, others, start=whole)]
    return min(ways, key=lambda found: (entries(found.card.card), found.card.score))


def _starts(judge: Judge, optimum: Flows | None) -> list[Card]:
    space = judge.space
    plans = [plain(judge, name).card.plans for name in ("off-peak-first", "solar-first", "reserve-first")]
    if optimum is not None:
        reserve = plans[0][0].reserve_percent
        for share in OPTIMUM_SHARES:
            shaped = [_shape_of(judge, optimum, g, share, reserve) for g in range(len(space.groups))]
            plans.append(tuple(shaped))
    return [
        Card(plan, sun_first=choice, raises=space.raises) for plan in plans for choice in space.sun_choices
    ]


def _shape_of(judge: Judge, optimum: Flows, group: int, share: float, reserve_percent: float) -> DayPlan:
    """Read the optimum's habits off one group: the hours in which it charges and discharges, and how far."""
    case, space = judge.case, judge.space
    inside = space.group_of == group
    slots = len(space.minutes)
    slot = space.slot_of[inside]

    def busy(flow: Floats) -> Flags:
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
    longer = longest(windows_of(giving, space), space.discharge_windows)
    discharge = tuple(DischargeWindow(window.start, window.end) for window in longer)
    plan = DayPlan(tuple(charge), discharge, reserve_percent)
    return apart(plan, space, charge_wins=False) or DayPlan((), discharge, reserve_percent)


# ---- the two parts of the search ---------------------------------------------------------------------------
def _shape(judge: Judge, card: Card) -> Scored:
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
    space, reserves = judge.space, judge.space.tried_reserves[group]
    windows = tuple(pairs(space))

    def best_of(moves: Callable[[DayPlan], Iterable[DayPlan]]) -> None:
        nonlocal card
        card = _best_of(judge, card, group, moves(card.plans[group]), part)

    best_of(lambda plan: reserve_moves(plan, reserves))
    if with_levels and judge.target_binds:
        best_of(lambda plan: reserve_and_discharge_moves(plan, space, reserves))
    for index in range(space.charge_windows):
        best_of(lambda plan, i=index: charge_moves(plan, space, windows, i))  # type: ignore[misc]
        if with_levels:
            best_of(lambda plan, i=index: level_moves(plan, space, i))  # type: ignore[misc]
    for index in range(space.discharge_windows):
        best_of(lambda plan, i=index: discharge_moves(plan, space, windows, i))  # type: ignore[misc]
        if with_levels and space.discharge_levels:
            best_of(lambda plan, i=index: drain_moves(plan, space, i))  # type: ignore[misc]
            best_of(lambda plan, i=index: split_moves(plan, space, i))  # type: ignore[misc]
    best_of(lambda plan: lower_reserve_moves(plan, space, reserves, space.group_reserves[group][0]))
    best_of(lambda plan: fine_moves(plan, space, reserves))
    return card


def _best_of(judge: Judge, card: Card, group: int, plans: Iterable[DayPlan], part: Part | None) -> Card:
    """Return the card with the best of these plans in one group; the card itself where none is better."""
    own = card.plans[group]
    unique = [own, *(plan for plan in dict.fromkeys(plans) if plan != own and levels_fit(plan))]
    totals = np.concatenate(
        [
            judge.scores(judge.tables.variations(card, group, unique[i : i + judge.batch]), part)
            for i in range(0, len(unique), judge.batch)
        ]
    )
    best = int(np.argmin(np.round(totals, 9)))
    if totals[best] >= totals[0] - 1e-9:
        return card
    return with_plan(card, group, unique[best])


def season_spans(space: Space, group: int, kept: Flags | None = None) -> list[tuple[int, int]]:
    """Stretches as (first step, step after the last) in which a group's plan tells, where ``kept`` holds.

    Its season; of event days, which are few, the days themselves, each with the day before and the day after.
    """
    if space.groups[group].days == EVENT_DAYS:
        number = np.unique(space.wall.astype("datetime64[D]"), return_inverse=True)[1]
        days = np.unique(number[space.group_of == group])
        mine = np.isin(number, np.concatenate([days - 1, days, days + 1]))
    else:
        mine = space.season_of[space.group_of] == space.season_of[group]
        mine = mine if kept is None else mine & kept
    steps = np.flatnonzero(mine)
    runs = np.split(steps, np.flatnonzero(np.diff(steps) != 1) + 1)
    return [(int(run[0]), int(run[-1]) + 1) for run in runs]


def sample_spans(case: Case, space: Space, group: int) -> list[tuple[int, int]]:
    """Every eighth or sixth week of a group's season; all of a short season."""
    week = np.unique(case.times.normalize().asi8, return_inverse=True)[1] // 7
    weeks = np.unique(week[space.season_of[space.group_of] == space.season_of[group]])
    every = SHAPE_WEEKS_LEVELS if space.discharge_levels else SHAPE_WEEKS
    kept = weeks if len(weeks) <= 2 * every else weeks[1::every]
    return season_spans(space, group, np.isin(week, kept))


def _polish(judge: Judge, scored: Scored) -> Scored:
    """Small changes on the whole period until none helps."""
    best = scored
    for _ in range(POLISH_PASSES):
        card = best.card
        spans = [season_spans(judge.space, group) for group in range(len(card.plans))]
        for group, part in enumerate(judge.parts(card, spans)):
            moves = fine_moves(card.plans[group], judge.space, judge.space.tried_reserves[group])
            card = _best_of(judge, card, group, moves, part if judge.case.prices.is_plain else None)
        better = min(_one_reserve(judge, [best.card, card]), key=lambda other: other.score)
        if better.score >= best.score - 1e-9:
            break
        best = better
    return best


def _split(judge: Judge, scored: Scored) -> Scored:
    """Cut windows in two with different levels where that helps on the whole period, and polish what came of it."""
    card, space = scored.card, judge.space
    spans = [season_spans(space, group) for group in range(len(card.plans))]
    for group, part in enumerate(judge.parts(card, spans)):
        plan = card.plans[group]
        moves = [move for i in range(len(plan.charge)) for move in split_charge_moves(plan, space, i)]
        moves += [move for i in range(len(plan.discharge)) for move in split_moves(plan, space, i)]
        if moves:
            card = _best_of(judge, card, group, moves, part if judge.case.prices.is_plain else None)
    if card == scored.card:
        return scored
    better = judge.cards([card])[0]
    return _polish(judge, better) if better.score < scored.score - 1e-9 else scored


def _one_reserve(judge: Judge, cards: Sequence[Card]) -> list[Scored]:
    """Try the same reserve in all plans: alone, no plan could lower it where the others hold the level up."""
    changed = [
        replace(card, plans=plans)
        for card in cards
        for plans in (
            tuple(at_reserve(plan, reserve) for plan in card.plans) for reserve in judge.space.reserves
        )
    ]
    return judge.cards([*cards, *changed])
