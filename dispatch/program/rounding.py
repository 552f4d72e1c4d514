"""Which integer columns can be made whole without moving anything else."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from dispatch.arrays import Flags, Floats
    from dispatch.program.solver import Warm


ROOM_KWH = 1e-7  # by how much a row may be missed when a binary is made whole; the last solve closes it


def whole(warm: Warm, values: Floats) -> tuple[Floats, Flags]:
    """Round the integer columns where the rows leave room to; return the values and which have none.

    Up where both ways are open: that is the side of buying, and of charging. Where neither is, the way that breaks the
    rows less: the side on which more is done.
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
    by_how_much = []
    for value in (0.0, 1.0):
        moved = rest + factor * value
        over = np.maximum(np.maximum(bounds.row_lower[rows] - moved, moved - bounds.row_upper[rows]), 0.0)
        broken = over > ROOM_KWH
        by_how_much.append(np.bincount(owner, weights=over, minlength=len(integers)))
        possible = (bounds.lower[integers] <= value) & (value <= bounds.upper[integers])
        possible &= np.bincount(owner, weights=broken, minlength=len(integers)) == 0
        found[possible] = value
        open_ |= possible
    rounded = values.copy()
    rounded[integers] = np.where(open_, found, values[integers])
    together = matrix.times(rounded)  # several binaries of one row, each possible, need not be so together
    broken = (together < bounds.row_lower - ROOM_KWH) | (together > bounds.row_upper + ROOM_KWH)
    open_ &= np.bincount(owner, weights=broken[rows], minlength=len(integers)) == 0
    less = (by_how_much[1] < by_how_much[0]).astype(float)
    return np.where(open_, found, np.clip(less, bounds.lower[integers], bounds.upper[integers])), ~open_
