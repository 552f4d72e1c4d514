"""How long the cells last: cycles counted by rainflow (ASTM E1049), a cycle-life curve, and fading by the calendar.

::

    damage a year  D = Σ count / N(depth)              a cycle of each depth uses up 1/N of the life (Miner's rule)
    fade a year      = (1 - left)·D + calendar         both taken as linear, and added
    years to 80 %    = 0.2 / fade a year

N between the stated points is a straight line in logarithms; beyond them, and with one point alone, the energy that can
be passed through is the same at any depth: N(d)·d is constant.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from dispatch.arrays import Floats
    from dispatch.scenario.equipment import Life
    from dispatch.scenario.model import Battery


HOURS_PER_YEAR = 8760.0

JUDGED_LEFT_FRACTION = 0.8


@dataclass(frozen=True)
class Ageing:
    """What a level over time does to the cells.

    Attributes
    ----------
    full_cycles_per_year : float
        Energy turned over, in cycles of the nominal capacity.
    deepest_percent : float
        Depth of the deepest cycle, in percent of nominal.
    cycle_fade_per_year, calendar_fade_per_year : float
        Share of the capacity lost in a year.
    years_to_80 : float
        Years until 80 % is left; ``inf`` where nothing ages it.
    """

    full_cycles_per_year: float
    deepest_percent: float
    cycle_fade_per_year: float
    calendar_fade_per_year: float
    years_to_80: float


def cycles_until_end(life: Life, depth_percent: Floats) -> Floats:
    """How many cycles of these depths the cells last, array like ``depth_percent``."""
    depths = np.array([point.depth_percent for point in life.cycles])
    counts = np.array([point.cycles_count for point in life.cycles])
    inside = np.clip(depth_percent, depths[0], depths[-1])
    between = np.exp(np.interp(np.log(inside), np.log(depths), np.log(counts)))
    result: Floats = between * inside / depth_percent  # beyond the points the throughput is kept
    return result


def rainflow_cycles(levels: Floats) -> list[tuple[float, float]]:
    """Count the cycles of a level over time: (range, count) each, half cycles as 0.5.

    References
    ----------
    .. [1] ASTM E1049, "Standard Practices for Cycle Counting in Fatigue Analysis", rainflow counting.
    """
    import rainflow  # noqa: PLC0415 - a library only this answer needs

    return [(float(swing), float(count)) for swing, _, count, _, _ in rainflow.extract_cycles(levels)]


def ageing(life: Life, stored_kwh: Floats, full_kwh: float, dt_hours: float) -> Ageing:
    """Judge what a year of levels does to the cells.

    Parameters
    ----------
    life : Life
    stored_kwh : array, shape (n,)
        Level at the end of each step. [kWh]
    full_kwh : float
        Nominal energy. [kWh]
    dt_hours : float
        Length of a step; a span other than a year is scaled to one. [h]
    """
    years = len(stored_kwh) * dt_hours / HOURS_PER_YEAR
    counted = [(swing, count) for swing, count in rainflow_cycles(stored_kwh / full_kwh * 100.0) if swing > 0]
    swings = np.array([swing for swing, _ in counted])
    counts = np.array([count for _, count in counted])
    lost = 1.0 - life.left_percent / 100.0
    damage = float(np.sum(counts / cycles_until_end(life, swings))) / years if counted else 0.0
    calendar = life.calendar_fade_per_year_fraction
    fade = lost * damage + calendar
    return Ageing(
        full_cycles_per_year=float(np.sum(counts * swings)) / 100.0 / years if counted else 0.0,
        deepest_percent=float(swings.max()) if counted else 0.0,
        cycle_fade_per_year=lost * damage,
        calendar_fade_per_year=calendar,
        years_to_80=(1.0 - JUDGED_LEFT_FRACTION) / fade if fade > 0 else np.inf,
    )


def wear_per_kwh(life: Life | None, battery: Battery) -> float:
    """Money a kWh leaving the cells wears off: as stated, else a pack's price over the energy of its life.

    The energy of a life is that of cycles as deep as the usable energy: N(depth)·depth·pack_kwh.
    """
    if battery.wear_per_kwh is not None:
        return battery.wear_per_kwh
    if life is None or life.pack_price is None:
        return 0.0
    depth = battery.depth_of_discharge_fraction
    count = float(cycles_until_end(life, np.array([100.0 * depth]))[0])
    return life.pack_price / (count * depth * battery.pack_kwh)
