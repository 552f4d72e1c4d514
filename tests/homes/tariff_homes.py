"""Small random homes under a given tariff, for tests of what the program makes of it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from dispatch.case.case import Case, build_case
from dispatch.case.limits import resolve_limits
from dispatch.case.series import Series
from dispatch.scenario.model import Scenario

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from tariffs import Tariff

SETTINGS: dict[str, Any] = {
    "name": "home",
    "tariff": "tariff.toml",
    "load": {"watts": 300.0},
    "battery": {
        "pack_kwh": 4.0,
        "depth_of_discharge_fraction": 1.0,
        "charger_efficiency_fraction": 0.94,
        "solar_charge_efficiency_fraction": 0.97,
        "discharge_efficiency_fraction": 0.95,
        "start": {"kwh": 1.0},
        "closing": {"kwh": 1.0},
    },
    "inverter": {"continuous_w": 2500.0, "efficiency_fraction": 0.93, "idle_on_w": 20.0},
    "charging": {"grid_w": 1500.0, "solar_w": 2500.0, "combined_w": 2000.0},
    "grid": {"feed_in": "grid", "battery_feed_in": True},
}


def changed(**sections: Any) -> dict[str, Any]:  # noqa: ANN401 - sections hold values of several types
    """Copy the settings with values of some sections replaced; None drops a section."""
    settings = dict(SETTINGS)
    for name, values in sections.items():
        settings[name] = {**settings.get(name, {}), **values} if isinstance(values, dict) else values
    return {name: values for name, values in settings.items() if values is not None}


def home(
    tariff: Tariff,
    times: pd.DatetimeIndex,
    settings: dict[str, Any] | None = None,
    **energies: NDArray[np.float64] | list[float],
) -> Case:
    """Build a case from energies per step: ``load_kwh``, ``other_kwh``, ``sun_kwh``; what is left out is 0."""
    site = {"time_zone": str(times.tz), "currency": tariff.currency}
    scenario = Scenario.model_validate({**(settings or SETTINGS), "site": site})
    load, other, sun = (
        np.asarray(energies.get(name, np.zeros(len(times))), dtype=np.float64)
        for name in ("load_kwh", "other_kwh", "sun_kwh")
    )
    resolved = Series(
        times=times,
        dt_hours=float((times[1] - times[0]).total_seconds() / 3600),
        load_kwh=load,
        other_kwh=other,
        sun_kwh=sun,
        critical_kwh=load,
        load_path=None,
        load_lines=None,
        notes=(),
    )
    return build_case(scenario, resolve_limits(scenario), tariff, resolved, Path("home/scenario.toml"))


def random_home(tariff: Tariff, times: pd.DatetimeIndex, seed: int) -> Case:
    """Draw a home whose promises can all be kept: other hardware, load and sun for every seed."""
    random = np.random.default_rng(seed)

    def one_of(*values: Any) -> Any:  # noqa: ANN401
        return values[random.integers(len(values))]

    hours = (times[1] - times[0]).total_seconds() / 3600
    level = {"kwh": one_of(0.0, 1.0, 2.0)}
    settings = changed(
        battery={
            "charger_efficiency_fraction": one_of(1.0, 0.94),
            "discharge_efficiency_fraction": one_of(1.0, 0.95),
            "taper_hours": one_of(0.0, 0.0, 0.4),
            "wear_per_kwh": one_of(0.0, 0.02),
            "start": level,
            "closing": level,
        },
        inverter={"continuous_w": one_of(1200.0, 2500.0), "bypass_w": one_of(None, 900.0)},
        charging={"grid_w": one_of(800.0, 2000.0)},
        grid={"feed_in": one_of("grid", "grid", "house"), "battery_feed_in": one_of(0, 1) == 1},
    )
    if settings["inverter"]["bypass_w"] is None:
        del settings["inverter"]["bypass_w"]
    n = len(times)
    sun = np.maximum(0.0, np.sin((times.hour.to_numpy() - 6.5) / 12 * np.pi)) * random.uniform(0.0, 1.5, n)
    return home(
        tariff,
        times,
        settings,
        load_kwh=(random.uniform(0.0, 1.1, n) * hours).round(4),
        other_kwh=(random.gamma(0.5, 0.6, n) * hours).round(4),
        sun_kwh=(sun * one_of(0.0, 1.0, 2.0) * hours).round(4),
    )
