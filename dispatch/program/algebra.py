"""The algebra: what the hardware, the tariff and the household allow, as a linear program.

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
    export   export ≤ export_limit_kw·dt                  cells   empty ≤ stored ≤ ceiling
    cold     where the packs are too cold to be charged: sun_to_battery = 0, and
             grid_to_battery ≤ σ·dt·empty/η_charger (what self-discharge takes from an empty battery)

Every step's rows have the same coefficients; what differs from home to home and from step to step stands in the bounds
and on the right-hand sides, which `Algebra.column_bounds` and `Algebra.right_hand_sides` write in bulk. So the rows are
stated on a few steps only and repeated (`dispatch.program.layout`), and another home of the same coefficients, another
reserve or another size is a change of bounds.

Families that the hardware lacks (no sun, no feed-in, no limit) are not built. With hardware that cannot share a
load between grid and inverter, the inverter's flows to the load are 0 where load + idle exceeds it.

Money (the ``cost`` stage; blocks, demand, netting and minimum bills are stated in `dispatch.program.tariff_rows`)::

    Σ import·import_price - Σ export·export_price + wear_per_kwh·Σ (battery_to_load + battery_to_grid)/η_discharge
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from dispatch.case.limits import step_limits
from dispatch.program.solver import AT_LEAST, AT_MOST, EQUAL

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from dispatch.arrays import Flags, Floats
    from dispatch.case.case import Case
    from dispatch.program.solver import Statement

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

SUN_FAMILIES = ("sun_to_load", "sun_to_battery", "sun_to_grid", "spill")

SLACK_FAMILIES = (
    "unserved_load",
    "import_excess",
    "floor_shortfall",
    "closing_shortfall",
)  # in order of their stages

SENSES = {
    "meter": EQUAL,
    "load": EQUAL,
    "sun": EQUAL,
    "storage": EQUAL,
    "charge": AT_MOST,
    "taper": AT_MOST,
    "inverter": AT_MOST,
    "plug": AT_MOST,
    "limit": AT_MOST,
    "floor": AT_LEAST,
    "closing": AT_LEAST,
}


class Algebra:
    """The algebra of one case."""

    def __init__(self, case: Case) -> None:
        self.case = case
        self.steps = len(case.times)
        self.keep = step_limits(case.limits, case.dt_hours).keep
        self.taper = step_limits(case.limits, case.dt_hours).taper if case.limits.taper_hours else 0.0

    # ---- what differs by step and home ---------------------------------------------------------------------

    def column_bounds(self) -> dict[str, tuple[Floats | float, Floats | float]]:
        """Lower and upper bounds of every family of columns that the case needs, in order, in kWh."""
        case, limits, dt = self.case, self.case.limits, self.case.dt_hours

        def at_most(limit_kw: float | None) -> float:
            return math.inf if limit_kw is None else limit_kw * dt

        has_sun = bool(np.any(case.sun_kwh > 0))
        feeds_in = limits.feed_in != "none"
        inverter_to_load = np.where(self.whole_load_on_grid(), 0.0, np.inf)
        # too cold to charge: nothing but what self-discharge takes from an empty battery
        kept = min(at_most(limits.grid_charge_kw), (1 - self.keep) * limits.empty_kwh / limits.eta_charger)
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
            "closing_shortfall": (True, 0.0, math.inf),
        }
        return {name: (lower, upper) for name, (needed, lower, upper) in wanted.items() if needed}

    def right_hand_sides(self) -> dict[str, Floats]:
        """Right-hand side of every family of rows, shape (n,) each, ``closing`` (1,), in kWh."""
        case, limits, n, dt = self.case, self.case.limits, self.steps, self.case.dt_hours
        storage = np.zeros(n)
        storage[0] = self.keep * limits.start_kwh
        taper = np.full(n, limits.full_kwh * self.taper)
        taper[0] = max(limits.full_kwh - limits.start_kwh, 0.0) * self.taper
        return {
            "meter": case.other_kwh,
            "load": case.load_kwh + case.idle_kwh,
            "sun": case.sun_kwh,
            "storage": storage,
            "charge": np.full(n, limits.total_charge_kw * dt),
            "taper": taper,
            "inverter": np.full(n, limits.inverter_kw * dt),
            "plug": np.full(n, math.inf if limits.ac_input_kw is None else limits.ac_input_kw * dt),
            "limit": np.full(n, math.inf if limits.import_limit_kw is None else limits.import_limit_kw * dt),
            "floor": case.floor_kwh,
            "closing": np.array([limits.closing_kwh]),
        }

    def whole_load_on_grid(self) -> Flags:
        """Return the steps in which the hardware must leave the whole load to the grid, shape (n,)."""
        limits = self.case.limits
        need = self.case.load_kwh + self.case.idle_kwh
        return np.asarray(
            limits.switches_whole_load & (need > limits.inverter_kw * self.case.dt_hours + 1e-12)
        )

    # ---- what is the same in every step --------------------------------------------------------------------

    def coefficients(self) -> tuple[Any, ...]:
        """All of the case that stands in the matrix, its families last: a program serves the cases that share it."""
        limits, bounds = self.case.limits, self.column_bounds()
        etas = limits.eta_inverter, limits.eta_charger, limits.eta_dc, limits.eta_discharge
        rows = limits.ac_input_kw is not None, limits.import_limit_kw is not None, bool(limits.taper_hours)
        return self.steps, self.keep, self.taper, etas, rows, tuple(bounds)

    def state(self, statement: Statement, steps: int) -> Mapping[str, list[Any]]:
        """State the first ``steps`` steps, with the closing level at the last of them; return the columns."""
        return _Stated(self, statement, steps).families


class _Stated:
    """The rows as written in the module's docstring, one family a method."""

    def __init__(self, algebra: Algebra, statement: Statement, steps: int) -> None:
        self.limits, self.keep, self.taper = algebra.case.limits, algebra.keep, algebra.taper
        self.steps = range(steps)
        self.families = {
            name: statement.family(
                name, 1 if name == "closing_shortfall" else steps, _first(low, steps), _first(high, steps)
            )
            for name, (low, high) in algebra.column_bounds().items()
        }
        rows = {
            "meter": self._meter,
            "load": self._load,
            "sun": self._sun,
            "storage": self._storage,
            "charge": self._charge,
            "taper": self._taper,
            "inverter": self._inverter,
            "plug": self._plug,
            "limit": self._limit,
            "floor": self._floor,
            "closing": self._closing,
        }
        for name, right in algebra.right_hand_sides().items():
            lines = zip(rows[name](), right[:steps].tolist(), strict=False)
            statement.row_family(name, SENSES[name], lines)

    def _at(self, t: int, **coefficients: float) -> Terms:
        """Columns of step t with their coefficient, of the families that exist."""
        return [
            (self.families[name][t], value) for name, value in coefficients.items() if name in self.families
        ]

    def _meter(self) -> Iterator[Terms]:
        eta = self.limits.eta_inverter
        for t in self.steps:
            bought = self._at(t, **{"import": 1.0}, export=-1.0, grid_to_load=-1.0, grid_to_battery=-1.0)
            yield bought + self._at(t, sun_to_grid=eta, battery_to_grid=eta)

    def _load(self) -> Iterator[Terms]:
        eta = self.limits.eta_inverter
        for t in self.steps:
            yield self._at(t, grid_to_load=1.0, sun_to_load=eta, battery_to_load=eta, unserved_load=1.0)

    def _sun(self) -> Iterator[Terms]:
        for t in self.steps if "spill" in self.families else ():
            yield self._at(t, sun_to_load=1.0, sun_to_battery=1.0, sun_to_grid=1.0, spill=1.0)

    def _storage(self) -> Iterator[Terms]:
        into = {"grid_to_battery": -self.limits.eta_charger, "sun_to_battery": -self.limits.eta_dc}
        out = 1 / self.limits.eta_discharge
        for t in self.steps:
            before = self._at(t - 1, stored=-self.keep) if t else []
            yield before + self._at(t, stored=1.0, **into, battery_to_load=out, battery_to_grid=out)

    def _charge(self) -> Iterator[Terms]:
        for t in self.steps:
            yield self._at(t, grid_to_battery=1.0, sun_to_battery=1.0)

    def _taper(self) -> Iterator[Terms]:
        into = {"grid_to_battery": self.limits.eta_charger, "sun_to_battery": self.limits.eta_dc}
        for t in self.steps if self.limits.taper_hours else ():
            yield (self._at(t - 1, stored=self.taper) if t else []) + self._at(t, **into)

    def _inverter(self) -> Iterator[Terms]:
        eta = self.limits.eta_inverter
        for t in self.steps:
            yield self._at(t, sun_to_load=eta, battery_to_load=eta, sun_to_grid=eta, battery_to_grid=eta)

    def _plug(self) -> Iterator[Terms]:
        for t in self.steps if self.limits.ac_input_kw is not None else ():
            yield self._at(t, grid_to_load=1.0, grid_to_battery=1.0)

    def _limit(self) -> Iterator[Terms]:
        for t in self.steps if self.limits.import_limit_kw is not None else ():
            yield self._at(t, **{"import": 1.0}, import_excess=-1.0)

    def _floor(self) -> Iterator[Terms]:
        for t in self.steps:
            yield self._at(t, stored=1.0, floor_shortfall=1.0)

    def _closing(self) -> Iterator[Terms]:
        yield self._at(self.steps[-1], stored=1.0) + self._at(0, closing_shortfall=1.0)


def _first(values: Floats | float, steps: int) -> Floats | float:
    return values if isinstance(values, float) else values[:steps]
