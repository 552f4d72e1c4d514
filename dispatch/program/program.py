"""The dispatch program: what the hardware, the tariff and the household allow, as a linear program.

Steps t of ``dt_hours``, labelled by their start. All columns are kWh in the step and ≥ 0; ``stored[t]`` is at the
**end** of step t. Sun and battery are DC, load and grid AC, the inverter stands between.

Columns (one per step, a family each)::

    import  export  grid_to_load  grid_to_battery (at the plug)  sun_to_load  sun_to_battery  sun_to_grid  spill
    battery_to_load  battery_to_grid (DC at the battery terminals)  stored
    unserved_load  import_excess  floor_shortfall      slacks: broken promises, each with a stage of its own
    closing_shortfall                                  one column

Rows (the row's prefix names the family)::

    meter    import - export = grid_to_load + grid_to_battery + other - η_inverter·(sun_to_grid + battery_to_grid)
    load     grid_to_load + η_inverter·(sun_to_load + battery_to_load) + unserved_load = load + idle
    sun      sun_to_load + sun_to_battery + sun_to_grid + spill = sun
    storage  stored[t] = (1 - σ·dt)·stored[t-1] + η_charger·grid_to_battery + η_dc·sun_to_battery
                         - (battery_to_load + battery_to_grid)/η_discharge
    charge   grid_to_battery + sun_to_battery ≤ total_charge_kw·dt
    taper    η_charger·grid_to_battery + η_dc·sun_to_battery ≤ (full - stored[t-1])·(1 - exp(-dt/τ))
    inverter η_inverter·(sun_to_load + battery_to_load + sun_to_grid + battery_to_grid) ≤ inverter_kw·dt
    plug     grid_to_load + grid_to_battery ≤ ac_input_kw·dt
    limit    import - import_excess ≤ import_limit_kw·dt
    floor    stored[t] + floor_shortfall[t] ≥ floor[t]
    closing  stored[end] + closing_shortfall ≥ closing

Column bounds::

    charger  grid_to_battery ≤ grid_charge_kw·dt          bypass  grid_to_load ≤ bypass_kw·dt
    cold     where the packs are too cold to be charged: sun_to_battery = 0, and
             grid_to_battery ≤ σ·dt·empty/η_charger (what self-discharge takes from an empty battery)
    export   export ≤ export_limit_kw·dt                  cells   empty ≤ stored ≤ ceiling

Families that the hardware lacks (no sun, no feed-in, no limit) are not built. With hardware that cannot share a
load between grid and inverter, the inverter's flows to the load are 0 where load + idle exceeds it.

Money (the ``cost`` stage; blocks, demand, netting and minimum bills are stated in `dispatch.program.tariff_rows`)::

    Σ import·import_price - Σ export·export_price + wear_per_kwh·Σ (battery_to_load + battery_to_grid)/η_discharge
"""

from __future__ import annotations

import copy
import math
from typing import TYPE_CHECKING, Any

import numpy as np

from dispatch.case.limits import step_limits
from dispatch.program.schedules import Sheet
from dispatch.program.solver import AT_LEAST, AT_MOST, EQUAL, Statement, Warm, stating
from dispatch.program.tariff_rows import TariffRows

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from dispatch.arrays import Flags, Floats
    from dispatch.case.case import Case
    from dispatch.program.arrays import Bounds

    Terms = list[tuple[Any, float]]
    Row = tuple[Terms, float]


FLOW_FAMILIES = (
    "import",
    "export",
    "grid_to_load",
    "grid_to_battery",
    "sun_to_load",
    "sun_to_battery",
    "sun_to_grid",
    "spill",
    "battery_to_load",
    "battery_to_grid",
    "stored",
    "unserved_load",
    "import_excess",
    "floor_shortfall",
)

SLACK_FAMILIES = (
    "unserved_load",
    "import_excess",
    "floor_shortfall",
    "closing_shortfall",
)  # in order of their stages


class Program:
    """One case's linear program, built once and re-solved warm for every strategy.

    Parameters
    ----------
    case : Case
        The scenario resolved to arrays.

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

    Raises
    ------
    ScenarioError
        If the tariff cannot be stated as a (mixed-integer) linear program; says why.
    """

    def __init__(self, case: Case) -> None:
        self.case = case
        self.steps = len(case.times)
        with stating("dispatch") as statement:
            self._state(statement)
            plain = statement.column_count
            tariff = TariffRows(Sheet(statement, case, self._families))
            self.columns, self.rows = statement.columns, statement.rows
            self.columns["tariff"] = slice(plain, statement.column_count)
            self.cost_constant = tariff.constant
            self.cost_coefficients = self._cost(statement.vector(tariff.money))
            self.cost = self.vector(self.cost_coefficients)
            self.warm: Warm = statement.compile(self.cost)
            del self._families  # PuLP's objects outweigh the solver several times over

    # ---- the statement -------------------------------------------------------------------------------------

    def _state(self, statement: Statement) -> None:
        self._families = self._state_columns(statement)
        families = (
            ("meter", EQUAL, self._meter),
            ("load", EQUAL, self._load),
            ("sun", EQUAL, self._sun),
            ("storage", EQUAL, self._storage),
            ("charge", AT_MOST, self._charge),
            ("taper", AT_MOST, self._taper),
            ("inverter", AT_MOST, self._inverter),
            ("plug", AT_MOST, self._plug),
            ("limit", AT_MOST, self._limit),
            ("floor", AT_LEAST, self._floor),
            ("closing", AT_LEAST, self._closing),
        )
        for name, sense, rows in families:
            statement.row_family(name, sense, rows())

    def _state_columns(self, statement: Statement) -> dict[str, list[Any]]:
        case, n, dt = self.case, self.steps, self.case.dt_hours
        limits = case.limits

        def at_most(limit_kw: float | None) -> float:
            return math.inf if limit_kw is None else limit_kw * dt

        has_sun = bool(np.any(case.sun_kwh > 0))
        feeds_in = limits.feed_in != "none"
        inverter_to_load = np.where(self.whole_load_on_grid(), 0.0, np.inf)
        # too cold to charge: nothing but what self-discharge takes from an empty battery
        kept = min(
            at_most(limits.grid_charge_kw), (1 - self.keep_fraction) * limits.empty_kwh / limits.eta_charger
        )
        from_grid = np.where(case.may_charge, at_most(limits.grid_charge_kw), kept)
        wanted: dict[str, tuple[bool, Floats | float, Floats | float]] = {
            "import": (True, 0.0, math.inf),
            "export": (limits.feed_in == "grid", 0.0, at_most(limits.export_limit_kw)),
            "grid_to_load": (True, 0.0, at_most(limits.bypass_kw)),
            "grid_to_battery": (True, 0.0, from_grid),
            "sun_to_load": (has_sun, 0.0, inverter_to_load),
            "sun_to_battery": (has_sun, 0.0, np.where(case.may_charge, np.inf, 0.0)),
            "sun_to_grid": (has_sun and feeds_in, 0.0, math.inf),
            "spill": (has_sun, 0.0, math.inf),
            "battery_to_load": (True, 0.0, inverter_to_load),
            "battery_to_grid": (feeds_in and limits.battery_feed_in, 0.0, math.inf),
            "stored": (True, limits.empty_kwh, limits.ceiling_kwh),
            "unserved_load": (True, 0.0, math.inf),
            "import_excess": (limits.import_limit_kw is not None, 0.0, math.inf),
            "floor_shortfall": (True, 0.0, math.inf),
        }
        families = {
            name: statement.family(name, n, lower, upper)
            for name, (needed, lower, upper) in wanted.items()
            if needed
        }
        families["closing_shortfall"] = statement.family("closing_shortfall", 1)
        return families

    def whole_load_on_grid(self) -> Flags:
        """Return the steps in which the hardware must leave the whole load to the grid, shape (n,)."""
        limits = self.case.limits
        need = self.case.load_kwh + self.case.idle_kwh
        return np.asarray(
            limits.switches_whole_load & (need > limits.inverter_kw * self.case.dt_hours + 1e-12)
        )

    def _terms(self, **coefficients: float) -> list[tuple[list[Any], float]]:
        """Families that exist, with their coefficient."""
        return [
            (self._families[name], value) for name, value in coefficients.items() if name in self._families
        ]

    def _meter(self) -> Iterator[Row]:
        eta = self.case.limits.eta_inverter
        terms = self._terms(**{"import": 1.0}, export=-1.0, grid_to_load=-1.0, grid_to_battery=-1.0)
        terms += self._terms(sun_to_grid=eta, battery_to_grid=eta)
        for t, other in enumerate(self.case.other_kwh.tolist()):
            yield [(family[t], value) for family, value in terms], other

    def _load(self) -> Iterator[Row]:
        eta = self.case.limits.eta_inverter
        terms = self._terms(grid_to_load=1.0, sun_to_load=eta, battery_to_load=eta, unserved_load=1.0)
        for t, need in enumerate((self.case.load_kwh + self.case.idle_kwh).tolist()):
            yield [(family[t], value) for family, value in terms], need

    def _sun(self) -> Iterator[Row]:
        terms = self._terms(sun_to_load=1.0, sun_to_battery=1.0, sun_to_grid=1.0, spill=1.0)
        if terms:
            for t, sun in enumerate(self.case.sun_kwh.tolist()):
                yield [(family[t], value) for family, value in terms], sun

    def _storage(self) -> Iterator[Row]:
        limits = self.case.limits
        stored = self._families["stored"]
        keep = self.keep_fraction
        out = 1 / limits.eta_discharge
        terms = self._terms(
            stored=1.0,
            grid_to_battery=-limits.eta_charger,
            sun_to_battery=-limits.eta_dc,
            battery_to_load=out,
            battery_to_grid=out,
        )
        yield [(family[0], value) for family, value in terms], keep * limits.start_kwh
        for t in range(1, self.steps):
            yield [(stored[t - 1], -keep), *((family[t], value) for family, value in terms)], 0.0

    @property
    def keep_fraction(self) -> float:
        """Share of the stored energy left after one step of self-discharge, 1 - σ·dt."""
        return step_limits(self.case.limits, self.case.dt_hours).keep

    @property
    def taper_fraction(self) -> float:
        """Share of the room to full that may be charged in one step, 1 - exp(-dt/τ)."""
        return step_limits(self.case.limits, self.case.dt_hours).taper

    def _charge(self) -> Iterator[Row]:
        limit = self.case.limits.total_charge_kw * self.case.dt_hours
        terms = self._terms(grid_to_battery=1.0, sun_to_battery=1.0)
        for t in range(self.steps):
            yield [(family[t], value) for family, value in terms], limit

    def _taper(self) -> Iterator[Row]:
        limits = self.case.limits
        if not limits.taper_hours:
            return
        share = self.taper_fraction
        stored = self._families["stored"]
        terms = self._terms(grid_to_battery=limits.eta_charger, sun_to_battery=limits.eta_dc)
        yield [(family[0], value) for family, value in terms], (limits.full_kwh - limits.start_kwh) * share
        for t in range(1, self.steps):
            yield (
                [(stored[t - 1], share), *((family[t], value) for family, value in terms)],
                limits.full_kwh * share,
            )

    def _inverter(self) -> Iterator[Row]:
        eta = self.case.limits.eta_inverter
        limit = self.case.limits.inverter_kw * self.case.dt_hours
        terms = self._terms(sun_to_load=eta, battery_to_load=eta, sun_to_grid=eta, battery_to_grid=eta)
        for t in range(self.steps):
            yield [(family[t], value) for family, value in terms], limit

    def _plug(self) -> Iterator[Row]:
        limit_kw = self.case.limits.ac_input_kw
        if limit_kw is None:
            return
        terms = self._terms(grid_to_load=1.0, grid_to_battery=1.0)
        for t in range(self.steps):
            yield [(family[t], value) for family, value in terms], limit_kw * self.case.dt_hours

    def _limit(self) -> Iterator[Row]:
        limit_kw = self.case.limits.import_limit_kw
        if limit_kw is None:
            return
        terms = self._terms(**{"import": 1.0}, import_excess=-1.0)
        for t in range(self.steps):
            yield [(family[t], value) for family, value in terms], limit_kw * self.case.dt_hours

    def _floor(self) -> Iterator[Row]:
        stored, shortfall = self._families["stored"], self._families["floor_shortfall"]
        for t, floor in enumerate(self.case.floor_kwh.tolist()):
            yield [(stored[t], 1.0), (shortfall[t], 1.0)], floor

    def _closing(self) -> Iterator[Row]:
        last, shortfall = self._families["stored"][-1], self._families["closing_shortfall"][0]
        yield [(last, 1.0), (shortfall, 1.0)], self.case.limits.closing_kwh

    @property
    def has_terms(self) -> bool:
        """Whether the tariff is more than a price per step."""
        return bool(self.columns["tariff"].stop > self.columns["tariff"].start)

    # ---- vectors and values --------------------------------------------------------------------------------

    def vector(self, coefficients: Mapping[str, Floats | float]) -> Floats:
        """Return a cost vector, shape (columns,), from coefficients by family; absent families are skipped."""
        costs = np.zeros(max(s.stop for s in self.columns.values()))
        for name, value in coefficients.items():
            if name in self.columns:
                costs[self.columns[name]] = value
        return costs

    def _cost(self, tariff_money: Floats) -> dict[str, Floats | float]:
        """Money per kWh of each family, with what the tariff's terms add (shape (columns,))."""
        prices, limits = self.case.prices, self.case.limits
        wear = limits.wear_per_kwh / limits.eta_discharge
        plain: dict[str, Floats | float] = {
            "import": prices.import_price_per_kwh,
            "export": -prices.export_price_per_kwh,
            "battery_to_load": wear,
            "battery_to_grid": wear,
            "tariff": 0.0,
        }
        return {
            name: value + tariff_money[self.columns[name]]
            for name, value in plain.items()
            if name in self.columns
        }

    def flows(self, values: Floats) -> dict[str, Floats]:
        """Every per-step family of these column values, kWh, shape (n,) each; families not built are zero."""
        return {
            name: values[self.columns[name]].copy() if name in self.columns else np.zeros(self.steps)
            for name in FLOW_FAMILIES
        }

    def twin(self) -> Program:
        """Return the same program with a solver of its own, for another thread (HiGHS runs outside the GIL)."""
        other = copy.copy(self)
        other.warm = self.warm.twin()
        return other

    def under(self, case: Case) -> Program:
        """Return the same program for a case that differs in floor, start or closing; they share solver and basis."""
        other = copy.copy(self)
        other.case = case
        return other

    def bounds(self) -> Bounds:
        """Return a fresh copy of the bounds under the case's levels, for a strategy to change."""
        bounds, limits = self.warm.base.copy(), self.case.limits
        bounds.row_lower[self.rows["floor"]] = self.case.floor_kwh
        bounds.row_lower[self.rows["closing"]] = limits.closing_kwh
        first = self.rows["storage"].start
        bounds.row_lower[first] = bounds.row_upper[first] = self.keep_fraction * limits.start_kwh
        if limits.taper_hours:
            bounds.row_upper[self.rows["taper"].start] = (
                limits.full_kwh - limits.start_kwh
            ) * self.taper_fraction
        return bounds
