"""What each step can do for every change of the stored level, and at what cost: a convex curve per step.

Step t is a small linear program in its own flows ``x``; the change of the stored level is ``u = into·x``::

    f[t](u) = min c[t]·x   with   A·x = or ≤ b[t],  lower[t] ≤ x ≤ upper[t],  into·x = u

``c`` has a column per stage, and "min" takes the stages in their order. The simplex method goes to the best x whatever
its u, then along the edges that change u at the least cost, up to the largest u and down to the smallest. The edges
are the straight parts of f, their ends its points, with the flows that belong to them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from dispatch.sweep.compiled import compiled
from dispatch.sweep.simplex import FREE, MOST_PIVOTS, Simplex, cheapest, copy, edge, empty, feasible, move

if TYPE_CHECKING:
    from dispatch.arrays import Flags, Floats, Ints


SHORT_KWH = 1e-11  # a shorter edge is none
MOST_POINTS = 24  # of a step, on average; memory that is not used is not taken


@dataclass(frozen=True)
class Steps:
    """The steps' small programs.

    Attributes
    ----------
    rows : array, shape (m, k)
        A, the same in every step.
    is_equal : array of bool, shape (m,)
        Whether a row is an equality (else ≤).
    into : array, shape (k,)
    right : array, shape (n, m)
    lower, upper : array, shape (n, k)
    costs : array, shape (stages, n, k)
    """

    rows: Floats
    is_equal: Flags
    into: Floats
    right: Floats
    lower: Floats
    upper: Floats
    costs: Floats

    def same_as(self, other: Steps) -> bool:
        """Whether both have the same curves."""
        return all(np.array_equal(mine, vars(other)[name]) for name, mine in vars(self).items())


class Curves(NamedTuple):
    """The curves, their points one step after the other.

    Attributes
    ----------
    first : array of int, shape (n + 1,)
        Where the points of each step begin.
    levels : array, shape (points,)
        u of each point, rising in a step. [kWh]
    slopes : array, shape (points, stages)
        Cost per kWh from each point to the next.
    flows : array, shape (points, k)
        [kWh]
    values : array, shape (n, stages)
        Cost at the first point of each step.
    """

    first: Ints
    levels: Floats
    slopes: Floats
    flows: Floats
    values: Floats


class _Walk(NamedTuple):
    """Points of one step, upwards and downwards from the best."""

    levels: Floats
    slopes: Floats
    flows: Floats


def curves_of(steps: Steps) -> Curves | None:
    """Trace the curve of every step; None if a step has none."""
    n, k = steps.lower.shape
    stages, rows = len(steps.costs), len(steps.is_equal) + 1
    columns = k + int((~steps.is_equal).sum())
    room = MOST_POINTS * (n + 1)
    found = Curves(
        np.zeros(n + 1, dtype=np.int64),
        np.empty(room),
        np.empty((room, stages)),
        np.empty((room, k)),
        np.zeros((n, stages)),
    )
    walks = [
        _Walk(np.empty(MOST_PIVOTS), np.empty((MOST_PIVOTS, stages)), np.empty((MOST_PIVOTS, k)))
        for _ in range(2)
    ]
    states = [empty(rows, columns, stages) for _ in range(2)]
    parts = steps.rows, steps.is_equal, steps.into, steps.right, steps.lower, steps.upper, steps.costs
    if not _trace(*parts, states[0], states[1], walks[0], walks[1], found):
        return None
    end = found.first[-1]
    return Curves(
        found.first,
        found.levels[:end].copy(),
        found.slopes[:end].copy(),
        found.flows[:end].copy(),
        found.values,
    )


@compiled
def _trace(  # noqa: PLR0913, PLR0917 - arrays and room to work in
    rows: Floats,
    is_equal: Flags,
    into: Floats,
    right: Floats,
    lower: Floats,
    upper: Floats,
    costs: Floats,
    s: Simplex,
    other: Simplex,
    up: _Walk,
    down: _Walk,
    found: Curves,
) -> bool:
    for t in range(len(lower)):
        _begin(s, rows, is_equal, into, right[t], lower[t], upper[t], costs[:, t])
        if not (feasible(s) and cheapest(s)):
            return False
        copy(s, other)
        ups, downs = _walk(s, 1.0, up), _walk(other, -1.0, down)
        begin = found.first[t]
        end = begin + ups + downs + 1
        if ups < 0 or downs < 0 or end > len(found.levels):
            return False
        found.first[t + 1] = end
        for place in range(downs, 0, -1):
            _add(found, begin + downs - place, down, place, down, place, -1.0)
        for place in range(ups + 1):
            _add(found, begin + downs + place, up, place, up, min(place + 1, ups), 1.0)
        for stage in range(len(costs)):
            for column in range(len(into)):
                found.values[t, stage] += costs[stage, t, column] * found.flows[begin, column]
    return True


@compiled
def _begin(  # noqa: PLR0913, PLR0917
    s: Simplex,
    rows: Floats,
    is_equal: Flags,
    into: Floats,
    right: Floats,
    lower: Floats,
    upper: Floats,
    costs: Floats,
) -> None:
    """Put every flow at its lower bound; where that leaves a row unsatisfied its artificial column fills it."""
    m, k = rows.shape
    columns = len(s.lower)
    for column in range(columns):
        s.is_upper[column] = s.is_basic[column] = False
        s.lower[column] = lower[column] if column < k else 0.0
        s.upper[column] = upper[column] if column < k else np.inf
        for stage in range(len(costs)):
            s.prices[stage, column] = costs[stage, column] if column < k else 0.0
    slack = k
    for row in range(m):
        value = right[row]
        for column in range(k):
            value -= rows[row, column] * lower[column]
        sign = -1.0 if value < 0.0 else 1.0
        for column in range(columns):
            s.table[row, column] = sign * rows[row, column] if column < k else 0.0
        s.basis[row], s.at[row] = columns + row, abs(value)
        if not is_equal[row]:
            s.table[row, slack] = sign
            if sign > 0.0:
                s.basis[row] = slack
                s.is_basic[slack] = True
            slack += 1
    s.basis[m], s.at[m] = FREE, 0.0
    for column in range(columns):
        s.table[m, column] = -into[column] if column < k else 0.0
    for column in range(k):
        s.at[m] += into[column] * lower[column]


@compiled
def _walk(s: Simplex, towards: float, walk: _Walk) -> int:
    """Follow the edges one way; return how many points lie beyond the first, -1 if that has no end."""
    count = 0
    slope = np.zeros(walk.slopes.shape[1])
    for step in range(MOST_PIVOTS):
        if step == 0 or abs(s.at[-1] - walk.levels[count]) > SHORT_KWH:
            count += step > 0
            for stage in range(len(slope)):
                walk.slopes[count, stage] = slope[stage]
            walk.levels[count] = s.at[-1]
            for column in range(walk.flows.shape[1]):
                walk.flows[count, column] = s.upper[column] if s.is_upper[column] else s.lower[column]
            for row in range(len(s.basis) - 1):
                if s.basis[row] < walk.flows.shape[1]:
                    walk.flows[count, s.basis[row]] = s.at[row]
        column = edge(s, towards, slope)
        if column < 0:
            return count
        if not move(s, column):
            return -1
    return -1


@compiled
def _add(  # noqa: PLR0913, PLR0917
    found: Curves, at: int, walk: _Walk, place: int, ahead: _Walk, part: int, sign: float
) -> None:
    found.levels[at] = walk.levels[place]
    for column in range(walk.flows.shape[1]):
        found.flows[at, column] = walk.flows[place, column]
    for stage in range(found.slopes.shape[1]):
        found.slopes[at, stage] = sign * ahead.slopes[part, stage]
