"""Simplest wins: of all cards that cost next to nothing more than the best, the one with the fewest entries.

Less to type, less to get wrong, and less of it made to fit one year's days. Entry after entry is left out, each time
the one that costs least for what it saves in typing, until the allowance is used up.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import permutations
from typing import TYPE_CHECKING, Any

from dispatch.search.judge import entries, levels_fit, plain
from dispatch.search.moves import apart, at_reserve

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from dispatch.cards.card import Card, DayPlan
    from dispatch.cards.space import Space
    from dispatch.search.judge import Judge, Scored


ALLOWED_FRACTION = 3e-3  # of bill + wear: what fewer entries may cost in all


@dataclass(frozen=True)
class Found:
    """What a search came to.

    Attributes
    ----------
    card : Scored
        The card to enter.
    best : Scored
        The one that costs least, however much there is to enter.
    richer : Scored or None
        The card before the last entry was left out; None where nothing was.
    """

    card: Scored
    best: Scored
    richer: Scored | None


def simplest(judge: Judge, best: Scored, others: Sequence[Scored] = (), start: Scored | None = None) -> Found:
    """Leave out entries while that costs little, and return the card that has the fewest.

    Parameters
    ----------
    judge : Judge
    best : Scored
    others : sequence of Scored, optional
        The start's settings with the sun sent another way.
    start : Scored, optional
        Where to begin leaving out; default: the best. What it costs more counts in the allowance.

    Returns
    -------
    Found
        Its card costs at most 0.3 % of bill + wear more than the best, breaks no promise that the best keeps, and
        is never worse than the plain settings.
    """
    naive = plain(judge)
    allowance = ALLOWED_FRACTION * abs(best.money + judge.case.prices.fixed_total)
    limit = min(best.score + allowance, max(naive.score, best.score))
    path = [best if start is None or start.score > limit else start]
    if path[0].card.sun_first != "load":
        path += [other for other in others if other.card.sun_first == "load" and other.score <= limit]
    while True:
        now = path[-1]
        fewer = list(
            dict.fromkeys(
                card for card in _simpler(now.card, judge.space) if entries(card) < entries(now.card)
            )
        )
        borne = [scored for scored in judge.cards(fewer) if scored.score <= limit]
        if not borne:
            break
        path.append(
            min(
                borne,
                key=lambda one: (
                    (one.score - now.score) / (entries(now.card) - entries(one.card)),
                    one.score,
                ),
            )
        )
    if naive.score <= limit and entries(naive.card) < entries(path[-1].card):
        path.append(naive)
    return Found(card=path[-1], best=best, richer=path[-2] if len(path) > 1 else None)


def _simpler(card: Card, space: Space) -> Iterator[Card]:
    """Cards with something left out or made alike; the device takes them all."""
    for plan in dict.fromkeys(card.plans):
        for smaller in _smaller_plans(plan, space):
            yield _exchanged(card, plan, smaller)
    for one, other in permutations(dict.fromkeys(card.plans), 2):
        yield from _alike(card, space, one, other)
    for reserve in sorted({plan.reserve_percent for plan in card.plans}):
        if all(reserve >= reserves[0] for reserves in space.tried_reserves):
            raised = tuple(at_reserve(plan, reserve) for plan in card.plans)
            yield replace(card, plans=raised)


def _smaller_plans(plan: DayPlan, space: Space) -> Iterator[DayPlan]:
    """Without one window, with two windows made one, or with a discharge window that goes down to the reserve."""
    for index in range(len(plan.charge)):
        yield replace(plan, charge=plan.charge[:index] + plan.charge[index + 1 :])
    for index, window in enumerate(plan.discharge):
        others = plan.discharge[:index] + plan.discharge[index + 1 :]
        yield replace(plan, discharge=others)
        if window.to_percent is not None:
            lower = apart(
                replace(plan, discharge=(*others, replace(window, to_percent=None))), space, charge_wins=False
            )
            if lower is not None:
                yield lower
    for kind in ("charge", "discharge"):
        windows = getattr(plan, kind)
        for first, second in permutations(windows, 2):
            rest = tuple(window for window in windows if window not in {first, second})
            for level in {first.to_percent, second.to_percent}:
                joined = replace(first, end=second.end, to_percent=level)
                windows_then: dict[str, Any] = {kind: (*rest, joined)}
                one = replace(plan, **windows_then)
                if (clear := apart(one, space, charge_wins=kind == "charge")) is not None:
                    yield clear


def _alike(card: Card, space: Space, one: DayPlan, other: DayPlan) -> Iterator[Card]:
    """Give groups that have one plan the other, all of them or each alone, where its reserve keeps their floor."""
    mine = [
        g
        for g, plan in enumerate(card.plans)
        if plan == one and other.reserve_percent >= space.tried_reserves[g][0] - 1e-9
    ]
    for chosen in [mine, *([g] for g in mine if len(mine) > 1)]:
        plans = tuple(other if g in chosen else plan for g, plan in enumerate(card.plans))
        yield replace(card, plans=plans)


def _exchanged(card: Card, old: DayPlan, new: DayPlan) -> Card:
    """Return the card with a plan replaced wherever it holds; the card itself where the levels do not fit."""
    if not levels_fit(new):
        return card
    return replace(card, plans=tuple(new if plan == old else plan for plan in card.plans))
