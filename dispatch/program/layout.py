"""A program laid out as arrays: a stated step repeated along the year, then what is stated once.

The algebra is stated in PuLP on the first, an inner and the last step (`dispatch.program.algebra`); stating every
step of a year would cost more than solving it. Here the inner step's rows are repeated: a row at step t refers to the
columns of the same or of an earlier step, and the distance stays. The long rows of a tariff do not repeat; they are
added one by one, in the same words (``family``, ``row_family``) as to a PuLP statement.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from dispatch.program.arrays import Bounds, Matrix
from dispatch.program.solver import AT_LEAST, AT_MOST, Warm

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from dispatch.arrays import Floats, Ints
    from dispatch.program.solver import Statement


PATTERN_STEPS = 3  # the first step, an inner one, the last


@dataclass(frozen=True)
class _Lines:
    """Rows as they come: entries per row, then column and value of every entry."""

    counts: Ints
    indices: Ints
    values: Floats


class Layout:
    """Columns and rows as arrays, family by family.

    Attributes
    ----------
    columns, rows : dict of str to slice
        Where each family stands.
    """

    def __init__(self) -> None:
        self.columns: dict[str, slice] = {}
        self.rows: dict[str, slice] = {}
        self.column_count = self.row_count = 0
        self._column_bounds: list[tuple[Floats, Floats]] = []
        self._row_bounds: list[tuple[Floats, Floats]] = []
        self._integers: list[NDArray[np.int32]] = []
        self._kinds: list[str] = []
        self._lines: list[_Lines] = []

    def family(
        self,
        name: str,
        count: int,
        lower: Floats | float = 0.0,
        upper: Floats | float = np.inf,
        *,
        integer: bool = False,
    ) -> range:
        """Add ``count`` columns with the given bounds; return their numbers."""
        first, self.column_count = self.column_count, self.column_count + count
        self.columns[name] = slice(first, self.column_count)
        self._column_bounds.append((_spread(lower, count), _spread(upper, count)))
        if integer:
            self._kinds += [name.partition("_")[0]] * count
            self._integers.append(np.arange(first, self.column_count, dtype=np.int32))
        return range(first, self.column_count)

    def row_family(
        self, name: str, sense: int, rows: Iterable[tuple[Sequence[tuple[Any, float]], float]]
    ) -> None:
        """Add rows, each given as (terms, right-hand side); no column twice in one row."""
        counts: list[int] = []
        indices: list[int] = []
        values: list[float] = []
        rights: list[float] = []
        for terms, right in rows:
            counts.append(len(terms))
            indices.extend([column for column, _ in terms])
            values.extend([value for _, value in terms])
            rights.append(right)
        lines = _Lines(np.array(counts, dtype=np.int64), np.array(indices, dtype=np.int64), np.array(values))
        self._add_rows(name, sense, lines, np.array(rights, dtype=float))

    def _add_rows(self, name: str, sense: int, lines: _Lines, right: Floats) -> None:
        first, self.row_count = self.row_count, self.row_count + len(lines.counts)
        self.rows[name] = slice(first, self.row_count)
        self._lines.append(lines)
        low = np.full(len(right), -np.inf) if sense == AT_MOST else right
        self._row_bounds.append((low, np.full(len(right), np.inf) if sense == AT_LEAST else right))

    def tile(self, pattern: Statement, steps: int) -> dict[str, range]:
        """Add every family of a pattern stated on ``min(steps, PATTERN_STEPS)`` steps, repeated to ``steps``.

        A family of columns or rows has one member per step, or a single one, which stands at the end. Bounds and
        right-hand sides are those of the pattern's own steps, to be written over from the case.
        """
        stated = min(steps, PATTERN_STEPS)
        matrix, bounds, senses = pattern.matrix(), pattern.bounds(), pattern.senses()
        repeat = _repeated(steps)
        families = {}
        first_of = np.empty(pattern.column_count, dtype=np.int64)  # where the column's family now begins
        step_of = np.full(pattern.column_count, -1)  # the column's step in the pattern; -1: a single one
        for name, span in pattern.columns.items():
            each = span.stop - span.start == stated
            take = span.start + (repeat if each else np.zeros(1, dtype=np.int64))
            families[name] = self.family(name, len(take), bounds.lower[take], bounds.upper[take])
            first_of[span] = families[name].start
            if each:
                step_of[span] = np.arange(stated)
        for name, span in pattern.rows.items():
            if span.start == span.stop:  # the hardware lacks it
                self.rows[name] = slice(self.row_count, self.row_count)
                continue
            each = span.stop - span.start == stated
            take = span.start + (repeat if each else np.zeros(1, dtype=np.int64))
            at = np.arange(steps) if each else np.array([steps - 1])
            stands = repeat if each else np.array([stated - 1])  # the row's own step in the pattern
            entries = _entries(matrix, take)
            owner = np.repeat(np.arange(len(take)), np.diff(matrix.starts)[take])
            column = matrix.indices[entries]
            moved = step_of[column] + (at - stands)[owner]
            index = first_of[column] + np.where(step_of[column] >= 0, moved, 0)
            lines = _Lines(np.diff(matrix.starts)[take], index, matrix.values[entries])
            sense = senses[span.start]
            right = bounds.row_upper[take] if sense == AT_MOST else bounds.row_lower[take]
            self._add_rows(name, sense, lines, right)
        return families

    def vector(self, terms: Sequence[tuple[int, float]]) -> Floats:
        """Add up terms by column, shape (columns,)."""
        total = np.zeros(self.column_count)
        if terms:
            columns, factors = zip(*terms, strict=True)
            np.add.at(total, np.array(columns), np.array(factors))
        return total

    def matrix(self) -> Matrix:
        """Return all rows."""
        counts = np.concatenate([lines.counts for lines in self._lines])
        return Matrix(
            np.concatenate(([0], np.cumsum(counts))),
            np.concatenate([lines.indices for lines in self._lines]).astype(np.int32),
            np.concatenate([lines.values for lines in self._lines]),
        )

    def bounds(self) -> Bounds:
        """Return the bounds of all columns and rows."""
        lower, upper = (np.concatenate(each) for each in zip(*self._column_bounds, strict=True))
        row_lower, row_upper = (np.concatenate(each) for each in zip(*self._row_bounds, strict=True))
        return Bounds(lower, upper, row_lower, row_upper)

    def compile(self) -> Warm:
        """Hand the program to the solver."""
        whole = np.concatenate([np.empty(0, dtype=np.int32), *self._integers])
        return Warm(self.matrix(), self.bounds(), whole, self._kinds)


def _spread(value: Floats | float, count: int) -> Floats:
    return np.broadcast_to(np.asarray(value, dtype=float), (count,))


def _repeated(steps: int) -> Ints:
    """Return which step of the pattern each step is made from, shape (steps,)."""
    if steps <= PATTERN_STEPS:
        return np.arange(steps)
    made_from = np.ones(steps, dtype=np.int64)
    made_from[0], made_from[-1] = 0, PATTERN_STEPS - 1
    return made_from


def _entries(matrix: Matrix, rows: Ints) -> Ints:
    """Return the places of these rows' entries, row after row."""
    counts = np.diff(matrix.starts)[rows]
    before = np.cumsum(counts) - counts
    return np.repeat(matrix.starts[rows] - before, counts) + np.arange(int(counts.sum()))
