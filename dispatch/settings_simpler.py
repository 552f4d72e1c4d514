"""Fewer entries where they earn next to nothing: less to type, less to get wrong."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from dispatch.settings_judge import Judge, Judged, entries, levels_fit, with_plan

if TYPE_CHECKING:
    from collections.abc import Callable

    from dispatch.settings import Card, Window

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
