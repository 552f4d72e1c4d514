"""Why each line stands on the card: what the period would cost without it, and which promise that would break.

A line is left out on all the days it holds: in every group that has the same plan on the same kind of day.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from dispatch.cards.raises import raised_steps
from dispatch.formats import format_date
from dispatch.rules.score import BROKEN_KWH
from dispatch.search.judge import PROMISES, broken_promises

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dispatch.arrays import Floats
    from dispatch.cards.card import Card, DayPlan, Group
    from dispatch.search.judge import Judge, Verdict


SOME_SHARE = 0.1  # of a window's steps: below it a price is an exception
MOST_RAISES = 12  # so many are priced one by one


@dataclass(frozen=True)
class Worth:
    """What leaving something out does.

    Attributes
    ----------
    money : float
        What the period would cost more: bill + wear, less what is stored at the end.
    breaks : tuple of str
        Promises that would be broken, of those the card keeps, or further than it breaks them; see
        ``dispatch.search.judge.PROMISES``.
    met_fraction : float or None
        Share of instants at which the backup target would still hold; None where it is not broken.
    """

    money: float
    breaks: tuple[str, ...] = ()
    met_fraction: float | None = None


@dataclass(frozen=True)
class Line:
    """One line of the card and why it is there.

    Attributes
    ----------
    group : int
    kind : str
        "charge", "discharge" or "reserve".
    index : int
        Which window.
    worth : Worth or None
        Of the line on all days it holds; None for the reserve.
    why : str
    """

    group: int
    kind: str
    index: int
    worth: Worth | None
    why: str


@dataclass(frozen=True)
class Reasons:
    """Every line's reason, the sun's way, and the raises, in the card's order."""

    lines: tuple[Line, ...]
    sun: Worth | None
    raises: tuple[Worth, ...]


def alike(groups: Sequence[Group], card: Card) -> list[list[int]]:
    """List groups that are entered as one: one plan on the same kinds of day of one season, or of several."""
    by_plan: dict[DayPlan, list[int]] = {}
    for number, plan in enumerate(card.plans):
        by_plan.setdefault(plan, []).append(number)
    found = []
    for mine in by_plan.values():
        seasons, kinds = ({getattr(groups[g], name) for g in mine} for name in ("season", "days"))
        block = [g for g, group in enumerate(groups) if group.season in seasons and group.days in kinds]
        if block == mine:
            found.append(mine)
        else:
            found += [[g for g in mine if groups[g].days == kind] for kind in sorted(kinds)]
    return sorted(found)


def reasons(judge: Judge, card: Card) -> Reasons:
    """Say of every line what the period would cost more without it, and of the sun's way what the other would."""
    keys: list[tuple[list[int], str, int]] = []
    variants = [card]
    for groups in alike(judge.space.groups, card):
        plan = card.plans[groups[0]]
        for kind in ("charge", "discharge"):
            windows = getattr(plan, kind)
            for index in range(len(windows)):
                smaller = replace(plan, **{kind: windows[:index] + windows[index + 1 :]})
                plans = tuple(smaller if g in groups else other for g, other in enumerate(card.plans))
                variants.append(replace(card, plans=plans))
                keys.append((groups, kind, index))
    own, worths = _worths(judge, variants)
    lines = [
        Line(g, kind, index, worth, _why(judge, card, (g, kind, index)))
        for (groups, kind, index), worth in zip(keys, worths, strict=True)
        for g in groups
    ]
    short = PROMISES[2] in broken_promises(own[1])
    lines += [
        Line(g, "reserve", 0, None, _why_reserve(judge, card, g, broken=short))
        for g in range(len(card.plans))
    ]
    sun = None
    if len(judge.space.sun_choices) > 1:
        other = replace(card, sun_first="load" if card.sun_first == "battery" else "battery")
        sun = _worth(judge, judge.verdict(judge.tables.orders([other])), 0, own)
    return Reasons(tuple(lines), sun, _raises(judge, card, own))


def _raises(judge: Judge, card: Card, own: tuple[float, Floats]) -> tuple[Worth, ...]:
    found = []
    for index in range(len(card.raises) if len(card.raises) <= MOST_RAISES else 0):
        without = replace(card, raises=card.raises[:index] + card.raises[index + 1 :])
        found.append(_worth(judge, judge.verdict(judge.tables.orders([without])), 0, own))
    return tuple(found)


def _worths(judge: Judge, variants: Sequence[Card]) -> tuple[tuple[float, Floats], list[Worth]]:
    """Return what the first card costs and breaks, and what the others do more."""
    verdict = judge.verdict(judge.tables.orders(variants))
    own = float(verdict.money[0]), verdict.broken[:, 0]
    return own, [_worth(judge, verdict, i, own) for i in range(1, len(variants))]


def _worth(judge: Judge, verdict: Verdict, index: int, own: tuple[float, Floats]) -> Worth:
    money, broken = float(verdict.money[index]) - own[0], verdict.broken[:, index]
    more = np.where(broken > own[1] + BROKEN_KWH, broken, 0.0)
    breaks = broken_promises(more)
    met = None
    if PROMISES[-1] in breaks:
        met = 1 - (float(broken[-1]) + judge.allowed_steps) / len(judge.case.times)
    return Worth(money, breaks, met)


def _why(judge: Judge, card: Card, key: tuple[int, str, int]) -> str:
    """Name the prices that hold in a window."""
    group, kind, index = key
    space = judge.space
    window = getattr(card.plans[group], kind)[index]
    inside = (space.group_of == group) & window.holds(space.minutes)[space.slot_of]
    prices = judge.case.prices
    if prices.hourly:
        mean = float(prices.import_price_per_kwh[inside].mean()) if inside.any() else 0.0
        return f"hourly prices, {mean:.4g} on average"
    found: dict[str, float] = {}
    bands = prices.band[inside]
    for band in np.unique(bands).tolist():
        if np.mean(bands == band) < SOME_SHARE:
            continue  # a few holidays among the weekdays
        price = float(np.median(prices.import_price_per_kwh[inside & (prices.band == band)]))
        found[prices.band_names[band]] = price
    return ", ".join(f"{name} {price:.4g}" for name, price in sorted(found.items(), key=lambda item: item[1]))


def _why_reserve(judge: Judge, card: Card, group: int, *, broken: bool) -> str:
    case, space = judge.case, judge.space
    level, lowest = card.plans[group].reserve_percent, space.group_reserves[group][0]
    target = case.scenario.backup.target_hours
    if level < lowest:
        if broken:
            return "below the scenario's reserve at some instants"
        return "what these days need least; the windows' levels keep more in the hours that need it"
    if level <= lowest and case.scenario.reserve is None:
        return "the lowest level the device keeps"
    if level <= lowest:
        return _why_lowest(judge, group)
    if target is not None and judge.target_binds:
        return f"above the scenario's reserve: keeps {target:g} h of backup more often"
    return "above the scenario's reserve"


def _why_lowest(judge: Judge, group: int) -> str:
    """Say what the lowest reserve that keeps the scenario's floor on a group's days follows from."""
    case, space = judge.case, judge.space
    season = space.season_of[space.group_of] == space.season_of[group]
    floor = case.floor_kwh[season & ~raised_steps(case)]
    if not len(floor) or floor.max() - floor.min() <= 1e-9:
        return "the lowest level that keeps the scenario's reserve"
    highest = int(np.argmax(np.where(season & ~raised_steps(case), case.floor_kwh, -np.inf)))
    return f"one level for these days, from their highest reserve ({format_date(case.times[highest].date())})"


def ordered(lines: Sequence[Line], group: int) -> list[Line]:
    """Lines of one group, as they are entered: reserve, charge, discharge."""
    rank = {"reserve": 0, "charge": 1, "discharge": 2}
    return sorted(
        (line for line in lines if line.group == group), key=lambda line: (rank[line.kind], line.index)
    )
