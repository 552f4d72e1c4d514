"""What the device and the tariff allow to be entered: windows, levels, groups of days."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dispatch.rules.walk import Orders
from dispatch.settings.card import (
    EVERY_DAY,
    HOLIDAYS,
    WEEKDAYS,
    WEEKENDS,
    Card,
    DayPlan,
    Group,
    Window,
)
from tariffs.reading.clock import MINUTES_PER_DAY

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from dispatch.arrays import Flags, Floats
    from dispatch.case.case import Case


_SATURDAY = 5


@dataclass(frozen=True)
class Space:
    """What can be entered on this device for this case.

    Attributes
    ----------
    groups : tuple of Group
    group_of : array of int, shape (n,)
        The group that holds in each step.
    minutes : array of int, shape (slots,)
        Minutes of the day at which steps start.
    slot_of : array of int, shape (n,)
        Index into ``minutes`` of each step.
    grain_minutes : int
        Edges of windows are multiples of it.
    levels : tuple of float
        Levels that windows can charge to, percent of nominal, rising.
    reserves : tuple of float
        Reserves that can be entered, percent of nominal, rising.
    charge_windows, discharge_windows : int
        The most the device takes per group.
    sun_choices : tuple of str
    """

    groups: tuple[Group, ...]
    group_of: NDArray[np.int64]
    minutes: NDArray[np.int64]
    slot_of: NDArray[np.int64]
    grain_minutes: int
    levels: tuple[float, ...]
    reserves: tuple[float, ...]
    charge_windows: int
    discharge_windows: int
    sun_choices: tuple[str, ...]

    @property
    def row(self) -> NDArray[np.intp]:
        """Row of the tables of :meth:`tables` that holds in each step."""
        return np.asarray(self.group_of * len(self.minutes) + self.slot_of, dtype=np.intp)

    @property
    def edges(self) -> range:
        """Minutes at which a window may begin or end."""
        return range(0, MINUTES_PER_DAY, self.grain_minutes)


def device_space(case: Case) -> Space:
    """Work out what can be entered: groups from the tariff, limits from the scenario's ``[settings]``.

    Returns
    -------
    Space
        Kinds of day are told apart only where the device can and the tariff's prices differ between them.
    """
    device = case.scenario.settings
    local = case.times.tz_localize(None)
    minute = np.asarray(local.hour * 60 + local.minute, dtype=np.int64)
    minutes, slot_of = np.unique(minute, return_inverse=True)
    groups, group_of = _groups(case)
    step_minutes = round(case.dt_hours * 60)
    grain = (
        math.lcm(device.time_step_minutes, step_minutes) if step_minutes < MINUTES_PER_DAY else step_minutes
    )
    if MINUTES_PER_DAY % grain:
        grain = step_minutes
    levels = _levels(case, device.level_step_percent)
    return Space(
        groups=groups,
        group_of=group_of,
        minutes=minutes,
        slot_of=np.asarray(slot_of, dtype=np.int64),
        grain_minutes=grain,
        levels=levels,
        reserves=_reserves(case, levels),
        charge_windows=device.charge_window_count,
        discharge_windows=device.discharge_window_count,
        sun_choices=_sun_choices(case),
    )


def _sun_choices(case: Case) -> tuple[str, ...]:
    wanted = case.scenario.settings.sun_first
    if wanted != "either":
        return (wanted,)
    return ("load", "battery") if case.sun_kwh.any() else ("load",)


def _levels(case: Case, step_percent: float) -> tuple[float, ...]:
    limits = case.limits
    lowest, highest = (100 * level / limits.full_kwh for level in (limits.empty_kwh, limits.ceiling_kwh))
    first = math.ceil(lowest / step_percent - 1e-9)
    last = math.floor(highest / step_percent + 1e-9)
    return tuple(step_percent * i for i in range(first, last + 1)) or (highest,)


def _reserves(case: Case, levels: tuple[float, ...]) -> tuple[float, ...]:
    """Levels at which the reserve can be set and keep the scenario's floor at every instant."""
    floor = 100 * float(case.floor_kwh.max()) / case.limits.full_kwh
    return tuple(level for level in levels if level >= floor - 1e-9) or levels[-1:]


def _groups(case: Case) -> tuple[tuple[Group, ...], NDArray[np.int64]]:
    device, prices = case.scenario.settings, case.prices
    season = prices.season
    kind = np.where(np.asarray(case.times.day_of_week) >= _SATURDAY, 1, 0)
    if device.knows_holidays and "holiday" in prices.day_type_names:
        kind = np.where(prices.day_type == prices.day_type_names.index("holiday"), 2, kind)
    names = (WEEKDAYS, WEEKENDS, HOLIDAYS)
    groups: list[Group] = []
    group_of = np.zeros(len(season), dtype=np.int64)
    order = list(dict.fromkeys(season.tolist()))
    for index in order:
        inside = season == index
        kinds = [k for k in range(3) if np.any(inside & (kind == k))]
        alike = len(kinds) < 2 or not device.tells_weekends or not _prices_differ(case, inside, kind)
        for which in [None] if alike else kinds:
            mine = inside if which is None else inside & (kind == which)
            group_of[mine] = len(groups)
            groups.append(Group(prices.season_names[index], EVERY_DAY if which is None else names[which]))
    return tuple(groups), group_of


def _prices_differ(case: Case, inside: Flags, kind: NDArray[np.int64]) -> bool:
    """Tell whether weekdays and weekends have other prices at the same minute of the day (medians of each)."""
    prices = case.prices
    if prices.hourly:
        return False
    local = case.times.tz_localize(None)
    minute = np.asarray(local.hour * 60 + local.minute)
    for value in np.unique(minute):
        here = inside & (minute == value)
        seen = {
            float(np.median(prices.import_price_per_kwh[here & (kind == k)]))
            for k in range(3)
            if np.any(here & (kind == k))
        }
        if len(seen) > 1:
            return True
    return False


# ---- cards to the rule's tables ----------------------------------------------------------------------------
class Tables:
    """Turns plans into the rule's levels per group and minute of the day; remembers what it has seen."""

    def __init__(self, case: Case, space: Space) -> None:
        self.full_kwh, self.empty_kwh = case.limits.full_kwh, case.limits.empty_kwh
        self.ceiling_kwh = case.limits.ceiling_kwh
        self.space = space
        self._masks: dict[tuple[int, int], Flags] = {}

    def _mask(self, window: Window) -> Flags:
        key = (window.start, window.end)
        if key not in self._masks:
            self._masks[key] = window.holds(self.space.minutes)
        return self._masks[key]

    def plan_levels(self, plan: DayPlan) -> tuple[Floats, Floats]:
        """Return (fill, drain) per minute slot of one plan, kWh, shape (slots,)."""
        reserve = max(plan.reserve_percent / 100 * self.full_kwh, self.empty_kwh)
        slots = len(self.space.minutes)
        fill, drain = np.full(slots, reserve), np.full(slots, np.inf)
        for window in plan.charge:
            level = min(window.to_percent / 100 * self.full_kwh, self.ceiling_kwh)
            mask = self._mask(window)
            fill[mask] = np.maximum(fill[mask], level)
        for stretch in plan.discharge:
            drain[self._mask(stretch)] = reserve
        for window in plan.charge:  # charging holds where both are entered: the battery never does both
            drain[self._mask(window)] = np.inf
        return fill, drain

    def orders(self, cards: Sequence[Card]) -> Orders:
        """Return the rule's orders for cards that agree on where the sun goes first."""
        columns = [[self.plan_levels(plan) for plan in card.plans] for card in cards]
        fill = np.column_stack([np.concatenate([pair[0] for pair in column]) for column in columns])
        drain = np.column_stack([np.concatenate([pair[1] for pair in column]) for column in columns])
        return Orders(self.space.row, fill, drain, sun_waits=cards[0].sun_first == "battery")

    def variations(self, card: Card, group: int, plans: Iterable[DayPlan]) -> Orders:
        """Return orders for a card with one group's plan replaced by each of these."""
        pairs = [self.plan_levels(plan) for plan in plans]
        base = self.orders([card])
        slots, k = len(self.space.minutes), len(pairs)
        fill, drain = np.repeat(base.fill_kwh, k, axis=1), np.repeat(base.drain_kwh, k, axis=1)
        mine = slice(group * slots, (group + 1) * slots)
        fill[mine] = np.column_stack([pair[0] for pair in pairs])
        drain[mine] = np.column_stack([pair[1] for pair in pairs])
        return Orders(self.space.row, fill, drain, sun_waits=base.sun_waits)
