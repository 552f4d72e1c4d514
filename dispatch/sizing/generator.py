"""A generator on the charger: whether it may, the input limit to set, hours and litres for a full charge at each."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from dispatch.equipment.generator import Fit, fit
from dispatch.errors import ScenarioError
from dispatch.sizing.bench import ToFull, bench, to_full

if TYPE_CHECKING:
    from dispatch.case.case import Case


@dataclass(frozen=True)
class AtLimit:
    """A full charge at one input limit.

    Attributes
    ----------
    limit_w : float
    is_held : bool
        Whether the generator holds it for hours, with its margin.
    full : ToFull
        From empty, with the mean critical load and the idle draw served meanwhile.
    cost : float
        Fuel for it, in the scenario's money.
    """

    limit_w: float
    is_held: bool
    full: ToFull
    cost: float


@dataclass(frozen=True)
class GeneratorStudy:
    """The whole of ``dispatch generator``.

    Attributes
    ----------
    name, currency : str
    continuous_w, load_w : float
        The generator's rating, and what is served while it charges: mean critical load and idle draw. [W]
    fit : Fit
    at : tuple of AtLimit
        Rising limits; empty where the generator must not feed the charger.
    tank_litres : float or None
    """

    name: str
    currency: str
    continuous_w: float
    load_w: float
    fit: Fit
    at: tuple[AtLimit, ...]
    tank_litres: float | None


def generator_study(case: Case) -> GeneratorStudy:
    """Hold the scenario's generator against its charger.

    Raises
    ------
    ScenarioError
        If the scenario has none.
    """
    stated = case.scenario.generator
    if stated is None:
        raise ScenarioError(f"{case.path}: generator: the scenario has none; add [generator]")
    held = fit(stated, case.scenario.charging)
    load_kw = float(case.critical_kwh.mean()) / case.dt_hours
    idle_kw = case.limits.idle_on_kw
    rows = []
    for limit_w in held.limits_w if not held.problems else ():
        most_w = min(limit_w, stated.continuous_w)
        feeding = stated.model_copy(
            update={"continuous_w": most_w, "running_fraction": 1.0, "tank_litres": None}
        )
        scenario = case.scenario.model_copy(update={"generator": feeding})
        full = to_full(bench(replace(case, scenario=scenario), load_kw=load_kw, idle_kw=idle_kw), "generator")
        margin = stated.running_fraction * stated.continuous_w
        rows.append(AtLimit(limit_w, limit_w <= margin + 1e-9, full, full.litres * stated.price_per_litre))
    return GeneratorStudy(
        name=case.name,
        currency=case.currency,
        continuous_w=stated.continuous_w,
        load_w=1000.0 * (load_kw + idle_kw),
        fit=held,
        at=tuple(rows),
        tank_litres=stated.tank_litres,
    )
