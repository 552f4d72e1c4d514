"""Panels of a scenario on their way into its series: through strings and cables, from weather, or on the AC side."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from dispatch.equipment.strings import deliver_series, judge_strings
from dispatch.errors import ScenarioError

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd

    from dispatch.arrays import Floats
    from dispatch.scenario.model import Scenario


def sun_in_device(  # noqa: PLR0913, PLR0917 - what a series is read with
    scenario: Scenario,
    path: Path,
    panels_kwh: Floats,
    times: pd.DatetimeIndex,
    dt_hours: float,
    notes: list[str],
) -> Floats:
    """Take the sun from the panels through strings and cables, or from weather, to the device. [kWh]."""
    sun, solar = scenario.sun, scenario.solar
    if solar is None or not solar.strings:
        if sun is not None and sun.weather is not None:
            raise ScenarioError(f"{path}: sun.weather: needs panels; add [solar] with [[solar.strings]]")
        return panels_kwh
    judge_strings(solar, path)
    if sun is not None and sun.weather is not None:
        from dispatch.equipment.sun import sun_of  # noqa: PLC0415 - pvlib is slow to import, and an extra

        made = sun_of(scenario, path, times, dt_hours)
        notes += made.notes
        return made.delivered_kwh
    arrived_kwh = deliver_series(solar, panels_kwh, dt_hours)
    if (lost_kwh := float((panels_kwh - arrived_kwh).sum())) > 0.0:
        notes.append(
            f"solar: {lost_kwh:,.4g} kWh of {panels_kwh.sum():,.4g} kWh are lost on the way from the panels: in cables "
            "and above what the inputs take"
        )
    return arrived_kwh


def beside_ac_solar(
    ac_kwh: Floats, other_kwh: Floats, load_kwh: Floats, notes: list[str]
) -> tuple[Floats, Floats]:
    """Let panels that are coupled on the AC side serve the rest of the house, then the served load through the bypass.

    What they make beyond that is not counted: this device does not meter it, and what it earns is not a matter of the
    battery. In an outage they are off.

    Parameters
    ----------
    ac_kwh, other_kwh, load_kwh : array, shape (n,)
        AC energy in each step. [kWh]
    notes : list of str
        Added to.

    Returns
    -------
    tuple of two arrays, shape (n,)
        Rest of the house and served load that are left. [kWh]
    """
    to_other = np.minimum(ac_kwh, other_kwh)
    to_load = np.minimum(ac_kwh - to_other, load_kwh)
    beyond = float((ac_kwh - to_other - to_load).sum())
    notes.append(
        f"ac_solar: serves {to_other.sum() + to_load.sum():,.4g} kWh of the house directly; {beyond:,.4g} kWh beyond "
        "its use are not counted, and it is off in an outage"
    )
    return other_kwh - to_other, load_kwh - to_load
