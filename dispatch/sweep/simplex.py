"""A simplex method for one step's few flows; prices are vectors, an entry per stage, of which the first counts most.

The change of the level is a free variable of the basis; its row tells how each column changes it. Every loop is written
out: compiled, that is as fast as array expressions, and compiles in a fraction of the time.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from dispatch.sweep.compiled import compiled

if TYPE_CHECKING:
    from dispatch.arrays import Flags, Floats, Ints


MOST_PIVOTS = 200  # in one phase of one step; far more than any takes that does not go in circles
PIVOT = 1e-9  # a smaller entry is none
SAME = 1e-9  # prices nearer than this are equal
TIE_KWH = 1e-12
INFEASIBLE_KWH = 1e-9
FREE = -1  # in place of a column: the change of the level
INFINITE = np.inf


class Simplex(NamedTuple):
    """The state of the method; columns from ``len(lower)`` on are artificial, one a row, and stay at 0 once there.

    Attributes
    ----------
    table : array, shape (rows, columns)
    prices : array, shape (stages, columns)
        Reduced costs.
    basis : array of int, shape (rows,)
        Column of each row, or `FREE` in the last.
    at : array, shape (rows,)
        Values of the basis.
    lower, upper : array, shape (columns,)
    is_upper, is_basic : array of bool, shape (columns,)
        Whether a column outside the basis stands at its upper bound; whether it is in the basis.
    """

    table: Floats
    prices: Floats
    basis: Ints
    at: Floats
    lower: Floats
    upper: Floats
    is_upper: Flags
    is_basic: Flags


def empty(rows: int, columns: int, stages: int) -> Simplex:
    """Return room for a state."""
    return Simplex(
        np.zeros((rows, columns)),
        np.zeros((stages, columns)),
        np.zeros(rows, dtype=np.int64),
        np.zeros(rows),
        np.zeros(columns),
        np.full(columns, np.inf),
        np.zeros(columns, dtype=np.bool_),
        np.zeros(columns, dtype=np.bool_),
    )


@compiled
def copy(of: Simplex, to: Simplex) -> None:
    """Copy all of a state that pivots change."""
    rows, columns = of.table.shape
    for row in range(rows):
        to.basis[row], to.at[row] = of.basis[row], of.at[row]
        for column in range(columns):
            to.table[row, column] = of.table[row, column]
    for column in range(columns):
        to.lower[column], to.upper[column] = of.lower[column], of.upper[column]
        to.is_upper[column], to.is_basic[column] = of.is_upper[column], of.is_basic[column]
        for stage in range(len(of.prices)):
            to.prices[stage, column] = of.prices[stage, column]


@compiled
def move(s: Simplex, column: int) -> bool:
    """Move a column off its bound as far as it goes and change the basis; False if there is no end."""
    sign = -1.0 if s.is_upper[column] else 1.0
    far, leaves, biggest, to_upper = s.upper[column] - s.lower[column], -1, 0.0, False
    for row in range(len(s.basis)):
        basic, by = s.basis[row], -sign * s.table[row, column]
        if basic == FREE or abs(by) <= PIVOT:
            continue
        low, high = 0.0, INFINITE if s.at[row] > INFEASIBLE_KWH else 0.0
        if basic < len(s.lower):
            low, high = s.lower[basic], s.upper[basic]
        room = max((high - s.at[row]) / by if by > 0 else (low - s.at[row]) / by, 0.0)
        if room < far - TIE_KWH or (room <= far + TIE_KWH and leaves >= 0 and abs(by) > biggest):
            far, leaves, biggest, to_upper = min(room, far), row, abs(by), by > 0
    if far == INFINITE:
        return False
    for row in range(len(s.basis)):
        s.at[row] -= sign * far * s.table[row, column]
    if leaves < 0:
        s.is_upper[column] = not s.is_upper[column]
        return True
    value = (s.upper[column] if s.is_upper[column] else s.lower[column]) + sign * far
    if s.basis[leaves] < len(s.lower):
        s.is_upper[s.basis[leaves]] = to_upper
        s.is_basic[s.basis[leaves]] = False
    s.basis[leaves], s.at[leaves] = column, value
    s.is_upper[column], s.is_basic[column] = False, True
    _pivot(s, leaves, column)
    return True


@compiled
def _pivot(s: Simplex, at_row: int, at_column: int) -> None:
    table, prices = s.table, s.prices
    rows, columns = table.shape
    factor = 1.0 / table[at_row, at_column]
    for column in range(columns):
        table[at_row, column] *= factor
    table[at_row, at_column] = 1.0
    for row in range(rows):
        times = table[row, at_column]
        if row != at_row and times != 0.0:
            for column in range(columns):
                table[row, column] -= times * table[at_row, column]
            table[row, at_column] = 0.0
    for stage in range(len(prices)):
        times = prices[stage, at_column]
        if times != 0.0:
            for column in range(columns):
                prices[stage, column] -= times * table[at_row, column]
            prices[stage, at_column] = 0.0


@compiled
def _missing(s: Simplex, column: int) -> float:
    """Add up what artificial columns hold, or how fast another column takes from it."""
    total = 0.0
    for row in range(len(s.basis)):
        if s.basis[row] >= len(s.lower):
            total += s.at[row] if column < 0 else s.table[row, column]
    return -total if column >= 0 and s.is_upper[column] else total


@compiled
def feasible(s: Simplex) -> bool:
    """Drive the artificial columns to 0; False if that cannot be."""
    columns = len(s.lower)
    for _ in range(MOST_PIVOTS):
        if _missing(s, -1) <= INFEASIBLE_KWH:
            break
        best, enters = PIVOT, -1
        for column in range(columns):
            if s.is_basic[column] or s.upper[column] <= s.lower[column]:
                continue
            gain = _missing(s, column)
            if gain > best:
                best, enters = gain, column
        if enters < 0 or not move(s, enters):
            return False
    for row in range(len(s.basis)):
        if s.basis[row] >= columns:
            if s.at[row] > INFEASIBLE_KWH:
                return False
            s.at[row] = 0.0
    return True


@compiled
def cheapest(s: Simplex) -> bool:
    """Find the optimum whatever the change of the level; False if it cannot be found."""
    for _ in range(MOST_PIVOTS):
        enters = -1
        for column in range(len(s.lower)):
            if s.is_basic[column] or s.upper[column] <= s.lower[column]:
                continue
            sign = 0
            for stage in range(len(s.prices)):
                if abs(s.prices[stage, column]) > SAME:
                    sign = 1 if s.prices[stage, column] > 0 else -1
                    break
            if sign != 0 and (sign > 0) == s.is_upper[column]:
                enters = column
                break
        if enters < 0:
            return True
        if not move(s, enters):
            return False
    return False


@compiled
def edge(s: Simplex, towards: float, slope: Floats) -> int:
    """Find the column along which the level changes at the least cost, -1 if none; write that cost per kWh."""
    found, fastest, last = -1, 0.0, len(s.basis) - 1
    for column in range(len(s.lower)):
        if s.is_basic[column] or s.upper[column] <= s.lower[column]:
            continue
        sign = -1.0 if s.is_upper[column] else 1.0
        speed = -sign * s.table[last, column] * towards
        if speed <= PIVOT:
            continue
        order = -1 if found < 0 else 0
        for stage in range(len(slope)):
            if order != 0:
                break
            apart = sign * s.prices[stage, column] / speed - slope[stage]
            if abs(apart) > SAME:
                order = 1 if apart > 0 else -1
        if order < 0 or (order == 0 and speed > fastest):
            found, fastest = column, speed
            for stage in range(len(slope)):
                slope[stage] = sign * s.prices[stage, column] / speed
    return found
