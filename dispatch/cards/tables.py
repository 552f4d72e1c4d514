"""Cards turned into what the inverter is told in every step: the rule's levels per row."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dispatch.cards.raises import during
from dispatch.rules.walk import Orders

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from dispatch.arrays import Flags, Floats
    from dispatch.cards.card import Card, DayPlan, Raise, Window
    from dispatch.cards.space import Space
    from dispatch.case.case import Case


@dataclass(frozen=True)
class _Rows:
    """Rows of the tables: one per group and minute slot, and some in which a higher reserve holds.

    Attributes
    ----------
    row : array of int, shape (n,)
        Row that holds in each step.
    base : array of int, shape (extra,)
        Of each further row the one it is made from.
    held : array of bool, shape (extra, raises + seasons)
        Which raises hold in it, and which season's reserve.
    """

    row: NDArray[np.intp]
    base: NDArray[np.intp]
    held: Flags


class Tables:
    """Turns plans into the rule's levels per group and minute of the day; remembers what it has seen."""

    def __init__(self, case: Case, space: Space) -> None:
        self.full_kwh, self.empty_kwh = case.limits.full_kwh, case.limits.empty_kwh
        self.ceiling_kwh = case.limits.ceiling_kwh
        self.space = space
        self._masks: dict[tuple[int, int], Flags] = {}
        self._rows: dict[tuple[tuple[object, object], ...], _Rows] = {}

    def _mask(self, window: Window) -> Flags:
        key = (window.start, window.end)
        if key not in self._masks:
            self._masks[key] = window.holds(self.space.minutes)
        return self._masks[key]

    def _level(self, percent: float) -> float:
        return max(percent / 100 * self.full_kwh, self.empty_kwh)

    def plan_levels(self, plan: DayPlan) -> tuple[Floats, Floats]:
        """Return (fill, drain) per minute slot of one plan, kWh, shape (slots,)."""
        reserve = self._level(plan.reserve_percent)
        slots = len(self.space.minutes)
        fill, drain = np.full(slots, reserve), np.full(slots, np.inf)
        for window in plan.charge:
            level = min(window.to_percent / 100 * self.full_kwh, self.ceiling_kwh)
            mask = self._mask(window)
            fill[mask] = np.maximum(fill[mask], level)
        for stretch in plan.discharge:
            own = reserve if stretch.to_percent is None else max(reserve, self._level(stretch.to_percent))
            mask = self._mask(stretch)
            drain[mask] = np.minimum(drain[mask], own)
        for window in plan.charge:  # charging holds where both are entered: the battery never does both
            drain[self._mask(window)] = np.inf
        return fill, drain

    def orders(self, cards: Sequence[Card]) -> Orders:
        """Return the rule's orders for cards that agree on where the sun goes first and on when raises hold."""
        columns = [[self.plan_levels(plan) for plan in card.plans] for card in cards]
        fill = np.column_stack([np.concatenate([pair[0] for pair in column]) for column in columns])
        drain = np.column_stack([np.concatenate([pair[1] for pair in column]) for column in columns])
        reserves = np.array([[plan.reserve_percent for plan in card.plans] for card in cards]).T
        return self._complete(cards[0], fill, drain, reserves)

    def variations(self, card: Card, group: int, plans: Iterable[DayPlan]) -> Orders:
        """Return orders for a card with one group's plan replaced by each of these."""
        plans = list(plans)
        pairs = [self.plan_levels(plan) for plan in plans]
        own = [self.plan_levels(plan) for plan in card.plans]
        slots, k = len(self.space.minutes), len(pairs)
        fill, drain = (np.repeat(np.concatenate(part)[:, None], k, axis=1) for part in zip(*own, strict=True))
        mine = slice(group * slots, (group + 1) * slots)
        fill[mine] = np.column_stack([pair[0] for pair in pairs])
        drain[mine] = np.column_stack([pair[1] for pair in pairs])
        reserves = np.repeat([[plan.reserve_percent] for plan in card.plans], k, axis=1)
        reserves[group] = [plan.reserve_percent for plan in plans]
        return self._complete(card, fill, drain, reserves)

    def _complete(self, card: Card, fill: Floats, drain: Floats, reserve_percent: Floats) -> Orders:
        """Add the rows in which a raise, or the reserve of a season about to begin, is higher than the plan's own."""
        rows, season_of = self._rows_for(card.raises), self.space.season_of
        if len(rows.base):
            raised = np.array([[one.reserve_percent] for one in card.raises]).reshape(-1, 1)
            seasons = [reserve_percent[season_of == s].max(axis=0) for s in range(int(season_of.max()) + 1)]
            percent = np.vstack([np.repeat(raised, fill.shape[1], axis=1), *seasons])
            level = np.array([percent[which].max(axis=0) for which in rows.held])
            level = np.maximum(level / 100 * self.full_kwh, self.empty_kwh)
            fill = np.vstack([fill, np.maximum(fill[rows.base], level)])
            drain = np.vstack([drain, np.maximum(drain[rows.base], level)])
        return Orders(rows.row, fill, drain, sun_waits=card.sun_first == "battery")

    def _rows_for(self, raises: tuple[Raise, ...]) -> _Rows:
        key = tuple((one.begins, one.ends) for one in raises)
        if key not in self._rows:
            self._rows[key] = _rows(self.space, raises)
        return self._rows[key]


def _rows(space: Space, raises: tuple[Raise, ...]) -> _Rows:
    base = space.row
    count = int(space.season_of.max()) + 1
    eve = space.eve_of[None, :] == np.arange(count)[:, None]
    held = np.vstack([during(raises, space.wall), eve]).T  # (n, raises + seasons)
    steps = np.flatnonzero(held.any(axis=1))
    kinds, which = np.unique(held[steps], axis=0, return_inverse=True)
    pairs, place = np.unique(np.column_stack([base[steps], which.reshape(-1)]), axis=0, return_inverse=True)
    row = base.copy()
    row[steps] = len(space.groups) * len(space.minutes) + place.reshape(-1)
    return _Rows(row, np.asarray(pairs[:, 0], dtype=np.intp), kinds[pairs[:, 1]])
