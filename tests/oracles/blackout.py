"""An outage followed by hand: plain Python from the flow equations, knowing nothing of how the product does it.

Written so that it can be checked against paper: one step after the other, one number at a time. Time inside a step
is told by walking through it in the two parts before and after the battery is empty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple, cast

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from dispatch.case.case import Case
    from dispatch.flows import Flows


class Missing(NamedTuple):
    """Between two times after the outage began [h], this much critical power was missing [kW]."""

    begin: float
    end: float
    kw: float


@dataclass
class Blackout:
    """What a naive run came to. Energies in kWh, AC except the sun."""

    level: float
    served: float = 0.0
    sun: float = 0.0
    missing: list[Missing] = field(default_factory=list)

    @property
    def unserved(self) -> float:
        return sum((m.end - m.begin) * m.kw for m in self.missing)

    @property
    def dark_hours(self) -> float:
        return sum(m.end - m.begin for m in self.missing)

    def expected(self, survival_integral: Callable[[float, float], float]) -> tuple[float, float]:
        """Expected kWh and hours with ∫ P(D > s) ds over each stretch."""
        held = [(survival_integral(m.begin, m.end), m.kw) for m in self.missing]
        return sum(h * kw for h, kw in held), sum(h for h, _ in held)


def black_out(
    hardware: Mapping[str, Any],
    series: Mapping[str, list[float]],
    dt: float,
    level: float,
    parts: list[tuple[int, float]],
) -> Blackout:
    """Follow one outage through ``parts``: (step of the data, fraction of it)."""
    out = Blackout(level)
    clock = 0.0
    for step, fraction in parts:
        hours = dt * fraction
        critical = series["critical"][step] * fraction / hours  # all as power from here on [kW]
        need = critical + series["idle"][step] * fraction / hours
        sun = series["sun"][step] * fraction / hours
        limit = hardware["inverter_kw"]
        sun_ac = min(need, limit, hardware["eta_inverter"] * sun)
        wanted = min(need, limit) - sun_ac
        after_loss = out.level * (1 - hardware["self_discharge_per_hour"] * hours)
        if after_loss < hardware["empty_kwh"]:
            after_loss = min(out.level, hardware["empty_kwh"])
        back = hardware["eta_inverter"] * hardware["eta_discharge"]
        usable = max(after_loss - hardware["empty_kwh"], 0.0) * back
        lasting = hours if wanted <= 0 else min(hours, usable / wanted)
        if hours - lasting < 1e-9:
            lasting = hours
        for begin, end, given in ((0.0, lasting, wanted), (lasting, hours, 0.0)):
            lack = min(critical, need - sun_ac - given)
            out.served += (critical - lack) * (end - begin)
            if lack > 1e-9 and end - begin > 0:
                out.missing.append(Missing(clock + begin, clock + end, lack))
        left = sun - sun_ac / hardware["eta_inverter"]
        charge = min(left, hardware["total_charge_kw"]) * hours * hardware["eta_dc"]
        charge = min(charge, max(hardware["ceiling_kwh"] - after_loss, 0.0))
        if hardware["taper_hours"] > 0:
            near = 1 - math.exp(-hours / hardware["taper_hours"])
            charge = min(charge, max(hardware["full_kwh"] - out.level, 0.0) * near)
        out.sun += sun_ac / hardware["eta_inverter"] * hours + charge / hardware["eta_dc"]
        out.level = after_loss + charge - wanted * lasting / back
        clock += hours
    return out


def plain(case: Case) -> tuple[dict[str, Any], dict[str, list[float]]]:
    """A case as plain numbers."""
    series = {
        "critical": case.critical_kwh.tolist(),
        "idle": case.idle_kwh.tolist(),
        "sun": case.sun_kwh.tolist(),
    }
    return dict(vars(case.limits)), series


def parts_of(count: int, dt: float, first: int, offset: float, hours: float) -> list[tuple[int, float]]:
    """Cut an outage of ``hours`` that begins ``offset`` hours into a step along the steps of the data."""
    found, left, step, room = [], hours, first, dt - offset
    while left > 1e-9:
        taken = min(room, left)
        found.append((step % count, taken / dt))
        left, step, room = left - taken, step + 1, dt
    return found


class Plan:
    """Stands in for a strategy's flows: a name and a level at the end of every step."""

    def __init__(
        self, case: Case, stored: list[float], name: str = "plan", *, has_system: bool = True
    ) -> None:
        self.case, self.name, self.has_system = case, name, has_system
        self._stored = np.array(stored, dtype=float)

    def __getitem__(self, name: str) -> np.ndarray[Any, np.dtype[np.float64]]:
        assert name == "stored"
        return self._stored

    def stored_before_kwh(self) -> np.ndarray[Any, np.dtype[np.float64]]:
        return np.concatenate([[self.case.limits.start_kwh], self._stored[:-1]])


def plan(case: Case, stored: list[float], **more: Any) -> Flows:  # noqa: ANN401 - passed on
    return cast("Flows", Plan(case, stored, **more))


def instant(case: Case, first: int, offset: float) -> str:
    """Name an instant of the data so that no clock change can confuse it."""
    moment = case.times[first] + pd.Timedelta(seconds=round(offset * 3600))
    return str(moment.isoformat())
