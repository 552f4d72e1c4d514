"""A second statement of the dispatch program, kept apart from the product's own.

It shares no line with the product: the flow equations are written again as sparse matrices, solved by
``scipy.optimize.linprog``, and the order of stages is held by *budget rows* (the earlier objective may not
get worse) where the product fixes optimal faces. That is slow, and meant for cases of up to two weeks.

Everything starts from a `Household`: plain numbers.

Columns, one of each per step, kWh in the step, all >= 0 (``stored`` is at the end of the step)::

    import export grid_to_load grid_to_battery sun_to_load sun_to_battery sun_to_grid spill
    battery_to_load battery_to_grid stored unserved_load import_excess floor_shortfall

and one ``closing_shortfall``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import optimize
from scipy import sparse as scipy_sparse

from oracles.household import cheapest_steps, needs_the_grid, sun_serving_load_first

if TYPE_CHECKING:
    from collections.abc import Mapping

    from oracles.household import Array, Household

sparse: Any = scipy_sparse  # the stubs' overloads refuse stacks of mixed matrices, which work
linprog: Any = optimize.linprog  # and a two-column array of bounds

BUDGET_SCALE = 1e3  # the solver's tolerance is absolute: a row written larger is held more tightly
COLUMNS = (
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
STRATEGIES = ("grid-only", "sun-only", "reserve-first", "solar-first", "off-peak-first", "least-cost")
SHORTFALLS = ("unserved_load", "import_excess", "floor_shortfall", "closing_shortfall")


@dataclass
class Program:
    """Sparse rows and bounds of one household, before any strategy."""

    house: Household
    upper: dict[str, Array] = field(default_factory=dict)
    lower: dict[str, Array] = field(default_factory=dict)
    equal_rows: list[Any] = field(default_factory=list)
    equal_values: list[Array] = field(default_factory=list)
    most_rows: list[Any] = field(default_factory=list)
    most_values: list[Array] = field(default_factory=list)

    @property
    def width(self) -> int:
        """Number of columns: one of each name per step, and the closing shortfall last."""
        return len(COLUMNS) * self.house.steps + 1

    def row(self, weights: Mapping[str, Any], closing: float = 0.0) -> Any:  # noqa: ANN401 - a sparse matrix
        """One row per step; a weight is a number, or a matrix where steps are coupled."""
        n = self.house.steps
        empty = sparse.csr_matrix((n, n))
        eye = sparse.identity(n, format="csr")
        blocks = [
            empty if name not in weights else w if sparse.issparse(w := weights[name]) else w * eye
            for name in COLUMNS
        ]
        last = sparse.csr_matrix(np.full((n, 1), closing))
        return sparse.csr_matrix(sparse.hstack([*blocks, last], format="csr"))

    def sums(self, weights: Mapping[str, float | Array], closing: float = 0.0) -> Array:
        """One objective vector over all columns."""
        n = self.house.steps
        vector = np.zeros(self.width)
        for name, weight in weights.items():
            at = COLUMNS.index(name) * n
            vector[at : at + n] = weight
        vector[-1] = closing
        return vector

    def equal(self, weights: Mapping[str, Any], value: Array | float) -> None:
        """Add ``weights · columns == value`` in every step."""
        self.equal_rows.append(self.row(weights))
        self.equal_values.append(np.broadcast_to(np.asarray(value, dtype=float), (self.house.steps,)))

    def at_most(self, weights: Mapping[str, Any], value: Array | float) -> None:
        """Add ``weights · columns <= value`` in every step."""
        self.most_rows.append(self.row(weights))
        self.most_values.append(np.broadcast_to(np.asarray(value, dtype=float), (self.house.steps,)))

    def bounds(self) -> Array:
        """Lower and upper bound of every column."""
        n = self.house.steps
        both = np.zeros((self.width, 2))
        both[:, 1] = np.inf
        for at, name in enumerate(COLUMNS):
            both[at * n : (at + 1) * n, 0] = self.lower.get(name, np.zeros(n))
            both[at * n : (at + 1) * n, 1] = self.upper.get(name, np.full(n, np.inf))
        return both


def build(house: Household) -> Program:
    """State meter, load, sun and battery with their limits, free of any strategy."""
    program = Program(house)
    _state_flows(program)
    _state_storage(program)
    _state_power_limits(program)
    _state_feed_in(program)
    return program


def _state_flows(program: Program) -> None:
    house, eta = program.house, program.house.hardware.eta_inverter
    program.equal(
        {
            "import": 1,
            "export": -1,
            "grid_to_load": -1,
            "grid_to_battery": -1,
            "sun_to_grid": eta,
            "battery_to_grid": eta,
        },
        house.other,
    )
    program.equal(
        {"grid_to_load": 1, "sun_to_load": eta, "battery_to_load": eta, "unserved_load": 1},
        house.load + house.idle,
    )
    program.equal({"sun_to_load": 1, "sun_to_battery": 1, "sun_to_grid": 1, "spill": 1}, house.sun)


def _state_storage(program: Program) -> None:
    house, hardware = program.house, program.house.hardware
    n = house.steps
    before = sparse.diags([np.ones(n - 1)], [-1], shape=(n, n), format="csr")
    kept = 1 - hardware.self_discharge_per_hour * house.dt_hours
    first = np.zeros(n)
    first[0] = hardware.start_kwh
    gain = {"grid_to_battery": hardware.eta_charger, "sun_to_battery": hardware.eta_dc}
    drain = dict.fromkeys(("battery_to_load", "battery_to_grid"), 1 / hardware.eta_discharge)
    program.equal(
        {
            "stored": sparse.identity(n, format="csr") - kept * before,
            **{name: -rate for name, rate in gain.items()},
            **drain,
        },
        kept * first,
    )
    if hardware.taper_hours > 0:
        share = 1 - math.exp(-house.dt_hours / hardware.taper_hours)
        program.at_most({**gain, "stored": share * before}, share * (hardware.full_kwh - first))
    program.lower["stored"] = np.full(n, hardware.empty_kwh)
    program.upper["stored"] = np.full(n, hardware.ceiling_kwh)
    program.at_most({"stored": -1, "floor_shortfall": -1}, -house.floor)
    end = program.row({"stored": -1}, closing=-1.0)[n - 1]
    program.most_rows.append(sparse.csr_matrix(end))
    program.most_values.append(np.array([-hardware.closing_kwh]))


def _state_power_limits(program: Program) -> None:
    house, hardware, dt = program.house, program.house.hardware, program.house.dt_hours
    eta = hardware.eta_inverter
    program.at_most({"grid_to_battery": 1}, hardware.grid_charge_kw * dt)
    program.at_most({"grid_to_battery": 1, "sun_to_battery": 1}, hardware.total_charge_kw * dt)
    through_inverter = ("sun_to_load", "battery_to_load", "sun_to_grid", "battery_to_grid")
    program.at_most(dict.fromkeys(through_inverter, eta), hardware.inverter_kw * dt)
    if hardware.bypass_kw is not None:
        program.at_most({"grid_to_load": 1}, hardware.bypass_kw * dt)
    if hardware.ac_input_kw is not None:
        program.at_most({"grid_to_load": 1, "grid_to_battery": 1}, hardware.ac_input_kw * dt)
    if hardware.import_limit_kw is not None:
        program.at_most({"import": 1, "import_excess": -1}, hardware.import_limit_kw * dt)
    if hardware.switches_whole_load:
        allowed = np.where(needs_the_grid(house), 0.0, np.inf)
        program.upper["sun_to_load"] = program.upper["battery_to_load"] = allowed


def _state_feed_in(program: Program) -> None:
    house, hardware = program.house, program.house.hardware
    nothing, anything = np.zeros(house.steps), np.full(house.steps, np.inf)
    if hardware.feed_in == "none":
        program.upper["sun_to_grid"] = nothing
    if hardware.feed_in == "none" or not hardware.battery_feed_in:
        program.upper["battery_to_grid"] = nothing
    if hardware.feed_in != "grid":
        program.upper["export"] = nothing
    elif hardware.export_limit_kw is not None:
        program.upper["export"] = np.minimum(anything, hardware.export_limit_kw * house.dt_hours)


@dataclass(frozen=True)
class Stage:
    """One objective of the lexicographic order; ``sense`` is -1 where most is best."""

    name: str
    weights: Array
    sense: int = 1


def _apply_strategy(program: Program, strategy: str) -> list[Stage]:
    """Set the strategy's bounds and return its own stages."""
    house, nothing = program.house, np.zeros(program.house.steps)
    if strategy in {"reserve-first", "solar-first"}:
        straight = sun_serving_load_first(house)
        program.lower["sun_to_load"] = program.upper["sun_to_load"] = straight
    if strategy == "reserve-first":
        program.upper["battery_to_load"] = program.upper["battery_to_grid"] = nothing
        return [Stage("own_most_stored", program.sums({"stored": 1.0}), -1)]
    if strategy == "solar-first":
        program.upper["battery_to_grid"] = nothing
        return [
            Stage("own_grid_to_battery", program.sums({"grid_to_battery": 1.0})),
            Stage("own_spill_and_sun_to_grid", program.sums({"spill": 1.0, "sun_to_grid": 1.0})),
        ]
    if strategy == "off-peak-first":
        cheap = cheapest_steps(house)
        for name in ("battery_to_load", "battery_to_grid"):
            program.upper[name] = np.where(cheap, 0.0, program.upper.get(name, np.full(house.steps, np.inf)))
        return [Stage("own_dear_grid_charging", program.sums({"grid_to_battery": np.where(cheap, 0.0, 1.0)}))]
    if strategy == "sun-only":
        _leave_battery_out(program)
        return []
    if strategy == "least-cost":
        return []
    message = f"no such strategy: {strategy}"
    raise ValueError(message)


def _leave_battery_out(program: Program) -> None:
    """Take the battery away: no charging, no discharging, and no rule about what it holds."""
    nothing = np.zeros(program.house.steps)
    hardware = replace(
        program.house.hardware, start_kwh=0.0, empty_kwh=0.0, closing_kwh=0.0, self_discharge_per_hour=0.0
    )
    fresh = build(replace(program.house, hardware=hardware, floor=nothing))
    program.equal_rows, program.equal_values = fresh.equal_rows, fresh.equal_values
    program.most_rows, program.most_values = fresh.most_rows, fresh.most_values
    program.lower, program.upper = fresh.lower, fresh.upper
    for name in ("grid_to_battery", "sun_to_battery", "battery_to_load", "battery_to_grid", "stored"):
        program.upper[name] = program.lower[name] = nothing


def cost_weights(program: Program) -> Array:
    """Energy money and wear, as one objective vector."""
    house = program.house
    wear = house.hardware.wear_per_kwh / house.hardware.eta_discharge
    return program.sums(
        {
            "import": house.import_price,
            "export": -house.export_price,
            "battery_to_load": wear,
            "battery_to_grid": wear,
        }
    )


@dataclass(frozen=True)
class Optimum:
    """What every stage reached, and one schedule that reaches all of them."""

    strategy: str
    stages: dict[str, float]
    """By stage name, in the order held: the shortfalls, own stages, cost, stored_sum, throughput."""
    flows: dict[str, Array]

    @property
    def cost(self) -> float:
        """Energy money plus wear."""
        return self.stages["cost"]

    @property
    def shortfalls(self) -> tuple[float, ...]:
        """Unserved, above the import limit, below the floor, below the closing level. [kWh]."""
        return tuple(self.stages[name] for name in SHORTFALLS)


def optimum(house: Household, strategy: str, *, through: str = "throughput", room: float = 0.0) -> Optimum:
    """Solve one strategy through all its stages, or up to and including the one named.

    With ``room`` every stage may fall short of its optimum by that much (relative, plus as much absolute), so
    that each later stage reaches at least as far as under any order that is held less loosely.

    Raises
    ------
    AssertionError
        If the solver stops without an optimum: every household has a schedule, thanks to the shortfalls.
    """
    if strategy == "grid-only":
        return _without_system(house)
    program = build(house)
    own = _apply_strategy(program, strategy)
    discharge = {"battery_to_load": 1.0, "battery_to_grid": 1.0}
    stages = [
        *own,
        Stage("cost", cost_weights(program)),
        Stage("stored_sum", program.sums({"stored": 1.0}), -1),
        Stage("throughput", program.sums(discharge)),
    ]
    slack = [Stage(name, program.sums({name: 1.0})) for name in SHORTFALLS[:-1]]
    slack.append(Stage(SHORTFALLS[-1], program.sums({}, closing=1.0)))
    return _solve_in_order(program, strategy, [*slack, *stages], through, room)


def _without_system(house: Household) -> Optimum:
    """No program needed: the meter delivers load and the rest of the house, and nothing else draws."""
    drawn = house.load + house.other
    limit = house.hardware.import_limit_kw
    excess = np.zeros_like(drawn) if limit is None else np.maximum(0.0, drawn - limit * house.dt_hours)
    values = dict.fromkeys(SHORTFALLS, 0.0) | {
        "import_excess": float(excess.sum()),
        "cost": float(drawn @ house.import_price),
    }
    flows = {"import": drawn, "grid_to_load": house.load, "import_excess": excess}
    return Optimum("grid-only", values, flows)


def _solve_in_order(
    program: Program, strategy: str, stages: list[Stage], through: str, room: float
) -> Optimum:
    """Hold each stage by a budget row and go on to the next."""
    budget_rows: list[Array] = []
    budget_values: list[float] = []
    values: dict[str, float] = {}
    bounds = program.bounds()
    promises = np.sum([stage.weights for stage in stages[: len(SHORTFALLS)]], axis=0)
    solution = _minimise(program, promises, bounds, budget_rows, budget_values)
    if room == 0 and float(promises @ solution) <= 1e-9:  # all four at once, as is usual
        values = dict.fromkeys(SHORTFALLS, 0.0)
        bounds[np.flatnonzero(promises), 1] = 0.0
    for stage in stages[len(values) :]:
        solution = _minimise(program, stage.sense * stage.weights, bounds, budget_rows, budget_values)
        value = float(stage.weights @ solution)
        values[stage.name] = value
        if stage.name == through:
            break
        budget_rows.append(stage.sense * stage.weights)
        budget_values.append(stage.sense * value + room * (1 + abs(value)))
    n = program.house.steps
    flows = {name: solution[at * n : (at + 1) * n] for at, name in enumerate(COLUMNS)}
    flows["closing_shortfall"] = solution[-1:]
    return Optimum(strategy, values, flows)


def _minimise(
    program: Program, weights: Array, bounds: Array, budget_rows: list[Array], budget_values: list[float]
) -> Array:
    """Solve, with as little room in the budget rows as rounding lets the solver find a point in.

    Room is money (or energy) given away by one stage to the next, and the next may turn a little of it into a
    lot: with slow self-discharge a stored kWh costs next to nothing to keep.
    """
    budgets = [sparse.csr_matrix(BUDGET_SCALE * row) for row in budget_rows]
    rows = {
        "A_ub": sparse.vstack([*program.most_rows, *budgets], format="csr"),
        "A_eq": sparse.vstack(program.equal_rows, format="csr"),
        "b_eq": np.concatenate(program.equal_values),
    }
    spent = np.asarray(budget_values, dtype=np.float64)
    for room, presolve in product((0.0, 1e-12, 1e-10, 1e-9), (True, False)):
        most = BUDGET_SCALE * (spent + room * (1 + np.abs(spent)))
        options = {
            "presolve": presolve,
            "primal_feasibility_tolerance": 1e-9,
            "dual_feasibility_tolerance": 1e-9,
        }
        limits = np.concatenate([*program.most_values, most])
        result = linprog(weights, **rows, b_ub=limits, bounds=bounds, method="highs", options=options)
        if result.status == 0:
            return np.asarray(result.x, dtype=np.float64)
    raise AssertionError(result.message)
