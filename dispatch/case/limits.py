"""What the parts allow: the numbers the program works with, resolved from the scenario's settings.

::

    full    = pack_kwh · pack_count
    empty   = (1 - depth_of_discharge) · full
    percent of a level is of ``full`` (nominal)
    charging together, by pack count, is stated at the inputs, as ratings state it

What one step allows: the hardware's limits as energies of a step, stated once.

Everything that follows a battery step by step (the rules of an inverter, day-ahead running, recharging after an
outage) takes its limits from here, so that none of them can drift from the program's algebra::

    keep   = 1 - σ·dt                          share of the stored energy left after a step
    room   = min((full - stored)·taper, ceiling - keep·stored)     what may enter the cells in a step
    taper  = 1 - exp(-dt/τ)                    (no limit without a taper)

Energies are kWh in the step; ``inf`` stands for no limit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, cast

import numpy as np

from dispatch.equipment.life import wear_per_kwh
from dispatch.errors import ScenarioError
from tariffs.reading.refusals import problem_report

if TYPE_CHECKING:
    from dispatch.arrays import Floats
    from dispatch.scenario.model import Level, Scenario


_ROUNDING_KWH = 1e-9
"""Levels given in percent and in kWh may differ by this without being different levels."""


@dataclass(frozen=True)
class Limits:
    """The resolved numbers of one home's hardware.

    Attributes
    ----------
    full_kwh, empty_kwh : float
        Nominal energy, and the level below which the battery is never drawn. [kWh]
    start_kwh, closing_kwh, ceiling_kwh : float
        Level before the first step, wanted after the last, and never exceeded. [kWh]
    grid_charge_kw, total_charge_kw, solar_input_kw : float
        Charging limits at the inputs: from the grid, from grid and sun together; and the sun's input. [kW]
    inverter_kw : float
        AC power the inverter holds. [kW]
    bypass_kw, ac_input_kw, import_limit_kw, export_limit_kw, surge_kw : float or None
        Grid power passed through, the cord feeding load and charger, the meter's limits, and what the
        inverter gives for a moment; None = no limit (surge: not stated). [kW]
    eta_inverter, eta_charger, eta_dc, eta_discharge : float
        Efficiencies: DC to AC, AC plug to cells, sun's DC to cells, cells to DC terminals.
    self_discharge_per_hour : float
        Share of the stored energy lost in an hour.
    wear_per_kwh : float
        Money per kWh leaving the cells.
    taper_hours : float
        Time constant of charging near full; 0 = no taper. [h]
    backup_horizon_hours : float
        Backup hours are counted up to this many. [h]
    feed_in : str
        "none", "house" or "grid".
    battery_feed_in, switches_whole_load : bool
        Whether the battery may feed in; whether grid and inverter cannot share a load.
    idle_on_kw, idle_off_kw : float
        The system's own draw with outputs on and off. [kW]
    """

    full_kwh: float
    empty_kwh: float
    start_kwh: float
    closing_kwh: float
    grid_charge_kw: float
    total_charge_kw: float
    inverter_kw: float
    bypass_kw: float | None
    import_limit_kw: float | None
    export_limit_kw: float | None
    eta_inverter: float
    eta_charger: float
    eta_dc: float
    eta_discharge: float
    self_discharge_per_hour: float
    wear_per_kwh: float
    ac_input_kw: float | None
    ceiling_kwh: float
    taper_hours: float
    backup_horizon_hours: float
    feed_in: Literal["none", "house", "grid"]
    battery_feed_in: bool
    switches_whole_load: bool
    idle_on_kw: float
    idle_off_kw: float
    surge_kw: float | None
    solar_input_kw: float


def resolve_limits(scenario: Scenario, source: object = "scenario", usable_fraction: float = 1.0) -> Limits:
    """Work out what the hardware of a scenario allows.

    Parameters
    ----------
    scenario : Scenario
    source : object, optional
        What a message calls the scenario: its path.
    usable_fraction : float, optional
        Share of the usable energy that the cold leaves; the rest counts as empty.

    Raises
    ------
    ScenarioError
        If a level lies outside the battery, the list of charging limits is too short for the packs, or
        there is sun but no limit of its input. One message holds every problem. The reserve is held
        against these limits in :mod:`dispatch.case.floor`.
    """
    battery, inverter, charging, grid = scenario.battery, scenario.inverter, scenario.charging, scenario.grid
    full_kwh = battery.pack_kwh * battery.pack_count
    units, legs = scenario.units.count, scenario.units.carried_count
    # of two legs the more loaded one is empty first; what the other then holds carries nothing on it
    usable = battery.depth_of_discharge_fraction * usable_fraction * legs / units
    empty_kwh = full_kwh * (1.0 - usable)
    problems: list[str] = []
    _check_packs(scenario, problems)
    ceiling_kwh, start_kwh, closing_kwh = _levels(scenario, full_kwh, empty_kwh, problems)
    solar_input_kw = _solar_input_kw(scenario)
    total_charge_kw = _total_charge_kw(scenario, solar_input_kw, problems)
    if scenario.sun is not None and not solar_input_kw:
        problems.append("charging.solar_w: needed with [sun]; add the limit of the solar input in W")
    if problems:
        raise ScenarioError(problem_report(source, problems))
    return Limits(
        full_kwh=full_kwh,
        empty_kwh=empty_kwh,
        start_kwh=start_kwh,
        closing_kwh=closing_kwh,
        grid_charge_kw=units * charging.grid_w / 1000.0,
        total_charge_kw=total_charge_kw,
        inverter_kw=legs * inverter.continuous_w / 1000.0,
        bypass_kw=_kw(inverter.bypass_w, legs),
        import_limit_kw=grid.import_limit_kw,
        export_limit_kw=grid.export_limit_kw,
        eta_inverter=inverter.efficiency_fraction,
        eta_charger=battery.charger_efficiency_fraction,
        eta_dc=battery.solar_charge_efficiency_fraction,
        eta_discharge=battery.discharge_efficiency_fraction,
        self_discharge_per_hour=battery.self_discharge_per_hour_fraction,
        wear_per_kwh=wear_per_kwh(scenario.life, battery),
        ac_input_kw=_kw(charging.ac_input_w, units),
        ceiling_kwh=ceiling_kwh,
        taper_hours=battery.taper_hours,
        backup_horizon_hours=scenario.backup.horizon_hours,
        feed_in=grid.feed_in,
        battery_feed_in=grid.battery_feed_in,
        switches_whole_load=inverter.switches_whole_load,
        idle_on_kw=units * inverter.idle_on_w / 1000.0,
        idle_off_kw=units * inverter.idle_off_w / 1000.0,
        surge_kw=_kw(inverter.surge_w, legs),
        solar_input_kw=solar_input_kw,
    )


def usable_share(scenario: Scenario, limits: Limits) -> float:
    """Return the ``usable_fraction`` that limits of this scenario were resolved with."""
    legs = scenario.units.carried_count / scenario.units.count
    usable = limits.full_kwh * scenario.battery.depth_of_discharge_fraction * legs
    return (limits.full_kwh - limits.empty_kwh) / usable


def clip_sun(sun_kwh: Floats, limits: Limits, dt_hours: float) -> Floats:
    """Cut the sun to what the solar input takes.

    Parameters
    ----------
    sun_kwh : ndarray of float, shape (n,)
        What the panels can deliver in each step, DC. [kWh]
    limits : Limits
    dt_hours : float
        Length of a step. [h]

    Returns
    -------
    ndarray of float, shape (n,)
        At most ``solar_input_kw · dt_hours``. [kWh]
    """
    return np.minimum(sun_kwh, limits.solar_input_kw * dt_hours)


def serving_limit_kw(limits: Limits) -> float:
    """Tell the largest load, idle draw included, that bypass and inverter can carry, in kW.

    Together where they can share a load, else the larger of the two; ``inf`` where neither the bypass
    nor the cord has a limit.
    """
    through_kw = min(
        np.inf if limits.bypass_kw is None else limits.bypass_kw,
        np.inf if limits.ac_input_kw is None else limits.ac_input_kw,
    )
    if limits.switches_whole_load:
        return max(through_kw, limits.inverter_kw)
    return through_kw + limits.inverter_kw


def _kw(watts: float | None, times: float = 1.0) -> float | None:
    return None if watts is None else times * watts / 1000.0


def _check_packs(scenario: Scenario, problems: list[str]) -> None:
    """Hold the packs against what the units take: each the same number, none too many."""
    units, packs = scenario.units, scenario.battery.pack_count
    if packs % units.count:
        problems.append(
            f"battery.pack_count: {packs} packs cannot be shared evenly by {units.count} units; legs of unlike size "
            f"run empty at different times: choose {packs - packs % units.count or units.count} or "
            f"{packs + units.count - packs % units.count}"
        )
    most = units.most_packs_count
    if most is not None and packs > most * units.count:
        problems.append(
            f"battery.pack_count: {packs} packs, but {units.count} unit{'s' if units.count > 1 else ''} of "
            f"units.most_packs_count = {most} take {most * units.count}; lower it, or add a unit"
        )


def _solar_input_kw(scenario: Scenario) -> float:
    """Tell what all solar inputs take together: as stated for a unit, else the sum of [solar]; 0 = none."""
    if scenario.charging.solar_w is not None:
        return scenario.units.count * scenario.charging.solar_w / 1000.0
    return sum(one.most_w for one in scenario.solar.inputs) / 1000.0 if scenario.solar else 0.0


def _level_kwh(level: Level, full_kwh: float) -> float:
    return full_kwh * level.percent / 100.0 if level.percent is not None else level.kwh or 0.0


def _written(level: Level, level_kwh: float) -> str:
    return (
        f"{level.percent:g} % = {level_kwh:.6g} kWh" if level.percent is not None else f"{level_kwh:.6g} kWh"
    )


def _levels(
    scenario: Scenario, full_kwh: float, empty_kwh: float, problems: list[str]
) -> tuple[float, float, float]:
    """Resolve ceiling, start and closing in kWh, adding to ``problems`` what lies outside the battery."""
    battery = scenario.battery
    ceiling_kwh = full_kwh if battery.ceiling is None else _level_kwh(battery.ceiling, full_kwh)
    empty = f"empty = {empty_kwh:.6g} kWh ({100.0 * empty_kwh / full_kwh:.4g} %)"
    if battery.ceiling is not None and not empty_kwh < ceiling_kwh <= full_kwh + _ROUNDING_KWH:
        problems.append(
            f"battery.ceiling: {_written(battery.ceiling, ceiling_kwh)} is out of range; choose a level "
            f"above {empty} and up to full = {full_kwh:.6g} kWh"
        )
        ceiling_kwh = full_kwh
    # Not the ceiling: where charging tapers, a battery that has once left it never quite returns, and a closing
    # level that asks for it would keep the battery from being used at all.
    halfway_kwh = (empty_kwh + ceiling_kwh) / 2.0
    levels = {"start": halfway_kwh, "closing": halfway_kwh}
    for name in ("start", "closing"):
        level: Level | None = getattr(battery, name)
        if level is None:
            levels[name] = levels["start"]
            continue
        levels[name] = _level_kwh(level, full_kwh)
        if not empty_kwh - _ROUNDING_KWH <= levels[name] <= ceiling_kwh + _ROUNDING_KWH:
            problems.append(
                f"battery.{name}: {_written(level, levels[name])} is out of range; choose a level from "
                f"{empty} to the ceiling = {ceiling_kwh:.6g} kWh"
            )
    inside = [float(np.clip(levels[name], empty_kwh, ceiling_kwh)) for name in ("start", "closing")]
    return min(ceiling_kwh, full_kwh), inside[0], inside[1]


def _total_charge_kw(scenario: Scenario, solar_input_kw: float, problems: list[str]) -> float:
    """Limit of all charging of all units: a unit's list is by the packs on that unit."""
    units = scenario.units.count
    charging, count = scenario.charging, max(scenario.battery.pack_count // units, 1)
    combined_w = charging.combined_w
    if combined_w is None:
        return units * charging.grid_w / 1000.0 + solar_input_kw
    if not isinstance(combined_w, tuple):
        return units * combined_w / 1000.0
    if count > len(combined_w):
        problems.append(
            f"charging.combined_w: the list has limits for 1 to {len(combined_w)} packs, but "
            f"battery.pack_count = {count}; add the limit for {count} packs, or write one number for all"
        )
        return units * combined_w[-1] / 1000.0
    return units * combined_w[count - 1] / 1000.0


@dataclass(frozen=True)
class StepLimits:
    """The hardware's limits over one step.

    Attributes
    ----------
    limits : Limits
        What they were taken from (levels and efficiencies).
    dt_hours : float
        Length of the step. [h]
    keep : float
        Share of the stored energy that self-discharge leaves.
    taper : float
        Share of the distance to full that may be charged in a step; ``inf`` without a taper.
    grid_charge_kwh, total_charge_kwh, inverter_kwh, bypass_kwh, plug_kwh, import_kwh, export_kwh : float
        Energy in the step; ``export_kwh`` is 0 where nothing may be sold.
    """

    limits: Limits
    dt_hours: float
    keep: float
    taper: float
    grid_charge_kwh: float
    total_charge_kwh: float
    inverter_kwh: float
    bypass_kwh: float
    plug_kwh: float
    import_kwh: float
    export_kwh: float

    @property
    def grid_kwh(self) -> float:
        """Most that the grid can give the load directly: the smaller of bypass and cord."""
        # numpy's, because side by side each home has its own (rules.side_by_side)
        return cast("float", np.minimum(self.bypass_kwh, self.plug_kwh))


def step_limits(limits: Limits, dt_hours: float) -> StepLimits:
    """Turn limits of power into energies of one step.

    Parameters
    ----------
    limits : Limits
    dt_hours : float
        Length of the step. [h]
    """

    def energy(limit_kw: float | None) -> float:
        return math.inf if limit_kw is None else limit_kw * dt_hours

    return StepLimits(
        limits=limits,
        dt_hours=dt_hours,
        keep=1 - limits.self_discharge_per_hour * dt_hours,
        taper=-math.expm1(-dt_hours / limits.taper_hours) if limits.taper_hours else math.inf,
        grid_charge_kwh=limits.grid_charge_kw * dt_hours,
        total_charge_kwh=limits.total_charge_kw * dt_hours,
        inverter_kwh=limits.inverter_kw * dt_hours,
        bypass_kwh=energy(limits.bypass_kw),
        plug_kwh=energy(limits.ac_input_kw),
        import_kwh=energy(limits.import_limit_kw),
        export_kwh=energy(limits.export_limit_kw) if limits.feed_in == "grid" else 0.0,
    )
