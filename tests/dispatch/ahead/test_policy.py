"""The policy of the coming day and the best that levels can do, against exhaustive search and against simulation."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from homes.drafts import plain_draft
from homes.generators import drafts
from homes.small_home import small_home
from hypothesis import given, settings
from hypothesis import strategies as st
from oracles.foresight import bound, money

from dispatch.ahead.calendar import History, Paths
from dispatch.ahead.marginal import Meter, price_at
from dispatch.ahead.reachable import broken_promises, burden, reachable
from dispatch.ahead.response import grid_of, response
from dispatch.ahead.rolling import Planner, rolling, sells_of
from dispatch.outcome import as_set_outcome
from dispatch.rules.replay import replay
from dispatch.rules.score import Scorer, case_conditions
from dispatch.rules.walk import Orders, simulate
from dispatch.search.study import best_levels
from tariffs.terms.schedules import Schedule, ScheduleClass

if TYPE_CHECKING:
    from dispatch.arrays import Floats
    from dispatch.case.case import Case


def tiny(hours: int = 5, *, sun: bool = False, **sections: dict[str, object]) -> Case:
    """A few hours, losses, a taper, a small battery: few enough levels to try every order there is."""
    prices = [0.10, 0.32, 0.14, 0.41, 0.22][:hours]
    battery = {
        "pack_kwh": 2.0,
        "charger_efficiency_fraction": 0.9,
        "solar_charge_efficiency_fraction": 0.95,
        "discharge_efficiency_fraction": 0.93,
        "taper_hours": 0.6,
        "wear_per_kwh": 0.02,
        "start": {"kwh": 0.8},
        "closing": {"kwh": 0.0},
    }
    return plain_draft(
        prices,
        load_kw=[0.4, 0.9, 0.3, 1.1, 0.5][:hours],
        sun_kw=[0.0, 0.6, 1.5, 0.4, 0.0][:hours] if sun else None,
        export_price=[0.05] * hours if sun else None,
        battery=battery,
        inverter={"continuous_w": 900, "efficiency_fraction": 0.92, "idle_on_w": 20.0},
        charging={"grid_w": 700, "solar_w": 1500, "combined_w": 1700},
        settings={"level_step_percent": 25.0, "sun_first": "either"},
        **sections,
    ).case()


def exhaustive(case: Case) -> float:
    """Least burden over every sequence of orders whose levels can be entered."""
    limits, n = case.limits, len(case.times)
    levels = np.arange(0.0, limits.full_kwh + 1e-9, 0.25 * limits.full_kwh)
    floor = float(case.floor_kwh.max())
    levels = levels[levels >= floor - 1e-9]
    fills = [(level, limits.full_kwh) for level in levels]
    drains = [(floor, level) for level in levels]
    late = [(level, np.inf) for level in levels] if case.sun_kwh.any() else []
    options = list(dict.fromkeys([*fills, *drains, *late]))
    sequences = np.array(list(itertools.product(range(len(options)), repeat=n)))
    fill = np.array([o[0] for o in options])[sequences].T
    drain = np.array([o[1] for o in options])[sequences].T
    tally = Scorer.of(case).tally(Orders(np.arange(n), fill, drain, bool(late)))
    kept = (tally.unserved_kwh < 1e-9) & (tally.short_kwh < 1e-9)
    least = float(case.prices.import_price_per_kwh.min())
    totals = tally.money + tally.wear - least * (tally.end_kwh - limits.start_kwh)
    return float(totals[kept].min())


@pytest.mark.parametrize("sun", [False, True])
def test_the_best_levels_are_at_least_as_good_as_every_sequence_tried(sun: bool) -> None:
    """On a grid that holds all levels tried; finer levels may do better, but no worse than the grid's grain."""
    case = tiny(4, sun=sun)
    best = burden(case, reachable(case, per_entry=8))
    assert best <= exhaustive(case) + 0.002
    assert best >= money_bound(case) - 1e-6


def money_bound(case: Case) -> float:
    """The linear program, free of the rules, with the end level of the best levels."""
    flows = reachable(case, per_entry=8)
    least = float(case.prices.import_price_per_kwh.min())
    return bound(case, flows) - least * float(flows["stored"][-1] - case.limits.start_kwh)


@settings(max_examples=20, deadline=None)
@given(st.data())
def test_no_level_can_beat_the_program_and_no_rolling_run_the_best_levels(data: st.DataObject) -> None:
    case = data.draw(drafts(spans=((2, 60), (3, 60)))).case()
    best = reachable(case, sells=sells_of(case))
    assert bound(case, best) <= money(case, best) + 1e-6
    daily = as_set_outcome(rolling(case), 0.0, None)
    found = best_levels(case, 0.0, (daily,))
    if broken_promises(case, daily.flows) <= broken_promises(case, found.flows):
        assert found.compared_cost <= daily.compared_cost + 1e-9


def test_the_bound_of_levels_by_itself_lies_below_what_daily_planning_earns() -> None:
    """Not only because the better of the two is taken."""
    case = small_home(days=21).case()
    assert burden(case, reachable(case)) < burden(case, rolling(case))


@settings(max_examples=15, deadline=None)
@given(st.data())
def test_what_a_step_answers_lies_between_its_ends(data: st.DataObject) -> None:
    """The formula of the module against the rules themselves, for orders and levels anywhere."""
    case = data.draw(drafts(spans=((2, 60), (1, 30)))).case()
    sells = sells_of(case)
    grid, limits = grid_of(case, 2), case.limits
    found = response(case, grid, sells=sells)
    random = np.random.default_rng(data.draw(st.integers(0, 2**16)))
    n = len(case.times)
    fill = random.uniform(limits.empty_kwh, limits.ceiling_kwh, n)
    drain = random.uniform(fill, limits.ceiling_kwh)
    inside = np.flatnonzero((grid.levels >= limits.empty_kwh) & (grid.levels <= limits.ceiling_kwh))
    given_ = case_conditions(case, sells=sells)
    way = found.serves
    for t in random.choice(n, size=min(n, 12), replace=False).tolist():
        at = int(random.choice(inside))
        seen: dict[str, Floats] = {}
        orders = Orders(np.zeros(n, dtype=np.intp), fill[[t]][:, None], drain[[t]][:, None])
        simulate(
            given_,
            orders,
            float(grid.levels[at]),
            lambda block, seen=seen: seen.update(y=block.stored.copy(), net=block.net.copy()),  # type: ignore[misc]
            (t, t + 1),
        )
        hold, most, least = (float(getattr(way, name)[t, at]) for name in ("hold", "most", "least"))
        after = max(min(hold, max(drain[t], least)), min(fill[t], most))
        assert after == pytest.approx(float(seen["y"][0, 0]), abs=1e-9)
        up, down = max(after - hold, 0.0), max(hold - after, 0.0)
        net = way.net[t, at] + up / limits.eta_charger - down * limits.eta_inverter * limits.eta_discharge
        assert net == pytest.approx(float(seen["net"][0, 0]), abs=1e-9)


# ---- the scenario program ------------------------------------------------------------------------------------


def two_days(load: Floats) -> Case:
    """Three weeks without sun, so that one order a step is all there is to choose."""
    case = small_home(days=21, first="2025-06-02", sun=False, backup={"target_hours": None}).case()
    return replace(case, load_kwh=load)


def noisy_load(seed: int = 3) -> Floats:
    case = small_home(days=21, first="2025-06-02", sun=False).case()
    return np.asarray(case.load_kwh * np.random.default_rng(seed).uniform(0.5, 1.6, len(case.load_kwh)))


def test_the_expected_value_is_what_its_own_paths_come_to_on_average() -> None:
    """Monte Carlo: every path run by the rules under the orders entered, its money and what is left at the end."""
    case = two_days(noisy_load())
    planner = Planner(case)
    first, level = 24 * 15, 2.0
    steps = planner.steps
    paths = planner.history.paths(first, steps)
    meter, memory = Meter(len(case.times)), planner.memory()
    outlook = planner.outlook(first, steps, paths, meter, 0.0)
    end = -0.2 * planner.grid.levels
    policy = planner.sweep.run(outlook, end, level, steps)
    below, part = planner.grid.place(np.array([level]))
    promised = float((policy.value[0][below] * (1 - part) + policy.value[0][below + 1] * part)[0])
    total = 0.0
    for path, weight in zip(paths.steps, paths.weights.tolist(), strict=True):
        load, other = case.load_kwh.copy(), case.other_kwh.copy()
        load[first : first + steps], other[first : first + steps] = case.load_kwh[path], case.other_kwh[path]
        mine = replace(case, load_kwh=load, other_kwh=other)
        orders = policy.orders(first, first + steps, len(case.times), sun_waits=False)
        tally = Scorer.of(mine).tally(orders, level, (first, first + steps))
        total += weight * float(tally.money[0] + tally.wear[0] - 0.2 * tally.end_kwh[0])
    assert memory.value is None
    assert total == pytest.approx(promised, abs=0.004)


def test_with_one_path_that_is_the_truth_it_does_what_the_best_levels_do() -> None:
    case = replace(tiny(5), floor_kwh=np.zeros(5))
    planner = Planner(case, 5)
    truth = Paths(np.arange(5)[None], np.array([1.0]))
    outlook = planner.outlook(0, 5, truth, Meter(5), 0.0)
    end = planner.end_value(0, 5, planner.memory())
    policy = planner.sweep.run(outlook, end, case.limits.start_kwh, 5)
    flows = replay(case, policy.orders(0, 5, 5, sun_waits=False), ("one path",))[0]
    assert burden(case, flows) == pytest.approx(burden(case, reachable(case)), abs=0.004)


def test_paths_are_days_that_are_over() -> None:
    case = small_home(days=40, first="2025-10-01").case()
    history = History(case)
    first = 24 * 35 + 13
    paths = history.paths(first, 36)
    assert paths.steps.max() < first
    assert paths.steps.shape == (28, 36)
    assert paths.weights.sum() == pytest.approx(1.0)
    hours = case.times.hour.to_numpy()
    assert (hours[paths.steps] == hours[first : first + 36][None]).all()


def test_a_plan_does_not_look_ahead() -> None:
    case = small_home(days=35).case()
    first = 24 * 32 + 20
    later = np.arange(len(case.times)) >= first
    names = ("load_kwh", "other_kwh", "sun_kwh")
    changed: dict[str, Any] = {name: np.where(later, 0.9, getattr(case, name)) for name in names}
    other = replace(case, **changed)
    plans = [
        Planner(each).plan(first, 2.5, Meter(len(case.times)), Planner(each).memory(), 24)
        for each in (case, other)
    ]
    assert plans[0].fill_kwh == pytest.approx(plans[1].fill_kwh)
    assert plans[0].drain_kwh == pytest.approx(plans[1].drain_kwh)


def test_the_last_plan_comes_back_to_the_closing_level() -> None:
    case = small_home(days=7).case()
    assert float(rolling(case)["stored"][-1]) >= case.limits.closing_kwh - 0.05


def test_the_price_of_a_block_is_that_of_the_amount() -> None:
    steps = (ScheduleClass(np.inf, 0.0, np.array([100.0, np.inf]), np.array([0.1, 0.3])),)
    assert price_at(Schedule(steps), 60.0) == pytest.approx(0.1)
    assert price_at(Schedule(steps), 140.0) == pytest.approx(0.3)
