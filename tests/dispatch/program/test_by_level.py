"""The sweep over the stored level against scipy's mixed-integer solver and against branching on every step."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
from homes.tariff_homes import changed, home, random_home
from oracles.tariff_oracle import least_cost

import tariffs
from dispatch.program.arrays import Gap
from dispatch.program.by_level import Line, _Levels, sweep
from dispatch.program.curves import choices, has_sides_only
from dispatch.program.program import Program
from dispatch.program.watch import Watch
from dispatch.strategies import solve as solving
from dispatch.strategies.solve import solve
from dispatch.strategies.table import STRATEGIES

if TYPE_CHECKING:
    from dispatch.arrays import Floats
    from dispatch.case.case import Case

EXACT = Gap(1e-6, 1e-6)


def tempting(seed: int, hours: int = 30, clocks: int = 24) -> Case:
    """A home under prices that fall below zero or sell dearer than they buy, by the hour of the clock."""
    random = np.random.default_rng(seed)
    bands = []
    for hour in range(clocks):
        bought = float(np.round(random.normal(0.12, 0.15), 3))
        sold = float(np.round(bought * random.uniform(0.4, 1.9) + random.choice([0.0, 0.05]), 3))
        bands.append(
            f"[bands.h{hour}]\nimport_price_per_kwh = {bought}\nexport_price_per_kwh = {sold}\n"
            f"[[windows]]\nband = 'h{hour}'\nhours = '{hour:02d}:00-{hour + 1:02d}:00'\n"
        )
    text = 'name = "tempting"\ncurrency = "EUR"\n' + "".join(bands)
    times = pd.date_range("2025-06-02", periods=hours, freq="h", tz="UTC")
    case = random_home(tariffs.parse_tariff(text, "t"), times, seed)
    return replace(case, limits=replace(case.limits, bypass_kw=None))  # a full bypass is for branching


def sold_dearer(hours: int) -> Case:
    """A flat feed-in of more than twice the flat price of buying, and a battery that may sell."""
    text = (
        'name = "flat"\ncurrency = "CAD"\n[bands.all]\nimport_price_per_kwh = 0.12\nexport_price_per_kwh = 0.25\n'
        "[[windows]]\nband = 'all'\nhours = '00:00-24:00'\n"
    )
    times = pd.date_range("2025-06-02", periods=hours, freq="h", tz="UTC")
    random = np.random.default_rng(3)
    sun = np.maximum(0.0, np.sin((times.hour.to_numpy() - 6.5) / 12 * np.pi)) * random.uniform(0, 2, hours)
    settings = changed(battery={"taper_hours": 0.35, "wear_per_kwh": 0.03})
    load = random.uniform(0.1, 1.0, hours).round(3)
    return home(tariffs.parse_tariff(text, "t"), times, settings, load_kwh=load, sun_kwh=sun.round(3))


@pytest.mark.parametrize("seed", range(11))
def test_least_cost_is_what_scipy_finds(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    case = tempting(seed)
    program = Program(case, EXACT)
    assert has_sides_only(program)
    bounds: list[float] = []

    def heard(*given: object) -> object:
        found = sweep(*given)  # type: ignore[arg-type]
        assert found is not None
        bounds.append(found.bound)
        return found

    monkeypatch.setattr(solving, "sweep", heard)
    found = solve(program, STRATEGIES["least-cost"])
    money = found.money + found.flows.wear + case.prices.fixed_total
    best = least_cost(case)
    assert money == pytest.approx(best, rel=2e-6, abs=4e-6)
    constant = best - found.stage_values["cost"]
    assert all(bound <= best - constant + 1e-6 for bound in bounds)


@pytest.mark.parametrize("seed", [3, 5, 8])
@pytest.mark.parametrize("strategy", STRATEGIES)
def test_every_strategy_is_what_branching_on_every_step_finds(
    strategy: str, seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    case = tempting(seed, 48)
    by_level = solve(Program(case, EXACT), STRATEGIES[strategy])
    monkeypatch.setattr(solving, "has_sides_only", lambda _program: False)
    by_branching = solve(Program(case, EXACT), STRATEGIES[strategy])
    cost = by_branching.stage_values["cost"]
    assert by_level.stage_values["cost"] == pytest.approx(cost, rel=3e-6, abs=3e-6)


def test_two_weeks_of_selling_dearer_than_buying_are_proven() -> None:
    """Branching on every step left 7 % open after a minute."""
    case = sold_dearer(336)
    found = solve(Program(case), STRATEGIES["least-cost"])
    assert not found.stopped
    assert found.unproven < 1e-3
    both = np.minimum(found.flows["import"], found.flows["export"])
    assert both.max() < 1e-9
    bill = tariffs.bill(case.tariff, case.times, case.dt_hours, found.flows["import"], found.flows["export"])
    assert found.money + case.prices.fixed_total == pytest.approx(float(bill.total_unrounded), rel=1e-6)


def prepared(case: Case) -> Program:
    program = Program(case)
    program.warm.restart(program.bounds(), warm=False)
    return program


def test_every_corner_of_a_step_is_what_the_program_itself_costs_there() -> None:
    """One step's change fixed, its side fixed: the program's least cost lies on the function, between corners too."""
    program = prepared(sold_dearer(3))
    warm = program.warm
    storage, stored = program.rows["storage"], program.columns["stored"]
    slacks = np.concatenate([np.arange(s.start, s.stop) for n, s in program.columns.items() if "short" in n])
    for way in choices(program, program.cost):
        for t in range(program.steps):
            x, y = way.at(t)
            for change, cost in [
                *zip(x, y, strict=True),
                *zip((x[1:] + x[:-1]) / 2, (y[1:] + y[:-1]) / 2, strict=True),
            ]:
                bounds = program.bounds()
                for rows in ("floor", "closing", "taper", "storage"):
                    bounds.row_lower[program.rows[rows]], bounds.row_upper[program.rows[rows]] = (
                        -np.inf,
                        np.inf,
                    )
                bounds.lower[stored] = bounds.upper[stored] = 0.0
                bounds.upper[slacks] = 0.0
                bounds.row_lower[storage.start + t] = bounds.row_upper[storage.start + t] = -change
                bounds.lower[warm.integers] = bounds.upper[warm.integers] = dict(way.sides)["trade"]
                own = np.zeros(len(program.cost))
                for family in program.columns.values():
                    if family.stop - family.start == program.steps:
                        own[family.start + t] = program.cost[family.start + t]
                # the other steps may stand on any side
                others = warm.integers[np.arange(len(warm.integers)) != t]
                bounds.lower[others], bounds.upper[others] = 0.0, 1.0
                warm.restart(bounds, warm=False)
                assert warm.minimise(own).objective == pytest.approx(cost, abs=1e-7)


def dense(line: Line, at: Floats) -> Floats:
    return np.interp(at, line.x, line.y)


def test_what_is_owed_is_never_above_a_fine_search_and_close_to_it() -> None:
    program = prepared(sold_dearer(24))
    levels = _Levels(program, 1e-7)
    found = levels.back(choices(program, program.cost), Watch(()))
    assert found is not None
    owed, own = found
    for t in (0, 5, 11, 17, 22):
        changes = np.linspace(own[t].x[0], own[t].x[-1], 20001)
        cost = dense(own[t], changes)
        for level in np.linspace(owed[t].x[0], owed[t].x[-1], 23):
            after = levels.keep * level + changes
            held = (after >= owed[t + 1].x[0]) & (after <= owed[t + 1].x[-1])
            held &= changes <= levels.taper * (levels.full - level)
            if held.any():
                best = float((cost + dense(owed[t + 1], after))[held].min())
                here = float(dense(owed[t], np.array([level]))[0])
                assert here <= best + 1e-6
                assert here >= best - 2e-4  # the search is only as fine as its grid


def test_a_watch_that_is_over_ends_the_sweep() -> None:
    program = prepared(sold_dearer(48))
    assert sweep(program, program.cost, Watch((), seconds=0.0), 0.05) is None
