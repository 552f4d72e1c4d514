"""What cold does: no charging below a temperature, and less that can be drawn.

Cold locks part of the energy in. The part that the coldest time of the data locks in is left out of the usable energy
all year, by raising the level that counts as empty: hours of backup and plans alike then hold on the coldest day too.
It gives away some summer savings; it never promises what the cold takes back.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import pandas as pd

    from dispatch.arrays import Flags, Floats
    from dispatch.scenario.equipment import Surroundings


NIGHTS_COLDER_K = 10.0
"""Cold nights lie about this far below the mean of their month; closer to a limit a mean may hide them."""


def monthly_temperature_c(surroundings: Surroundings, times: pd.DatetimeIndex) -> Floats:
    """Lay monthly means over the steps, shape (n,). [C]."""
    means = np.array(surroundings.monthly_c, dtype=np.float64)
    chosen: Floats = means[times.month.to_numpy() - 1]
    return chosen


def usable_fraction(surroundings: Surroundings, battery_c: Floats | float) -> Floats:
    """Share of the usable energy that can be drawn at these temperatures; straight between the stated points."""
    temperatures = np.atleast_1d(np.asarray(battery_c, dtype=np.float64))
    if not surroundings.usable:
        return np.ones_like(temperatures)
    points = [point.battery_c for point in surroundings.usable]
    shares = [point.usable_fraction for point in surroundings.usable]
    return np.interp(temperatures, points, shares)


def may_charge(surroundings: Surroundings, battery_c: Floats) -> Flags:
    """Tell in which steps the packs are warm enough to be charged, shape (n,)."""
    limit_c = surroundings.no_charging_below_c
    if limit_c is None:
        return np.ones(len(battery_c), dtype=bool)
    return np.asarray(battery_c >= limit_c)


def cold_notes(surroundings: Surroundings, battery_c: Floats, dt_hours: float) -> list[str]:
    """Say what the cold takes away, and what a monthly mean cannot see."""
    notes = []
    limit_c, coldest_c = surroundings.no_charging_below_c, float(battery_c.min())
    if limit_c is not None and (cold := int(np.sum(battery_c < limit_c))):
        notes.append(
            f"surroundings: {cold * dt_hours:,.6g} h are below {limit_c:g} C, where the packs must not be charged: "
            "nothing charges them then but what self-discharge takes"
        )
    share = float(usable_fraction(surroundings, coldest_c)[0])
    if share < 1.0:
        notes.append(
            f"surroundings: at the coldest, {coldest_c:g} C, {100 * share:.3g} % of the usable energy can be drawn; "
            "only that is counted, all year"
        )
    night_c = coldest_c - NIGHTS_COLDER_K
    if surroundings.monthly_c is not None and (
        (limit_c is not None and night_c < limit_c)
        or float(usable_fraction(surroundings, night_c)[0]) < share
    ):
        notes.append(
            "surroundings: monthly means hide cold nights; a series of the packs' temperature would not"
        )
    for name, limit, outside in (
        ("lowest_c", surroundings.lowest_c, battery_c.min()),
        ("highest_c", surroundings.highest_c, battery_c.max()),
    ):
        if limit is not None and (outside < limit if name == "lowest_c" else outside > limit):
            notes.append(
                f"surroundings.{name}: the packs reach {outside:.3g} C, beyond the {limit:g} C the maker allows; "
                "move them or heat, cool or shade the place"
            )
    return notes
