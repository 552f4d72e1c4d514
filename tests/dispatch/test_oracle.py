"""The product's program against an independent one: same households, every strategy, every stage.

The oracle states the program again as sparse matrices and holds stages by budget rows; the product holds them
by optimal faces. Both must reach the same value of every stage. The schedule itself is then walked through step
by step by a third piece of code that knows only the flow equations.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
from drafts import Draft, flows_table
from generators import drafts, repeatable
from household import household_of
from hypothesis import given
from oracle import STRATEGIES, optimum
from stepcheck import broken_rules

from dispatch import Infeasible
from dispatch.program import Program
from dispatch.strategies import STRATEGIES as PRODUCT
from dispatch.strategies import grid_only, solve

if TYPE_CHECKING:
    from household import Household

    from dispatch import Case, Flows

RELATIVE = 1e-6
STAGE_NAMES = {  # ours: the product's, and the sign with which it minimises
    "unserved_load": ("unserved_load", 1),
    "import_excess": ("import_excess", 1),
    "floor_shortfall": ("floor_shortfall", 1),
    "closing_shortfall": ("closing_shortfall", 1),
    "own_most_stored": ("own most stored", -1),
    "own_grid_to_battery": ("own grid into battery", 1),
    "own_spill_and_sun_to_grid": ("own spill and feed-in", 1),
    "own_dear_grid_charging": ("own dear grid charging", 1),
    "cost": ("cost", 1),
    "stored_sum": ("most stored", -1),
    "throughput": ("throughput", 1),
}


def assert_same(ours: float, theirs: float, what: str) -> None:
    assert abs(ours - theirs) <= RELATIVE * max(1.0, abs(ours)), (
        f"{what}: oracle {ours!r}, product {theirs!r}"
    )


def assert_stages_equal(house: Household, program: Program, strategy: str) -> None:
    """Every stage of one strategy, and the schedule that comes of them."""
    best = optimum(house, strategy)
    solved = solve(program, PRODUCT[strategy])
    for name, value in best.stages.items():
        if strategy == "sun-only" and name in {
            "stored_sum",
            "throughput",
            "floor_shortfall",
            "closing_shortfall",
        }:
            continue  # its battery lies idle: nothing is decided there
        theirs, sign = STAGE_NAMES[name]
        assert_same(value, sign * solved.stage_values.get(theirs, 0.0), f"{strategy}, {name}")
    case, flows = program.case, solved.flows
    broken = broken_rules(
        flows_table(flows),
        asdict(case.limits),
        strategy,
        dt_hours=case.dt_hours,
        closing_shortfall_kwh=flows.closing_shortfall_kwh,
    )
    assert broken == []
    assert_schedule_is_worth_its_stages(flows, best.stages)


def assert_schedule_is_worth_its_stages(flows: Flows, values: dict[str, float]) -> None:
    """The stage values belong to this very schedule, not only to the solver's log."""
    case, frame = flows.case, flows.frame
    money = float(frame["import_kwh"].to_numpy() @ case.prices.import_price_per_kwh)
    money -= float(frame["export_kwh"].to_numpy() @ case.prices.export_price_per_kwh)
    cells_out = frame["battery_to_load_kwh"] + frame["battery_to_grid_kwh"]
    wear = case.limits.wear_per_kwh * cells_out.sum() / case.limits.eta_discharge
    assert_same(values["cost"], float(money + wear), "money and wear of the schedule")
    for slack in ("unserved_load", "import_excess"):
        assert_same(values[slack], float(frame[f"{slack}_kwh"].sum()), slack)
    if flows.uses_battery:
        assert_same(values["floor_shortfall"], float(frame["floor_shortfall_kwh"].sum()), "floor shortfall")
        assert_same(values["closing_shortfall"], flows.closing_shortfall_kwh, "closing shortfall")
        assert_same(values["stored_sum"], float(frame["stored_kwh"].sum()), "Σ stored of the schedule")
        assert_same(values["throughput"], float(cells_out.sum()), "throughput of the schedule")


def assert_grid_only_equal(house: Household, case: Case) -> None:
    best, flows = optimum(house, "grid-only"), grid_only(case)
    money = float(flows.frame["import_kwh"].to_numpy() @ case.prices.import_price_per_kwh)
    assert_same(best.cost, money, "grid-only money")
    assert_same(
        best.stages["import_excess"], float(flows.frame["import_excess_kwh"].sum()), "grid-only excess"
    )
    table = flows_table(flows)
    assert broken_rules(table, asdict(case.limits), "grid-only", dt_hours=case.dt_hours) == []


@repeatable(60)
@given(draft=drafts())
def test_every_stage_of_every_strategy_equals_the_independent_program(draft: Draft) -> None:
    case = draft.read_back()
    house, program = household_of(case), Program(case)
    assert_grid_only_equal(house, case)
    for strategy in STRATEGIES[1:]:
        assert_stages_equal(house, program, strategy)


@repeatable(3)
@given(draft=drafts(spans=((14, 60), (14, 30))))
def test_faces_hold_two_weeks_as_budget_rows_do(draft: Draft) -> None:
    case = draft.case()
    house, program = household_of(case), Program(case)
    for strategy in STRATEGIES[1:]:
        assert_stages_equal(house, program, strategy)


@repeatable(25)
@given(draft=drafts())
def test_files_and_models_give_the_same_case(draft: Draft) -> None:
    from_files, from_models = draft.read_back(), draft.case()
    assert from_files.times.equals(from_models.times)
    for name in ("load_kwh", "other_kwh", "critical_kwh", "sun_kwh", "idle_kwh", "floor_kwh"):
        np.testing.assert_allclose(getattr(from_files, name), getattr(from_models, name), rtol=0, atol=1e-12)
    assert from_files.limits == from_models.limits
    np.testing.assert_array_equal(
        from_files.prices.import_price_per_kwh, from_models.prices.import_price_per_kwh
    )


@repeatable(60)
@given(draft=drafts())
def test_floor_carries_the_hours_that_follow(draft: Draft) -> None:
    """The reserve counted out one step at a time, wrapping past the end of the data."""
    case = draft.case()
    limits, reserve = case.limits, case.scenario.reserve
    if reserve is None or reserve.hours is None:
        share = {"percent": limits.full_kwh / 100, "kwh": 1.0}
        given_levels = [value * share[name] for name, value in draft.settings.get("reserve", {}).items()]
        expected = np.full(len(case.times), max(limits.empty_kwh, *given_levels, 0.0))
    else:
        counted = (reserve.sun_share_fraction or 0.0) * limits.eta_inverter * case.sun_kwh
        draw = np.maximum(case.critical_kwh + case.idle_kwh - counted, 0.0)
        expected = np.empty(len(draw))
        for t in range(len(draw)):
            left, total, step = reserve.hours / case.dt_hours, 0.0, t
            while left > 1e-9:
                step = (step + 1) % len(draw)
                total += min(left, 1.0) * draw[step]
                left -= 1.0
            wanted = limits.empty_kwh + total / (limits.eta_inverter * limits.eta_discharge)
            expected[t] = min(wanted, limits.ceiling_kwh)
    np.testing.assert_allclose(case.floor_kwh, expected, rtol=0, atol=1e-9)


def test_the_draws_break_every_kind_of_promise() -> None:
    """A comparison of shortfalls that are never needed would prove nothing."""
    broken: dict[str, int] = {}

    @repeatable(40)
    @given(draft=drafts())
    def count(draft: Draft) -> None:
        house = household_of(draft.case())
        for strategy in ("sun-only", "reserve-first", "least-cost"):
            for name, value in optimum(house, strategy, through="cost").stages.items():
                broken[name] = broken.get(name, 0) + (value > 1e-6)

    count()
    needed = {
        name: broken[name]
        for name in ("unserved_load", "import_excess", "floor_shortfall", "closing_shortfall")
    }
    assert all(needed.values()), needed


def test_battery_that_nothing_can_keep_above_empty_is_infeasible_to_both() -> None:
    """Self-discharge at the lowest level, no charger, no sun: the one promise without a shortfall."""
    draft = Draft(
        settings={
            "name": "drained",
            "tariff": "tariff.toml",
            "site": {"time_zone": "UTC", "currency": "EUR"},
            "period": {"start": "2025-01-01", "end": "2025-01-02", "step_minutes": 60},
            "load": {"watts": 100.0},
            "battery": {
                "pack_kwh": 2.0,
                "depth_of_discharge_fraction": 0.9,
                "charger_efficiency_fraction": 0.9,
                "solar_charge_efficiency_fraction": 0.9,
                "discharge_efficiency_fraction": 0.9,
                "self_discharge_per_hour_fraction": 0.01,
                "start": {"percent": 10.0},
            },
            "inverter": {"continuous_w": 500.0, "efficiency_fraction": 0.9, "idle_on_w": 5.0},
            "charging": {"grid_w": 0.0},
        },
        tariff={
            "name": "flat",
            "currency": "EUR",
            "bands": {"all": {"import_price_per_kwh": 0.2}},
            "windows": [{"band": "all"}],
        },
        times=pd.date_range("2025-01-01", periods=24, freq="h", tz="UTC"),
    )
    case = draft.case()
    with pytest.raises(AssertionError, match="infeasible"):
        optimum(household_of(case), "least-cost")
    with pytest.raises(Infeasible, match="self-discharge"):
        solve(Program(case), PRODUCT["least-cost"])
