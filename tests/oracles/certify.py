"""Is this schedule optimal? Answered from first principles, trusting neither solver nor product.

A point of a linear program is optimal exactly if prices (duals) exist with which it satisfies four
conditions: it is feasible, the reduced costs are what costs and duals make them, every price has the sign its
bound allows and is zero away from it (complementarity), and both objectives are equal. All of that is
arithmetic on arrays, so this module takes nothing but arrays.

Of a minimisation: a positive dual presses on a lower bound, a negative one on an upper bound, of rows and
columns alike.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import sparse

if TYPE_CHECKING:
    from collections.abc import Iterator

    from dispatch.program.arrays import Optimum
    from dispatch.program.program import Program
    from oracles.household import Array


@dataclass(frozen=True)
class Claim:
    """A minimisation, and what somebody says its optimum is.

    ``matrix`` is anything with ``@`` and ``.T`` of shape (rows, columns); infinite bounds are no bounds.
    """

    matrix: Any
    row_lower: Array
    row_upper: Array
    column_lower: Array
    column_upper: Array
    costs: Array
    values: Array
    duals: Array
    reduced_costs: Array
    objective: float

    def but(self, **changes: Any) -> Claim:  # noqa: ANN401 - passes on to fields of several types
        """Copy with other arrays, to see whether the certifier notices."""
        return replace(self, **changes)


@dataclass(frozen=True)
class _Side:
    """Rows or columns: what they are worth, between which bounds, at which prices."""

    kind: str
    value: Array
    lower: Array
    upper: Array
    price: Array

    def bounds(self) -> Iterator[tuple[str, Array, Array, Array]]:
        """Name, bound, how far the value lies beyond it, and the price that presses on it."""
        yield "lower", self.lower, self.lower - self.value, np.maximum(self.price, 0.0)
        yield "upper", self.upper, self.value - self.upper, np.maximum(-self.price, 0.0)


def claim_of(program: Program, optimum: Optimum) -> Claim:
    """Lay out what the product says about a stage as plain arrays."""
    matrix, bounds = program.warm.matrix, optimum.bounds
    shape = (len(bounds.row_lower), len(bounds.lower))
    return Claim(
        matrix=sparse.csr_array((matrix.values, matrix.indices, matrix.starts), shape=shape),
        row_lower=bounds.row_lower,
        row_upper=bounds.row_upper,
        column_lower=bounds.lower,
        column_upper=bounds.upper,
        costs=optimum.costs,
        values=optimum.values,
        duals=optimum.duals,
        reduced_costs=optimum.reduced_costs,
        objective=optimum.objective,
    )


def objections(claim: Claim, tolerance: float = 1e-6) -> list[str]:
    """Say why the claim is no certified optimum; an empty list certifies it.

    Parameters
    ----------
    claim : Claim
    tolerance : float
        For residuals and signs, relative to the size of the numbers involved; the two objectives must agree
        to the same relative tolerance.
    """
    if not all(np.isfinite(array).all() for array in (claim.values, claim.duals, claim.reduced_costs)):
        return ["not every value, dual and reduced cost is a finite number"]
    activities = np.asarray(claim.matrix @ claim.values)
    sides = (
        _Side("column", claim.values, claim.column_lower, claim.column_upper, claim.reduced_costs),
        _Side("row", activities, claim.row_lower, claim.row_upper, claim.duals),
    )
    found = [problem for side in sides for problem in _broken_bounds(side, tolerance)]
    found += _false_reduced_costs(claim, tolerance)
    found += [problem for side in sides for problem in _wrong_prices(side, tolerance)]
    found += _unequal_objectives(claim, sides, tolerance)
    return found


def _worst(what: str, amount: Array, tolerance: float) -> Iterator[str]:
    if amount.size and amount.max() > tolerance:
        at = int(amount.argmax())
        yield f"{what} {at} by {amount[at]:g}"


def _broken_bounds(side: _Side, tolerance: float) -> Iterator[str]:
    for name, bound, beyond, _ in side.bounds():
        size = 1 + np.abs(np.where(np.isfinite(bound), bound, 0.0))
        yield from _worst(f"primal: beyond its {name} bound, {side.kind}", beyond / size, tolerance)


def _false_reduced_costs(claim: Claim, tolerance: float) -> Iterator[str]:
    true = claim.costs - np.asarray(claim.matrix.T @ claim.duals)
    error = np.abs(true - claim.reduced_costs) / (1 + np.abs(claim.costs))
    yield from _worst("dual: reduced cost is not cost minus priced rows, column", error, tolerance)


def _wrong_prices(side: _Side, tolerance: float) -> Iterator[str]:
    """Every price needs a bound on its side, and must be zero where that bound is not met."""
    for name, bound, beyond, pressing in side.bounds():
        exists = np.isfinite(bound)
        loose = np.where(exists, 0.0, pressing)
        yield from _worst(f"dual sign: priced at a {name} bound it lacks, {side.kind}", loose, tolerance)
        off = pressing * np.abs(np.where(exists, beyond, 0.0))
        yield from _worst(f"complementarity: priced but off its {name} bound, {side.kind}", off, tolerance)


def _unequal_objectives(claim: Claim, sides: tuple[_Side, ...], tolerance: float) -> Iterator[str]:
    primal = float(claim.costs @ claim.values)
    dual = 0.0
    for side in sides:
        for name, bound, _, pressing in side.bounds():  # a price without a bound is objected to elsewhere
            sign = 1.0 if name == "lower" else -1.0
            dual += sign * float(np.where(np.isfinite(bound), bound, 0.0) @ pressing)
    size = 1 + abs(primal)
    if abs(primal - dual) > tolerance * size:
        yield f"objectives: primal {primal:.12g}, dual {dual:.12g}"
    if abs(primal - claim.objective) > tolerance * size:
        yield f"objectives: claimed {claim.objective:.12g}, values cost {primal:.12g}"
