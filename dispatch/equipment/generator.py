"""Whether a generator may feed the charger, the input limit to set, and hours and litres for a full charge.

The generator feeds the AC input, where the device draws up to its input limit: load first, the rest into the battery.
What it is set to must stay below what the generator holds, or the generator's breaker trips: the file states the share.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from dispatch.scenario.model import Charging
    from dispatch.scenario.outages import Generator


STEPS = (0.25, 0.5, 0.75, 1.0)
"""Shares of the largest useful limit that are shown where the device's own steps are not stated."""


@dataclass(frozen=True)
class Fit:
    """Whether a generator suits the charger.

    Attributes
    ----------
    problems : tuple of str
        Why it must not feed the charger; empty where it may.
    unknown : tuple of str
        What could not be checked.
    limit_w : float or None
        The input limit to set: the highest that leaves the generator its margin; None where none does. [W]
    limits_w : tuple of float
        The limits looked at, rising. [W]
    """

    problems: tuple[str, ...]
    unknown: tuple[str, ...]
    limit_w: float | None
    limits_w: tuple[float, ...]


def unfit(generator: Generator, charging: Charging) -> tuple[str, ...]:
    """Say why a generator must not feed the charger; empty where it may, as far as the file tells."""
    return fit(generator, charging).problems


def fit(generator: Generator, charging: Charging) -> Fit:
    """Hold a generator against the charger's input.

    Parameters
    ----------
    generator : Generator
    charging : Charging
    """
    problems, unknown = [], []
    if not generator.sine_wave:
        problems.append("its output is not a sine wave: the charger must not be fed from it")
    mains = charging.mains
    if mains is None:
        unknown.append("the voltage and frequency the charger accepts are not stated: add [charging.mains]")
    for value, low, high, unit, name in (
        ()
        if mains is None
        else (
            (generator.output_v, mains.lowest_v, mains.highest_v, "V", "output_v"),
            (generator.output_hz, mains.lowest_hz, mains.highest_hz, "Hz", "output_hz"),
        )
    ):
        if value is None:
            unknown.append(f"its {unit} is not stated: add generator.{name}")
        elif not low <= value <= high:
            problems.append(
                f"{value:g} {unit} lies outside the {low:g} to {high:g} {unit} the charger accepts"
            )
    useful_w = min(generator.continuous_w, charging.ac_input_w or np.inf)
    limits = charging.input_limits_w or tuple(_rounded_down(step * useful_w) for step in STEPS)
    rising = tuple(sorted(set(limits)))
    held = [limit for limit in rising if limit <= generator.running_fraction * generator.continuous_w + 1e-9]
    return Fit(tuple(problems), tuple(unknown), max(held, default=None), rising)


def _rounded_down(watts: float) -> float:
    """Round a limit down to tens of watts, as it can be set."""
    return max(math.floor(watts / 10.0) * 10.0, 10.0)


def litres_per_hour(generator: Generator, load_w: float) -> float:
    """Fuel burnt in an hour at a load: along the stated curve, or in proportion."""
    if generator.litres_per_hour is None:
        return load_w / 1000.0 * (generator.litres_per_kwh or 0.0)
    points = generator.litres_per_hour
    return float(np.interp(load_w, [p.load_w for p in points], [p.litres_per_hour for p in points]))
