"""The fuel generator of an outage: what it gives, what it burns, when it is started.

It feeds the system's AC input, so bypass, charger and cord limit it as they limit the grid, and the input is
turned down to what the generator gives: :func:`generator_fit` says to what. Only a sine wave may feed the charger:
without one it is left out, and that is said.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dispatch.equipment.generator import unfit

if TYPE_CHECKING:
    from dispatch.arrays import Floats
    from dispatch.case.case import Case


FULL_FRACTION = 0.99
"""A battery counts as full at this share of its ceiling: a taper never quite arrives."""


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
        Battery level at which it is started (``-inf``: only when something is dark without it) and stopped.
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

    Returns
    -------
    Fuelled or None
        None too where it must not feed the charger: no sine wave, or voltage or frequency outside what the AC input
        accepts; :func:`generator_note` says so.
    """
    stated, limits = case.scenario.generator, case.limits
    if stated is None or unfit(stated, case.scenario.charging):
        return None
    if stated.litres_per_hour is not None:
        load_kw = np.array([point.load_w / 1000.0 for point in stated.litres_per_hour])
        burnt = np.array([point.litres_per_hour for point in stated.litres_per_hour])
    else:
        load_kw = np.array([0.0, stated.continuous_w / 1000.0])
        burnt = load_kw * (stated.litres_per_kwh or 0.0)
    start, stop = stated.starts_below_percent, stated.stops_at_percent
    # where charging tapers a battery only ever approaches full: the generator would run on for the last drop
    highest_kwh = limits.ceiling_kwh * (FULL_FRACTION if limits.taper_hours else 1.0)
    return Fuelled(
        power_kw=stated.running_fraction * stated.continuous_w / 1000.0,
        load_kw=load_kw,
        litres_per_hour=burnt,
        price_per_litre=stated.price_per_litre,
        tank_litres=math.inf if stated.tank_litres is None else stated.tank_litres,
        start_kwh=-math.inf if start is None else limits.full_kwh * start / 100.0,
        stop_kwh=highest_kwh if stop is None else min(limits.full_kwh * stop / 100.0, highest_kwh),
    )


@dataclass(frozen=True)
class GeneratorFit:
    """Whether a generator carries what the system may ask of it, and to what its input must else be set.

    Attributes
    ----------
    generator_w, charger_w : float
        AC power the generator holds, and what the grid charger takes at most. [W]
    load_w : float
        Largest critical load with idle draw that may run beside the charger. [W]
    too_small : bool
        Whether charger and load together are more than the generator gives: left as set for the grid, the system
        would overload it.
    input_limit_w : float
        What the AC input (load and charger together) must then be limited to. [W]
    charge_limit_w : float
        Where only the charger can be set: what the largest load leaves for it. [W]
    """

    generator_w: float
    charger_w: float
    load_w: float
    too_small: bool
    input_limit_w: float
    charge_limit_w: float


def generator_fit(case: Case) -> GeneratorFit | None:
    """Compare the generator with what load and charger may draw from it; None without one that may feed the system.

    The times and litres of :mod:`dispatch.outages.recharge` and of outages are those with the input so limited.
    """
    fuelled, limits = generator_of(case), case.limits
    if fuelled is None:
        return None
    cord_kw = math.inf if limits.ac_input_kw is None else limits.ac_input_kw
    load_kw = float(np.max(case.critical_kwh + case.idle_kwh)) / case.dt_hours
    charger_kw = min(limits.grid_charge_kw, limits.total_charge_kw, cord_kw)
    asked_kw = min(load_kw + charger_kw, cord_kw)
    return GeneratorFit(
        generator_w=fuelled.power_kw * 1000.0,
        charger_w=charger_kw * 1000.0,
        load_w=load_kw * 1000.0,
        too_small=asked_kw > fuelled.power_kw + 1e-9,
        input_limit_w=min(fuelled.power_kw, cord_kw) * 1000.0,
        charge_limit_w=max(min(charger_kw, fuelled.power_kw - load_kw), 0.0) * 1000.0,
    )


def generator_note(case: Case) -> str | None:
    """Say why a stated generator is left out, or None if it is used or there is none."""
    stated = case.scenario.generator
    if stated is None:
        return None
    if stated.sine_wave:
        wrong = unfit(stated, case.scenario.charging)
        return f"generator: left out everywhere: {'; '.join(wrong)}" if wrong else None
    return (
        "generator.sine_wave = false: the generator is left out everywhere, because a charger must not be fed "
        "from it; set it to true only if its maker states a sine wave"
    )
