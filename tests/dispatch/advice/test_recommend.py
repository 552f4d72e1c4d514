"""What to set: the cheapest setting that meets the target, against trying every one from the file."""

from __future__ import annotations

from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
from homes.drafts import Draft
from homes.small_home import small_home
from oracles import naive_inverter

from dispatch.advice.recommend import Recommendation, more_hours, recommend
from dispatch.advice.runs import Setting, run_settings, run_strategy
from dispatch.advice.scan import Scan, scan
from dispatch.cards.card_file import card_document
from dispatch.cards.plain import plain_card
from dispatch.cards.space import device_space
from dispatch.comparison.compare import compare
from dispatch.errors import FlowsError, Infeasible
from dispatch.outcome import Outcome
from dispatch.rules.walk import simulate
from dispatch.strategies.table import CHOICES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dispatch.case.case import Case

DAYS = 4


def home(
    *,
    target_hours: float | None = None,
    share: float = 1.0,
    night_price: float = 0.1,
    **sections: Mapping[str, Any] | None,
) -> Draft:
    """A home with 4 h of critical load in its battery, sun by day and a dear evening."""
    times = pd.date_range("2025-05-05", periods=24 * DAYS, freq="h", tz="Europe/Berlin")
    hour = times.hour.to_numpy()
    backup = (
        {} if target_hours is None else {"target_hours": target_hours, "share_of_instants_fraction": share}
    )
    return Draft(
        settings={
            "name": "four days",
            "tariff": "tariff.toml",
            "site": {"time_zone": "Europe/Berlin", "currency": "EUR"},
            "load": {"csv": "series.csv", "column": "load_kw"},
            "critical_load": {"watts": 450},
            "battery": {
                "pack_kwh": 2.5,
                "pack_count": 1,
                "depth_of_discharge_fraction": 0.8,
                "charger_efficiency_fraction": 0.9,
                "solar_charge_efficiency_fraction": 0.95,
                "discharge_efficiency_fraction": 1.0,
                "wear_per_kwh": 0.01,
                "start": {"percent": 100},
            },
            "inverter": {"continuous_w": 2000, "efficiency_fraction": 0.9, "idle_on_w": 0},
            "charging": {"grid_w": 900, "solar_w": 1500},
            "sun": {"csv": "series.csv", "column": "sun_kw"},
            "backup": backup,
            **sections,
        },
        tariff={
            "name": "two prices",
            "currency": "EUR",
            "bands": {
                "day": {"import_price_per_kwh": 0.4},
                "night": {"import_price_per_kwh": night_price},
            },
            "windows": [
                {"band": "day", "from": "06:00", "to": "22:00"},
                {"band": "night", "from": "22:00", "to": "06:00"},
            ],
        },
        times=times,
        columns={
            "load_kw": np.where(hour >= 17, 0.8, 0.2),
            "sun_kw": np.where((hour >= 10) & (hour < 15), 1.1, 0.0),
        },
    )


def advised(draft: Draft) -> Recommendation:
    return recommend(draft.case())


def tried(case: Case) -> dict[tuple[str, float], tuple[float, float, bool]]:
    """Enter every setting one by one: cost, share of instants with the target, whether the load is served."""
    found = {}
    target = case.scenario.backup.target_hours
    for name in CHOICES:
        for percent in device_space(case).levels:
            run = run_strategy(case, name, percent, 0.0)
            assert run.backup is not None
            met = 1.0 if target is None else float((run.backup.hours >= target - 1e-6).mean())
            found[name, percent] = (run.compared_cost, met, run.serves)
    return found


def cheapest(case: Case) -> float:
    share = case.scenario.backup.share_of_instants_fraction
    return min(cost for cost, met, serves in tried(case).values() if serves and met >= share - 1e-12)


@pytest.mark.parametrize(
    ("hours", "share", "percent"), [(3.0, 1.0, 30.0), (9.0, 1.0, 10.0), (6.0, 0.8, 30.0), (2.0, 1.0, 80.0)]
)
def test_no_other_strategy_and_reserve_is_cheaper(hours: float, share: float, percent: float) -> None:
    backup = {"target_hours": hours, "share_of_instants_fraction": share}
    advice = advised(small_home(backup=backup, reserve={"percent": percent}))
    assert advice.meets_target
    assert advice.chosen.target_share >= share
    assert advice.chosen.compared_cost == pytest.approx(cheapest(advice.case), abs=1e-6)


@pytest.mark.parametrize("demand", [False, True])
def test_no_other_setting_is_cheaper_under_tiers_and_demand(*, demand: bool) -> None:
    tariff: dict[str, Any] = {
        "name": "tiers",
        "currency": "CAD",
        "bands": {"use": {}},
        "blocks": [
            {"name": "steps", "steps": [{"up_to_kwh": 9.0, "price_per_kwh": 0.11}, {"price_per_kwh": 0.42}]}
        ],
    }
    if demand:
        tariff["demand"] = [{"name": "evening", "price_per_kw": 6.0, "hours": "17:00-21:00"}]
    advice = advised(replace(small_home(), tariff=tariff))
    costs = {round(cost, 6) for cost, _, _ in tried(advice.case).values()}
    assert len(costs) > 3  # the levels do differ
    assert advice.chosen.compared_cost == pytest.approx(cheapest(advice.case), abs=1e-6)


def test_the_scan_says_what_each_run_comes_to() -> None:
    case = small_home().case()
    found, runs = scan(case), tried(case)
    for at, key in enumerate(zip(found.strategies, found.percents.tolist(), strict=True)):
        cost, met, serves = runs[key]
        assert found.cost[at] == pytest.approx(cost, abs=1e-6)
        assert found.share[at] == pytest.approx(met)
        assert found.serves[at] == serves


@pytest.mark.parametrize("changes", [{}, {"repeats": False}, {"reserve": {"percent": 30}}])
def test_settings_run_side_by_side_are_what_each_is_alone(changes: dict[str, Any]) -> None:
    case = small_home(**changes).case()
    found = scan(case)
    settings = [
        Setting(found.strategies[at], float(found.percents[at]), float(found.start_kwh[at]))
        for at in range(0, len(found.strategies), 4)
    ]
    for setting, run in zip(settings, run_settings(case, settings, 0.0), strict=True):
        alone = run_strategy(case, setting.strategy, setting.percent, 0.0, setting.start_kwh)
        assert isinstance(run, Outcome)
        assert run.flows.frame.equals(alone.flows.frame)
        assert (run.name, run.reserve_percent, run.compared_cost) == (
            alone.name,
            alone.reserve_percent,
            alone.compared_cost,
        )
        assert run.case.limits == alone.case.limits


def test_without_a_target_the_reserve_of_the_file_is_the_promise() -> None:
    advice = advised(home(reserve={"percent": 40}))
    assert advice.reserve_percent >= 40
    kept = {key: cost for key, (cost, _, serves) in tried(advice.case).items() if serves and key[1] >= 40}
    assert advice.chosen.compared_cost == pytest.approx(min(kept.values()), abs=1e-6)


def test_solar_first_where_the_night_is_hardly_cheaper_and_the_sun_fills_the_battery() -> None:
    assert advised(home(night_price=0.38)).strategy == "solar-first"


def test_a_home_without_sun_is_not_offered_solar_first() -> None:
    advice = advised(home(sun=None))
    assert advice.strategy == "off-peak-first"
    assert "solar-first" not in advice.outcomes
    assert "solar-first" not in compare(advice.case).planned


def test_reserve_first_where_only_a_full_battery_meets_the_target() -> None:
    advice = advised(home(target_hours=4.0, share=0.99, reserve={"percent": 20}))
    assert advice.strategy == "reserve-first" or advice.reserve_percent == 100


def test_where_nothing_meets_the_target_the_closest_is_named_and_that_it_misses() -> None:
    advice = advised(home(target_hours=4.5))
    assert advice.answers
    assert not advice.meets_target
    assert advice.reasons[0].kind == "closest"
    shares = [met for _, met, serves in tried(advice.case).values() if serves]
    assert advice.chosen.target_share == pytest.approx(max(shares))


def test_a_strategy_that_cannot_serve_is_never_set_where_another_serves() -> None:
    # 0.7 kW of bypass for evenings of 1.3 kW: the battery must help every day, and a high reserve forbids it
    draft = small_home(backup={"target_hours": 1.0}, inverter={"bypass_w": 700})
    advice = advised(draft)
    assert advice.answers == any(serves for _, _, serves in tried(advice.case).values())


def test_where_every_strategy_leaves_load_dark_the_reasons_say_so() -> None:
    draft = home(
        inverter={"continuous_w": 800, "efficiency_fraction": 0.9, "idle_on_w": 0, "bypass_w": 100},
        charging={
            "grid_w": 0,
            "solar_w": 1500,
        },  # nothing refills what the narrow bypass leaves to the battery
        sun=None,
    )
    advice = advised(draft)
    assert not advice.answers
    assert {reason.kind for reason in advice.reasons} == {"cannot serve"}


def test_a_battery_nothing_can_keep_above_empty_is_refused_with_the_cause() -> None:
    draft = small_home(
        days=4,
        battery={"self_discharge_per_hour_fraction": 0.002, "depth_of_discharge_fraction": 0.9},
        charging={"grid_w": 0},
        sun=False,
        reserve=None,
    )
    with pytest.raises(Infeasible, match=r"self-discharge \(0.002 per hour\).*raise charging.grid_w"):
        advised(draft)


@pytest.mark.parametrize("start", [5, 55, 100])
def test_no_start_level_decides_anything(start: int) -> None:
    """The period ends as it began, so what the file says of its first hour changes no figure."""
    usual, other = (
        advised(small_home(battery={"start": {"percent": percent}})) for percent in (60, max(start, 7))
    )
    assert other.strategy == usual.strategy
    assert other.reserve_percent == usual.reserve_percent
    assert other.chosen.compared_cost == pytest.approx(usual.chosen.compared_cost, abs=1e-9)
    assert other.chosen.least_hours == pytest.approx(usual.chosen.least_hours, abs=1e-9)
    assert other.chosen.stored_change_kwh == pytest.approx(0.0, abs=1e-6)


def test_runs_agree_with_a_naive_inverter_that_repeats_the_period() -> None:
    """The period played again and again, step by step, by code that shares no line with the rules."""
    advice = advised(small_home())
    for name, run in advice.outcomes.items():
        case, space = run.case, device_space(run.case)
        card = card_document(plain_card(case, space, name, float(run.reserve_percent or 0.0)), space.groups)
        columns = zip(case.load_kwh, case.idle_kwh, case.other_kwh, case.sun_kwh, strict=True)
        names = ("load_kwh", "idle_kwh", "other_kwh", "sun_kwh")
        rows = [dict(zip(names, map(float, each), strict=True)) for each in columns]
        seasons = [case.prices.season_names[index] for index in case.prices.season]
        limits = asdict(case.limits) | {"start_kwh": case.limits.empty_kwh}
        for _ in range(6):
            flows = naive_inverter.run(card, limits, rows, list(case.times), seasons, case.dt_hours)
            limits["start_kwh"] = flows[-1]["stored"]
        assert run.flows["stored"] == pytest.approx([flow["stored"] for flow in flows], abs=1e-6)
        assert case.limits.start_kwh == pytest.approx(flows[-1]["stored"], abs=1e-6)


def test_more_hours_are_the_cheapest_setting_that_never_leaves_less() -> None:
    advice = advised(small_home())
    assert advice.chosen.least_hours is not None
    for extra in (1.0, 2.0):
        more = more_hours(advice, advice.chosen, extra)
        wanted = advice.chosen.least_hours + extra
        costs = []
        for name in CHOICES:
            for percent in device_space(advice.case).levels:
                run = run_strategy(advice.case, name, percent, 0.0)
                if run.serves and (run.least_hours or 0.0) >= wanted - 1e-6:
                    costs.append(run.compared_cost)
        if more.outcome is None:
            assert not costs
        else:
            assert more.outcome.compared_cost == pytest.approx(min(costs), abs=1e-6)
            assert more.cost == pytest.approx(min(costs) - advice.chosen.compared_cost, abs=1e-6)


@pytest.mark.parametrize(
    ("costs", "best"),
    [
        ((5.0 - 3e-7, 5.0, 5.0), 1),  # the same money: the lowest reserve
        ((5.0, 5.0, 5.0 - 2e-6), 2),
        ((5.0 - 2e-6, 5.0, 5.0), 0),
    ],
)
def test_costs_a_millionth_apart_are_the_same_money(costs: tuple[float, ...], best: int) -> None:
    found = scan(small_home().case())
    percents = np.array([40.0, 20.0, 30.0])
    three = Scan(
        found.case,
        strategies=("off-peak-first",) * 3,
        percents=percents,
        cost=np.array(costs),
        share=np.ones(3),
        serves=np.ones(3, dtype=bool),
        lowest_kwh=percents / 100 * found.case.limits.full_kwh,
        least_hours=np.full(3, 4.0),
        start_kwh=np.full(3, 2.0),
    )
    assert three.best("off-peak-first", 1.0) == best
    assert three.cheapest_with(4.0) == best
    assert three.cheapest_above(20.0) == best
    assert three.cheapest_above(50.0) is None


def test_one_measure_ranks_and_saves() -> None:
    advice = advised(small_home())
    for run in advice.outcomes.values():
        assert run.bill_and_wear == pytest.approx(float(run.bill.total_unrounded) + run.wear)
        assert run.saving == pytest.approx(float(advice.no_system.bill.total_unrounded) - run.compared_cost)
        assert sum(run.period_costs.values()) == pytest.approx(run.bill_and_wear)
    assert advice.reasons[0].kind == "cheapest"
    for reason in advice.reasons[1:]:
        assert reason.outcome is not None
        assert reason.more == pytest.approx(reason.outcome.compared_cost - advice.chosen.compared_cost)


def test_plans_stand_at_the_reserve_and_start_of_what_is_set() -> None:
    comparison = compare(small_home().case())
    for name, run in comparison.advice.outcomes.items():
        plan = comparison.planned[name]
        assert np.array_equal(plan.case.floor_kwh, run.case.floor_kwh)
        assert plan.case.limits.start_kwh == run.case.limits.start_kwh
    assert comparison.bound_gap is not None
    assert comparison.bound_gap >= -1e-6  # what is set is a plan the bound could have chosen
    for run in comparison.advice.outcomes.values():
        bound = comparison.planned["least-cost"]
        if run.reserve_percent == comparison.advice.reserve_percent and run.flows.case.limits.start_kwh == (
            bound.case.limits.start_kwh
        ):
            assert bound.compared_cost <= run.compared_cost + 1e-6


def test_an_overloaded_step_takes_the_target_away_whatever_is_stored() -> None:
    draft = small_home(backup={"target_hours": 1.0, "share_of_instants_fraction": 0.5})
    spike = np.where(draft.times.hour == 19, 2.6, 0.24)
    draft = replace(
        draft.changed(critical_load={"csv": "series.csv", "column": "spike_kw", "watts": None}),
        columns={**draft.columns, "spike_kw": spike},
    )
    case = draft.case()
    found = scan(case)
    trips = (case.critical_kwh + case.idle_kwh) > case.limits.inverter_kw * case.dt_hours + 1e-9
    ahead = np.roll(trips, -1)  # the hour after the instant is the one that trips
    assert trips.any()
    assert found.share.max() <= 1.0 - ahead.mean() + 1e-12


@pytest.mark.parametrize("repeats", [True, False])
def test_settings_of_one_home_are_walked_through_together_and_once(
    *, repeats: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    case = small_home(repeats=repeats).case()
    walked: list[int] = []

    def counted(given: Any, orders: Any, *rest: Any) -> Any:  # noqa: ANN401 - passed on
        walked.append(orders.fill_kwh.shape[1])
        return simulate(given, orders, *rest)

    monkeypatch.setattr("dispatch.advice.runs.simulate", counted)
    settings = [Setting(name, percent, 3.0) for name in CHOICES for percent in (20.0, 60.0)]
    assert len(run_settings(case, settings, 0.0)) == len(settings)
    assert walked == ([len(settings)] if repeats else [])  # else each begins at the file's own level, alone


@pytest.mark.parametrize("repeats", [True, False])
def test_a_setting_that_cannot_run_stands_in_its_place_among_those_that_can(*, repeats: bool) -> None:
    case = small_home(
        battery={
            "self_discharge_per_hour_fraction": 0.002,
            "depth_of_discharge_fraction": 0.9,
            "start": {"percent": 90},
        },
        charging={"grid_w": 0},
        sun=False,
        reserve=None,
        repeats=repeats,
    ).case()
    start_kwh = 0.9 * case.limits.full_kwh
    # what is drawn down to empty leaks away below it; what is never drawn keeps four fifths of itself in four days
    settings = [Setting(name, 10.0, start_kwh) for name in ("off-peak-first", "reserve-first") * 2]
    found = run_settings(case, settings, 0.0)
    assert [isinstance(run, FlowsError) for run in found] == [True, False] * 2
    for run in found[1::2]:
        assert isinstance(run, Outcome)
        assert run.flows["stored"][-1] == pytest.approx(start_kwh * (1 - 0.002) ** len(case.times))
