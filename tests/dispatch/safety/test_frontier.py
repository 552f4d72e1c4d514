"""The frontier: every level a certified optimum, the same as a whole comparison, priced and named rightly."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest
from homes.generators import drafts, repeatable
from homes.shipped import shipped_case
from homes.small_home import small_home
from hypothesis import given
from hypothesis import strategies as st
from oracles.certify import Claim, claim_of, objections
from terminal import rendered

from dispatch.advice.recommend import recommend
from dispatch.advice.runs import run_strategy
from dispatch.cards.space import device_space
from dispatch.errors import ScenarioError
from dispatch.outages.hours import backup_hours
from dispatch.outcome import bill_of
from dispatch.program.program import Program
from dispatch.report.frontier import frontier_report
from dispatch.safety.frontier import Frontier, frontier, knee_of, ladder, prices_of, trace
from dispatch.safety.levels import level_for_hours, most_hours, solve_at
from dispatch.strategies.solve import solve
from dispatch.strategies.table import CHOICES, STRATEGIES

if TYPE_CHECKING:
    from homes.drafts import Draft

    from dispatch.case.case import Measure
    from dispatch.program.arrays import Optimum

MEASURES: tuple[Measure, ...] = ("percent", "hours")


@cache
def traced(measure: Measure) -> Frontier:
    case = small_home().case()
    return frontier(recommend(case), ladder(case, measure))


@pytest.mark.parametrize("measure", MEASURES)
def test_every_stage_of_every_level_is_certified(measure: Measure) -> None:
    case = small_home().case()
    program = Program(case)
    claims: list[tuple[float, str, Claim]] = []

    def keep(amount: float, stage: str, optimum: Optimum) -> None:
        claims.append((amount, stage, claim_of(program, optimum)))

    rungs = ladder(case, measure)
    trace(program, rungs, 0.0, record=keep)
    assert {amount for amount, stage, _ in claims if stage == "cost"} == set(rungs.amounts)
    for amount, stage, claim in claims:
        assert objections(claim) == [], f"{amount:g} {measure}, {stage}"


@repeatable(8)
@given(draft=drafts(((1, 60), (2, 60), (2, 30))), measure=st.sampled_from(MEASURES))
def test_a_level_is_what_the_comparison_gives_with_that_reserve(draft: Draft, measure: Measure) -> None:
    case = draft.case()
    rungs = ladder(case, measure)
    levels = trace(Program(case), rungs, 0.0)
    for at in (0, 7, 20):
        amount = rungs.amounts[at]
        reserve = {"kwh": 0.0} if measure == "hours" and amount == 0 else {measure: amount}
        alone_case = draft.changed(reserve=None).changed(reserve=reserve).case()
        start = max(case.limits.start_kwh, float(alone_case.floor_kwh[0]))
        alone = solve(Program(alone_case.starting_at(start)), STRATEGIES["least-cost"]).flows
        cost = float(bill_of(alone).total_unrounded) + alone.wear
        # where promises break, the slacks are held to the solver's tolerance, and each is worth some money
        plan = levels[at].plan
        assert plan.bill_and_wear == pytest.approx(cost, rel=1e-6, abs=1e-5)
        hours = backup_hours(alone_case, alone["stored"], with_sun=False)
        assert plan.backup is not None
        assert plan.backup.hours == pytest.approx(hours, abs=1e-4)


def test_levels_do_not_depend_on_the_way_they_are_reached() -> None:
    case = small_home().case()
    rungs = ladder(case, "percent")
    together = trace(Program(case), rungs, 0.0)
    for at in (20, 3, 11):
        alone = solve_at(Program(case), "least-cost", "percent", rungs.amounts[at], 0.0)
        assert together[at].plan.flows.frame.to_numpy() == pytest.approx(
            alone.plan.flows.frame.to_numpy(), abs=1e-7
        )


def test_more_reserve_never_costs_less_and_each_hour_more_than_the_last() -> None:
    found = traced("percent")
    burden = np.array([level.plan.bill_and_wear for level in found.levels])
    held = [level.plan.floor_broken_hours == 0 for level in found.levels]
    steps = np.diff(burden)[np.array(held[1:])]
    assert (steps >= -1e-9).all()
    assert (np.diff(steps) >= -1e-6).all()  # even levels: convex in a constant floor


def test_the_price_lies_between_the_levels_either_side() -> None:
    for measure in MEASURES:
        found = traced(measure)
        for at, price in enumerate(found.prices):
            if price is None or price.central is None:
                continue
            low, mid, high = (found.levels[k] for k in (at - 1, at, at + 1))
            sides = sorted(
                (
                    (mid.plan.bill_and_wear - low.plan.bill_and_wear)
                    / (mid.carried_hours - low.carried_hours),
                    (high.plan.bill_and_wear - mid.plan.bill_and_wear)
                    / (high.carried_hours - mid.carried_hours),
                )
            )
            assert [price.low, price.high] == pytest.approx(sides)
            assert price.low - 1e-12 <= price.central <= price.high + 1e-12


def test_prices_and_knee_by_hand() -> None:
    hours, money = np.array([0.0, 1.0, 2.0, 3.0, 4.0]), np.array([10.0, 11.0, 12.0, 22.0, 32.0])
    prices = prices_of(hours, money)
    assert [(p.low, p.high, p.central) for p in prices if p] == [
        *((1, 1, None), (1, 1, 1)),
        *((1, 10, 5.5), (10, 10, 10), (10, 10, None)),
    ]
    assert knee_of(hours, money) == 2
    assert knee_of(hours, 3 * hours + 5) is None
    assert knee_of(hours, np.full(5, 7.0)) is None
    assert prices_of(np.array([1.0, 1.0]), np.array([2.0, 3.0])) == (None, None)


def test_the_ladder_spans_what_the_battery_holds() -> None:
    case = small_home().case()
    percent, hours = ladder(case, "percent"), ladder(case, "hours")
    assert len(percent.amounts) == len(hours.amounts) == 21
    assert percent.amounts[0] == pytest.approx(100 * case.limits.empty_kwh / case.limits.full_kwh)
    assert percent.amounts[-1] == pytest.approx(100 * case.limits.ceiling_kwh / case.limits.full_kwh)
    assert hours.amounts[-1] == pytest.approx(most_hours(case))
    assert not traced("hours").levels[-1].plan.case.floor_capped_steps.any()
    assert level_for_hours(case, hours.amounts[-1]) == pytest.approx(case.limits.ceiling_kwh)


@pytest.mark.parametrize("measure", MEASURES)
def test_each_level_has_the_cheapest_setting_that_keeps_as_much(measure: Measure) -> None:
    found = traced(measure)
    runs = [
        run_strategy(found.case, name, percent, 0.0)
        for name in CHOICES
        for percent in device_space(found.case).levels
    ]
    for level, setting in zip(found.levels, found.settings, strict=True):
        if measure == "hours":
            keeps = [run for run in runs if (run.least_hours or 0.0) >= level.carried_hours - 1e-6]
        else:
            least_kwh = level.amount / 100 * found.case.limits.full_kwh
            keeps = [run for run in runs if run.flows["stored"].min() >= least_kwh - 1e-6]
        cheapest = min((run.compared_cost for run in keeps if run.serves), default=None)
        assert (setting is None) == (cheapest is None)
        if setting is not None:
            assert setting.compared_cost == pytest.approx(cheapest, abs=1e-6)


def test_one_row_is_no_span() -> None:
    """Where one setting alone is shown, nothing is told from it to itself."""
    found = traced("hours")
    assert "- From " in rendered(frontier_report(found))
    alone = replace(found, settings=(found.settings[0],) + (None,) * (len(found.levels) - 1))
    assert "- From " not in rendered(frontier_report(alone))


def test_raised_times_stay_on_top_of_every_level() -> None:
    raised = [{"dates": ["2025-11-02"], "percent": 90.0}]
    case = small_home(reserve={"percent": 30, "raised": raised}).case()
    level = solve_at(Program(case), "least-cost", "kwh", 0.0, 0.0)
    assert level.plan.case.floor_kwh.max() == pytest.approx(0.9 * case.limits.full_kwh)


@pytest.mark.parametrize(
    ("measure", "count", "most", "parts"),
    [
        ("percent", 5, None, ("--levels", "5", "21 or more")),
        ("percent", 21, 140.0, ("--to", "140 percent", "100 %")),
        ("hours", 21, 500.0, ("--to", "500 hours", "97 hours of data")),
        ("hours", 21, -1.0, ("--to", "-1 hours")),
    ],
)
def test_refused_ladders(measure: Measure, count: int, most: float | None, parts: tuple[str, ...]) -> None:
    with pytest.raises(ScenarioError) as refused:
        ladder(small_home().case(), measure, count, most)
    assert all(part in str(refused.value) for part in parts), str(refused.value)


def test_a_shipped_year_is_certified_at_both_ends_and_the_middle() -> None:
    case = shipped_case("cinder-flat")
    program = Program(case)
    limits = case.limits
    for level_kwh in (limits.empty_kwh, (limits.empty_kwh + limits.ceiling_kwh) / 2, limits.ceiling_kwh):
        claims: dict[str, Claim] = {}
        found = solve_at(
            program,
            "least-cost",
            "kwh",
            level_kwh,
            0.0,
            lambda stage, optimum, into=claims: into.update({stage: claim_of(program, optimum)}),  # type: ignore[misc]
        )
        assert math.isfinite(found.plan.bill_and_wear)
        for stage, claim in claims.items():
            assert objections(claim) == [], stage
