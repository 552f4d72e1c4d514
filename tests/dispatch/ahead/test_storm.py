"""Before a storm: the latest start against the closed form of charging with a taper, costs, hours, refusals."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
from homes.small_home import small_home

from dispatch.ahead.storm import Storm, storm
from dispatch.errors import ScenarioError
from dispatch.words.storm import headline, what_to_set

if TYPE_CHECKING:
    from dispatch.case.case import Case


AT, FROM = "2025-11-02T18:00", "2025-11-04T06:00"


@lru_cache(maxsize=1)
def home() -> Case:
    return small_home(days=35, first="2025-10-01", battery={"ceiling": {"percent": 90}}).case()


@lru_cache(maxsize=4)
def prepared(hours: float = 10.0, level: str = "60%") -> Storm:
    return storm(home(), AT, level, FROM, hours)


def closed_form_hours(case: Case, begin_kwh: float, goal_kwh: float) -> float:
    """Charging at constant power P from E0, with a taper of time constant τ near full F.

    Until F - E = P·τ the power is the charger's: t1 = (F - Pτ - E0)/P. From there the level approaches full by
    dE/dt = (F - E)/τ, so t2 = τ·ln(Pτ/(F - goal)). The first-order lag is the definition of the taper, integrated by
    hand; self-discharge is nought here.
    """
    limits = case.limits
    power = limits.eta_charger * limits.grid_charge_kw
    full, tau = limits.full_kwh, limits.taper_hours
    knee = full - power * tau
    if goal_kwh <= knee:
        return (goal_kwh - begin_kwh) / power
    return max(knee - begin_kwh, 0.0) / power + tau * math.log(
        min(power * tau, full - begin_kwh) / (full - goal_kwh)
    )


@pytest.mark.parametrize("storm_hours", [6.0, 12.0, 30.0])
def test_the_latest_start_is_the_closed_form_of_charging_with_its_taper(storm_hours: float) -> None:
    case = small_home(days=35, first="2025-10-01", sun=False).case()
    plan = storm(case, AT, "60%", FROM, storm_hours)
    assert plan.alone.at is not None
    hours = (plan.begins - plan.alone.at) / pd.Timedelta(hours=1)
    expected = closed_form_hours(case, plan.alone.level_kwh, plan.wanted_kwh)
    assert hours == pytest.approx(expected, abs=0.08)  # pieces of two minutes, and the taper's own step


def test_the_level_carries_the_critical_load_through_the_storm() -> None:
    """A constant critical load: needed = empty + (load + idle)·hours/(η_inverter·η_discharge)."""
    plan, limits = prepared(), home().limits
    needed = limits.empty_kwh + (0.24 + limits.idle_on_kw) * 10.0 / (
        limits.eta_inverter * limits.eta_discharge
    )
    assert plan.enough
    assert plan.wanted_kwh == pytest.approx(needed)
    assert plan.wanted_percent >= 100 * needed / limits.full_kwh - 1e-9
    assert plan.carried[0].hours >= 10.0 - 1e-6
    assert sum(day.unserved_kwh for day in plan.dull_days) == pytest.approx(0.0, abs=1e-9)


def test_the_battery_is_there_when_it_begins_and_stays() -> None:
    plan = prepared()
    step = pd.Timedelta(hours=plan.case.dt_hours)
    ends = (
        plan.case.times[int(plan.case.times.searchsorted(plan.at)) :][: len(plan.run.flows["stored"])] + step
    )
    during = np.asarray((ends >= plan.begins) & (ends <= plan.ends))
    assert plan.run.flows["stored"][during].min() >= plan.wanted_kwh - 1e-6
    assert plan.left[0].when == plan.at
    assert plan.left[-1].when == plan.begins


def test_preparing_costs_more_for_a_longer_storm_and_no_more_once_full() -> None:
    short, longer, endless = prepared(6.0), prepared(12.0), prepared(60.0)
    assert 0.0 <= short.cost <= longer.cost + 1e-6 <= endless.cost + 2e-6
    assert not endless.enough
    assert math.isnan(endless.per_hour)
    assert short.per_hour >= 0.0


def test_a_ceiling_is_lifted_where_the_storm_needs_it() -> None:
    plan = prepared(60.0)
    assert plan.lifted
    assert "lift the charging ceiling" in what_to_set(plan)[0]
    assert "ceiling back" in what_to_set(plan)[-1]
    assert not prepared(6.0).lifted


def test_too_late_is_said() -> None:
    plan = storm(home(), "2025-11-04T05:00", "20%", FROM, 30.0)
    assert plan.alone.at is None
    assert plan.raise_at is None
    assert "now" in headline(plan)
    assert plan.alone.reached_kwh < plan.wanted_kwh


def test_a_storm_that_is_on_is_answered() -> None:
    plan = storm(home(), "2025-11-04T08:00", "50%", FROM, 30.0)
    assert plan.running
    assert headline(plan).startswith("The storm is on")


def test_an_inverter_that_cannot_carry_everything_is_told() -> None:
    case = home()
    small = replace(case, limits=replace(case.limits, inverter_kw=0.35))
    plan = storm(small, AT, "60%", FROM, 10.0)
    everything = next(item for item in plan.carried if item.what.startswith("everything"))
    assert not everything.fits
    assert everything.hours == 0.0
    assert plan.carried[0].fits


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"begins": "2025-11-01T06:00", "hours": 6.0}, ("--from", "is over", "2025-11-02T18:00")),
        ({"hours": 0.0}, ("--hours", "0 is no length")),
        ({"hours": 1000.0}, ("--hours", "336")),
        ({"begins": "2025-12-24T06:00"}, ("--from", "240 h after --at")),
        ({"level": "120%"}, ("--level", "above full")),
        ({"at": "2025-09-01T06:00"}, ("--at", "outside the data")),
    ],
)
def test_what_a_storm_cannot_use_is_refused(arguments: dict[str, Any], words: tuple[str, ...]) -> None:
    given = {"at": AT, "level": "60%", "begins": FROM, "hours": 10.0, **arguments}
    with pytest.raises(ScenarioError) as refused:
        storm(home(), **given)
    for word in words:
        assert word in str(refused.value)
