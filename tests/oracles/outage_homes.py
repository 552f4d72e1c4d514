"""Random homes with most of what can happen in an outage, and what they hold as plain numbers."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from homes.small_home import small_home

from dispatch.case.series import appliances_kwh
from oracles.blackout import Engine, Thing

if TYPE_CHECKING:
    from dispatch.case.case import Case


def random_home(seed: int) -> tuple[Case, np.random.Generator]:
    """A home with most of what can happen in an outage: ranks, shed levels, generator and tank, taper, overload."""
    random = np.random.default_rng(seed)

    def one_of(*values: Any) -> Any:  # noqa: ANN401
        return values[random.integers(len(values))]

    def or_none(section: dict[str, Any]) -> dict[str, Any]:
        return {key: value for key, value in section.items() if value is not None}

    appliances = [
        or_none(
            {
                "name": f"thing {number}",
                "watts": float(random.integers(40, 1300)),
                "hours_per_day": one_of(24.0, 24.0, 8.0),
                "starts_at": one_of(None, "17:20"),
                "priority": one_of(None, 1, 2, 3),
                "shed_below_percent": one_of(None, None, 30.0, 55.0, float(random.integers(15, 90))),
            }
        )
        for number in range(int(random.integers(1, 5)))
    ]
    generator: dict[str, Any] | None = None
    if random.random() < 0.6:
        power = float(random.integers(300, 3000))
        generator = or_none(
            {
                "continuous_w": power,
                "sine_wave": True,
                "price_per_litre": 1.9,
                "tank_litres": one_of(None, float(random.uniform(0.2, 12.0))),
                "starts_below_percent": one_of(None, 25.0, 40.0),
                "stops_at_percent": one_of(None, 60.0, 85.0),
            }
        )
        if random.random() < 0.5:
            generator["litres_per_kwh"] = 0.45
        else:
            generator["litres_per_hour"] = [
                {"load_w": 0, "litres_per_hour": 0.3},
                {"load_w": power, "litres_per_hour": 0.3 + power / 2500},
            ]
    draft = small_home(
        step_minutes=one_of(60, 30, 15),
        sun=bool(one_of(1, 1, 0)),
        battery={
            "taper_hours": one_of(0.0, 0.2, 0.9),
            "self_discharge_per_hour_fraction": one_of(0.0, 0.00005, 0.004),
            "ceiling": one_of(None, {"percent": 95}),
        },
        inverter={"continuous_w": one_of(700, 1500, 2600), "switches_whole_load": bool(one_of(0, 0, 1))},
        charging={"grid_w": one_of(300, 900), "ac_input_w": one_of(None, 2000)},
        load=None,
        reserve=None,
        generator=generator,
    )
    critical = {"watts": 600} if random.random() < 0.2 else {"appliances": appliances}
    draft = draft.changed(load={"csv": "series.csv", "column": "load_kw"}, critical_load=None)
    return draft.changed(critical_load=critical).case(), random


def told(case: Case) -> tuple[list[Thing], Engine | None]:
    """Appliances and generator as plain numbers, read from the scenario as the rules say."""
    full = case.limits.full_kwh
    critical, stated = case.scenario.critical_load, case.scenario.generator
    assert critical is not None
    things = [
        Thing(
            one.name,
            (appliances_kwh((one,), case.times, case.dt_hours) / case.dt_hours).tolist(),
            math.inf if one.priority is None else one.priority,
            -math.inf if one.shed_below_percent is None else full * one.shed_below_percent / 100,
        )
        for one in critical.appliances or ()
    ]
    things.sort(key=lambda one: one.rank)
    if stated is None:
        return things, None
    top = case.limits.ceiling_kwh * (0.99 if case.limits.taper_hours else 1.0)
    start, stop = stated.starts_below_percent, stated.stops_at_percent
    kw = stated.continuous_w / 1000
    idle, slope = 0.0, stated.litres_per_kwh or 0.0
    if stated.litres_per_hour is not None:
        low, high = stated.litres_per_hour
        idle, slope = low.litres_per_hour, (high.litres_per_hour - low.litres_per_hour) / kw
    engine = Engine(
        kw,
        idle,
        slope,
        stated.tank_litres or math.inf,
        -math.inf if start is None else full * start / 100,
        top if stop is None else min(full * stop / 100, top),
    )
    return things, engine
