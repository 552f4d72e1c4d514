"""What no schedule can cost less than, by the program's own rows: weak duality with the prices of the stored level.

Take the storage rows out of the program and charge what breaks them at prices ``y``, one per step. What is left falls
apart into steps, is solved in a moment, and by weak duality no schedule costs less than its optimum, whatever ``y`` is.
Where ``y`` are the prices that a schedule implies the bound is that schedule's own cost, and the schedule is proved::

    bound(y) = min (cost - Sᵀ·y)·values + y·right      over all rows but the storage rows S·values = right

The prices are read from the schedule alone: where its step could do more or less, what that costs; from step to step
they change only where a level is at a bound, or where a tapering charge is at its limit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dispatch.program.arrays import dot

if TYPE_CHECKING:
    from dispatch.arrays import Floats
    from dispatch.program.arrays import Bounds
    from dispatch.program.program import Program
    from dispatch.sweep.backward import Store
    from dispatch.sweep.step_curves import Curves


AT_KWH = 1e-8  # nearer than this is at it


@dataclass(frozen=True)
class Path:
    """A schedule's levels [kWh] with what they are bound by, arrays of shape (n,); prices of a level in money."""

    levels: Floats
    low: Floats
    high: Floats
    prices: Floats


def least_money(program: Program, bounds: Bounds, y: Floats) -> float:
    """Return what no schedule within these bounds can cost less than, in the money of the ``cost`` stage.

    Parameters
    ----------
    program : Program
    bounds : Bounds
        Of a strategy, its slacks fixed.
    y : array, shape (n,)
        Price of a stored kWh at the end of each step; any prices give a true bound, the right ones the best.
    """
    storage, matrix = program.rows["storage"], program.warm.matrix
    span = slice(int(matrix.starts[storage.start]), int(matrix.starts[storage.stop]))
    weights = y[matrix.owner[span] - storage.start] * matrix.values[span]
    costs = program.cost - np.bincount(matrix.indices[span], weights, minlength=len(program.cost))
    right = bounds.row_lower[storage].copy()
    loose = bounds.copy()
    loose.row_lower[storage], loose.row_upper[storage] = -np.inf, np.inf
    alone = program.warm.twin()
    alone.restart(loose)
    return alone.minimise(costs).objective + dot(y, right)


def prices_along(path: Path, curves: Curves, store: Store, money: int) -> Floats:
    """Read the prices of the stored level from a schedule, shape (n,).

    Parameters
    ----------
    path : Path
    curves : Curves
    store : Store
    money : int
        The stage of the money among the curves' slopes.
    """
    n = len(path.levels)
    before = np.concatenate([[store.start_kwh], path.levels[:-1]])
    change = path.levels - store.keep * before
    less, more = _slopes_beside(curves, change, money)
    limited = np.zeros(n, dtype=bool)
    if store.taper > 0:
        limited = (change > AT_KWH) & (change >= store.taper * (store.full_kwh - before) - AT_KWH)
    # what a price may be for the step's own change to be right
    least, most = np.where(limited, -np.inf, -more), -less
    carried = np.where(limited, store.keep - store.taper, store.keep)
    # where the taper limits, a kWh more before the step leaves room for less, at what that step's flows cost
    added_low, added_high = (-store.taper * np.where(limited, each, 0.0) for each in (more, less))
    free_down, free_up = path.levels <= path.low + AT_KWH, path.levels >= path.high - AT_KWH
    low, high = np.empty(n), np.empty(n)
    after_low, after_high = 0.0, 0.0  # nothing is worth anything after the last step
    for t in range(n - 1, -1, -1):
        given_low = -np.inf if free_down[t] else path.prices[t] + after_low
        given_high = np.inf if free_up[t] else path.prices[t] + after_high
        low[t], high[t] = max(least[t], given_low), min(most[t], given_high)
        if low[t] > high[t]:  # by rounding; or the schedule is not the best
            low[t] = high[t] = (low[t] + high[t]) / 2 if np.isfinite(low[t] + high[t]) else 0.0
        after_low, after_high = carried[t] * low[t] + added_low[t], carried[t] * high[t] + added_high[t]
    return _chosen(path.prices, low, high, carried, (added_low, added_high))


def _chosen(
    prices: Floats, low: Floats, high: Floats, carried: Floats, added: tuple[Floats, Floats]
) -> Floats:
    """Choose one price a step, forward: the least that goes with the step before, within what may be."""
    chosen = np.empty(len(low))
    wanted_low, wanted_high = -np.inf, np.inf
    for t in range(len(low)):
        least = min(max(wanted_low, low[t]), high[t])
        chosen[t] = least if np.isfinite(least) else min(max(0.0, low[t]), high[t], wanted_high)
        if t + 1 < len(low):
            wanted_low, wanted_high = (
                (chosen[t] - prices[t] - added[side][t + 1]) / carried[t + 1] for side in (1, 0)
            )
    return chosen


def _slopes_beside(curves: Curves, change: Floats, money: int) -> tuple[Floats, Floats]:
    """Return what a kWh less and a kWh more into the cells saves and costs in each step; infinite where impossible."""
    less, more = np.full(len(change), -np.inf), np.full(len(change), np.inf)
    for t, u in enumerate(change.tolist()):
        span = slice(curves.first[t], curves.first[t + 1])
        levels, slopes = curves.levels[span], curves.slopes[span, money]
        above = int(np.searchsorted(levels, u + AT_KWH, side="right"))
        below = int(np.searchsorted(levels, u - AT_KWH, side="left"))
        if above < len(levels):
            more[t] = slopes[above - 1] if above else slopes[0]
        if below > 0:
            less[t] = slopes[min(below, len(levels) - 1) - 1]
    return less, more
