"""What one step allows: the hardware's limits as energies of a step, stated once.

Everything that follows a battery step by step (the rules of an inverter, day-ahead running, recharging after an
outage) takes its limits from here, so that none of them can drift from the program's algebra::

    keep   = 1 - σ·dt                          share of the stored energy left after a step
    room   = min((full - stored)·taper, ceiling - keep·stored)     what may enter the cells in a step
    taper  = 1 - exp(-dt/τ)                    (no limit without a taper)

Energies are kWh in the step; ``inf`` stands for no limit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dispatch.hardware import Limits


@dataclass(frozen=True)
class StepLimits:
    """The hardware's limits over one step.

    Attributes
    ----------
    limits : Limits
        What they were taken from (levels and efficiencies).
    dt_hours : float
        Length of the step. [h]
    keep : float
        Share of the stored energy that self-discharge leaves.
    taper : float
        Share of the distance to full that may be charged in a step; ``inf`` without a taper.
    grid_charge_kwh, total_charge_kwh, inverter_kwh, bypass_kwh, plug_kwh, import_kwh, export_kwh : float
        Energy in the step; ``export_kwh`` is 0 where nothing may be sold.
    """

    limits: Limits
    dt_hours: float
    keep: float
    taper: float
    grid_charge_kwh: float
    total_charge_kwh: float
    inverter_kwh: float
    bypass_kwh: float
    plug_kwh: float
    import_kwh: float
    export_kwh: float

    @property
    def grid_kwh(self) -> float:
        """Most that the grid can give the load directly: the smaller of bypass and cord."""
        return min(self.bypass_kwh, self.plug_kwh)


def step_limits(limits: Limits, dt_hours: float) -> StepLimits:
    """Turn limits of power into energies of one step.

    Parameters
    ----------
    limits : Limits
    dt_hours : float
        Length of the step. [h]
    """

    def energy(limit_kw: float | None) -> float:
        return math.inf if limit_kw is None else limit_kw * dt_hours

    return StepLimits(
        limits=limits,
        dt_hours=dt_hours,
        keep=1 - limits.self_discharge_per_hour * dt_hours,
        taper=-math.expm1(-dt_hours / limits.taper_hours) if limits.taper_hours else math.inf,
        grid_charge_kwh=limits.grid_charge_kw * dt_hours,
        total_charge_kwh=limits.total_charge_kw * dt_hours,
        inverter_kwh=limits.inverter_kw * dt_hours,
        bypass_kwh=energy(limits.bypass_kw),
        plug_kwh=energy(limits.ac_input_kw),
        import_kwh=energy(limits.import_limit_kw),
        export_kwh=energy(limits.export_limit_kw) if limits.feed_in == "grid" else 0.0,
    )
