"""The best settings that can be entered: from the optimum's shape and the tariff's windows, by search.

Settings are judged by running them as the inverter would (:mod:`dispatch.rules`). What counts, in this order: load
served, import limit, reserve floor, backup target, then bill + wear, the energy left at the end valued at the year's
lowest price. The search has two parts:

1. **Shape**, on every sixth week: from each start, one window, level or reserve at a time is put wherever it earns
   most, all places of the clock tried.
2. **Polish**, on the whole period: small changes of everything, until none helps. The plain settings of the tariff's
   windows are always among the starts, so that nothing found is worse than they are.

Fewer entries where they earn next to nothing: less to type, less to get wrong.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from dispatch.search.judge import Judge, Judged, Part, entries, levels_fit, plain, with_plan
from dispatch.search.moves import (
    apart,
    charge_moves,
    discharge_moves,
    fine_moves,
    level_moves,
    pairs,
    reserve_and_discharge_moves,
    reserve_moves,
)
from dispatch.settings.card import Card, ChargeWindow, DayPlan
from dispatch.settings.plain import longest, windows_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from dispatch.arrays import Flags, Floats
    from dispatch.case.case import Case
    from dispatch.flows import Flows
    from dispatch.settings.card import Window
    from dispatch.settings.space import Space

    Tell = Callable[[str], None]


SIMPLER_FRACTION = 4e-4  # of the bill: what fewer entries may cost in all


def simpler(judge: Judge, best: Judged) -> Judged:
    """Leave out what earns next to nothing: less to type, less to get wrong.

    Every entry is left out alone; those that cost least are then left out together, as many as the allowance bears.
    """
    leaving = [
        leave for leave in _leavings(judge, best.card) if entries(leave(best.card)) < entries(best.card)
    ]
    if not leaving:
        return best
    alone = {judged.card: judged.score for judged in judge.cards([leave(best.card) for leave in leaving])}
    leaving.sort(key=lambda leave: alone[leave(best.card)])
    together, card = [], best.card
    for leave in leaving:
        card = leave(card)
        together.append(card)
    limit = best.score + SIMPLER_FRACTION * max(abs(best.score), 1e-9)
    borne = [judged for judged in judge.cards(together) if judged.score <= limit]
    return min(borne, key=lambda judged: entries(judged.card), default=best)


def _leavings(judge: Judge, card: Card) -> list[Callable[[Card], Card]]:
    """Ways to make a card simpler: without one window, with the first plan's reserve, with the load first."""

    def without(group: int, kind: str, window: Window) -> Callable[[Card], Card]:
        def leave(given: Card) -> Card:
            plan = given.plans[group]
            charge = tuple(other for other in plan.charge if kind != "charge" or other != window)
            discharge = tuple(other for other in plan.discharge if kind != "discharge" or other != window)
            return with_plan(given, group, replace(plan, charge=charge, discharge=discharge))

        return leave

    def one_reserve(given: Card) -> Card:
        level = max(plan.reserve_percent for plan in given.plans)
        raised = tuple(replace(plan, reserve_percent=level) for plan in given.plans)
        return replace(given, plans=raised) if all(map(levels_fit, raised)) else given

    ways = [
        without(group, kind, window)
        for group, plan in enumerate(card.plans)
        for kind in ("charge", "discharge")
        for window in getattr(plan, kind)
    ]
    ways.append(one_reserve)
    for level in sorted({plan.reserve_percent for plan in card.plans}):
        for group, plan in enumerate(card.plans):
            if plan.reserve_percent != level:
                ways.append(_reserve_of(group, level))
    if "load" in judge.space.sun_choices:
        ways.append(lambda given: replace(given, sun_first="load"))
    return ways


def _reserve_of(group: int, level: float) -> Callable[[Card], Card]:
    def leave(given: Card) -> Card:
        plan = replace(given.plans[group], reserve_percent=level)
        return with_plan(given, group, plan) if levels_fit(plan) else given

    return leave


SHAPE_WEEKS = 6  # the shape is searched on one week in so many
SHAPE_PASSES, POLISH_PASSES = 2, 2
STARTS = 2
OPTIMUM_SHARES = (0.1, 0.35)  # of the busiest hour: where the optimum counts as charging or discharging


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
    full = plain(judge, "reserve-first")
    if judge.target_binds and full.card.plans not in [other.card.plans for other in chosen]:
        chosen.append(full)  # from a full battery a target can be kept while windows are opened
    found: list[Judged] = []
    for number, judged in enumerate(chosen, start=1):
        tell(f"search {number} of {len(chosen)}")
        found.append(_shape(judge, judged.card))
    tell("polishing")
    ranked = judge.cards([*(judged.card for judged in found), starts[0].card, plain(judge).card])
    worth = ranked[:1]
    if judge.target_binds:  # on a sample of weeks a target may look kept that is not: polishing mends it
        nearest = sorted(found, key=lambda judged: judged.score)[:2]
        worth = list({judged.card: judged for judged in [*worth, *nearest]}.values())
    best = min((_polish(judge, judged) for judged in worth), key=lambda judged: judged.score)
    other = [replace(best.card, sun_first=choice) for choice in judge.space.sun_choices]
    best = simpler(judge, min([best, *judge.cards(other)], key=lambda judged: judged.score))
    if keep == 1:
        return [best]
    near = [
        with_plan(best.card, g, changed)
        for g, plan in enumerate(best.card.plans)
        for changed in fine_moves(plan, judge.space)
        if levels_fit(changed)
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
    if with_levels and judge.target_binds:
        best_of(lambda plan: reserve_and_discharge_moves(plan, space))
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
            card = _best_of(judge, card, group, moves, part if judge.case.prices.is_plain else None)
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
