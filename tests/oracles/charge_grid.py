"""Dynamic programming on a grid of charge levels: an oracle that is no linear program at all.

Walking backwards over the steps, every pair of levels is priced in closed form: how much has to enter or
leave the cells, where it comes from, what then passes the meter. Since it may only stop at grid levels it can
never be cheaper than the linear program, and with a finer grid it must close in on it. Shortfalls do not
exist here: a household for which no schedule keeps every limit costs infinity.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from oracles.household import sun_serving_load_first

if TYPE_CHECKING:
    from oracles.household import Array, Household, Mask

ROUNDING_KWH = 1e-9


def least_cost_on_grid(house: Household, intervals: int) -> float:
    """Least energy money plus wear over levels that divide empty to ceiling into equal intervals.

    Start and closing levels should lie on the grid; a start level that does not is infinitely dear.
    """
    hardware = house.hardware
    assert not hardware.switches_whole_load, "not priced here"
    levels = np.linspace(hardware.empty_kwh, hardware.ceiling_kwh, intervals + 1)
    value = np.where(levels >= hardware.closing_kwh - ROUNDING_KWH, 0.0, np.inf)
    for t in reversed(range(house.steps)):
        arriving = np.where(levels >= house.floor[t] - ROUNDING_KWH, value, np.inf)
        value = (_price_moves(house, t, levels) + arriving[None, :]).min(axis=1)
    start = np.flatnonzero(np.isclose(levels, hardware.start_kwh, rtol=0, atol=ROUNDING_KWH))
    return float(value[start[0]]) if len(start) else math.inf


def _price_moves(house: Household, t: int, levels: Array) -> Array:
    """Cost of going from each level (row) to each level (column) within step t; infinite where impossible."""
    hardware = house.hardware
    kept = 1 - hardware.self_discharge_per_hour * house.dt_hours
    into_cells = levels[None, :] - kept * levels[:, None]
    charge, discharge = np.maximum(into_cells, 0.0), np.maximum(-into_cells, 0.0)
    if hardware.taper_hours > 0:
        room = (hardware.full_kwh - levels[:, None]) * (1 - math.exp(-house.dt_hours / hardware.taper_hours))
        charge = np.where(charge > room + ROUNDING_KWH, np.inf, charge)
    terminals = discharge * hardware.eta_discharge
    best = np.full_like(into_cells, np.inf)
    for sun_charge in _candidate_sun_charges(house, t, charge):
        best = np.minimum(best, _price_step(house, t, charge, terminals, sun_charge))
    return best + hardware.wear_per_kwh * discharge


def _candidate_sun_charges(house: Household, t: int, charge: Array) -> list[Array]:
    """Sun into the battery at which the step's cost, piecewise linear in it, can have its least value."""
    hardware = house.hardware
    most_grid = hardware.eta_charger * hardware.grid_charge_kw * house.dt_hours
    charge = np.where(np.isfinite(charge), charge, 0.0)
    most = np.minimum(house.sun[t], charge / hardware.eta_dc)
    least = np.minimum(np.maximum(0.0, (charge - most_grid) / hardware.eta_dc), most)
    straight = sun_serving_load_first(house)[t]
    eta, from_grid = hardware.eta_inverter, hardware.eta_dc / hardware.eta_charger
    kinks = [0.0, np.inf, house.sun[t] - straight, house.sun[t] - hardware.inverter_kw * house.dt_hours / eta]
    if (
        hardware.feed_in != "none" and abs(eta - from_grid) > ROUNDING_KWH
    ):  # meter at rest, or export at its limit
        drawn = house.load[t] + house.idle[t] + house.other[t] + charge / hardware.eta_charger
        at_rest = (eta * house.sun[t] - drawn) / (eta - from_grid)
        limit_kwh = (hardware.export_limit_kw or 0.0) * house.dt_hours
        kinks += [at_rest, at_rest - limit_kwh / (eta - from_grid)]
    return [np.clip(kink, least, most) for kink in kinks]


def _price_step(house: Household, t: int, charge: Array, terminals: Array, sun_charge: Array) -> Array:
    """Price one step whose battery flows are decided; the sun left serves the load, then the meter."""
    hardware, dt, eta = house.hardware, house.dt_hours, house.hardware.eta_inverter
    load = house.load[t] + house.idle[t]
    grid_charge = np.maximum(0.0, (charge - hardware.eta_dc * sun_charge) / hardware.eta_charger)
    left = house.sun[t] - sun_charge
    most_dc = hardware.inverter_kw * dt / eta
    battery_to_load = np.minimum(terminals, load / eta)
    battery_to_grid = terminals - battery_to_load
    sun_to_load = np.minimum(np.minimum(left, load / eta - battery_to_load), most_dc - terminals)
    grid_to_load = load - eta * (sun_to_load + battery_to_load)
    through_meter = grid_to_load + grid_charge + house.other[t] - eta * battery_to_grid
    fed_in = np.zeros_like(left)
    if hardware.feed_in != "none":
        takes = {"house": 0.0, "grid": math.inf if (most := hardware.export_limit_kw) is None else most * dt}
        room = np.maximum(0.0, (through_meter + takes[hardware.feed_in]) / eta)
        fed_in = np.maximum(
            0.0, np.minimum(np.minimum(left - sun_to_load, most_dc - terminals - sun_to_load), room)
        )
    through_meter = through_meter - eta * fed_in
    cost = np.where(through_meter > 0, house.import_price[t], house.export_price[t]) * through_meter
    possible = (sun_to_load >= -ROUNDING_KWH) & _within_limits(
        house,
        {
            "grid charger": (grid_charge, hardware.grid_charge_kw),
            "combined charging": (grid_charge + sun_charge, hardware.total_charge_kw),
            "bypass": (grid_to_load, hardware.bypass_kw),
            "plug": (grid_to_load + grid_charge, hardware.ac_input_kw),
            "import": (through_meter, hardware.import_limit_kw),
            "export": (-through_meter, hardware.export_limit_kw if hardware.feed_in == "grid" else 0.0),
        },
    )
    if hardware.feed_in == "none" or not hardware.battery_feed_in:
        possible &= battery_to_grid <= ROUNDING_KWH
    return np.where(possible, cost, np.inf)


def _within_limits(house: Household, carried: dict[str, tuple[Array, float | None]]) -> Mask:
    """Whether every energy is finite and within its power limit."""
    fits = [
        np.isfinite(energy) & (energy <= limit_kw * house.dt_hours + ROUNDING_KWH)
        for energy, limit_kw in carried.values()
        if limit_kw is not None
    ]
    return np.asarray(np.all(fits, axis=0), dtype=np.bool_)
