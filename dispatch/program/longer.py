"""The same home in longer steps: cheap to solve, and its basis, repeated, is near that of the steps asked about.

A year of quarter hours from nothing takes the simplex method a hundred thousand pivots, most of which find what every
step of an hour has in common. So the program is first solved in steps twice as long, themselves begun from steps twice
as long again, and each column and row then begins with the status that its longer step ended with. Tariff rows stay
what they are: they take a longer step for as many equal ones.

Nothing that is solved here is ever an answer. A start says only where the solver begins; what it ends with is the same,
as the last stage leaves a single schedule. Where the longer steps have no solution, the program is solved without.
"""

from __future__ import annotations

import copy
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from dispatch.program.algebra import Algebra
from dispatch.program.arrays import Bounds, Matrix, Start
from dispatch.program.layout import PATTERN_STEPS, Layout
from dispatch.program.solver import Statement, Warm

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from dispatch.arrays import Floats, Ints
    from dispatch.case.case import Case
    from dispatch.program.program import Program


TIMES_AS_LONG = 4
LONG_ENOUGH = 3000
"""Steps below which a program is solved as quickly from nothing."""


def longer_of(program: Program) -> Program | None:
    """Return the program in longer steps, to begin from; None where that is not worth it.

    A program with whole columns has ways of its own.
    """
    if program.steps < LONG_ENOUGH or len(program.warm.integers):
        return None
    if not program.longer and program.sibling is not None:
        theirs = longer_of(program.sibling)
        if theirs is not None:
            program.longer.append(theirs.twin())
            program.longer[0].adopt_reference(theirs)
    found = lengthened(program, program.longer[0] if program.longer else None)
    if not program.longer:
        program.longer.append(found)
    return found


def in_longer_steps(case: Case) -> Case:
    """Return the home in steps ``TIMES_AS_LONG`` times as long, the last one with what is left.

    Energies are summed and prices averaged, which is no more than a start needs: bands may change inside a step.
    """
    first = np.arange(0, len(case.times), TIMES_AS_LONG)
    last = np.minimum(first + TIMES_AS_LONG, len(case.times)) - 1
    prices = replace(
        case.prices,
        import_price_per_kwh=_mean(case.prices.import_price_per_kwh, first),
        export_price_per_kwh=_mean(case.prices.export_price_per_kwh, first),
    )
    return replace(
        case,
        times=case.times[first],
        dt_hours=case.dt_hours * TIMES_AS_LONG,
        load_kwh=np.add.reduceat(case.load_kwh, first),
        other_kwh=np.add.reduceat(case.other_kwh, first),
        critical_kwh=np.add.reduceat(case.critical_kwh, first),
        sun_kwh=np.add.reduceat(case.sun_kwh, first),
        idle_kwh=np.add.reduceat(case.idle_kwh, first),
        floor_kwh=case.floor_kwh[last],
        floor_capped_steps=case.floor_capped_steps[last],
        may_charge=np.logical_and.reduceat(case.may_charge, first),
        prices=prices,
    )


def lengthened(program: Program, built: Program | None) -> Program:
    """Return the program in longer steps, made from one built for another reserve or level where there is one.

    Parameters
    ----------
    program : Program
    built : Program or None
        What an earlier call returned for a program of the same rows; its solver and basis are used.
    """
    other = copy.copy(program if built is None else built)
    other.case = in_longer_steps(program.case)
    other.algebra = Algebra(other.case)
    if built is None:
        other.steps = other.algebra.steps
        other.longer, other.sibling = [], None
        _lay_out(other, program)
    first = np.arange(0, program.steps, TIMES_AS_LONG)
    other.cost_coefficients = {
        name: value if isinstance(value, float) or name == "tariff" else _mean(value, first)
        for name, value in program.cost_coefficients.items()
    }
    other.cost = other.vector(other.cost_coefficients)
    return other


def lifted(program: Program, longer: Program, start: Start) -> Start:
    """Return statuses for every column and row of the program from those of its longer steps."""
    columns = _lift(_places(program.columns), _places(longer.columns), start.columns)
    return Start(columns, _lift(program.rows, longer.rows, start.rows))


def _lay_out(other: Program, program: Program) -> None:
    """Lay out the algebra in longer steps, and under it the tariff's rows as they are."""
    layout, pattern = Layout(), Statement("longer")
    other.algebra.state(pattern, min(other.steps, PATTERN_STEPS))
    layout.tile(pattern, other.steps)
    own = program.columns["tariff"]
    added = own.stop - own.start
    other.columns = {**layout.columns, "tariff": slice(layout.column_count, layout.column_count + added)}
    plain_rows = max(program.rows[name].stop for name in layout.rows)
    moved = layout.row_count - plain_rows
    terms = {
        name: slice(rows.start + moved, rows.stop + moved)
        for name, rows in program.rows.items()
        if name not in layout.rows
    }
    other.rows = {**layout.rows, **terms}
    matrix, bounds, base = layout.matrix(), layout.bounds(), program.warm.base
    below = _tariff_matrix(program, other, plain_rows)
    matrix = Matrix(
        np.concatenate((matrix.starts, below.starts[1:] + matrix.starts[-1])),
        np.concatenate((matrix.indices, below.indices)),
        np.concatenate((matrix.values, below.values)),
    )
    bounds = Bounds(
        np.concatenate((bounds.lower, base.lower[own])),
        np.concatenate((bounds.upper, base.upper[own])),
        np.concatenate((bounds.row_lower, base.row_lower[plain_rows:])),
        np.concatenate((bounds.row_upper, base.row_upper[plain_rows:])),
    )
    other.warm = Warm(matrix, bounds, np.empty(0, dtype=np.int32))


def _tariff_matrix(program: Program, other: Program, first_row: int) -> Matrix:
    """Return the tariff's rows on the longer steps' columns: a step stands for as many equal ones."""
    matrix = program.warm.matrix
    entries = slice(int(matrix.starts[first_row]), int(matrix.starts[-1]))
    indices = np.empty(program.columns["tariff"].stop, dtype=np.int64)
    share = np.ones(len(indices))
    for name, columns in _places(program.columns).items():
        count, to = columns.stop - columns.start, other.columns[name]
        if to.stop - to.start == count:
            indices[columns] = np.arange(to.start, to.stop)
        else:
            step = np.arange(count) // TIMES_AS_LONG
            indices[columns] = to.start + step
            share[columns] = 1.0 / np.bincount(step)[step]
    wide = other.columns["tariff"].stop
    row = matrix.owner[entries] - first_row
    place, back = np.unique(row * wide + indices[matrix.indices[entries]], return_inverse=True)
    values = np.bincount(
        back, weights=matrix.values[entries] * share[matrix.indices[entries]], minlength=len(place)
    ).astype(np.float64)
    counts = np.bincount(place // wide, minlength=len(matrix.starts) - 1 - first_row)
    return Matrix(np.concatenate(([0], np.cumsum(counts))), (place % wide).astype(np.int32), values)


def _places(columns: Mapping[str, slice]) -> dict[str, slice]:
    """Return the families that share out all columns: those of the tariff as one."""
    end = columns["tariff"].start
    return {name: each for name, each in columns.items() if name == "tariff" or each.stop <= end}


def _lift(to: Mapping[str, slice], of: Mapping[str, slice], statuses: NDArray[np.int8]) -> NDArray[np.int8]:
    found = np.empty(max(each.stop for each in to.values()), dtype=statuses.dtype)
    for name, each in to.items():
        own, count = statuses[of[name]], each.stop - each.start
        found[each] = own if len(own) == count else np.repeat(own, TIMES_AS_LONG)[:count]
    return found


def _mean(values: Floats, first: Ints) -> Floats:
    counts = np.diff(np.concatenate((first, [len(values)])))
    return np.add.reduceat(values, first) / counts
