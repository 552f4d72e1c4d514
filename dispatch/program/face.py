"""The optimal face: how a stage of a lexicographic order is held.

Whatever the stage's optimum, complementary slackness says that exactly the points with (a) every column of non-zero
reduced cost at its bound and (b) every row of non-zero dual tight are optimal, so fixing those columns and rows keeps
all of the stage's optima and nothing else.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from dispatch.program.arrays import RESIDUAL_TOLERANCE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dispatch.arrays import Floats
    from dispatch.program.arrays import Bounds, Matrix, Optimum

FACE_TOLERANCE = 1e-9  # a reduced cost or dual smaller than this counts as zero when a stage is held


def hold_face(matrix: Matrix, bounds: Bounds, optimum: Optimum) -> None:
    """Narrow bounds in place to the face of points that are as good as the optimum."""
    b = bounds
    columns = np.flatnonzero(np.abs(optimum.reduced_costs) > FACE_TOLERANCE)
    _pin(columns, optimum.values[columns], b.lower, b.upper)
    rows = np.flatnonzero(np.abs(optimum.duals) > FACE_TOLERANCE)
    _pin(rows, matrix.times(optimum.values)[rows], b.row_lower, b.row_upper)


def _pin(which: NDArray[np.intp], at: Floats, lower: Floats, upper: Floats) -> None:
    """Fix the chosen columns or rows at the bound they stand at (the nearer one, exactly)."""
    low, high = lower[which], upper[which]
    bound = np.where(np.abs(at - low) <= np.abs(high - at), low, high)
    stands = np.abs(bound - at) <= RESIDUAL_TOLERANCE  # else it is basic and its price is numerical dust
    lower[which[stands]] = upper[which[stands]] = bound[stands]
