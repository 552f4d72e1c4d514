"""What goes first: sun before grid for the load, cheap hours before dear ones in a day."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dispatch.arrays import Floats
    from dispatch.case.case import Case


def sun_to_load_first(case: Case) -> Floats:
    """Sun that goes straight to the load when the load comes first [kWh DC, shape (n,)]."""
    limits = case.limits
    need = (case.load_kwh + case.idle_kwh) / limits.eta_inverter
    most = limits.inverter_kw * case.dt_hours / limits.eta_inverter
    return np.minimum(np.minimum(case.sun_kwh, need), most)


def hours_to_full(case: Case) -> int:
    """Whole hours the grid charger needs from empty to the ceiling, taper aside; 0 where it cannot charge."""
    limits = case.limits
    power_kw = min(limits.grid_charge_kw, limits.total_charge_kw) * limits.eta_charger
    return math.ceil((limits.ceiling_kwh - limits.empty_kwh) / power_kw - 1e-9) if power_kw > 0 else 0


def cheapest_steps(case: Case) -> NDArray[np.bool_]:
    """Find the steps in the local day's cheapest price, shape (n,).

    With named windows: those whose effective import price is the day's lowest. With hourly prices: the cheapest
    N hours of the local day (earlier first among equals), N from the file or the charge time to full.
    """
    price = case.prices.import_price_per_kwh
    day = case.times.normalize().asi8
    _, day_index = np.unique(day, return_inverse=True)
    if not case.prices.hourly:
        lowest = np.full(day_index.max() + 1, np.inf)
        np.minimum.at(lowest, day_index, price)
        return np.asarray(price <= lowest[day_index] + 1e-12)
    stated = case.scenario.strategies.cheapest_hours_per_day
    hours = stated if stated is not None else hours_to_full(case)
    order = np.lexsort((np.arange(len(price)), price, day_index))
    first_of_day = np.searchsorted(day_index[order], np.arange(day_index.max() + 1))
    rank = np.empty(len(price), dtype=int)
    rank[order] = np.arange(len(price)) - first_of_day[day_index[order]]
    return rank < round(hours / case.dt_hours)
