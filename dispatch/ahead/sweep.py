"""The policy: a dynamic program over the stored level, backward through the coming steps, over many paths at once.

With ``x`` the level, ``p`` a path with weight ``w[p]``, and an order ``a`` = (fill to, draw down to, where the sun
goes first), one per step for all paths, because nobody knows which path it will be::

    value[p](x, t) = cost[p, t](x, a) + value[p](after[p, t](x, a), t + 1)
    a(x, t)        = the order with the least  Σ w[p]·(…)

``after`` is the rules' own step (:mod:`dispatch.ahead.response`). The level to fill to is where a kWh bought now costs
what it will be worth on average, the level to draw down to where one given now saves it; both are searched on the
grid, between the promised level and the ceiling. What is entered are single levels for each step: the paths are then
followed forward from today's level, and of the candidate orders the one that is best for where they stand is taken.

Promises are part of the value: below the promised level every kWh costs more than any energy, and where a target
holds for a share of the time, each path that needs more than the level costs the promise's price. Neither is money
that is shown anywhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dispatch.rules.walk import Orders

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dispatch.ahead.response import Grid, Response, Way
    from dispatch.arrays import Flags, Floats
    from dispatch.case.limits import Limits


NOT_SERVED = 1e3  # a broken promise per kWh, times the dearest price: never worth it for money
SAME = 5e-4  # kWh: a level to fill to that costs no more than this is as good, and holds more earlier
TIE = 1e-9  # money by which an order must be better to be preferred


def below_promise(grid: Grid, promised_kwh: float, dearest: float) -> Floats:
    """Price levels below the promised one, shape (g,).

    Within a step of the grid below it a kWh is worth no more than it must be bought back for: values between two
    points of the grid are means of theirs, and a level just above the promise is not to look broken.
    """
    short = np.maximum(promised_kwh - grid.levels, 0.0)
    return np.asarray(dearest * (2.0 * short + NOT_SERVED * np.maximum(short - grid.step_kwh, 0.0)))


@dataclass(frozen=True)
class Money:
    """What energy at the meter costs in each coming step, arrays of shape (h,).

    Attributes
    ----------
    import_per_kwh, export_per_kwh : array
    free_kwh, over_per_kwh : array
        Import above ``free_kwh`` in a step costs ``over_per_kwh`` more: what a demand charge makes of it.
    """

    import_per_kwh: Floats
    export_per_kwh: Floats
    free_kwh: Floats
    over_per_kwh: Floats


@dataclass(frozen=True)
class Outlook:
    """What is known of the coming h steps.

    Attributes
    ----------
    money : Money
    promised_kwh : array, shape (h,)
        Level to be kept at the end of each step: the reserve, and a target that always holds.
    needed_kwh : array, shape (p, h), or None
        Level that carries the target on each path, where it need not always hold.
    miss_price : float
        Weight of a path that needs more than the level at the end of a step.
    steps : array of int, shape (p, h)
        Row of the response that each path has in each step.
    weights : array, shape (p,)
    """

    money: Money
    promised_kwh: Floats
    needed_kwh: Floats | None
    miss_price: float
    steps: NDArray[np.intp]
    weights: Floats


@dataclass(frozen=True)
class Policy:
    """What to enter for the coming h steps, and what it is worth.

    Attributes
    ----------
    fill_kwh, drain_kwh : array, shape (h,)
        Level to which the grid charges; level down to which the load draws, ``inf`` = not. [kWh]
    value : array, shape (h + 1, g)
        Expected money still to come from each level of the grid, before each step and after the last.
    levels_kwh : array, shape (h, p)
        Level of every path at the end of each step. [kWh]
    """

    fill_kwh: Floats
    drain_kwh: Floats
    value: Floats
    levels_kwh: Floats

    def orders(self, first: int, last: int, steps: int, *, sun_waits: bool) -> Orders:
        """Return them for the rules, as steps ``first`` to ``last`` of ``steps``."""
        row = np.zeros(steps, dtype=np.intp)
        row[first:last] = np.arange(last - first)
        return Orders(row, self.fill_kwh[:, None], self.drain_kwh[:, None], sun_waits)


@dataclass(frozen=True)
class _Choice:
    """A candidate order of one step, and what it leads to from every level: arrays of shape (p, g)."""

    fill_kwh: float
    drain_kwh: float
    value: Floats
    after: Floats


class Sweep:
    """The dynamic program of one home.

    Parameters
    ----------
    limits : Limits
    grid : Grid
    response : Response
        Its rows are what ``Outlook.steps`` names.
    entries : array of bool, shape (g,)
        Which levels of the grid can be entered.
    sells : bool
        Whether the battery sells where it gives.
    sun_first : str
        "load", "battery" or "either": what the device can be told.
    early : bool
        Whether, of levels to fill to that cost the same on average, the highest is taken: more is held earlier, which
        over a year costs a little, because who waits knows more.
    """

    def __init__(  # noqa: PLR0913 - what a home is
        self,
        limits: Limits,
        grid: Grid,
        response: Response,
        entries: Flags,
        *,
        sells: bool,
        sun_first: str,
        early: bool = False,
    ) -> None:
        self.limits, self.grid, self.response, self.early = limits, grid, response, early
        self.entries, self.sells, self.sun_first = entries, sells, sun_first
        self.out = limits.eta_inverter * limits.eta_discharge

    def run(self, outlook: Outlook, end_value: Floats, level_kwh: float, enter: int) -> Policy:
        """Work back from the value at the end, then forward from today's level.

        Parameters
        ----------
        outlook : Outlook
        end_value : array, shape (g,)
            Money still to come after the last step, by level.
        level_kwh : float
            Stored now.
        enter : int
            For how many of the steps orders are wanted.
        """
        h = len(outlook.promised_kwh)
        weights = outlook.weights
        value = np.repeat(end_value[None], len(weights), axis=0)
        means = np.empty((h + 1, self.grid.size))
        means[h] = end_value
        choices: list[list[_Choice]] = [[] for _ in range(h)]
        for t in range(h - 1, -1, -1):
            value = value + self._promise(outlook, t)
            found = self._choices(outlook, t, value)
            best, mean = found[0].value, weights @ found[0].value
            for other in found[1:]:
                theirs = weights @ other.value
                better = theirs < mean - TIE
                best, mean = np.where(better, other.value, best), np.where(better, theirs, mean)
            value, means[t] = best, mean
            if t < enter:
                choices[t] = found
        fill, drain, levels = self._forward(choices[:enter], weights, level_kwh)
        return Policy(fill, drain, means, levels)

    def _promise(self, outlook: Outlook, t: int) -> Floats:
        dearest = max(float(np.abs(outlook.money.import_per_kwh).max()), 1e-3)
        price = below_promise(self.grid, float(outlook.promised_kwh[t]), dearest)[None]
        if outlook.needed_kwh is None or outlook.miss_price <= 0:
            return price
        return price + outlook.miss_price * (outlook.needed_kwh[:, t, None] > self.grid.levels[None] + 1e-9)

    def _choices(self, outlook: Outlook, t: int, value: Floats) -> list[_Choice]:
        """Return the candidate orders of one step; ``value`` holds after it, promise included."""
        money, limits, levels = outlook.money, self.limits, self.grid.levels
        buy, sell = float(money.import_per_kwh[t]), float(money.export_per_kwh[t])
        promised = float(outlook.promised_kwh[t])
        mean = outlook.weights @ value
        allowed = self.entries & (levels >= promised - 1e-9)
        fill = self._least(
            mean + buy / limits.eta_charger * levels, allowed, promised, filling=True, same=SAME * abs(buy)
        )
        wear = limits.wear_per_kwh
        rows, serves = outlook.steps[:, t], self.response.serves
        way = _rows(serves, rows)
        over = float(money.over_per_kwh[t])
        saved = {buy, buy + over} if over else {buy}
        if self.sells:
            saved.add(sell)
        drains = {
            max(self._least(mean + (price * self.out - wear) * levels, allowed, promised), fill)
            for price in saved
        }
        found = [self._choice(outlook, t, value, way, fill, drain) for drain in sorted(drains)]
        late = self.response.waits
        if late is not None and self.sun_first != "load":
            other = _rows(late, rows)
            if self.sun_first == "battery" or np.any(other.net != way.net):
                found.append(self._choice(outlook, t, value, other, fill, np.inf))
        return found

    def _least(
        self, cost: Floats, allowed: Flags, promised: float, *, filling: bool = False, same: float = 0.0
    ) -> float:
        """Return the level of least cost, at least what is promised; of those as good (within ``same``) the highest."""
        if not allowed.any():
            return promised
        masked = np.where(allowed, cost, np.inf)
        if filling and not self.early:
            at = int(np.argmin(masked))
        else:
            at = int(np.flatnonzero(masked <= masked.min() + same)[-1])
        return max(min(float(self.grid.levels[at]), self.limits.ceiling_kwh), promised)

    def _choice(  # noqa: PLR0913, PLR0917 - one candidate in its setting
        self, outlook: Outlook, t: int, value: Floats, way: Way, fill: float, drain: float
    ) -> _Choice:
        money, limits, grid = outlook.money, self.limits, self.grid
        hold = way.hold
        after = np.maximum(np.minimum(hold, np.maximum(drain, way.least)), np.minimum(fill, way.most))
        moved = after - hold
        given = np.maximum(-moved, 0.0)
        net = way.net + (moved + given) * (1.0 / limits.eta_charger) - given * self.out
        buy, sell = float(money.import_per_kwh[t]), float(money.export_per_kwh[t])
        cost = buy * net
        if sell != buy:
            cost -= (buy - sell) * np.minimum(net, 0.0)
        over = float(money.over_per_kwh[t])
        if over:
            cost += over * np.maximum(net - float(money.free_kwh[t]), 0.0)
        if limits.wear_per_kwh:
            cost += limits.wear_per_kwh * given
        if way.broken.any():
            cost += NOT_SERVED * max(buy, 1e-3) * way.broken
        below, part = grid.place(after)
        flat = value.ravel()
        below = below + (np.arange(len(value)) * grid.size)[:, None]
        cost += flat[below] * (1.0 - part) + flat[below + 1] * part
        return _Choice(fill, drain, cost, after)

    def _forward(
        self, choices: list[list[_Choice]], weights: Floats, level_kwh: float
    ) -> tuple[Floats, Floats, Floats]:
        """Follow every path from today's level; at each step take the order that is best for where they stand."""
        paths = np.arange(len(weights))
        levels = np.full(len(weights), level_kwh)
        fill, drain = np.empty(len(choices)), np.empty(len(choices))
        followed = np.empty((len(choices), len(weights)))
        for t, found in enumerate(choices):
            below, part = self.grid.place(levels)

            def at(table: Floats, below: Floats = below, part: Floats = part) -> Floats:
                return np.asarray(table[paths, below] * (1 - part) + table[paths, below + 1] * part)

            best = found[0]
            least = float(weights @ at(best.value)) if len(found) > 1 else 0.0
            for other in found[1:]:
                cost = float(weights @ at(other.value))
                if cost < least - TIE:
                    best, least = other, cost
            fill[t], drain[t] = best.fill_kwh, best.drain_kwh
            levels = at(best.after)
            followed[t] = levels
        return fill, drain, followed


def _rows(way: Way, rows: NDArray[np.intp]) -> Way:
    return type(way)(way.hold[rows], way.most[rows], way.least[rows], way.net[rows], way.broken[rows])
