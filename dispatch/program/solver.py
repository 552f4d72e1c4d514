"""The one home of PuLP and HiGHS: state a linear program row by row, then solve it again and again, warm.

A :class:`Statement` is a thin layer over ``pulp.LpProblem``: column families and named rows, in the words of the
algebra. :meth:`Statement.compile` hands the finished problem to HiGHS in bulk. (PuLP's own bridge adds columns
and rows one call at a time; for a year of hours that takes longer than the solve itself.)

A :class:`Warm` program then changes bounds and costs in place and keeps the basis. A stage of a lexicographic
order is held by its optimal face (`face.py`).
"""

from __future__ import annotations

import time
from functools import cached_property
from typing import TYPE_CHECKING, Any

import highspy
import numpy as np
import pulp

from dispatch.errors import Infeasible, SolveError, StoppedEarly
from dispatch.program.arrays import (
    RESIDUAL_TOLERANCE,
    Bounds,
    Matrix,
    Optimum,
    Start,
    changed,
    dot,
    worst_violation,
)
from dispatch.program.face import hold_face

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from numpy.typing import NDArray

    from dispatch.arrays import Floats
    from dispatch.program.arrays import Gap
    from dispatch.program.watch import Watch


EQUAL, AT_MOST, AT_LEAST = pulp.LpConstraintEQ, pulp.LpConstraintLE, pulp.LpConstraintGE
SOLVER_TOLERANCE = 1e-9
HELD_ROOM = 1e-7  # kWh; by this much a face held exactly may be missed, where rounding has closed it
_STATUSES = np.array([highspy.HighsBasisStatus(number) for number in range(5)], dtype=object)


class Statement:
    """A linear program being written down: families of columns, then named rows.

    Parameters
    ----------
    name : str
        Names the problem, for exports.
    """

    def __init__(self, name: str) -> None:
        self.problem = pulp.LpProblem(name, pulp.LpMinimize)
        self.columns: dict[str, slice] = {}
        self.rows: dict[str, slice] = {}
        self._variables: list[Any] = []
        self._constraints: list[Any] = []

    def family(
        self,
        name: str,
        count: int,
        lower: Floats | float = 0.0,
        upper: Floats | float = np.inf,
        *,
        integer: bool = False,
    ) -> list[Any]:
        """Add ``count`` columns ``name_0 …`` with the given bounds; return PuLP's variables in order."""
        first = len(self._variables)
        lows = np.broadcast_to(np.asarray(lower, dtype=float), (count,)).tolist()
        highs = np.broadcast_to(np.asarray(upper, dtype=float), (count,)).tolist()
        add, infinite = self.problem.add_variable, float("inf")
        category = pulp.LpInteger if integer else pulp.LpContinuous
        family = [
            add(
                f"{name}_{t}", None if low == -infinite else low, None if high == infinite else high, category
            )
            for t, (low, high) in enumerate(zip(lows, highs, strict=True))
        ]
        self._variables.extend(family)
        self.columns[name] = slice(first, first + count)
        return family

    def row_family(
        self, name: str, sense: int, rows: Iterable[tuple[Sequence[tuple[Any, float]], float]]
    ) -> None:
        """Add rows ``name_0 …``, each given as (terms, right-hand side); no column twice in one row."""
        first = len(self._constraints)
        expression, constraint, add = pulp.LpAffineExpression, pulp.LpConstraint, self.problem.addConstraint
        for t, (terms, right) in enumerate(rows):
            row = constraint(expression(terms), sense, f"{name}_{t}", right)
            add(row)
            self._constraints.append(row)
        self.rows[name] = slice(first, len(self._constraints))

    @property
    def column_count(self) -> int:
        """Columns stated so far."""
        return len(self._variables)

    def matrix(self) -> Matrix:
        """Return the rows stated so far."""
        place = {id(variable): index for index, variable in enumerate(self._variables)}
        starts, indices, values = [0], [], []
        for row in self._constraints:
            indices.extend([place[id(variable)] for variable in row])
            values.extend(row.values())
            starts.append(len(indices))
        return Matrix(np.array(starts), np.array(indices, dtype=np.int32), np.array(values, dtype=float))

    def senses(self) -> NDArray[np.int64]:
        """Return EQUAL, AT_MOST or AT_LEAST of every row."""
        return np.array([row.sense for row in self._constraints], dtype=np.int64)

    def bounds(self) -> Bounds:
        """Return the bounds of columns and rows stated so far."""
        right, sense = np.array([-row.constant for row in self._constraints]), self.senses()
        infinite = float("inf")
        return Bounds(
            lower=np.array([-infinite if v.lowBound is None else v.lowBound for v in self._variables]),
            upper=np.array([infinite if v.upBound is None else v.upBound for v in self._variables]),
            row_lower=np.where(sense == AT_MOST, -np.inf, right),
            row_upper=np.where(sense == AT_LEAST, np.inf, right),
        )

    def integers(self) -> NDArray[np.int32]:
        """Return the columns that must be whole."""
        return np.flatnonzero([v.cat == pulp.LpInteger for v in self._variables]).astype(np.int32)

    def compile(self) -> Warm:
        """Hand the problem to HiGHS and return it ready to be solved."""
        return Warm(self.matrix(), self.bounds(), self.integers())


class Warm:
    """A compiled program that keeps its basis between solves.

    Attributes
    ----------
    matrix : Matrix
    base : Bounds
        The bounds as stated; every strategy starts from a copy.
    integers : array of int
        Columns that must be whole. ``minimise`` leaves that aside; ``dispatch.program.whole`` sees to it.
    kinds : sequence of str
        What each of them decides; a key of ``watch.HARD``.
    """

    def __init__(
        self, matrix: Matrix, bounds: Bounds, integers: NDArray[np.int32], kinds: Sequence[str] = ()
    ) -> None:
        self.matrix = matrix
        self.integers, self.kinds = integers, kinds
        self.base = bounds
        self.bounds = self.base.copy()
        self._pushed = self.base.copy()  # what HiGHS was last told
        self._costs = np.zeros(len(bounds.lower))
        self._reference: Optimum | None = None
        self._reference_basis: Any = None
        self._holding = False

    @cached_property
    def _highs(self) -> Any:  # noqa: ANN401 - highspy has no types
        """The solver, told the program on its first use: a schedule found another way needs none."""
        bounds, matrix, highs = self.base, self.matrix, highspy.Highs()
        for option, value in (
            ("output_flag", False),
            ("threads", 1),  # same pivots everywhere, and no thread pool to start
            ("primal_feasibility_tolerance", SOLVER_TOLERANCE),
            ("dual_feasibility_tolerance", SOLVER_TOLERANCE),
        ):
            highs.setOptionValue(option, value)
        model = highspy.HighsLp()
        model.num_col_, model.num_row_ = len(bounds.lower), len(bounds.row_lower)
        model.col_cost_ = np.zeros(len(bounds.lower))
        model.col_lower_, model.col_upper_ = bounds.lower, bounds.upper
        model.row_lower_, model.row_upper_ = bounds.row_lower, bounds.row_upper
        model.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
        model.a_matrix_.start_ = matrix.starts
        model.a_matrix_.index_ = matrix.indices
        model.a_matrix_.value_ = matrix.values
        highs.passModel(model)
        return highs

    def twin(self) -> Warm:
        """Return another solver of the same program, for another thread."""
        return Warm(self.matrix, self.base, self.integers, self.kinds)

    def adopt_reference(self, other: Warm) -> None:
        """Start warm strategies from the other solver's reference basis."""
        self._reference, self._reference_basis = other._reference, other._reference_basis

    def limit_seconds(self, seconds: float) -> None:
        """Stop any later solve after this long (it then raises StoppedEarly)."""
        self._highs.setOptionValue("time_limit", float(seconds))

    def restart(self, bounds: Bounds, *, warm: bool = True) -> None:
        """Begin a strategy under these bounds: from the reference basis, or from scratch (then with presolve)."""
        self._highs.clearSolver()
        self._holding = False
        self.bounds = bounds.copy()
        self._push_bounds()
        if warm:
            self.rebase()

    def rebase(self) -> None:
        """Go on from the reference basis: nearer to a least cost than what other objectives end at."""
        if self.has_reference:
            self._highs.setBasis(self._reference_basis)

    def reached(self) -> Start:
        """Return where the last solve ended."""
        return _start_of(self._highs.getBasis())

    def reference_start(self) -> Start | None:
        """Return where the reference was reached, if there is one."""
        return _start_of(self._reference_basis) if self.has_reference else None

    def begin_at(self, start: Start) -> None:
        """Begin the next solve there; HiGHS makes a basis of it where it is none."""
        basis = highspy.HighsBasis()
        basis.col_status, basis.row_status = (
            _STATUSES[each].tolist() for each in (start.columns, start.rows)
        )
        basis.valid = True
        self._highs.setBasis(basis)

    def _push_bounds(self) -> None:
        """Tell HiGHS of the bounds that changed; most do not, and each call costs by the entry."""
        new, old = self.bounds, self._pushed
        columns = changed((new.lower, old.lower), (new.upper, old.upper))
        self._highs.changeColsBounds(len(columns), columns, new.lower[columns], new.upper[columns])
        rows = changed((new.row_lower, old.row_lower), (new.row_upper, old.row_upper))
        self._highs.changeRowsBounds(len(rows), rows, new.row_lower[rows], new.row_upper[rows])
        self._pushed = new.copy()

    def _push_costs(self, costs: Floats) -> None:
        columns = changed((costs, self._costs))
        self._highs.changeColsCost(len(columns), columns, costs[columns])
        self._costs = costs

    @property
    def has_reference(self) -> bool:
        """Whether a reference basis is stored."""
        return self._reference is not None

    def remember(self, optimum: Optimum) -> None:
        """Make the basis just reached the reference that warm strategies start from."""
        self._reference, self._reference_basis = optimum, self._highs.getBasis()

    def minimise(self, costs: Floats) -> Optimum:
        """Solve for these costs under the present bounds.

        Raises
        ------
        Infeasible, StoppedEarly, SolveError
            No values are read unless the solver says optimal and the residuals agree.
        """
        known = self._reference
        if known is not None and np.array_equal(known.costs, costs) and known.bounds.equal(self.bounds):
            return known  # solved already: the same bounds and costs
        self._push_costs(costs)
        kinds = highspy.HighsModelStatus
        for run in (self._highs.run, self._afresh, self._afresh_without_presolve):
            status, values, residual = self._attempt(run)
            if residual <= RESIDUAL_TOLERANCE or status not in (
                kinds.kOptimal,
                kinds.kUnknown,
                kinds.kSolveError,
            ):
                break  # nearly always at once; else the basis was too worn to go on from
        if status != kinds.kOptimal:
            raise self._outcome(status)
        if not residual <= RESIDUAL_TOLERANCE:
            raise SolveError(
                f"the solver's flows break a limit or balance by {residual:.2g} kWh; please report this scenario"
            )
        solution, info = self._highs.getSolution(), self._highs.getInfo()
        return Optimum(
            objective=dot(costs, values),
            values=values,
            reduced_costs=np.array(solution.col_dual),
            duals=np.array(solution.row_dual),
            costs=costs,
            bounds=self.bounds.copy(),
            residual=residual,
            iterations=int(info.simplex_iteration_count),
        )

    def mixed(
        self, costs: Floats, integers: NDArray[np.int32], start: Optimum | None, gap: Gap, watch: Watch
    ) -> tuple[Floats | None, float]:
        """Solve with these columns whole, from a solution if there is one.

        Returns
        -------
        values : array, shape (columns,), or None
            The best found; None if the solve was stopped before there was one.
        bound : float
            What no solution can cost less than.
        """
        highs, kinds, count = self._highs, highspy.HighsVarType, len(integers)
        self._push_costs(costs)
        basis, until = highs.getBasis(), highs.getRunTime() + max(watch.until - time.monotonic(), 0.0)
        highs.changeColsIntegrality(count, integers, np.full(count, kinds.kInteger))
        # half a gap is left for fixing what is found
        options = ("mip_rel_gap", gap.relative / 2), ("mip_abs_gap", gap.money / 2), ("time_limit", until)
        for option, value in options:
            highs.setOptionValue(option, value)
        if start is not None:
            highs.setSolution(len(start.values), np.arange(len(start.values), dtype=np.int32), start.values)

        def look(event: Any) -> None:  # noqa: ANN401 - highspy's
            if watch.look(event.data_out.mip_dual_bound, event.data_out.mip_primal_bound):
                event.interrupt()

        highs.cbMipInterrupt.subscribe(look)
        try:
            highs.run()
        finally:
            highs.cbMipInterrupt.unsubscribe(look)
        status, info = highs.getModelStatus(), highs.getInfo()
        bound, solved = float(info.mip_dual_bound), status == highspy.HighsModelStatus.kOptimal
        # stopped, and infinitely far from any bound: nothing was found
        found = np.array(highs.getSolution().col_value) if solved or abs(info.mip_gap) < 1e30 else None
        highs.changeColsIntegrality(count, integers, np.full(count, kinds.kContinuous))
        highs.setOptionValue("time_limit", float("inf"))
        highs.setBasis(basis)
        if not solved and not watch.over:
            raise self._outcome(status)
        return found, bound

    def loosen(self, bounds: Bounds) -> None:
        """Go back to these bounds, keeping the basis."""
        self.bounds = bounds.copy()
        self._push_bounds()

    def fix(self, columns: NDArray[np.int32], values: Floats) -> None:
        """Fix columns at these values."""
        self.bounds.lower[columns] = self.bounds.upper[columns] = values
        self._push_bounds()

    def _with_room(self) -> Any:  # noqa: ANN401 - a highspy enum
        """Solve on a held face without presolve, then with more room: only rounding can have emptied it."""
        for room in (SOLVER_TOLERANCE, HELD_ROOM):
            self._highs.setOptionValue("primal_feasibility_tolerance", room)
            self._highs.clearSolver()
            status = self._without_presolve()
            self._highs.setOptionValue("primal_feasibility_tolerance", SOLVER_TOLERANCE)
            if status != highspy.HighsModelStatus.kInfeasible:
                break
        return status

    def _attempt(self, run: Callable[[], object]) -> tuple[Any, Floats, float]:
        """Run, settle what presolve and rounding leave open, and read the answer: status, values, residual."""
        run()
        status = self._highs.getModelStatus()
        if status == highspy.HighsModelStatus.kUnboundedOrInfeasible:
            status = self._without_presolve()
        if status == highspy.HighsModelStatus.kInfeasible and self._holding:
            status = self._with_room()
        if status != highspy.HighsModelStatus.kOptimal:
            return status, np.empty(0), float("inf")
        values = np.array(self._highs.getSolution().col_value)
        return status, values, self.residual(values)

    def _afresh(self) -> None:
        """Run without the basis reached so far."""
        self._highs.clearSolver()
        self._highs.run()

    def _afresh_without_presolve(self) -> None:
        self._highs.clearSolver()
        self._without_presolve()

    def _without_presolve(self) -> Any:  # noqa: ANN401 - a highspy enum
        """Presolve alone cannot tell unbounded from infeasible; the simplex method can."""
        self._highs.setOptionValue("presolve", "off")
        self._highs.run()
        self._highs.setOptionValue("presolve", "choose")
        return self._highs.getModelStatus()

    def _outcome(self, status: Any) -> SolveError:  # noqa: ANN401 - a highspy enum
        kinds = highspy.HighsModelStatus
        if status == kinds.kInfeasible:
            return Infeasible("no schedule respects every limit")
        if status in (kinds.kTimeLimit, kinds.kIterationLimit, kinds.kInterrupt):
            return StoppedEarly("the solver was stopped before it had found an answer")
        return SolveError(f"the solver ended with '{self._highs.modelStatusToString(status)}'")

    def residual(self, values: Floats) -> float:
        """Worst violation of any bound or row by these values, from our own copy of the matrix."""
        return worst_violation(self.matrix, self.bounds, values)

    def hold(self, optimum: Optimum) -> None:
        """Hold a stage: keep exactly its optimal face (`face.py`)."""
        self._holding = True
        hold_face(self.matrix, self.bounds, optimum)
        self._push_bounds()


def _start_of(basis: Any) -> Start:  # noqa: ANN401 - highspy's
    return Start(
        *(np.fromiter(map(int, each), dtype=np.int8) for each in (basis.col_status, basis.row_status))
    )
