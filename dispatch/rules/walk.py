"""Strategies as an inverter follows them: step by step, knowing nothing but the present step.

An inverter is told two levels for every step. It fills the battery from the grid up to ``fill`` and lets the
load draw it down to ``drain``; both come from a clock, never from a forecast::

    fill     the target level inside a charge window; the reserve outside (below it the grid charges at any hour)
    drain    the reserve inside a discharge window; outside the battery is not used

In each step, with a = keep·stored:

1. Sun serves the load (``straight``); the rest of the load is left for battery and grid.
2. The battery gives min(load left, inverter left, a - drain), and whatever only it can give: the part of the load
   above bypass, cord or import limit, then even below the reserve.
3. Surplus sun charges, within the charging limit, the taper and the ceiling.
4. The grid charges up to ``fill``, within charger, cord, import limit, the limit of all charging, and the taper;
   what self-discharge takes from an empty battery it makes good whatever the cord and the import limit say.
5. What sun is left is fed in as far as that is allowed; the rest is spilled.

With ``sun_waits`` (sun charges first) steps 1 and 3 change places outside the discharge windows: the grid carries
the load until the battery takes no more sun. A discharge window always lets the sun serve the load first.

Vectorised over k candidates: a loop over time, arrays over candidates. The loop holds only what depends on the
level; the flows, the money and the tallies of a block of steps are worked out together afterwards.

Many homes go side by side where candidates are of shape (k, homes): what the steps bring is then (n, homes), and each
number of the hardware (homes,); numpy's broadcasting does the rest.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from dispatch.arrays import Floats
    from dispatch.rules.conditions import Conditions


BLOCK_STEPS = (
    24  # steps whose flows are worked out together: large enough to save calls, small enough for cache
)


@dataclass(frozen=True)
class Orders:
    """What k candidates tell the inverter.

    Parameters
    ----------
    row : array of int, shape (n,)
        Which row of the tables holds in each step.
    fill_kwh, drain_kwh : array, shape (rows, k) or (rows, k, homes)
        Level up to which the grid charges, and down to which the load may draw; ``inf`` = not used. [kWh]
    sun_waits : bool
        Sun charges first outside the discharge windows.
    """

    row: NDArray[np.intp]
    fill_kwh: Floats
    drain_kwh: Floats
    sun_waits: bool = False


@dataclass(frozen=True)
class FlowBlock:
    """The flows of a stretch of steps, arrays of shape (steps, k), kWh; names as in the flow table."""

    steps: slice
    stored: Floats
    cells_out: Floats
    grid_to_load: Floats
    grid_to_battery: Floats
    sun_to_load: Floats
    sun_to_battery: Floats
    sun_to_grid: Floats
    spill: Floats
    battery_to_load: Floats
    battery_to_grid: Floats
    unserved_load: Floats
    net: Floats
    """Import less export at the meter."""


def simulate(
    given: Conditions,
    orders: Orders,
    start_kwh: Floats | float,
    visit: Callable[[FlowBlock], None] | None = None,
    steps: tuple[int, int] | None = None,
) -> Floats:
    """Run the rule through the steps and show every block of flows to ``visit``.

    Parameters
    ----------
    given : Conditions
        What the steps bring.
    orders : Orders
        What the candidates say.
    start_kwh : float or array, shape (k,)
        Level before the first step. [kWh]
    visit : callable, optional
        Called with each :class:`FlowBlock`; its arrays are used again afterwards, so take copies. Without it only the
        last level is worked out.
    steps : (int, int), optional
        First step and the one after the last; default: all.

    Returns
    -------
    array, shape (k,)
        Level after the last step. [kWh]
    """
    first, last = steps or (0, len(given.need_kwh))
    walk = _Walk(given, orders, start_kwh)
    for begin in range(first, last, BLOCK_STEPS):
        end = min(begin + BLOCK_STEPS, last)
        walk.run(begin, end)
        if visit is not None:
            visit(walk.block(slice(begin, end)))
    return walk.stored.copy()


class _Walk:
    """The loop over time. Works in energy of the cells, in place, on arrays over the candidates."""

    def __init__(self, given: Conditions, orders: Orders, start_kwh: Floats | float) -> None:
        parts = given.limits.limits
        self.given, self.orders, self.parts = given, orders, parts
        shape = orders.fill_kwh.shape[1:]
        self.stored = np.empty(shape)
        self.stored[:] = start_kwh
        self.kept, self.room, self.work = np.empty(shape), np.empty(shape), np.empty(shape)
        self.levels, self.out, self.grid_in, self.sun_in = np.zeros((4, BLOCK_STEPS, *shape))
        self.rows = list(zip(orders.fill_kwh, orders.drain_kwh, strict=True))
        self.row = orders.row.tolist()
        self.waiting = np.isinf(orders.drain_kwh)
        terms = given.cells
        self.out_most, self.out_must = terms.out_most, terms.out_must
        self.sun_most, self.late_sun = terms.sun_most, terms.late_sun
        self.grid_most, self.late_grid = terms.grid_most, terms.late_grid
        self.may_wait, self.has_out, self.has_must = terms.may_wait, terms.has_out, terms.has_must
        self.has_sun = terms.has_any_sun if orders.sun_waits else terms.has_surplus
        self.tapers = bool(np.all(np.isfinite(given.limits.taper)))
        self.guards, self.crowded = terms.guards, terms.crowded

    def run(self, begin: int, end: int) -> None:
        """Move every candidate through the steps from ``begin`` to before ``end``, writing the block's rows."""
        # the hottest loop of the package: names local, calls few
        multiply, subtract, add, minimum, maximum = np.multiply, np.subtract, np.add, np.minimum, np.maximum
        rows, row, kept, room = self.rows, self.row, self.kept, self.room
        keep, taper, full = self.given.limits.keep, self.given.limits.taper, self.parts.full_kwh
        has_out, has_sun, grid_most, guards = self.has_out, self.has_sun, self.grid_most, self.guards
        tapers, stored = self.tapers, self.stored
        self.out[:], self.sun_in[:] = 0.0, 0.0
        for place, t in enumerate(range(begin, end)):
            fill, drain = rows[row[t]]
            out, grid_in, level = self.out[place], self.grid_in[place], self.levels[place]
            multiply(stored, keep, out=kept)
            if has_out[t]:
                subtract(kept, drain, out=out)
                minimum(out, self.out_most[t], out=out)
                maximum(out, 0.0, out=out)
                if self.has_must[t]:
                    self._give_what_only_it_can(out, t)
            if tapers:
                subtract(full, stored, out=room)
                multiply(room, taper, out=room)
            subtract(fill, kept, out=grid_in)
            if has_sun[t]:
                self._charge_with_sun(place, t)
            else:
                minimum(grid_in, grid_most[t], out=grid_in)
                if tapers:
                    minimum(grid_in, room, out=grid_in)
            maximum(grid_in, 0.0, out=grid_in)
            if guards[t]:
                self._keep_from_empty(place)
            subtract(kept, out, out=level)
            add(level, grid_in, out=level)
            if has_sun[t]:
                add(level, self.sun_in[place], out=level)
            stored = level
        self.stored = stored

    def _give_what_only_it_can(self, out: Floats, t: int) -> None:
        """Give what bypass, cord and import limit leave to the battery, down to empty."""
        np.subtract(self.kept, self.parts.empty_kwh, out=self.work)
        np.maximum(self.work, 0.0, out=self.work)
        np.minimum(self.work, self.out_must[t], out=self.work)
        np.maximum(out, self.work, out=out)

    def _keep_from_empty(self, place: int) -> None:
        """Make good what self-discharge takes from an empty battery, before load and import limit."""
        parts, limits = self.parts, self.given.limits
        np.subtract(parts.empty_kwh, self.kept, out=self.work)
        np.subtract(self.work, self.sun_in[place], out=self.work)
        most = np.minimum(limits.grid_charge_kwh, limits.total_charge_kwh)
        np.minimum(self.work, parts.eta_charger * most, out=self.work)
        np.maximum(self.grid_in[place], self.work, out=self.grid_in[place])

    def _charge_with_sun(self, place: int, t: int) -> None:
        """Sun first, up to the ceiling; then the grid, within what the limits leave."""
        parts, sun_in, grid_in = self.parts, self.sun_in[place], self.grid_in[place]
        np.subtract(parts.ceiling_kwh, self.kept, out=self.work)
        if self.tapers:
            np.minimum(self.room, self.work, out=self.room)
        else:
            self.room[:] = self.work
        sun_most, grid_most = self.sun_most[t], self.grid_most[t]
        if self.orders.sun_waits:
            waits = self.waiting[self.row[t]] & self.may_wait[t]
            sun_most = np.where(waits, self.late_sun[t], sun_most)
            grid_most = np.where(waits, self.late_grid[t], grid_most)
        np.minimum(self.room, sun_most, out=sun_in)
        np.maximum(sun_in, 0.0, out=sun_in)
        np.subtract(self.room, sun_in, out=self.room)  # what the cells still take
        np.subtract(grid_in, sun_in, out=grid_in)
        np.minimum(grid_in, self.room, out=grid_in)
        np.minimum(grid_in, grid_most, out=grid_in)
        if not self.crowded[t]:
            return  # grid and sun together stay below the limit of all charging
        np.multiply(sun_in, -parts.eta_charger / parts.eta_dc, out=self.work)
        np.add(self.work, parts.eta_charger * self.given.limits.total_charge_kwh, out=self.work)
        np.minimum(grid_in, self.work, out=grid_in)

    def block(self, steps: slice) -> FlowBlock:
        """Work out the flows of the steps just walked."""
        given, parts, count = self.given, self.parts, steps.stop - steps.start
        eta = parts.eta_inverter
        dimensions = self.levels.ndim

        def column(values: NDArray[Any]) -> NDArray[Any]:
            return _column(values[steps], dimensions)

        need, other, sun = (column(a) for a in (given.need_kwh, given.other_kwh, given.sun_kwh))
        straight = column(given.straight_kwh)
        out, sun_in = self.out[:count] * parts.eta_discharge, self.sun_in[:count] / parts.eta_dc
        grid_in = self.grid_in[:count] / parts.eta_charger
        sun_to_load = straight
        if self.orders.sun_waits:
            waits = self.waiting[self.orders.row[steps]] & column(given.may_wait)
            sun_to_load = np.where(waits, np.clip(sun - sun_in, 0.0, straight), straight)
        to_load = np.minimum(out, column(given.load_out_kwh))
        to_grid = out - to_load
        left = need - eta * (sun_to_load + to_load)
        grid_to_load = np.minimum(np.maximum(left, 0.0), given.limits.grid_kwh)
        if np.any(np.isfinite(given.limits.plug_kwh)):  # an empty battery's keep goes before the load
            grid_to_load = np.minimum(grid_to_load, np.maximum(given.limits.plug_kwh - grid_in, 0.0))
        rest = np.maximum(sun - sun_to_load - sun_in, 0.0)
        meter = grid_to_load + grid_in + other - eta * to_grid
        sun_to_grid = np.zeros_like(rest)
        if parts.feed_in != "none":
            inverter_left = given.limits.inverter_kwh / eta - sun_to_load - out
            sun_to_grid = np.minimum(np.minimum(rest, inverter_left), (meter + given.limits.export_kwh) / eta)
            sun_to_grid = np.maximum(sun_to_grid, 0.0)
        return FlowBlock(
            steps=steps,
            stored=self.levels[:count],
            cells_out=self.out[:count],
            grid_to_load=grid_to_load,
            grid_to_battery=grid_in,
            sun_to_load=sun_to_load,
            sun_to_battery=sun_in,
            sun_to_grid=sun_to_grid,
            spill=rest - sun_to_grid,
            battery_to_load=to_load,
            battery_to_grid=to_grid,
            unserved_load=np.maximum(left - grid_to_load, 0.0),
            net=meter - eta * sun_to_grid,
        )


def _column(values: NDArray[Any], dimensions: int) -> NDArray[Any]:
    """Put the axis of the candidates in: steps (n,) to (n, 1), steps of homes (n, homes) to (n, 1, homes)."""
    if values.ndim == dimensions:
        return values
    return values[:, None]
