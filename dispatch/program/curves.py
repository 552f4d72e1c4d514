"""What a change of the stored level costs in each step, where a step may choose between sides.

Prices by the step alone leave one thing that joins the steps: the level. What step t costs at least is then a function
of Δ[t] = stored[t] - keep·stored[t-1] alone, once the sides are chosen on which trade (buy or sell) and battery (charge
or discharge) stand. On one side it is a small linear program in each step, so the function is convex and piecewise
linear; over both sides it is the lower of the two, which is not convex.

All steps are solved as one linear program that falls apart into steps. Its objective less λ[t]·Δ[t] gives the corner of
step t's function at slope λ[t]; between two corners the slope of their chord is asked next, until no chord can be
bettered. What a side forbids bears a price that nobody would pay; where it is paid, the side cannot have that Δ.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from dispatch.program.algebra import SENSES

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from dispatch.arrays import Flags, Floats, Ints
    from dispatch.program.arrays import Bounds
    from dispatch.program.program import Program

    Side = tuple[str, int]


SIDES = {
    "trade": (("import",), ("export",)),
    "burn": (("grid_to_battery", "sun_to_battery"), ("battery_to_load", "battery_to_grid")),
}
"""Families that must be 0 where the binary of that kind is 0, and where it is 1."""

SIDE_ROWS = ("trade_never", "trade_0", "trade_1", "burn_0", "burn_1")
STEEP = (
    100.0  # times the dearest price: steeper than any step's function, and the price of what a side forbids
)
BETTERED = 1e-9  # money, kWh: what a chord is bettered by at least
PAID_KWH = 1e-7


@dataclass(frozen=True)
class Choice:
    """One way to choose all sides, and each step's function then.

    Attributes
    ----------
    sides : tuple of (str, int)
        Kind and value of the binary.
    change_kwh, cost : array, shape (n, corners)
        Corners of each step's function by rising change; padded with infinity, which fills a step that cannot choose
        these sides.
    """

    sides: tuple[Side, ...]
    change_kwh: Floats
    cost: Floats

    def at(self, step: int) -> tuple[Floats, Floats]:
        """Return the corners of one step's function."""
        there = np.isfinite(self.change_kwh[step])
        return self.change_kwh[step][there], self.cost[step][there]


def has_sides_only(program: Program) -> bool:
    """Whether a program's whole numbers choose sides of a step, and nothing but the level joins steps."""
    joined = not program.case.prices.is_plain or not set(program.rows) <= {*SENSES, *SIDE_ROWS}
    return len(program.warm.integers) > 0 and not joined


def choices(program: Program, costs: Floats) -> list[Choice]:
    """Work out every step's function for all ways to choose sides, under the present bounds.

    Raises
    ------
    SolveError
        If some step has no way at all.
    """
    steps = _Steps(program, costs)
    return [steps.corners(sides) for sides in steps.ways()]


class _Steps:
    """The program taken apart into steps, and the place of each column in it."""

    def __init__(self, program: Program, costs: Floats) -> None:
        self.program, self.costs, self.count = program, costs, program.steps
        warm = program.warm
        kinds = np.array(warm.kinds)
        self.kinds = [kind for kind in SIDES if np.any(kinds == kind)]
        self.step = np.zeros(len(costs), dtype=np.int64)
        self.inside = np.zeros(len(costs), dtype=bool)
        for span in program.columns.values():
            if span.stop - span.start == self.count and span.stop <= program.columns["tariff"].start:
                self.step[span] = np.arange(self.count)
                self.inside[span] = True
        self.change = self._changes()
        self.steep = STEEP * max(float(np.abs(costs).max()), 1e-3)
        self.solver = warm.twin()
        self.solver.restart(self._apart(), warm=False)

    def _changes(self) -> Floats:
        """Return what one kWh of each column changes the level by, shape (columns,)."""
        matrix, storage, stored = (
            self.program.warm.matrix,
            self.program.rows["storage"],
            self.program.columns["stored"],
        )
        entries = (matrix.owner >= storage.start) & (matrix.owner < storage.stop)
        entries &= (matrix.indices < stored.start) | (matrix.indices >= stored.stop)
        change = np.zeros(len(self.costs))
        change[matrix.indices[entries]] = -matrix.values[entries]
        return change

    def _apart(self) -> Bounds:
        """Bounds without what joins the steps, and without the binaries."""
        program = self.program
        bounds = program.warm.bounds.copy()
        for columns in (program.columns["stored"], program.warm.integers):
            bounds.lower[columns] = bounds.upper[columns] = 0.0
        free = ["storage", "taper", "floor", "closing"]
        free += [f"{kind}_{place}" for kind in self.kinds for place in (0, 1)]
        for name in free:
            bounds.row_lower[program.rows[name]], bounds.row_upper[program.rows[name]] = -np.inf, np.inf
        return bounds

    def ways(self) -> Iterator[tuple[Side, ...]]:
        for values in product((0, 1), repeat=len(self.kinds)):
            yield tuple(zip(self.kinds, values, strict=True))

    def corners(self, sides: tuple[Side, ...]) -> Choice:
        """Find all corners of every step's function on these sides."""
        forbidden = self._forbidden(sides)
        ends = [self._solve(np.full(self.count, slope), forbidden) for slope in (-self.steep, self.steep)]
        table = {name: np.stack([end[name] for end in ends], axis=1) for name in ends[0]}
        narrow = table["change"][:, 1] - table["change"][:, 0] < BETTERED
        done = np.stack([narrow, np.ones(self.count, dtype=bool)], axis=1)
        while not done.all():
            table, done = self._round(table, done, forbidden)
        refused = table["forbidden"] > PAID_KWH
        change = np.where(refused, np.inf, table["change"])
        order = np.argsort(change, axis=1, kind="stable")
        change, cost = (np.take_along_axis(each, order, 1) for each in (change, table["cost"]))
        used = np.isfinite(change).any(axis=0)
        return Choice(sides, change[:, used], cost[:, used])

    def _forbidden(self, sides: tuple[Side, ...]) -> Floats:
        """Mark the columns that these sides forbid, shape (columns,)."""
        program, found = self.program, np.zeros(len(self.costs))
        for kind, value in sides:
            steps = self._steps_with(kind)
            for family in SIDES[kind][value]:
                if family in program.columns:
                    found[program.columns[family].start + steps] = 1.0
        return found

    def _steps_with(self, kind: str) -> Ints:
        """Return the steps in which this side is chosen."""
        matrix, rows = self.program.warm.matrix, self.program.rows[f"{kind}_0"]
        entries = (matrix.owner >= rows.start) & (matrix.owner < rows.stop)
        columns = matrix.indices[entries]
        return np.unique(self.step[columns[self.inside[columns]]])

    def _solve(self, slopes: Floats, forbidden: Floats) -> Mapping[str, Floats]:
        """Find each step's corner at a slope: change, cost and kWh of what is forbidden, shape (n,) each."""
        priced = self.costs + self.steep * STEEP * forbidden - self.change * slopes[self.step] * self.inside
        values = self.solver.minimise(priced).values
        weights: dict[str, Floats] = {"change": self.change, "cost": self.costs, "forbidden": forbidden}
        at = self.step[self.inside]
        return {
            name: np.bincount(at, weights=(each * values)[self.inside], minlength=self.count).astype(
                np.float64
            )
            for name, each in weights.items()
        }

    def _round(
        self, table: dict[str, Floats], done: Flags, forbidden: Floats
    ) -> tuple[dict[str, Floats], Flags]:
        """Ask in every step for a corner below its first chord that is not settled."""
        steps, asked = np.arange(self.count), ~done.all(axis=1)
        left = np.argmin(done, axis=1)
        right = np.minimum(left + 1, done.shape[1] - 1)
        priced = table["cost"] + self.steep * STEEP * table["forbidden"]
        low, high = table["change"][steps, left], table["change"][steps, right]
        rise = np.where(asked, priced[steps, right] - priced[steps, left], 0.0)
        slopes = rise / np.where(asked, high - low, 1.0)
        found = self._solve(slopes, forbidden)
        there = found["cost"] + self.steep * STEEP * found["forbidden"] - slopes * found["change"]
        better = asked & (there < priced[steps, left] - slopes * low - BETTERED)
        better &= (found["change"] > low + BETTERED) & (found["change"] < high - BETTERED)
        settled = asked & ~better
        done = done.copy()
        done[steps[settled], left[settled]] = True
        fill = {"change": np.inf, "cost": 0.0, "forbidden": 0.0}
        table = {
            name: np.column_stack([table[name], np.where(better, found[name], fill[name])]) for name in table
        }
        done = np.column_stack([done, ~better])
        order = np.argsort(table["change"], axis=1, kind="stable")
        used = np.isfinite(np.take_along_axis(table["change"], order, 1)).any(axis=0)
        table = {name: np.take_along_axis(each, order, 1)[:, used] for name, each in table.items()}
        return table, np.take_along_axis(done, order, 1)[:, used]
