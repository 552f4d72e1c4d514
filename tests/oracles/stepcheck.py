"""Walk through a flows table step by step and list every rule it breaks.

Written from the flow equations alone, in plain Python, so that anyone can re-check a schedule: it needs one
CSV and the ``limits`` of the JSON document that ``dispatch compare`` writes, and knows nothing of how the
schedule was found. What is stored is *simulated* from the start level; the table's own column is only
compared with it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    import pandas as pd

FLOWS = (
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
    "unserved_load",
    "import_excess",
    "floor_shortfall",
)


@dataclass(frozen=True)
class Step:
    """One row of the table, and what the battery held before it."""

    number: int
    values: Mapping[str, float]
    before_kwh: float
    dt_hours: float

    def __getitem__(self, name: str) -> float:
        return self.values[f"{name}_kwh"]


@dataclass(frozen=True)
class Walk:
    """What is needed to judge every step alike."""

    limits: Mapping[str, Any]
    strategy: str
    tolerance_kwh: float

    def above(self, value: float, most: float | None) -> bool:
        """Whether a value exceeds its limit by more than the tolerance; no limit is never exceeded."""
        return most is not None and value > most + self.tolerance_kwh

    def differ(self, left: float, right: float) -> bool:
        """Whether two energies that should be one are not; a missing number differs from everything."""
        return not abs(left - right) <= self.tolerance_kwh


def broken_rules(
    table: pd.DataFrame,
    limits: Mapping[str, Any],
    strategy: str,
    *,
    dt_hours: float,
    closing_shortfall_kwh: float = 0.0,
    tolerance_kwh: float = 1e-6,
) -> list[str]:
    """Say what is wrong with a schedule.

    Parameters
    ----------
    table : DataFrame
        Columns as in the CSV, one row per step; the index is not used.
    limits : mapping
        The ``limits`` of the JSON document.
    strategy : str
        Its own bounds are checked too.
    dt_hours : float
        Length of a step.
    closing_shortfall_kwh : float
        By how much the schedule says it misses the closing level.
    tolerance_kwh : float
        Energy below which a difference is rounding.

    Returns
    -------
    list of str
        One sentence per rule broken, with its step; empty if the schedule stands.
    """
    walk = Walk(limits, strategy, tolerance_kwh)
    if strategy == "grid-only":
        return _broken_without_system(table, walk, dt_hours)
    found: list[str] = []
    stored = float(limits["start_kwh"])
    rows = table.drop(columns=[name for name in ("time",) if name in table]).to_dict("records")
    for number, row in enumerate(rows):
        step = Step(number, {str(name): float(value) for name, value in row.items()}, stored, dt_hours)
        found += [f"step {number}: {problem}" for problem in _broken_in_step(walk, step)]
        stored = _stored_after(step, limits) if strategy != "sun-only" else stored
    missing = float(limits["closing_kwh"]) - stored - closing_shortfall_kwh
    if strategy != "sun-only" and missing > tolerance_kwh:
        found.append(f"end: {missing:g} kWh below the closing level that no shortfall owns up to")
    return found


def _broken_without_system(table: pd.DataFrame, walk: Walk, dt_hours: float) -> list[str]:
    found = []
    for number, row in enumerate(table.to_dict("records")):
        drawn = row["load_kwh"] + row["other_kwh"]
        if walk.differ(row["import_kwh"], drawn):
            found.append(f"step {number}: import is not load plus other")
        limit = walk.limits["import_limit_kw"]
        excess = 0.0 if limit is None else max(0.0, drawn - limit * dt_hours)
        if walk.differ(row["import_excess_kwh"], excess):
            found.append(f"step {number}: import above the limit is not {excess:g}")
        quiet = [name for name in FLOWS if name not in {"import", "grid_to_load", "import_excess"}]
        found += [
            f"step {number}: {name} without a system"
            for name in quiet
            if row[f"{name}_kwh"] > walk.tolerance_kwh
        ]
    return found


def _stored_after(step: Step, limits: Mapping[str, Any]) -> float:
    kept = (1 - limits["self_discharge_per_hour"] * step.dt_hours) * step.before_kwh
    out = (step["battery_to_load"] + step["battery_to_grid"]) / limits["eta_discharge"]
    return float(kept + _into_cells(step, limits) - out)


def _into_cells(step: Step, limits: Mapping[str, Any]) -> float:
    return float(limits["eta_charger"] * step["grid_to_battery"] + limits["eta_dc"] * step["sun_to_battery"])


def _broken_in_step(walk: Walk, step: Step) -> Iterator[str]:
    for name in FLOWS:
        if not step[name] >= -walk.tolerance_kwh:
            yield f"{name} is {step[name]:g}"
    yield from _broken_balances(walk, step)
    yield from _broken_power(walk, step)
    yield from _broken_feed_in(walk, step)
    yield from _needless_detours(walk, step)
    yield from _broken_strategy(walk, step)
    if walk.strategy != "sun-only":
        yield from _broken_level(walk, step)


def _broken_balances(walk: Walk, step: Step) -> Iterator[str]:
    eta = walk.limits["eta_inverter"]
    through_meter = step["grid_to_load"] + step["grid_to_battery"] + step["other"]
    fed_in = eta * (step["sun_to_grid"] + step["battery_to_grid"])
    if walk.differ(step["import"] - step["export"], through_meter - fed_in):
        yield "the meter does not balance"
    served = (
        step["grid_to_load"] + eta * (step["sun_to_load"] + step["battery_to_load"]) + step["unserved_load"]
    )
    if walk.differ(served, step["load"] + step["idle"]):
        yield "the load does not balance"
    used = step["sun_to_load"] + step["sun_to_battery"] + step["sun_to_grid"] + step["spill"]
    if walk.differ(used, step["sun"]):
        yield "the sun does not balance"


def _broken_power(walk: Walk, step: Step) -> Iterator[str]:
    limits = walk.limits

    def energy(name: str) -> float | None:
        return None if limits[name] is None else limits[name] * step.dt_hours

    through_inverter = limits["eta_inverter"] * sum(
        step[name] for name in ("sun_to_load", "battery_to_load", "sun_to_grid", "battery_to_grid")
    )
    checks = {
        "grid charger": (step["grid_to_battery"], energy("grid_charge_kw")),
        "combined charging": (step["grid_to_battery"] + step["sun_to_battery"], energy("total_charge_kw")),
        "inverter": (through_inverter, energy("inverter_kw")),
        "bypass": (step["grid_to_load"], energy("bypass_kw")),
        "plug": (step["grid_to_load"] + step["grid_to_battery"], energy("ac_input_kw")),
        "import limit": (step["import"] - step["import_excess"], energy("import_limit_kw")),
        "export limit": (step["export"], energy("export_limit_kw")),
    }
    if limits["taper_hours"] > 0:
        room = limits["full_kwh"] - step.before_kwh
        share = 1 - math.exp(-step.dt_hours / limits["taper_hours"])
        checks["taper"] = (_into_cells(step, limits), room * share)
    for name, (value, most) in checks.items():
        if walk.above(value, most):
            yield f"{name} carries {value:g} kWh, at most {most:g}"
    if (
        limits["switches_whole_load"]
        and step["load"] + step["idle"] > limits["inverter_kw"] * step.dt_hours + 1e-9
    ):
        shared = step["sun_to_load"] + step["battery_to_load"]
        if shared > walk.tolerance_kwh:
            yield "the inverter shares a load with the grid"


def _broken_feed_in(walk: Walk, step: Step) -> Iterator[str]:
    feed_in = walk.limits["feed_in"]
    if feed_in == "none" and step["sun_to_grid"] > walk.tolerance_kwh:
        yield "sun is fed in where nothing may be"
    if (feed_in == "none" or not walk.limits["battery_feed_in"]) and step[
        "battery_to_grid"
    ] > walk.tolerance_kwh:
        yield "the battery feeds in where it may not"
    if feed_in != "grid" and step["export"] > walk.tolerance_kwh:
        yield "export where none is allowed"


def _needless_detours(walk: Walk, step: Step) -> Iterator[str]:
    """Find energy that goes out and in at once although the straight way was open."""
    small = walk.tolerance_kwh
    if min(step["import"], step["export"]) > small:
        yield "imports and exports at once"
    discharge = step["battery_to_load"] + step["battery_to_grid"]
    if min(step["sun_to_battery"], discharge) > small:
        yield "sun charges the battery while it discharges"
    if min(step["grid_to_battery"], step["battery_to_grid"]) > small:
        yield "the grid charges the battery while it feeds in"
    bypass = walk.limits["bypass_kw"]
    bypass_open = bypass is None or step["grid_to_load"] < bypass * step.dt_hours - small
    if bypass_open and min(step["grid_to_battery"], step["battery_to_load"]) > small:
        yield "the grid charges the battery while it serves a load the grid could serve"


def _broken_strategy(walk: Walk, step: Step) -> Iterator[str]:
    discharge = step["battery_to_load"] + step["battery_to_grid"]
    charge = step["grid_to_battery"] + step["sun_to_battery"]
    if walk.strategy in {"reserve-first", "sun-only"} and discharge > walk.tolerance_kwh:
        yield f"{walk.strategy} discharges"
    if walk.strategy == "sun-only" and charge > walk.tolerance_kwh:
        yield "sun-only charges"
    if walk.strategy == "solar-first" and step["battery_to_grid"] > walk.tolerance_kwh:
        yield "solar-first feeds in from the battery"
    if walk.strategy in {"reserve-first", "solar-first"}:
        eta, most = walk.limits["eta_inverter"], walk.limits["inverter_kw"] * step.dt_hours
        load = step["load"] + step["idle"]
        straight = min(step["sun"], load / eta, most / eta)
        if walk.limits["switches_whole_load"] and load > most + 1e-9:
            straight = 0.0
        if walk.differ(step["sun_to_load"], straight):
            yield f"sun does not serve load first: {step['sun_to_load']:g} instead of {straight:g}"


def _broken_level(walk: Walk, step: Step) -> Iterator[str]:
    stored = _stored_after(step, walk.limits)
    if walk.differ(step["stored"], stored):
        yield f"stored says {step['stored']:g} kWh, the flows make it {stored:g}"
    if stored < walk.limits["empty_kwh"] - walk.tolerance_kwh or walk.above(
        stored, walk.limits["ceiling_kwh"]
    ):
        yield f"stored energy {stored:g} kWh is outside empty and ceiling"
    if stored + step["floor_shortfall"] < step["floor"] - walk.tolerance_kwh:
        yield f"stored energy {stored:g} kWh is below the floor, and no shortfall owns up to it"
