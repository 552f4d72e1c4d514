"""Linear expressions and a model of them: schedules cut into straight pieces of which one is picked."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import optimize, sparse

from oracles.oracle import COLUMNS, SHORTFALLS, build
from tariffs.terms.schedules import RESOLUTION

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from oracles.household import Household
    from tariffs.terms.schedules import Schedule

Sum = dict[int, float]
"""A linear expression: factor by column; column ``ONE`` stands for a constant."""

ONE = -1
BIG = 2e3
"""More money, or more of anything, than the homes of these checks ever come to."""
milp: Any = optimize.milp
stacks: Any = sparse


def plus(*parts: Mapping[int, float], factor: float = 1.0) -> Sum:
    """Add up expressions."""
    total: Sum = {}
    for part in parts:
        for column, weight in part.items():
            total[column] = total.get(column, 0.0) + factor * weight
    return total


@dataclass
class Model:
    """Columns and rows being added to the flows of one household."""

    house: Household
    upper: list[float] = field(default_factory=list)
    whole: list[int] = field(default_factory=list)
    rows: list[tuple[Sum, float, float]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.flows = build(self.house)
        self.lower_bounds, self.upper_bounds = self.flows.bounds().T
        self.upper_bounds = self.upper_bounds.copy()
        for name in SHORTFALLS[:-1]:  # homes are drawn so that every promise can be kept
            at = COLUMNS.index(name) * self.house.steps
            self.upper_bounds[at : at + self.house.steps] = 0.0
        self.upper_bounds[-1] = 0.0

    def column(self, upper: float = np.inf, *, whole: bool = False) -> int:
        """Add a column ≥ 0."""
        self.upper.append(upper)
        at = self.flows.width + len(self.upper) - 1
        if whole:
            self.whole.append(at)
        return at

    def row(self, terms: Mapping[int, float], lower: float, upper: float) -> None:
        """Add a row; its constant is moved to the sides."""
        shift = terms.get(ONE, 0.0)
        self.rows.append(({c: f for c, f in terms.items() if c != ONE}, lower - shift, upper - shift))

    def flow(self, name: str, steps: Sequence[int] | NDArray[Any]) -> Sum:
        """Σ of a flow over steps."""
        start = COLUMNS.index(name) * self.house.steps
        return {start + int(t): 1.0 for t in steps}

    def either(self, one: Sum, other: Sum, most: tuple[float, float]) -> None:
        """One of two expressions ≥ 0 is 0."""
        which = self.column(1.0, whole=True)
        self.row(plus(one, {which: -most[0]}), -np.inf, 0.0)
        self.row(plus(other, {which: most[1]}), -np.inf, most[1])

    def solve(self, cost: Sum) -> float:
        """Return the optimum."""
        width = self.flows.width + len(self.upper)
        weights = np.zeros(width)
        for column, factor in cost.items():
            if column != ONE:
                weights[column] += factor
        pad = stacks.csr_matrix
        equal, most = stacks.vstack(self.flows.equal_rows), stacks.vstack(self.flows.most_rows)
        rows = stacks.lil_matrix((len(self.rows), width))
        for at, (terms, _, _) in enumerate(self.rows):
            for column, factor in terms.items():
                rows[at, column] = factor
        more = len(self.upper)
        matrix = stacks.vstack(
            [*(stacks.hstack([part, pad((part.shape[0], more))]) for part in (equal, most)), rows.tocsr()]
        )
        equals, limits = np.concatenate(self.flows.equal_values), np.concatenate(self.flows.most_values)
        lower = np.concatenate([equals, np.full(len(limits), -np.inf), [row[1] for row in self.rows]])
        upper = np.concatenate([equals, limits, [row[2] for row in self.rows]])
        kinds = np.zeros(width)
        kinds[self.whole] = 1
        result = milp(
            weights,
            constraints=optimize.LinearConstraint(matrix, lower, upper),
            bounds=optimize.Bounds(
                np.concatenate([self.lower_bounds, np.zeros(more)]),
                np.concatenate([self.upper_bounds, self.upper]),
            ),
            integrality=kinds,
            options={"mip_rel_gap": 1e-7, "time_limit": 60.0},
        )
        assert result.status == 0, result.message
        return float(result.fun) + cost.get(ONE, 0.0)


def pieces(schedule: Schedule, most: float) -> Iterator[tuple[float, float, float, float]]:
    """Cut a schedule into (from, to, price, what the line would cost at 0)."""
    start = 0.0
    for step in schedule.classes:
        end = min(step.upper + RESOLUTION, most)
        edges = np.concatenate([[0.0], np.cumsum(step.widths)])
        paid = step.fixed
        for low, high, price in zip(edges[:-1], edges[1:], step.prices, strict=True):
            if max(low, start) <= min(high, end) and high > low:
                yield max(low, start), min(high, end), float(price), paid - price * low
            paid += price * (min(high, end) - low) if high > low else 0.0
        start = step.upper + RESOLUTION
        if start > most:
            return


def pick_one(
    model: Model, schedules: Sequence[Schedule], most: float, money: Sequence[Sum], parts: list[Sum]
) -> Sum:
    """State the pieces of schedules with the same limits, and what each costs; return which is picked."""
    picked: Sum = {}
    for cut in zip(*(pieces(schedule, most) for schedule in schedules), strict=True):
        low, high = cut[0][:2]
        inside, pick = model.column(), model.column(1.0, whole=True)
        model.row({inside: 1.0, pick: -low}, 0.0, np.inf)
        model.row({inside: 1.0, pick: -high}, -np.inf, 0.0)
        parts.append({inside: 1.0})
        picked[pick] = 1.0
        for each, (_, _, price, at_zero) in zip(money, cut, strict=True):
            each[inside], each[pick] = price, at_zero
    return picked


def scheduled(model: Model, amount: Sum, schedules: Sequence[Schedule], most: float) -> list[Sum]:
    """State a schedule of an amount, and price the same amount by other schedules with the same limits."""
    money: list[Sum] = [{} for _ in schedules]
    parts: list[Sum] = []
    picked = pick_one(model, schedules, most, money, parts)
    model.row(picked, 1.0, 1.0)
    model.row(plus(*parts, plus(amount, factor=-1.0)), 0.0, 0.0)
    return money


def scheduled_by_past(
    model: Model, amount: Sum, schedules: Sequence[Schedule], most: float, mean: Sum
) -> list[Sum]:
    """State a schedule whose class another amount, the mean of past use, sets."""
    money: list[Sum] = [{} for _ in schedules]
    parts: list[Sum] = []
    held: Sum = {}
    lower = 0.0
    for place, first in enumerate(schedules[0].classes):
        chosen = model.column(1.0, whole=True)
        held[chosen] = 1.0
        upper = min(first.upper + RESOLUTION, 1e5)
        model.row(plus(mean, {chosen: 1e5}), -np.inf, upper + 1e5)
        model.row(plus(mean, {chosen: -1e5}), lower - 1e5, np.inf)
        lower = upper
        alone = [
            replace(one, classes=(replace(one.classes[place], upper=np.inf),), by_past=False)
            for one in schedules
        ]
        picked = pick_one(model, alone, most, money, parts)
        model.row({**picked, chosen: -1.0}, 0.0, 0.0)
    model.row(held, 1.0, 1.0)
    model.row(plus(*parts, plus(amount, factor=-1.0)), 0.0, 0.0)
    return money
