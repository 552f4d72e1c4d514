"""A small invented home for tests of what comes after solving: a few days, three prices, a modest battery."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from dispatch.comparison.compare import compare
from homes.drafts import Draft

if TYPE_CHECKING:
    from dispatch.comparison.compare import Comparison


def small_home(
    *,
    days: int = 4,
    step_minutes: int = 60,
    first: str = "2025-10-31",
    zone: str = "America/Halifax",
    currency: str = "CAD",
    money: float = 1.0,
    sun: bool = True,
    **sections: Any,  # noqa: ANN401 - sections hold values of several types
) -> Draft:
    """Draw up the home; by default four days across the night the clocks go back in Halifax.

    Parameters
    ----------
    days, step_minutes, first, zone
        The span and its clock.
    currency, money
        The code, and a factor on every price (a yen is not a dollar).
    sun
        Whether there are panels.
    sections
        Settings to change, as in ``Draft.changed``.
    """
    end = pd.Timestamp(first) + pd.Timedelta(days=days)
    times = pd.date_range(first, end, freq=f"{step_minutes}min", tz=zone, inclusive="left")
    hour = (times.hour + times.minute / 60).to_numpy()
    day = np.arange(len(times)) * step_minutes / 1440
    evening = np.exp(-(((hour - 19) / 2.5) ** 2))
    columns = {
        "load_kw": 0.31 + 0.93 * evening + 0.07 * np.sin(5 * day) ** 2,
        "other_kw": 0.2 + 0.5 * np.exp(-(((hour - 7) / 1.2) ** 2)),
    }
    if sun:
        columns["sun_kw"] = np.maximum(0.0, np.sin((hour - 7) / 10 * np.pi)) * (1.4 + 0.9 * np.cos(3 * day))
    settings: dict[str, Any] = {
        "name": "Wren Cottage",
        "tariff": "tariff.toml",
        "site": {"time_zone": zone, "currency": currency},
        "load": {"csv": "series.csv", "column": "load_kw"},
        "other_load": {"csv": "series.csv", "column": "other_kw"},
        "critical_load": {"watts": 240},
        "battery": {
            "pack_kwh": 2.3,
            "pack_count": 2,
            "depth_of_discharge_fraction": 0.93,
            "charger_efficiency_fraction": 0.94,
            "solar_charge_efficiency_fraction": 0.97,
            "discharge_efficiency_fraction": 0.96,
            "taper_hours": 0.2,
            "wear_per_kwh": 0.01 * money,
            "start": {"percent": 60},
        },
        "inverter": {"continuous_w": 2100, "efficiency_fraction": 0.92, "idle_on_w": 26, "bypass_w": 2600},
        "charging": {"grid_w": 900, "solar_w": 1900, "combined_w": [1200, 1900]},
        "reserve": {"percent": 30},
        "backup": {"target_hours": 3.0},
    }
    if sun:
        settings["sun"] = {"csv": "series.csv", "column": "sun_kw"}
    return Draft(settings, _tariff(zone, currency, money), times, columns).changed(**sections)


def _tariff(zone: str, currency: str, money: float) -> dict[str, Any]:
    spans = (("night", "22:00", "07:00"), ("day", "07:00", "17:00"), ("evening", "17:00", "22:00"))
    prices = {"night": 0.09, "day": 0.17, "evening": 0.38}
    return {
        "name": "Three Lanterns",
        "currency": currency,
        "time_zone": zone,
        "valid_from": "2024-01-01",
        "valid_to": "2026-12-31",
        "bands": {name: {"import_price_per_kwh": price * money} for name, price in prices.items()},
        "windows": [{"band": name, "from": begin, "to": end} for name, begin, end in spans],
        "charges": {"per_day": 0.35 * money},
    }


def small_comparison(**home: Any) -> Comparison:  # noqa: ANN401 - passed on
    """Solve the small home."""
    return compare(small_home(**home).case())
