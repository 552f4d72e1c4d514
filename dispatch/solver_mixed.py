"""Whole values for the integer columns of a program that stays a linear one.

Most binaries of a tariff are idle: they say that two things may not happen at once which nothing tempts to happen.
So the program is solved without them first; those that the solution leaves undecided are asked to be whole, and so
on until none is. Each such program allows more than the true one, so the bound it proves is a true bound, and a
solution in which every binary can be whole is the true optimum within the gap proved.

In the end the binaries are fixed and the linear program is solved once more: what follows is exact where a
mixed-integer solution is so only within its integrality tolerance. The gap stated is that of this last solution.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from dispatch.errors import SolveError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dispatch.solver import Warm

    Floats = NDArray[np.float64]

GAP, GAP_ABSOLUTE = 1e-6, 1e-6  # relative, and in money
SETTLE_SECONDS = 600.0  # a mixed-integer solve that takes longer is given up, and said to be
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
    """
    relaxed = warm.minimise(costs)
    values, bound = relaxed.values, relaxed.objective
    asked = np.zeros(len(warm.integers), dtype=bool)
    while True:
        whole, undecided = _whole(warm, values)
        undecided &= ~asked
        if not undecided.any():
            break
        asked |= undecided
        values, bound = warm.mixed(costs, warm.integers[asked], SETTLE_SECONDS)
    whole[asked] = np.round(values[warm.integers[asked]])
    warm.fix(warm.integers, whole)
    reached = warm.minimise(costs).objective
    gap = max(reached - bound, 0.0)
    relative = gap / max(abs(reached), GAP_ABSOLUTE)
    if relative > GAP and gap > 2 * GAP_ABSOLUTE:
        raise SolveError(
            f"the solver's whole values cost {gap:.3g} more than the bound it proved; please report this scenario"
        )
    return relative


def _whole(warm: Warm, values: Floats) -> tuple[Floats, NDArray[np.bool_]]:
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
