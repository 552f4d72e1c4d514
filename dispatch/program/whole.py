"""Whole values for the integer columns of a program that stays a linear one.

Most binaries of a tariff are idle: they say that two things may not happen at once which nothing tempts to happen.
So the program is solved without them first, then with those whole that the solution left undecided, and so on, in
the end with all of them. Each such program allows more than the true one, so the bound it
proves is a true bound, and a solution in which every binary can be whole is the true optimum within the gap proved.

In the end the binaries are fixed and the linear program is solved once more: what follows is exact where a
mixed-integer solution is so only within its integrality tolerance. The gap stated is that of this last solution.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import count
from typing import TYPE_CHECKING

import numpy as np

from dispatch.errors import Infeasible, SolveError, StoppedEarly
from dispatch.program.solver import NOTICED, Gap
from dispatch.program.watch import Watch

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dispatch.arrays import Flags, Floats
    from dispatch.program.arrays import Optimum
    from dispatch.program.solver import Warm


ROUNDS, BESIDE = (
    4,
    2,
)  # rounds in which only some binaries are asked, and how many steps beside an undecided one

SETTLE_SECONDS = 600.0  # a solve that takes longer ends with the best schedule found, and says so
FLOWS_SECONDS = 20.0  # for whole values that go with given flows
ROOM_KWH = 1e-7  # by how much a row may be missed when a binary is made whole; the last solve closes it


@dataclass(frozen=True)
class Settled:
    """What was proved: the relative gap, and whether the solve was stopped before it was as small as asked."""

    gap: float
    stopped: bool = False


def settle(warm: Warm, costs: Floats, asked: Gap = NOTICED, flows: slice = slice(0)) -> Settled:
    """Find the best whole values of the integer columns for these costs and fix them there.

    ``flows`` are the columns that say what is done; the rest only says what that costs. A solve that is stopped
    (by hand, or after ``SETTLE_SECONDS``) ends with the best values found.

    Raises
    ------
    Infeasible, StoppedEarly, SolveError
        Stopped before any schedule was found; or none exists.
    """
    with Watch(warm.kinds, SETTLE_SECONDS) as watch:
        return _settle(warm, costs, asked, watch, flows)


def _settle(warm: Warm, costs: Floats, asked: Gap, watch: Watch, flows: slice) -> Settled:
    relaxed, stated = warm.minimise(costs), warm.bounds.copy()
    values: Floats | None
    values, bound = relaxed.values, relaxed.objective
    best: tuple[float, Floats] | None = None
    among = np.zeros(len(warm.integers), dtype=bool)
    for rounds in count():
        if values is not None:
            whole, undecided = _whole(warm, values)
            undecided &= ~among
            at = np.where(among | undecided, np.round(values[warm.integers]), whole)
            warm.fix(warm.integers, at)
            reached = _attempt(warm, costs)
            if reached is None and best is None:
                warm.loosen(stated)
                at, reached = _of_flows(warm, costs, values, asked, flows)
            if reached is not None and (best is None or reached.objective < best[0]):
                best = reached.objective, at
            if reached is not None and asked.holds(reached.objective, bound):
                return Settled(_relative(reached.objective, bound, asked))
            if not undecided.any() and not watch.over:
                break
            warm.loosen(stated)
        if watch.over:
            return _stopped(warm, best, bound, asked)
        among |= _with_neighbours(undecided) | (rounds >= ROUNDS)
        values, least = warm.mixed(costs, warm.integers[among], reached, asked, watch)
        bound = max(bound, least)
    raise SolveError("no schedule keeps the whole values that were found; please report this scenario")


def _of_flows(
    warm: Warm, costs: Floats, values: Floats, asked: Gap, flows: slice
) -> tuple[Floats, Optimum | None]:
    """Find the whole values that go with what is done in these values, then the best that goes with those.

    With the flows given the rest is soon found, and there is a schedule to keep if the solve is stopped.
    """
    stated, fixed = warm.bounds.copy(), warm.bounds.copy()
    low, high = stated.lower[flows], stated.upper[flows]
    fixed.lower[flows] = fixed.upper[flows] = np.clip(values[flows], low, high)
    warm.loosen(fixed)
    try:
        found, _ = warm.mixed(costs, warm.integers, None, asked, Watch((), FLOWS_SECONDS, hears=False))
    except SolveError:
        found = None
    warm.loosen(stated)
    if found is None:
        return np.empty(0), None
    at = np.round(found[warm.integers])
    warm.fix(warm.integers, at)
    return at, _attempt(warm, costs)


def _stopped(warm: Warm, best: tuple[float, Floats] | None, bound: float, asked: Gap) -> Settled:
    """Take the best that was found before the solve was stopped."""
    if best is None:
        raise StoppedEarly("the solver was stopped before it had found a schedule")
    warm.fix(warm.integers, best[1])
    return Settled(_relative(best[0], bound, asked), stopped=True)


def _relative(reached: float, bound: float, asked: Gap) -> float:
    return float(max(reached - bound, 0.0) / max(abs(reached), asked.money))


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
