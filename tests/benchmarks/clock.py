"""What the measuring scripts share: the shortest of several runs, and scipy's HiGHS on the same matrices."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.optimize import linprog
from scipy.sparse import csr_array, vstack

if TYPE_CHECKING:
    from collections.abc import Callable

    from dispatch.program.program import Program

SLACKS = ("unserved_load", "import_excess", "floor_shortfall", "closing_shortfall")


def best_of(repeats: int, work: Callable[[], object]) -> float:
    """Return the shortest of several wall times [s]; other load only ever adds."""
    seconds = []
    for _ in range(repeats):
        started = time.perf_counter()
        work()
        seconds.append(time.perf_counter() - started)
    return min(seconds)


def scipy_solve(program: Program) -> float:
    """Solve a program's own matrices (least-cost, slacks at 0) with scipy; return the optimum."""
    warm, bounds = program.warm, program.bounds()
    shape = (len(bounds.row_lower), len(bounds.lower))
    matrix = csr_array((warm.matrix.values, warm.matrix.indices, warm.matrix.starts), shape=shape)
    upper = bounds.upper.copy()
    for slack in SLACKS:
        if slack in program.columns:
            upper[program.columns[slack]] = 0.0
    equal = bounds.row_lower == bounds.row_upper
    at_most = ~equal & np.isfinite(bounds.row_upper)
    at_least = ~equal & np.isfinite(bounds.row_lower)
    solve_plain: Any = linprog  # its stubs do not know sparse matrices
    result = solve_plain(
        program.cost,
        A_ub=vstack([matrix[at_most], -matrix[at_least]]),
        b_ub=np.concatenate([bounds.row_upper[at_most], -bounds.row_lower[at_least]]),
        A_eq=matrix[equal],
        b_eq=bounds.row_lower[equal],
        bounds=np.column_stack([bounds.lower, upper]),
        method="highs",
    )
    return float(result.fun)
