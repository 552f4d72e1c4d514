"""A case reduced to its device: one step that repeats, with a load, a sun and a charge limit of one's choice.

Charging times come from :mod:`dispatch.outages.recharge`, which follows the program's own limits and taper; the bench
only takes the household away from it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from dispatch.case.limits import resolve_limits, usable_share
from dispatch.outages.recharge import recharge

if TYPE_CHECKING:
    from dispatch.case.case import Case
    from dispatch.case.limits import Limits
    from dispatch.outages.recharge import Recharge
    from dispatch.scenario.model import Charging


STEP_HOURS = 1.0


def with_packs(case: Case, count: int) -> Case:
    """Return the case with another number of packs; its limits follow, levels stated in kWh are left to their defaults.

    Beyond the end of the charging table its last entry goes on: more packs charge no slower.

    Raises
    ------
    ScenarioError
        If the units do not take so many.
    """
    charging = charging_for(case.scenario.charging, count, case.scenario.units.count)
    battery = case.scenario.battery
    ceiling = battery.ceiling if battery.ceiling is None or battery.ceiling.kwh is None else None
    changed = battery.model_copy(
        update={"pack_count": count, "start": None, "closing": None, "ceiling": ceiling}
    )
    scenario = case.scenario.model_copy(update={"battery": changed, "charging": charging})
    limits = resolve_limits(scenario, case.path, usable_share(case.scenario, case.limits))
    return replace(case, scenario=scenario, limits=limits)


def charging_for(charging: Charging, pack_count: int, unit_count: int) -> Charging:
    """Return the charging limits with a table that reaches so many packs: beyond its end the last entry goes on."""
    table, each = charging.combined_w, max(pack_count // unit_count, 1)
    if not isinstance(table, tuple) or each <= len(table):
        return charging
    return charging.model_copy(update={"combined_w": (*table, *[table[-1]] * (each - len(table)))})


def bench(case: Case, *, load_kw: float = 0.0, idle_kw: float = 0.0, sun_kw: float = 0.0) -> Case:
    """Return the case with this load, idle draw and sun in every step, and nothing else in the house."""

    def held(power_kw: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        return np.full(1, power_kw * STEP_HOURS)

    return replace(
        case,
        times=case.times[:1],
        dt_hours=STEP_HOURS,
        load_kwh=held(load_kw),
        other_kwh=held(0.0),
        critical_kwh=held(load_kw),
        idle_kwh=held(idle_kw),
        sun_kwh=held(min(sun_kw, case.limits.solar_input_kw)),
        floor_kwh=np.full(1, case.limits.empty_kwh),
        floor_capped_steps=np.zeros(1, dtype=bool),
        may_charge=np.ones(1, dtype=bool),
    )


@dataclass(frozen=True)
class ToFull:
    """Time from empty to full (99 % of the ceiling).

    Attributes
    ----------
    source : str
        "grid", "sun", "grid and sun" or "generator".
    hours : float or None
        None where it is not reached within a week. [h]
    slow_end_minutes : float
        Part of it that the slowing near full adds. [min]
    energy_kwh, litres : float
        Taken from plug and sun together; fuel, with a generator.
    """

    source: str
    hours: float | None
    slow_end_minutes: float
    energy_kwh: float
    litres: float


def to_full(on_bench: Case, source: str) -> ToFull:
    """Charge from empty to full on the bench.

    Parameters
    ----------
    on_bench : Case
        From :func:`bench`.
    source : str
        One of ``dispatch.outages.recharge.SOURCES``.
    """
    empty_kwh = on_bench.limits.empty_kwh
    run: Recharge = recharge(on_bench, source, 0, empty_kwh)
    straight: Limits = replace(on_bench.limits, taper_hours=0.0)
    even = recharge(replace(on_bench, limits=straight), source, 0, empty_kwh)
    slow = 0.0 if run.hours is None or even.hours is None else 60.0 * (run.hours - even.hours)
    return ToFull(source, run.hours, slow, run.plug_kwh + run.sun_kwh, run.litres)
