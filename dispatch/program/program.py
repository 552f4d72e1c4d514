"""One case's program: the algebra and the tariff's rows laid out, solved warm, written over for another case."""

from __future__ import annotations

import copy
from typing import TYPE_CHECKING

import numpy as np

from dispatch.errors import ScenarioError
from dispatch.program.algebra import FLOW_FAMILIES, SENSES, SUN_FAMILIES, Algebra
from dispatch.program.arrays import NOTICED, Gap
from dispatch.program.layout import PATTERN_STEPS, Layout
from dispatch.program.schedules import TermWriter
from dispatch.program.solver import AT_LEAST, AT_MOST, Statement
from dispatch.program.tariff_rows import TariffRows

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dispatch.arrays import Flags, Floats
    from dispatch.case.case import Case
    from dispatch.program.arrays import Bounds
    from dispatch.program.solver import Warm


class Program:
    """One case's linear program, built once and re-solved warm for every strategy.

    Parameters
    ----------
    case : Case
        The scenario resolved to arrays.
    asked_gap : Gap
        How near the best possible a mixed-integer answer has to be.

    Attributes
    ----------
    columns, rows : dict of str to slice
        Where each family stands.
    warm : Warm
        The compiled program.
    cost : array, shape (columns,)
        The money of the ``cost`` stage, per kWh of each column.

    cost_constant : float
        Money of the tariff's terms that no column changes.
    has_tariff_rows : bool
        Whether the tariff has rows of its own.
    longer : list of Program
        The program in longer steps, once it was asked for (`dispatch.program.longer`); cases of one solver share it.
    sibling : Program or None
        Whose reference basis this one took over.

    Raises
    ------
    NoProgram
        If the tariff cannot be stated as a (mixed-integer) linear program; says why.
    """

    def __init__(self, case: Case, asked_gap: Gap = NOTICED) -> None:
        self.case = case
        self.asked_gap = asked_gap
        self.algebra = Algebra(case)
        self.steps = self.algebra.steps
        layout, pattern = Layout(), Statement("dispatch")
        self.algebra.state(pattern, min(self.steps, PATTERN_STEPS))
        families = layout.tile(pattern, self.steps)
        plain = layout.column_count
        tariff = TariffRows(TermWriter(layout, case, families))
        self.columns, self.rows = layout.columns, layout.rows
        self.columns["tariff"] = slice(plain, layout.column_count)
        self.cost_constant = tariff.constant
        self._tariff_money = layout.vector(tariff.money)
        self.has_tariff_rows = layout.row_count > max(self.rows[name].stop for name in SENSES)
        self._price()
        self.warm: Warm = layout.compile()
        self.longer: list[Program] = []
        self.sibling: Program | None = None

    @property
    def has_terms(self) -> bool:
        """Whether the tariff is more than a price per step."""
        return bool(self.columns["tariff"].stop > self.columns["tariff"].start)

    def whole_load_on_grid(self) -> Flags:
        """Return the steps in which the hardware must leave the whole load to the grid, shape (n,)."""
        return self.algebra.whole_load_on_grid()

    # ---- another case --------------------------------------------------------------------------------------

    def bounds(self) -> Bounds:
        """Return fresh bounds with every limit and right-hand side of the case, for a strategy to change."""
        bounds = self.warm.base.copy()
        for name, (lower, upper) in self.algebra.column_bounds().items():
            bounds.lower[self.columns[name]], bounds.upper[self.columns[name]] = lower, upper
        for name, right in self.algebra.right_hand_sides().items():
            rows = self.rows[name]
            if rows.start == rows.stop:  # a family the hardware lacks
                continue
            if SENSES[name] != AT_MOST:
                bounds.row_lower[rows] = right
            if SENSES[name] != AT_LEAST:
                bounds.row_upper[rows] = right
        return bounds

    def under(self, case: Case) -> Program:
        """Return the same program for another case; they share solver and basis.

        The other case may differ in levels, reserve, series, prices and limits, as long as efficiencies, steps and the
        kinds of parts are the same. Where the tariff has rows of its own, only levels and reserve may differ: those
        rows know the home's series and prices.

        Raises
        ------
        ScenarioError
            If the program cannot serve that case.
        """
        other = copy.copy(self)
        other.case, other.algebra = case, Algebra(case)
        if not self._serves(other.algebra):
            raise ScenarioError(
                f"{case.path}: this home differs from {self.case.path} in more than limits, series and prices; "
                "build a program of its own"
            )
        if case.prices is not self.case.prices:
            other._price()  # noqa: SLF001 - of the same class
        return other

    def _serves(self, algebra: Algebra) -> bool:
        mine, theirs = self.case, algebra.case
        *own, families = self.algebra.coefficients()
        *other, wanted = algebra.coefficients()
        # a home without sun needs no column of it: the right-hand side 0 of the sun's row keeps them at 0
        if own != other or not set(wanted) <= set(families) <= {*wanted, *SUN_FAMILIES}:
            return False
        if not self.has_tariff_rows:
            return theirs.prices.is_plain
        series = ("load_kwh", "other_kwh", "sun_kwh", "idle_kwh")
        same = all(np.array_equal(getattr(mine, name), getattr(theirs, name)) for name in series)
        return same and mine.prices is theirs.prices

    # ---- vectors and values --------------------------------------------------------------------------------

    def vector(self, coefficients: Mapping[str, Floats | float]) -> Floats:
        """Return a cost vector, shape (columns,), from coefficients by family; absent families are skipped."""
        costs = np.zeros(self.columns["tariff"].stop)
        for name, value in coefficients.items():
            if name in self.columns:
                costs[self.columns[name]] = value
        return costs

    def _price(self) -> None:
        """Money per kWh of each family, with what the tariff's terms add."""
        prices, limits = self.case.prices, self.case.limits
        wear = limits.wear_per_kwh / limits.eta_discharge
        plain: dict[str, Floats | float] = {
            "import": prices.import_price_per_kwh,
            "export": -prices.export_price_per_kwh,
            "battery_to_load": wear,
            "battery_to_grid": wear,
            "tariff": 0.0,
        }
        self.cost_coefficients = {
            name: value + self._tariff_money[self.columns[name]]
            for name, value in plain.items()
            if name in self.columns
        }
        self.cost = self.vector(self.cost_coefficients)

    def flows(self, values: Floats) -> dict[str, Floats]:
        """Every per-step family of these column values, kWh, shape (n,) each; families not built are zero."""
        return {
            name: values[self.columns[name]].copy() if name in self.columns else np.zeros(self.steps)
            for name in FLOW_FAMILIES
        }

    # ---- other solvers -------------------------------------------------------------------------------------

    def twin(self) -> Program:
        """Return the same program with a solver of its own, for another thread (HiGHS runs outside the GIL)."""
        other = copy.copy(self)
        other.warm, other.longer, other.sibling = self.warm.twin(), [], None
        return other

    def adopt_reference(self, other: Program) -> None:
        """Start warm strategies from the other solver's reference basis, in longer steps too."""
        self.warm.adopt_reference(other.warm)
        self.sibling = other
