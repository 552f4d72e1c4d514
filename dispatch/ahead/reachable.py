"""The best any levels could have done: perfect foresight under the inverter's own rules.

A dynamic program over the stored level, backward through the whole series. In each step the level to reach is free
between what the rules can reach from there, with the sun serving the load or charging first; what is chosen is then
entered as levels, one pair per step, and run by the rules. What lies between this and the linear program's bound is
what the hardware's rules cost; what lies above it is what not knowing the future and simple settings cost.

A target that must hold for a share of the time only is priced per missed step; a few prices are worked out side by
side, and the cheapest that keeps the share is taken. So it is the best that levels of a fine grid can do, not a proof:
whoever compares a run with it hands that run in, and the better of the two is the answer.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from dispatch.ahead.response import Grid, Response, grid_of, response
from dispatch.ahead.sweep import NOT_SERVED, below_promise
from dispatch.case.stored_value import lowest_price_per_kwh
from dispatch.rules.replay import replay
from dispatch.rules.score import target_level_kwh
from dispatch.rules.walk import Orders

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dispatch.ahead.response import Way
    from dispatch.arrays import Floats
    from dispatch.case.case import Case
    from dispatch.flows import Flows


PER_ENTRY = 8

MISS_PRICES = (
    0.0,
    0.02,
    0.04,
    0.07,
    0.12,
    0.2,
    0.4,
    1.0,
    4.0,
)  # of the dearest price per kWh, for a missed step

TIE = 1e-12
HOLD, FILL, GIVE, LATE = 0, 1, 2, 4  # what a step does; LATE is added where the sun charges first


def reachable(
    case: Case, name: str = "reachable", *, sells: bool = False, per_entry: int = PER_ENTRY
) -> Flows:
    """Run the case with the best levels and sun order that foresight finds for every step.

    Parameters
    ----------
    case : Case
        Priced by its prices per step; what a bill charges over a month is not seen.
    name : str
        What to call the flows.
    sells : bool
        Whether the battery sells where it gives.
    per_entry : int
        Grid points to one step of the levels a device takes.

    Returns
    -------
    Flows
        Run by the rules, every balance checked. Keeps the reserve, the closing level and the backup target wherever
        levels can.
    """
    runs = runs_of(case, name, sells=sells, per_entry=per_entry)
    return min(runs, key=lambda flows: merit(case, flows))


def merit(case: Case, flows: Flows) -> tuple[float, ...]:
    """Rank a run: promises first, then money, wear and what is stored at the end."""
    return (*broken_promises(case, flows), round(burden(case, flows), 9))


def broken_promises(case: Case, flows: Flows) -> tuple[float, ...]:
    """Tell by how much a run breaks what was promised: load, import limit, reserve, share of the target."""
    target, share = target_level_kwh(case), case.scenario.backup.share_of_instants_fraction
    kept = 1.0 if target is None else float(np.mean(flows["stored"] >= target - 1e-6))
    missed = 0.0 if target is None else max(share - kept, 0.0)
    return (
        round(float(flows["unserved_load"].sum()), 6),
        round(float(flows["import_excess"].sum()), 6),
        round(float(flows["floor_shortfall"].sum()), 4),
        round(missed, 9),
    )


def burden(case: Case, flows: Flows) -> float:
    """Energy at the prices of the steps, wear, and what is stored at the end less what was at the start."""
    prices = case.prices
    money = float(
        flows["import"] @ prices.import_price_per_kwh - flows["export"] @ prices.export_price_per_kwh
    )
    return (
        money + flows.wear - lowest_price_per_kwh(case) * float(flows["stored"][-1] - case.limits.start_kwh)
    )


def runs_of(case: Case, name: str, *, sells: bool, per_entry: int) -> tuple[Flows, ...]:
    """Run one schedule for every price of missing the target."""
    grid = grid_of(case, per_entry)
    sun_first = case.scenario.settings.sun_first
    found = response(case, grid, sells=sells, waits=sun_first != "load")
    schedule = _Schedule(case, grid, found, sun_first)
    schedule.work_back()
    fill, drain = schedule.follow()
    orders = Orders(np.arange(len(case.times)), fill, drain, sun_waits=found.waits is not None)
    return replay(case, orders, (name,) * fill.shape[1], sells=sells)


class _Schedule:
    """Value and best next level from every level of the grid, for k prices of a miss: arrays of shape (k, g)."""

    def __init__(self, case: Case, grid: Grid, found: Response, sun_first: str) -> None:
        self.case, self.grid, self.found, self.sun_first = case, grid, found, sun_first
        limits = case.limits
        self.out = limits.eta_inverter * limits.eta_discharge
        self.dearest = max(float(np.abs(case.prices.import_price_per_kwh).max()), 1e-3)
        target, share = target_level_kwh(case), case.scenario.backup.share_of_instants_fraction
        self.promised = np.maximum(case.floor_kwh, limits.empty_kwh)
        self.wanted: Floats | None = None
        if target is not None and share >= 1.0:
            self.promised = np.maximum(self.promised, np.minimum(target, limits.ceiling_kwh))
        elif target is not None:
            self.wanted = target
        misses = MISS_PRICES if self.wanted is not None else (0.0,)
        self.miss_price = self.dearest * np.array(misses)[:, None]
        n, k, g = len(case.times), len(misses), grid.size
        self.next = np.empty((n, k, g), dtype=np.float32)
        self.kind = np.zeros((n, k, g), dtype=np.int8)
        self.rows = (np.arange(k) * g)[:, None]
        self.log = np.concatenate([[0], np.floor(np.log2(np.arange(1, g + 2))).astype(np.intp)])
        self.top = int(np.searchsorted(grid.levels, limits.ceiling_kwh + 1e-9)) - 1
        self.sells_energy = limits.feed_in == "grid"

    def work_back(self) -> None:
        """Fill ``next`` and ``kind`` from the last step to the first."""
        case, grid, limits = self.case, self.grid, self.case.limits
        end = -lowest_price_per_kwh(case) * grid.levels
        end = end + below_promise(grid, limits.closing_kwh, self.dearest)
        value = np.repeat(end[None], len(self.miss_price), axis=0)
        for t in range(len(case.times) - 1, -1, -1):
            value = value + below_promise(grid, float(self.promised[t]), self.dearest)
            if self.wanted is not None:
                below = np.clip((self.wanted[t] - grid.levels) / grid.step_kwh, 0.0, 1.0)
                value = value + self.miss_price * below
            value = self._step(t, value)

    def _step(self, t: int, value: Floats) -> Floats:
        """Try every level that can be reached, with the sun to the load first and to the battery first."""
        limits, prices, levels = self.case.limits, self.case.prices, self.grid.levels
        buy = float(prices.import_price_per_kwh[t])
        best = _Best.none(value.shape)
        buying = _lowest(value + buy / limits.eta_charger * levels)
        serves = self.found.serves
        if self.sun_first != "battery" or self.found.waits is None:
            self._try(t, value, best, serves, serves.hold[t], HOLD)
            self._try_between(t, value, best, serves, buying, FILL)
        if np.any(serves.least[t] < serves.hold[t] - 1e-9):
            saved = {buy}
            if self.sells_energy:
                saved.add(float(prices.export_price_per_kwh[t]))
            for price in saved:
                giving = _lowest(value + (price * self.out - limits.wear_per_kwh) * levels)
                self._try_between(t, value, best, serves, giving, GIVE)
        late = self.found.waits
        if late is not None:
            other = self.sun_first == "battery" or np.any(np.abs(late.net[t] - serves.net[t]) > TIE)
            if other:
                self._try(t, value, best, late, late.hold[t], LATE + HOLD)
                self._try_between(t, value, best, late, buying, LATE + FILL)
        self.next[t], self.kind[t] = best.after, best.kind
        return best.value

    def _try_between(  # noqa: PLR0913, PLR0917 - one candidate in its setting
        self,
        t: int,
        value: Floats,
        best: _Best,
        way: Way,
        table: tuple[Floats, NDArray[np.intp]],
        kind: int,
    ) -> None:
        """Try the cheapest level of the grid between holding and the most (or least), and that end itself."""
        gives = kind == GIVE
        hold, far = way.hold[t], (way.least if gives else way.most)[t]
        low, high = (far, hold) if gives else (hold, far)
        first = np.ceil((low - self.grid.levels[0]) / self.grid.step_kwh - 1e-9).astype(np.intp)
        last = np.floor((high - self.grid.levels[0]) / self.grid.step_kwh + 1e-9).astype(np.intp)
        first = np.clip(first, 0, self.grid.size - 1)
        last = np.clip(last, 0, max(self.top, 0))
        inside = first <= last
        if inside.any():
            at = self._between(table, first, np.maximum(last, first))
            self._try(t, value, best, way, np.where(inside, self.grid.levels[at], hold), kind)
        self._try(t, value, best, way, far, kind)

    def _between(
        self, table: tuple[Floats, NDArray[np.intp]], first: NDArray[np.intp], last: NDArray[np.intp]
    ) -> NDArray[np.intp]:
        """Return where a row is lowest from ``first`` to ``last``, both included, shape (k, g)."""
        cost, lowest = table
        size = self.log[last - first + 1]
        one, two = lowest[size, :, first].T, lowest[size, :, last - (1 << size) + 1].T
        flat = cost.ravel()
        return np.where(flat[two + self.rows] < flat[one + self.rows], two, one)

    def _try(  # noqa: PLR0913, PLR0917 - one candidate in its setting
        self, t: int, value: Floats, best: _Best, way: Way, after: Floats, kind: int
    ) -> None:
        """Keep what reaching these levels, shape (g,) or (k, g), costs where it is less than the best so far."""
        limits, prices = self.case.limits, self.case.prices
        hold = way.hold[t]
        after = np.broadcast_to(after, value.shape)
        moved = after - hold
        given = np.maximum(-moved, 0.0)
        net = way.net[t] + (moved + given) / limits.eta_charger - given * self.out
        buy = float(prices.import_price_per_kwh[t])
        cost = buy * net + limits.wear_per_kwh * given + NOT_SERVED * self.dearest * way.broken[t]
        if self.sells_energy:
            cost -= (buy - float(prices.export_price_per_kwh[t])) * np.minimum(net, 0.0)
        else:
            cost -= buy * np.minimum(net, 0.0)
        below, part = self.grid.place(after)
        flat = value.ravel()
        below = below + self.rows
        cost += flat[below] * (1.0 - part) + flat[below + 1] * part
        best.keep(cost, after, kind)

    def follow(self) -> tuple[Floats, Floats]:
        """Follow the best levels from the start: what to fill to and to draw down to, shape (n, k)."""
        n, k, _ = self.next.shape
        fill, drain = np.empty((n, k)), np.empty((n, k))
        level, ceiling = np.full(k, self.case.limits.start_kwh), self.case.limits.ceiling_kwh
        column = np.arange(k)
        for t in range(n):
            below, part = self.grid.place(level)
            near = below + (part >= 0.5)
            kind = self.kind[t][column, near]
            same = self.kind[t][column, below] == self.kind[t][column, below + 1]
            low, high = self.next[t][column, below], self.next[t][column, below + 1]
            level = np.where(same, low * (1.0 - part) + high * part, self.next[t][column, near])
            level = np.minimum(np.maximum(level, self.promised[t]), ceiling)
            if self.wanted is not None:  # the miss was weighed as a ramp of one grid step
                close = (level < self.wanted[t]) & (level >= self.wanted[t] - 0.5 * self.grid.step_kwh)
                level = np.where(close, min(self.wanted[t] + 1e-9, ceiling), level)
            late = kind >= LATE
            fill[t] = np.where(kind % LATE == FILL, level, self.promised[t])
            if self.wanted is not None:
                fill[t] = np.where(close, np.maximum(fill[t], level), fill[t])
            drain[t] = np.where(late, np.inf, np.where(kind == GIVE, level, ceiling))
        return fill, drain


class _Best:
    """The cheapest found so far, with the level it leads to: arrays of shape (k, g)."""

    def __init__(self, value: Floats, after: Floats, kind: NDArray[np.int8]) -> None:
        self.value, self.after, self.kind = value, after, kind

    @classmethod
    def none(cls, shape: tuple[int, ...]) -> _Best:
        """Start with nothing found."""
        return cls(np.full(shape, np.inf), np.zeros(shape), np.zeros(shape, dtype=np.int8))

    def keep(self, cost: Floats, after: Floats, kind: int) -> None:
        """Take what is cheaper."""
        better = cost < self.value - TIE
        self.value = np.where(better, cost, self.value)
        self.after = np.where(better, after, self.after)
        self.kind = np.where(better, np.int8(kind), self.kind)


def _lowest(cost: Floats) -> tuple[Floats, NDArray[np.intp]]:
    """Prepare a table to be asked where its rows are lowest between two places (a sparse table).

    Returns
    -------
    cost, lowest : array of shape (k, g); array of int of shape (levels, k, g)
        ``lowest[e, :, i]`` is where a row is lowest among the ``2^e`` places from i on.
    """
    k, g = cost.shape
    depth = int(np.log2(g)) + 1
    lowest = np.empty((depth, k, g), dtype=np.intp)
    lowest[0] = np.arange(g)
    rows, flat = (np.arange(k) * g)[:, None], cost.ravel()
    for e in range(1, depth):
        half, count = 1 << (e - 1), g - (1 << e) + 1
        one, two = lowest[e - 1, :, :count], lowest[e - 1, :, half : half + count]
        lowest[e] = lowest[e - 1]
        lowest[e, :, :count] = np.where(flat[two + rows] < flat[one + rows], two, one)
    return cost, lowest
