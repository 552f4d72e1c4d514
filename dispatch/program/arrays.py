"""What passes between the program and its solver: matrix, bounds, starts, a checked optimum; arrays and floats only."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dispatch.arrays import Ints

    Floats = NDArray[np.float64]

RESIDUAL_TOLERANCE = 1e-6  # kWh; the solver works to 1e-9, so this is a check and not a knob


def dot(a: Floats, b: Floats) -> float:
    """Σ a·b without BLAS, whose threads cost more to wake than a vector this short takes."""
    return float(np.sum(a * b))


@dataclass(frozen=True)
class Matrix:
    """Row-wise sparse matrix: ``starts`` (rows + 1), ``indices`` and ``values`` (non-zeros)."""

    starts: Ints
    indices: NDArray[np.int32]
    values: Floats

    def times(self, x: Floats) -> Floats:
        """Row activities A·x, shape (rows,)."""
        weights = self.values * x[self.indices]
        return np.bincount(self.owner, weights=weights, minlength=len(self.starts) - 1).astype(np.float64)

    @cached_property
    def owner(self) -> NDArray[np.intp]:
        """The row of each non-zero."""
        return np.repeat(np.arange(len(self.starts) - 1), np.diff(self.starts))


@dataclass(frozen=True)
class Bounds:
    """Column and row bounds of one solve: arrays of shape (columns,) and (rows,)."""

    lower: Floats
    upper: Floats
    row_lower: Floats
    row_upper: Floats

    def copy(self) -> Bounds:
        """Bounds that may be changed without touching these."""
        return Bounds(*(a.copy() for a in self._arrays()))

    def equal(self, other: Bounds) -> bool:
        """Whether both bound the same points."""
        return all(np.array_equal(a, b) for a, b in zip(self._arrays(), other._arrays(), strict=True))

    def _arrays(self) -> tuple[Floats, Floats, Floats, Floats]:
        return self.lower, self.upper, self.row_lower, self.row_upper


@dataclass(frozen=True)
class Optimum:
    """A checked optimum of one stage, with what certifies it.

    ``values`` and ``reduced_costs`` have shape (columns,), ``duals`` (rows,); ``bounds`` are those it was
    solved under; ``objective`` is costs·values; ``residual`` the worst violated bound or row.
    """

    objective: float
    values: Floats
    reduced_costs: Floats
    duals: Floats
    costs: Floats
    bounds: Bounds
    residual: float
    iterations: int

    def coarser(self, grain: float) -> Optimum:
        """Take prices up to ``grain`` for nothing: what they stand for is then not held."""
        if not grain:
            return self
        reduced_costs = np.where(np.abs(self.reduced_costs) <= grain, 0.0, self.reduced_costs)
        return replace(
            self, reduced_costs=reduced_costs, duals=np.where(np.abs(self.duals) <= grain, 0.0, self.duals)
        )


@dataclass(frozen=True)
class Start:
    """Where a solve may begin: HiGHS's status of every column and row, as numbers."""

    columns: NDArray[np.int8]
    rows: NDArray[np.int8]


@dataclass(frozen=True)
class Gap:
    """How near the best possible a mixed-integer answer has to be: the larger of a share of it and an amount."""

    relative: float
    money: float

    def holds(self, reached: float, bound: float) -> bool:
        """Whether an answer is proved near enough."""
        return reached - bound <= max(self.relative * abs(reached), self.money)


NOTICED = Gap(1e-4, 0.05)  # what a household would notice on a bill


def changed(*pairs: tuple[Floats, Floats]) -> NDArray[np.int32]:
    """Places at which any of the (new, old) pairs differ."""
    differs = np.zeros(len(pairs[0][0]), dtype=bool)
    for new, old in pairs:
        differs |= new != old
    return np.flatnonzero(differs).astype(np.int32)


def worst_violation(matrix: Matrix, bounds: Bounds, values: Floats) -> float:
    """Worst violation of any bound or row by these values; infinite if a value is not finite."""
    b, activity, worst = bounds, matrix.times(values), 0.0
    for low, value, high in ((b.lower, values, b.upper), (b.row_lower, activity, b.row_upper)):
        worst = max(worst, float(np.max(low - value, initial=0.0)), float(np.max(value - high, initial=0.0)))
    return worst if np.all(np.isfinite(values)) else float("inf")
