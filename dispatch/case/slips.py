"""What a home may say but hardly means: percent as a fraction, kW under watts, sun at night.

Findings are facts; :mod:`dispatch.words.slips` has the sentences. Nothing here refuses anything, and nothing changes a
figure. The thresholds lie outside what households have and inside what the usual slips give.
"""
# common practice, no source: every threshold of this module

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tariffs.slips import LARGE_KWH_PER_YEAR, Slip, only_rises, per_year, tariff_slips

if TYPE_CHECKING:
    from collections.abc import Iterator

    from dispatch.arrays import Floats
    from dispatch.case.series import Series
    from dispatch.scenario.model import Scenario
    from tariffs import Tariff

FEW_WATTS = 20.0
"""No household inverter or charger is rated below this: the number is probably in kW."""

MANY_KWH = 200.0
"""No household battery pack holds more than this: the number is probably in Wh."""

MANY_KW = 100.0
"""No household connection, inverter or charger carries more than this: the number is probably in W."""

POOR_EFFICIENCY = 0.5
FAST_SELF_DISCHARGE = 0.01
SHALLOW_DISCHARGE = 0.2
LITTLE_KWH_PER_YEAR = 50.0
_MONTH_HOURS = 720.0
_NIGHT_FRACTION = 0.01
_SUN_HOURS = (10.0, 16.0)
_SUN_DAYS_HOURS = 72.0
_FINE_HOURS = 2.0  # longer steps show no hour of the day


def slips_of(scenario: Scenario, tariff: Tariff, series: Series) -> tuple[Slip, ...]:
    """Find everything that looks wrong in a home: its scenario, its tariff and its series.

    Parameters
    ----------
    scenario : Scenario
    tariff : Tariff
    series : Series

    Returns
    -------
    tuple of Slip
        In the order of the files; nothing for an ordinary home.
    """
    return (*scenario_slips(scenario), *tariff_slips(tariff), *_series(scenario, series))


# ---- the scenario ------------------------------------------------------------------------------------------
def scenario_slips(scenario: Scenario) -> tuple[Slip, ...]:
    """Find what looks wrong in a scenario file by itself."""
    return (
        *_levels(scenario),
        *_small_loads(scenario),
        *_battery(scenario),
        *_ratings(scenario),
    )


def _levels(scenario: Scenario) -> Iterator[Slip]:
    reserve, battery = scenario.reserve, scenario.battery
    percents: dict[str, float | None] = {
        f"battery.{name}.percent": None if level is None else level.percent
        for name, level in (
            ("start", battery.start),
            ("closing", battery.closing),
            ("ceiling", battery.ceiling),
        )
    }
    if reserve is not None:
        percents["reserve.percent"] = reserve.percent
        percents |= {f"reserve.raised[{at}].percent": one.percent for at, one in enumerate(reserve.raised, 1)}
    for place, percent in percents.items():
        if percent is not None and 0 < percent < 1:
            yield Slip("percent of the battery", place, percent, percent * 100)


def _small_loads(scenario: Scenario) -> Iterator[Slip]:
    inverter = scenario.inverter
    watts: dict[str, float | None] = {
        "inverter.idle_on_w": inverter.idle_on_w,
        "inverter.idle_off_w": inverter.idle_off_w,
    }
    for name in ("load", "other_load", "critical_load"):
        source = getattr(scenario, name)
        if source is not None:
            watts[f"{name}.watts"] = source.watts
            for at, one in enumerate(source.appliances or (), 1):
                watts[f"{name}.appliances[{at}].watts"] = one.watts
    for place, value in watts.items():
        if value is not None and 0 < value < 1:
            yield Slip("few watts", place, value, value * 1000)


def _battery(scenario: Scenario) -> Iterator[Slip]:
    battery = scenario.battery
    efficiencies = {
        "battery.charger_efficiency_fraction": battery.charger_efficiency_fraction,
        "battery.solar_charge_efficiency_fraction": battery.solar_charge_efficiency_fraction,
        "battery.discharge_efficiency_fraction": battery.discharge_efficiency_fraction,
        "inverter.efficiency_fraction": scenario.inverter.efficiency_fraction,
    }
    for place, value in efficiencies.items():
        if value < POOR_EFFICIENCY:
            yield Slip("efficiency", place, value, 1 - value)
    depth, lost = battery.depth_of_discharge_fraction, battery.self_discharge_per_hour_fraction
    if depth < SHALLOW_DISCHARGE:
        yield Slip("depth of discharge", "battery.depth_of_discharge_fraction", depth, 1 - depth)
    if lost > FAST_SELF_DISCHARGE:
        place = "battery.self_discharge_per_hour_fraction"
        yield Slip("self-discharge", place, lost, lost / _MONTH_HOURS)
    if battery.pack_kwh > MANY_KWH:
        yield Slip("large pack", "battery.pack_kwh", battery.pack_kwh, battery.pack_kwh / 1000)


def _ratings(scenario: Scenario) -> Iterator[Slip]:
    inverter, charging, grid = scenario.inverter, scenario.charging, scenario.grid
    watts = {
        "inverter.continuous_w": inverter.continuous_w,
        "inverter.bypass_w": inverter.bypass_w,
        "charging.grid_w": charging.grid_w,
        "charging.ac_input_w": charging.ac_input_w,
        "charging.solar_w": charging.solar_w,
    }
    together = charging.combined_w
    if isinstance(together, tuple):
        watts |= {f"charging.combined_w[{at}]": value for at, value in enumerate(together, 1)}
    else:
        watts["charging.combined_w"] = together
    for place, value in watts.items():
        if value is not None and 0 < value < FEW_WATTS:
            yield Slip("few watts", place, value, value * 1000)
        elif value is not None and value > MANY_KW * 1000:
            yield Slip("many watts", place, value, value / 1000)
    for name in ("import_limit_kw", "export_limit_kw"):
        limit = getattr(grid, name)
        if limit is not None and limit > MANY_KW:
            yield Slip("many kW", f"grid.{name}", limit, limit / 1000)
    surge, held = inverter.surge_w, inverter.continuous_w
    if surge is not None and surge < held:
        yield Slip("surge", "inverter.surge_w", surge, surge * 1000 if surge < FEW_WATTS else held)


# ---- the series --------------------------------------------------------------------------------------------
def _series(scenario: Scenario, series: Series) -> Iterator[Slip]:
    loads = {"load": series.load_kwh, "other_load": series.other_kwh, "critical_load": series.critical_kwh}
    if series.critical_kwh is series.load_kwh or np.array_equal(series.critical_kwh, series.load_kwh):
        del loads["critical_load"]
    for name, values_kwh in (*loads.items(), ("sun", series.sun_kwh)):
        if only_rises(values_kwh):
            yield Slip("register", name, f"{values_kwh[0]:.6g} to {values_kwh[-1]:.6g}")
        elif (year := per_year(values_kwh, series.dt_hours)) > LARGE_KWH_PER_YEAR:
            yield Slip("large energy", name, year, year / 1000)
    if not series.load_kwh.any():
        yield Slip("no energy", "load", 0.0)
    elif (year := per_year(series.load_kwh, series.dt_hours)) < LITTLE_KWH_PER_YEAR:
        yield Slip("little energy", "load", year, year * 1000)
    yield from _twice(scenario, series)
    yield from _clock(scenario, series)


def _twice(scenario: Scenario, series: Series) -> Iterator[Slip]:
    """Point at two series that are one."""
    for name, values_kwh in (("other_load", series.other_kwh), ("sun", series.sun_kwh)):
        source = getattr(scenario, name)
        if source is None or source.csv is None:
            continue
        same = (source.csv, source.column) == (scenario.load.csv, scenario.load.column)
        if same or (values_kwh.any() and np.array_equal(values_kwh, series.load_kwh)):
            yield Slip("equal", name, "load")


def _clock(scenario: Scenario, series: Series) -> Iterator[Slip]:
    zone = scenario.site.time_zone
    for file, offsets in series.other_clocks:
        yield Slip("other clock", file, offsets, zone)
    sun_tells = False
    long, fine = len(series.times) * series.dt_hours >= _SUN_DAYS_HOURS, series.dt_hours <= _FINE_HOURS
    if series.sun_kwh.any() and long and fine:
        hour = np.asarray(series.times.hour + series.times.minute / 60.0, dtype=np.float64)
        night = _night_share(series.sun_kwh, hour)
        middle = _middle(series.sun_kwh, hour + series.dt_hours / 2)
        sun_tells = True
        if night > _NIGHT_FRACTION:
            yield Slip("sun at night", "sun", f"{100 * night:.3g} %", zone)
        elif not _SUN_HOURS[0] <= middle <= _SUN_HOURS[1]:
            yield Slip("sun off noon", "sun", f"{int(middle):02d}:{int(middle % 1 * 60):02d}", zone)
    if not sun_tells:
        for file in series.whole_z_days:
            yield Slip("labelled Z", file, zone)


def _night_share(sun_kwh: Floats, hour: Floats) -> float:
    return float(sun_kwh[(hour >= 22.0) | (hour < 4.0)].sum() / sun_kwh.sum())


def _middle(sun_kwh: Floats, hour: Floats) -> float:
    """Return the hour of the clock around which the sun's energy lies."""
    return float((sun_kwh * hour).sum() / sun_kwh.sum())
