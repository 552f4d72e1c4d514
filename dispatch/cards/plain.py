"""Plain settings: what the tariff's windows alone say, before any search."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from dispatch.cards.card import Card, ChargeWindow, DayPlan, DischargeWindow, Window
from dispatch.case.cheap_hours import hours_to_full
from tariffs.reading.clock import MINUTES_PER_DAY

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dispatch.arrays import Flags, Floats
    from dispatch.cards.space import Space
    from dispatch.case.case import Case


W = TypeVar("W", bound=Window)


def plain_plan(case: Case, space: Space, group: int, strategy: str, reserve_percent: float) -> DayPlan:
    """Return the plan that follows from the tariff's windows alone.

    Parameters
    ----------
    case : Case
    space : Space
    group : int
    strategy : str
        "reserve-first" (fill at any hour, never draw), "solar-first" (no grid charging, draw at any hour) or
        "off-peak-first" (fill in the day's cheapest price, draw at any dearer one).
    reserve_percent : float

    Returns
    -------
    DayPlan
        At most as many windows as the device takes: the longest.
    """
    all_day = DischargeWindow(0, MINUTES_PER_DAY)
    top = space.levels[-1]
    if strategy == "reserve-first":
        return DayPlan((ChargeWindow(0, MINUTES_PER_DAY, top),), (), reserve_percent)
    if strategy == "solar-first":
        return DayPlan((), (all_day,), reserve_percent)
    cheap = cheap_slots(case, space, group)
    charge = [ChargeWindow(w.start, w.end, top) for w in windows_of(cheap, space)]
    discharge = [DischargeWindow(w.start, w.end) for w in windows_of(~cheap, space)]
    return DayPlan(
        longest(charge, space.charge_windows), longest(discharge, space.discharge_windows), reserve_percent
    )


def longest(windows: Sequence[W], most: int) -> tuple[W, ...]:
    """Keep the longest windows, in the order of the clock."""
    kept = sorted(windows, key=lambda w: (-w.minutes, w.start))[:most]
    return tuple(sorted(kept))


def slot_prices(case: Case, space: Space, group: int) -> Floats:
    """Median import price at each minute slot of a group, shape (slots,)."""
    inside = space.group_of == group
    price = case.prices.import_price_per_kwh
    return np.array(
        [
            float(np.median(price[inside & (space.slot_of == slot)]))
            if np.any(inside & (space.slot_of == slot))
            else float(np.median(price[inside]))
            for slot in range(len(space.minutes))
        ]
    )


def cheap_slots(case: Case, space: Space, group: int) -> Flags:
    """Minute slots of the group's cheapest price (hourly prices: the hours that are cheapest on average)."""
    price = slot_prices(case, space, group)
    if case.prices.hourly:
        hours = case.scenario.strategies.cheapest_hours_per_day or hours_to_full(case)
        count = max(1, round(hours / 24 * len(price)))
        return np.asarray(np.argsort(np.argsort(price, kind="stable"), kind="stable") < count)
    return np.asarray(price <= price.min() + 1e-12)


def windows_of(flags: Flags, space: Space) -> list[Window]:
    """Turn flags per minute slot into windows on the device's grain; a run across midnight is one window.

    A window starts and ends on the grain: a partly flagged grain counts when at least half of it is flagged.
    """
    grains = MINUTES_PER_DAY // space.grain_minutes
    place = space.minutes // space.grain_minutes
    counted = np.bincount(place, minlength=grains)
    share = np.bincount(place, weights=flags.astype(float), minlength=grains) / np.maximum(counted, 1)
    on = share >= 0.5
    if on.all():
        return [Window(0, MINUTES_PER_DAY)]
    starts = np.flatnonzero(on & ~np.roll(on, 1))
    ends = np.flatnonzero(on & ~np.roll(on, -1)) + 1
    windows = []
    for start in starts:
        later = ends[ends > start]
        end = later[0] if len(later) else ends[0]
        windows.append(Window(int(start) * space.grain_minutes, int(end) * space.grain_minutes))
    return windows


def plain_card(case: Case, space: Space, strategy: str, reserve_percent: float) -> Card:
    """Return the card of one strategy as the tariff's windows alone would have it.

    Parameters
    ----------
    case, space : Case, Space
        The home, and what can be entered on its device.
    strategy : str
        See :func:`plain_plan`.
    reserve_percent : float
        The same reserve in every group; what the scenario raises for some days is raised beside it.
    """
    plans = tuple(
        plain_plan(case, space, group, strategy, reserve_percent) for group in range(len(space.groups))
    )
    return Card(plans, sun_first="load", raises=space.raises)


def plain_cards(case: Case, space: Space, strategy: str, reserves_percent: Sequence[float]) -> list[Card]:
    """Return the cards of one strategy at several reserves: the windows do not depend on the reserve."""
    first = plain_card(case, space, strategy, reserves_percent[0])
    return [
        replace(first, plans=tuple(replace(plan, reserve_percent=reserve) for plan in first.plans))
        for reserve in reserves_percent
    ]
