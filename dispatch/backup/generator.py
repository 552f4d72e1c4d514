"""The fuel generator of an outage: what it gives, what it burns, when it is started.

It feeds the system's AC input, so bypass, charger and cord limit it as they limit the grid, and the input is
turned down to what the generator gives. Only a sine wave may feed the charger: without one it is left out, and
that is said.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from dispatch.arrays import Floats
    from dispatch.case.case import Case


@dataclass(frozen=True)
class Fuelled:
    """A generator that may feed this system.

    Attributes
    ----------
    power_kw : float
        AC power it can hold. [kW]
    load_kw, litres_per_hour : array, shape (points,)
        Fuel curve; straight between its points, level outside them. [kW], [l/h]
    price_per_litre : float
    tank_litres : float
        Fuel at hand for one outage; ``inf`` where none is stated.
    start_kwh, stop_kwh : float
        Battery level at which it is started (``-inf``: only when the battery would not last) and stopped.
    """

    power_kw: float
    load_kw: Floats
    litres_per_hour: Floats
    price_per_litre: float
    tank_litres: float
    start_kwh: float
    stop_kwh: float

    def burnt_per_hour(self, load_kw: Floats) -> Floats:
        """Litres burnt in an hour of running at these loads, array like ``load_kw``."""
        return np.interp(load_kw, self.load_kw, self.litres_per_hour)


def generator_of(case: Case) -> Fuelled | None:
    """Return the case's generator, or None if it has none that may feed the system.

    Parameters
    ----------
    case : Case

    Returns
    -------
    Fuelled or None
        None too where it gives no sine wave; :func:`generator_note` says so.
    """
    stated, limits = case.scenario.generator, case.limits
    if stated is None or not stated.sine_wave:
        return None
    if stated.litres_per_hour is not None:
        load_kw = np.array([point.load_w / 1000.0 for point in stated.litres_per_hour])
        burnt = np.array([point.litres_per_hour for point in stated.litres_per_hour])
    else:
        load_kw = np.array([0.0, stated.continuous_w / 1000.0])
        burnt = load_kw * (stated.litres_per_kwh or 0.0)
    start, stop = stated.starts_below_percent, stated.stops_at_percent
    return Fuelled(
        power_kw=stated.continuous_w / 1000.0,
        load_kw=load_kw,
        litres_per_hour=burnt,
        price_per_litre=stated.price_per_litre,
        tank_litres=math.inf if stated.tank_litres is None else stated.tank_litres,
        start_kwh=-math.inf if start is None else limits.full_kwh * start / 100.0,
        stop_kwh=limits.ceiling_kwh
        if stop is None
        else min(limits.full_kwh * stop / 100.0, limits.ceiling_kwh),
    )


def generator_note(case: Case) -> str | None:
    """Say why a stated generator is left out, or None if it is used or there is none."""
    stated = case.scenario.generator
    if stated is None or stated.sine_wave:
        return None
    return (
        "generator.sine_wave = false: the generator is left out everywhere, because a charger must not be fed "
        "from it; set it to true only if its maker states a sine wave"
    )
