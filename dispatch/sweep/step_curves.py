"""What each step can do for every change of the stored level, and at what cost: a convex curve per step.

Step t is a small linear program in its own flows ``x``; the change of the stored level is ``u = into·x``::

    f[t](u) = min c[t]·x   with   A·x = or ≤ b[t],  lower[t] ≤ x ≤ upper[t],  into·x = u

``c`` has a column per stage, and "min" is lexicographic. Its optima are traced by a simplex method of one step: from
the best x whatever the u, along the edges that change u at the least cost, up to the largest u and down to the
smallest. The edges are the straight parts of f, the corners its breakpoints, with the flows that belong to them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from dispatch.sweep.compiled import compiled

if TYPE_CHECKING:
    from dispatch.arrays import Flags, Floats, Ints


MOST_PIVOTS = 400  # in one step; far more than any takes that does not go in circles
PIVOT = 1e-9  # a smaller entry is none
SAME = 1e-9  # prices nearer than this are equal
SHORT_KWH = 1e-11  # a shorter edge is none
INFEASIBLE_KWH = 1e-9
FREE = -1  # in place of a column: the change of the level


@compiled
def lexicographic_sign(values: Floats) -> int:
    """Return the sign of the first entry that is not nothing."""
    for value in values:
        if value > SAME:
            return 1
        if value < -SAME:
            return -1
    return 0


@compiled
def _pivot(table: Floats, prices: Floats, row: int, column: int) -> None:
    table[row] /= table[row, column]
    for other in range(table.shape[0]):
        if other != row and table[other, column] != 0.0:
            table[other] -= table[other, column] * table[row]
            table[other, column] = 0.0
    for stage in range(prices.shape[0]):
        if prices[stage, column] != 0.0:
            prices[stage] -= prices[stage, column] * table[row]
            prices[stage, column] = 0.0


@compiled
def _move(  # noqa: PLR0913, PLR0917, C901 - the state of a simplex method
    table: Floats,
    prices: Floats,
    basis: Ints,
    at: Floats,
    lower: Floats,
    upper: Floats,
    is_upper: Flags,
    column: int,
) -> float:
    """Move a column off its bound as far as it goes and change the basis; return how far, inf = without end.

    ``at`` are the values of the basis. Columns from ``len(lower)`` are artificial: once at 0 they stay there.
    """
    sign = -1.0 if is_upper[column] else 1.0
    far, leaves, biggest, to_upper = upper[column] - lower[column], -1, 0.0, False
    for row in range(len(basis)):
        basic = basis[row]
        if basic == FREE:
            continue
        by = -sign * table[row, column]
        low = lower[basic] if basic < len(lower) else 0.0
        high = upper[basic] if basic < len(lower) else (np.inf if at[row] > INFEASIBLE_KWH else 0.0)
        if by > PIVOT:
            room = (high - at[row]) / by
        elif by < -PIVOT:
            room = (low - at[row]) / by
        else:
            continue
        room = max(room, 0.0)
        if room < far - 1e-12 or (room <= far + 1e-12 and leaves >= 0 and abs(by) > biggest):
            far, leaves, biggest, to_upper = min(room, far), row, abs(by), by > 0
    if far == np.inf:
        return far
    at -= sign * far * table[:, column]
    if leaves < 0:
        is_upper[column] = not is_upper[column]
        return far
    value = (upper[column] if is_upper[column] else lower[column]) + sign * far
    if basis[leaves] < len(lower):
        is_upper[basis[leaves]] = to_upper
    basis[leaves] = column
    is_upper[column] = False
    at[leaves] = value
    _pivot(table, prices, leaves, column)
    return far


@compiled
def _values(basis: Ints, at: Floats, lower: Floats, upper: Floats, is_upper: Flags, out: Floats) -> None:
    for column in range(len(out)):
        out[column] = upper[column] if is_upper[column] else lower[column]
    for row in range(len(basis)):
        if 0 <= basis[row] < len(out):
            out[basis[row]] = at[row]


@compiled
def _in_basis(basis: Ints, column: int) -> bool:
    for basic in basis:
        if basic == column:
            return True
    return False


@compiled
def _feasible(  # noqa: PLR0913, PLR0917
    table: Floats, prices: Floats, basis: Ints, at: Floats, lower: Floats, upper: Floats, is_upper: Flags
) -> bool:
    """Drive the artificial columns to 0; False if that cannot be."""
    columns = len(lower)
    for _ in range(MOST_PIVOTS):
        missing = 0.0
        for row in range(len(basis)):
            if basis[row] >= columns:
                missing += at[row]
        if missing <= INFEASIBLE_KWH:
            return True
        best, enters = PIVOT, -1
        for column in range(columns):
            if upper[column] - lower[column] <= 0.0 or _in_basis(basis, column):
                continue
            gain = 0.0
            for row in range(len(basis)):
                if basis[row] >= columns:
                    gain += table[row, column]
            gain = -gain if is_upper[column] else gain
            if gain > best:
                best, enters = gain, column
        if enters < 0:
            return False
        if _move(table, prices, basis, at, lower, upper, is_upper, enters) == np.inf:
            return False
    return False


@compiled
def _cheapest(  # noqa: PLR0913, PLR0917
    table: Floats, prices: Floats, basis: Ints, at: Floats, lower: Floats, upper: Floats, is_upper: Flags
) -> bool:
    """Find the optimum whatever the change of the level; False if it cannot be found."""
    for _ in range(MOST_PIVOTS):
        enters = -1
        for column in range(len(lower)):
            if upper[column] - lower[column] <= 0.0 or _in_basis(basis, column):
                continue
            sign = lexicographic_sign(prices[:, column])
            if sign and (sign > 0) == is_upper[column]:
                enters = column
                break
        if enters < 0:
            return True
        if _move(table, prices, basis, at, lower, upper, is_upper, enters) == np.inf:
            return False
    return False


@compiled
def _edge(  # noqa: PLR0913, PLR0917
    table: Floats,
    prices: Floats,
    basis: Ints,
    lower: Floats,
    upper: Floats,
    is_upper: Flags,
    row: int,
    towards: float,
    slope: Floats,
) -> int:
    """Find the column along which the level changes at the least cost, -1 if none; write the cost per kWh."""
    found, fastest = -1, 0.0
    rate, apart = np.empty(len(slope)), np.empty(len(slope))
    for column in range(len(lower)):
        if upper[column] - lower[column] <= 0.0 or _in_basis(basis, column):
            continue
        sign = -1.0 if is_upper[column] else 1.0
        speed = -sign * table[row, column] * towards
        if speed <= PIVOT:
            continue
        rate[:] = sign * prices[:, column] / speed
        apart[:] = rate - slope
        order = -1 if found < 0 else lexicographic_sign(apart)
        if order < 0 or (order == 0 and speed > fastest):
            found, fastest = column, speed
            slope[:] = rate
    return found


@compiled
def curves(  # noqa: PLR0913, PLR0914, PLR0915, PLR0917, C901 - one pass over the steps
    rows: Floats,
    is_equal: Flags,
    into: Floats,
    right: Floats,
    lower: Floats,
    upper: Floats,
    costs: Floats,
) -> tuple[int, Ints, Floats, Floats, Floats, Floats]:
    """Trace the curve of every step.

    Parameters
    ----------
    rows : array, shape (m, k)
        A, the same in every step.
    is_equal : array of bool, shape (m,)
        Whether a row is an equality (else ≤).
    into : array, shape (k,)
    right : array, shape (n, m)
    lower, upper : array, shape (n, k)
    costs : array, shape (stages, n, k)

    Returns
    -------
    failed : int
        A step that has no curve, or -1.
    first : array of int, shape (n + 1,)
        Where the points of each step begin.
    levels : array, shape (points,)
        u of each point, rising in a step.
    slopes : array, shape (points, stages)
        Cost per kWh from each point to the next.
    flows : array, shape (points, k)
    values : array, shape (n, stages)
        Cost at the first point of each step.
    """
    n, k, m, stages = len(lower), len(into), len(is_equal), len(costs)
    slack = np.flatnonzero(~is_equal)
    columns = k + len(slack)
    first = np.zeros(n + 1, dtype=np.int64)
    levels, slopes, flows = np.empty(12 * n + 64), np.empty((12 * n + 64, stages)), np.empty((12 * n + 64, k))
    values = np.zeros((n, stages))
    table, prices = np.empty((m + 1, columns)), np.empty((stages, columns))
    low, high, is_upper = np.zeros(columns), np.full(columns, np.inf), np.zeros(columns, dtype=np.bool_)
    basis, at, slope = np.empty(m + 1, dtype=np.int64), np.empty(m + 1), np.empty(stages)
    marks, marked, mark_slopes = (
        np.empty(MOST_PIVOTS),
        np.empty((MOST_PIVOTS, k)),
        np.empty((MOST_PIVOTS, stages)),
    )
    for t in range(n):
        low[:k], high[:k] = lower[t], upper[t]
        is_upper[:] = False
        table[:] = 0.0
        table[:m, :k] = rows
        table[m, :k] = -into
        prices[:] = 0.0
        for stage in range(stages):
            prices[stage, :k] = costs[stage, t]
        for place, row in enumerate(slack):
            table[row, k + place] = 1.0
            basis[row] = k + place
        for row in range(m):
            at[row] = right[t, row]
            for column in range(k):
                at[row] -= rows[row, column] * low[column]
            if is_equal[row] or at[row] < 0.0:
                basis[row] = columns + row
                if at[row] < 0.0:
                    at[row] = -at[row]
                    table[row] = -table[row]
        basis[m], at[m] = FREE, 0.0
        for column in range(k):
            at[m] += into[column] * low[column]
        if not _feasible(table, prices, basis, at, low, high, is_upper):
            return t, first, levels, slopes, flows, values
        for row in range(m):
            if basis[row] >= columns:
                at[row] = 0.0
        if not _cheapest(table, prices, basis, at, low, high, is_upper):
            return t, first, levels, slopes, flows, values
        # up from the optimum, then down from it
        kept_table, kept_prices, kept_basis = table.copy(), prices.copy(), basis.copy()
        kept_at, kept_upper = at.copy(), is_upper.copy()
        middle, count = 200, 0
        low_mark = high_mark = middle
        _values(basis, at, low, high, is_upper, marked[middle])
        marks[middle] = at[m]
        for towards in (1.0, -1.0):
            if towards < 0:
                table[:], prices[:], basis[:] = kept_table, kept_prices, kept_basis
                at[:], is_upper[:] = kept_at, kept_upper
            for count in range(MOST_PIVOTS):
                column = _edge(table, prices, basis, low, high, is_upper, m, towards, slope)
                if column < 0:
                    break
                before = at[m]
                if _move(table, prices, basis, at, low, high, is_upper, column) == np.inf or not (
                    1 < low_mark < high_mark + 2 < MOST_PIVOTS
                ):
                    return t, first, levels, slopes, flows, values
                if abs(at[m] - before) <= SHORT_KWH:
                    continue
                if towards > 0:
                    mark_slopes[high_mark] = slope
                    high_mark += 1
                    place = high_mark
                else:
                    low_mark -= 1
                    mark_slopes[low_mark] = -slope
                    place = low_mark
                marks[place] = at[m]
                _values(basis, at, low, high, is_upper, marked[place])
            if count == MOST_PIVOTS - 1:
                return t, first, levels, slopes, flows, values
        mark_slopes[high_mark] = 0.0
        points = high_mark - low_mark + 1
        begin = first[t]
        if begin + points > len(levels):
            levels = np.concatenate((levels, np.empty(len(levels))))
            slopes = np.concatenate((slopes, np.empty(slopes.shape)))
            flows = np.concatenate((flows, np.empty(flows.shape)))
        for place in range(points):
            levels[begin + place] = marks[low_mark + place]
            flows[begin + place] = marked[low_mark + place]
            slopes[begin + place] = mark_slopes[low_mark + place]
        for stage in range(stages):
            for column in range(k):
                values[t, stage] += costs[stage, t, column] * flows[begin, column]
        first[t + 1] = begin + points
    end = first[n]
    return -1, first, levels[:end].copy(), slopes[:end].copy(), flows[:end].copy(), values
