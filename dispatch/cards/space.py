"""What the device and the tariff allow to be entered: windows, levels, groups of days."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dispatch.cards.card import (
    EVENT_DAYS,
    EVERY_DAY,
    HOLIDAYS,
    WEEKDAYS,
    WEEKENDS,
    Group,
)
from dispatch.cards.raises import eve_of, needed_raises, raised_steps, wall_times
from tariffs.reading.clock import MINUTES_PER_DAY

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from dispatch.arrays import Flags
    from dispatch.cards.card import Raise
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
        Levels that can be entered, percent of nominal, rising.
    reserves : tuple of float
        Those of them at which one reserve for all days keeps the scenario's floor outside the raises.
    group_reserves : tuple of tuple of float
        The same for the days of each group's season.
    tried_reserves : tuple of tuple of float
        What a search tries: where discharge windows have levels of their own, these can keep a floor that changes
        with the hour, and the reserve may lie as low as the lowest of it.
    raises : tuple of Raise
        What a card needs beside its reserves to keep the floor at every instant.
    season_of : array of int, shape (groups,)
        The season of each group, as a number.
    eve_of : array of int, shape (n,)
        The season that begins at the coming midnight, in the steps of its eve; -1 elsewhere.
    wall : array of datetime64, shape (n,)
        Local wall time of each step.
    charge_windows, discharge_windows : int
        The most the device takes per group.
    discharge_levels : bool
        Whether a discharge window has a level of its own.
    sun_choices : tuple of str
    """

    groups: tuple[Group, ...]
    group_of: NDArray[np.int64]
    minutes: NDArray[np.int64]
    slot_of: NDArray[np.int64]
    grain_minutes: int
    levels: tuple[float, ...]
    reserves: tuple[float, ...]
    group_reserves: tuple[tuple[float, ...], ...]
    tried_reserves: tuple[tuple[float, ...], ...]
    raises: tuple[Raise, ...]
    season_of: NDArray[np.int64]
    eve_of: NDArray[np.int64]
    wall: NDArray[np.datetime64]
    charge_windows: int
    discharge_windows: int
    discharge_levels: bool
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
        Kinds of day are told apart only where the device can and the tariff's prices differ between them; days of
        an event's price always are, since their settings are entered by hand.
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
    raised = raised_steps(case)
    season_of = _season_numbers(groups)
    wall, season = wall_times(case), season_of[group_of]
    all_days = _reserves(case, levels, ~raised)
    group_reserves = tuple(
        _reserves(case, levels, ~raised & (season == number)) or all_days for number in season_of.tolist()
    )
    base_percent = np.array([reserves[0] for reserves in group_reserves])[group_of]
    return Space(
        groups=groups,
        group_of=group_of,
        minutes=minutes,
        slot_of=np.asarray(slot_of, dtype=np.int64),
        grain_minutes=grain,
        levels=levels,
        reserves=all_days,
        group_reserves=group_reserves,
        tried_reserves=_tried(case, levels, group_reserves, season)
        if device.discharge_levels
        else group_reserves,
        raises=needed_raises(case, levels, base_percent),
        season_of=season_of,
        eve_of=eve_of(wall, season),
        wall=wall,
        charge_windows=device.charge_window_count,
        discharge_windows=device.discharge_window_count,
        discharge_levels=device.discharge_levels,
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


def _reserves(case: Case, levels: tuple[float, ...], steps: Flags) -> tuple[float, ...]:
    """Levels at which the reserve keeps the scenario's floor at the end of these steps; none without steps."""
    if not steps.any():
        return ()
    floor = 100 * float(case.floor_kwh[steps].max()) / case.limits.full_kwh
    return tuple(level for level in levels if level >= floor - 1e-9) or levels[-1:]


def _tried(
    case: Case, levels: tuple[float, ...], safe: tuple[tuple[float, ...], ...], season: NDArray[np.int64]
) -> tuple[tuple[float, ...], ...]:
    """Levels from the lowest floor of each group's season on."""
    floor = 100 * case.floor_kwh / case.limits.full_kwh
    lowest = [float(floor[season == number].min()) for number in range(int(season.max()) + 1)]
    numbers = _season_numbers(_groups(case)[0]).tolist()
    return tuple(
        tuple(level for level in levels if level >= lowest[number] - 1e-9) or own
        for number, own in zip(numbers, safe, strict=True)
    )


def _season_numbers(groups: Sequence[Group]) -> NDArray[np.int64]:
    names = list(dict.fromkeys(group.season for group in groups))
    return np.array([names.index(group.season) for group in groups], dtype=np.int64)


def _groups(case: Case) -> tuple[tuple[Group, ...], NDArray[np.int64]]:
    device, prices = case.scenario.settings, case.prices
    season = prices.season
    kind = np.where(np.asarray(case.times.day_of_week) >= _SATURDAY, 1, 0)
    if device.knows_holidays and "holiday" in prices.day_type_names:
        kind = np.where(prices.day_type == prices.day_type_names.index("holiday"), 2, kind)
    called = event_days(case)
    names = (WEEKDAYS, WEEKENDS, HOLIDAYS)
    groups: list[Group] = []
    group_of = np.zeros(len(season), dtype=np.int64)
    for index in dict.fromkeys(season.tolist()):
        inside = (season == index) & ~called
        kinds = [k for k in range(3) if np.any(inside & (kind == k))]
        alike = len(kinds) < 2 or not device.tells_weekends or not _prices_differ(case, inside, kind)
        parts = [(EVERY_DAY, inside)] if alike else [(names[k], inside & (kind == k)) for k in kinds]
        for days, mine in (*parts, (EVENT_DAYS, (season == index) & called)):
            if mine.any():
                group_of[mine] = len(groups)
                groups.append(Group(prices.season_names[index], days))
    return tuple(groups), group_of


def event_days(case: Case) -> Flags:
    """Tell which steps lie on days on which an event's price holds at some hour, shape (n,)."""
    day = np.unique(case.times.normalize().asi8, return_inverse=True)[1]
    return np.asarray(np.bincount(day, weights=case.prices.event)[day] > 0)


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
