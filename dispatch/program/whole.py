"""Whole values for the integer columns of a program that stays a linear one.

Most binaries of a tariff are idle: they say that two things may not happen at once which nothing tempts to happen.
So the program is solved without them first, then with those whole that the solution left undecided, and so on, in
the end with all of them. Each such program allows more than the true one, so the bound it
proves is a true bound, and a solution in which every binary can be whole is the true optimum within the gap proved.

In the end the binaries are fixed and the linear program is solved once more: what follows is exact where a
mixed-integer solution is so only within its integrality tolerance. The gap stated is that of this last solution.
"""

from __future__ import annotations

from itertools import count
from typing import TYPE_CHECKING

import numpy as np

from dispatch.errors import Infeasible, SolveError
from dispatch.program.solver import GAP, GAP_ABSOLUTE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dispatch.arrays import Flags, Floats
    from dispatch.program.arrays import Optimum
    from dispatch.program.solver import Warm


ROUNDS, BESIDE = (
    4,
    2,
)  # rounds in which only some binaries are asked, and how many steps beside an undecided one

ROOM_KWH = 1e-7  # by how much a row may be missed when a binary is made whole; the last solve closes it


def settle(warm: Warm, costs: Floats) -> float:
    """Find the best whole values of the integer columns for these costs and fix them there.

    Returns
    -------
    float
        The relative gap that was proved, at most ``GAP`` (or ``GAP_ABSOLUTE`` in money).

    Raises
    ------
    Infeasible, StoppedEarly, SolveError
        No whole values are feasible, the time is up, or no optimum was certified.
    """
    relaxed, stated = warm.minimise(costs), warm.bounds.copy()
    values, bound = relaxed.values, relaxed.objective
    asked = np.zeros(len(warm.integers), dtype=bool)
    for rounds in count():
        whole, undecided = _whole(warm, values)
        undecided &= ~asked
        warm.fix(warm.integers, np.where(asked | undecided, np.round(values[warm.integers]), whole))
        reached = _attempt(warm, costs)
        if reached is not None and _near(reached.objective, bound):
            return float(max(reached.objective - bound, 0.0) / max(abs(reached.objective), GAP_ABSOLUTE))
        if not undecided.any():
            break
        warm.loosen(stated)
        asked |= _with_neighbours(undecided) | (rounds >= ROUNDS)
        values, bound = warm.mixed(costs, warm.integers[asked], reached)
    raise SolveError("no schedule keeps the whole values that were found; please report this scenario")


def _near(reached: float, bound: float) -> bool:
    return reached - bound <= max(GAP * abs(reached), GAP_ABSOLUTE)


def _attempt(warm: Warm, costs: Floats) -> Optimum | None:
    """Solve with the binaries where they are fixed; None if they cannot all be so."""
    try:
        return warm.minimise(costs)
    except Infeasible:
        return None


def _with_neighbours(undecided: Flags) -> NDArray[np.bool_]:
    """Ask the steps beside as well: what is forbidden in one hour moves to the next."""
    beside = undecided.copy()
    for far in range(1, BESIDE + 1):
        beside[far:] |= undecided[:-far]
        beside[:-far] |= undecided[far:]
    return beside


def _whole(warm: Warm, values: Floats) -> tuple[Floats, Flags]:
    """Round the integer columns where the rows leave room to; return the values and which have none.

    Up where both ways are open: that is the side of buying, and of charging.
    """
    matrix, bounds, integers = warm.matrix, warm.bounds, warm.integers
    place = np.full(len(values), -1)
    place[integers] = np.arange(len(integers))
    entries = np.flatnonzero(place[matrix.indices] >= 0)
    rows, owner = matrix.owner[entries], place[matrix.indices[entries]]
    factor = matrix.values[entries]
    activity = matrix.times(values)
    rest = activity[rows] - factor * values[integers][owner]
    found, open_ = np.zeros(len(integers)), np.zeros(len(integers), dtype=bool)
    for whole in (0.0, 1.0):
        moved = rest + factor * whole
        broken = (moved < bounds.row_lower[rows] - ROOM_KWH) | (moved > bounds.row_upper[rows] + ROOM_KWH)
        possible = (bounds.lower[integers] <= whole) & (whole <= bounds.upper[integers])
        possible &= np.bincount(owner, weights=broken, minlength=len(integers)) == 0
        found[possible] = whole
        open_ |= possible
    rounded = values.copy()
    rounded[integers] = np.where(open_, found, values[integers])
    together = matrix.times(rounded)  # several binaries of one row, each possible, need not be so together
    broken = (together < bounds.row_lower - ROOM_KWH) | (together > bounds.row_upper + ROOM_KWH)
    open_ &= np.bincount(owner, weights=broken[rows], minlength=len(integers)) == 0
    return found, ~open_
