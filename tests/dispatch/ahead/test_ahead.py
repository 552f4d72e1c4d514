"""Day-ahead running: forecasts that know only the past, plans, and the bound no re-planning can beat."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
from homes.drafts import plain_draft
from homes.generators import drafts
from homes.small_home import small_home
from hypothesis import given, settings
from hypothesis import strategies as st
from oracles.foresight import bound, money

from dispatch.ahead.planner import History, Planner, rolling
from dispatch.ahead.tonight import tonight
from dispatch.errors import DispatchError, ScenarioError, SeriesError
from dispatch.words.tonight import charge_text

if TYPE_CHECKING:
    from pathlib import Path

    from dispatch.case.case import Case


@settings(max_examples=25, deadline=None)
@given(st.data())
def test_re_planning_is_never_cheaper_than_the_optimum_with_its_own_levels(data: st.DataObject) -> None:
    case = data.draw(drafts(spans=((2, 60), (3, 60), (3, 30), (7, 60)))).case()
    flows = rolling(case, 24)
    assert bound(case, flows) <= money(case, flows) + 1e-6


def test_a_perfect_forecast_over_the_whole_period_is_the_optimum() -> None:
    """One plan from the first midnight over a day that repeats: what is left to lose is nothing."""
    prices = [0.1] * 8 + [0.4] * 16
    case = plain_draft(prices, load_kw=0.5, battery={"pack_kwh": 3.0}).case()
    flows = rolling(case, 24)
    assert money(case, flows) == pytest.approx(bound(case, flows), abs=1e-6)


def test_forecasts_do_not_look_ahead() -> None:
    case = small_home(days=35).case()
    first = 24 * 30 + 1  # a midnight after the night the clocks go back
    later = np.arange(len(case.times)) >= first
    other = replace(
        case,
        load_kwh=np.where(later, 9.9, case.load_kwh),
        other_kwh=np.where(later, 9.9, case.other_kwh),
        sun_kwh=np.where(later, 9.9, case.sun_kwh),
    )
    before = History(case).forecast(first, 48)
    after = History(other).forecast(first, 48)
    for name in ("load_kwh", "other_kwh", "sun_kwh"):
        assert getattr(before, name) == pytest.approx(getattr(after, name)), name


def test_the_load_forecast_is_the_mean_of_the_same_weekday() -> None:
    case = small_home(days=35, first="2025-06-02").case()
    load = np.arange(len(case.times), dtype=float)
    first = 24 * 29
    forecast = History(replace(case, load_kwh=load)).forecast(first, 24).load_kwh
    expected = np.mean([load[first - 168 * week : first - 168 * week + 24] for week in (1, 2, 3, 4)], axis=0)
    assert forecast == pytest.approx(expected)


def test_the_sun_forecast_is_the_clear_day_times_the_recent_share() -> None:
    case = small_home(days=40, first="2025-06-02").case()
    bright = np.tile(np.maximum(0, 6 - np.abs(np.arange(24) - 12.0)), 40)
    bright[24 * 32 : 24 * 35] *= 0.25  # the three days before are dull
    forecast = History(replace(case, sun_kwh=bright)).forecast(24 * 35, 24).sun_kwh
    assert forecast == pytest.approx(0.25 * bright[:24])


def test_the_end_of_a_plan_is_worth_what_it_is_told() -> None:
    """Energy worth more at the end than now is kept; worth nothing, it is used."""
    case = plain_draft([0.3] * 24, load_kw=0.5, battery={"pack_kwh": 3.0, "start": {"kwh": 3.0}}).case()
    planner = Planner(case, 24)
    expected = History(case).forecast(0, 24)
    keep = planner.plan(0, 3.0, expected, 0.5)
    spend = planner.plan(0, 3.0, expected, 0.0)
    assert keep.flows["stored"][-1] == pytest.approx(3.0)
    assert spend.flows["stored"][-1] == pytest.approx(0.0, abs=1e-9)
    assert spend.value_per_kwh[0] == pytest.approx(0.3, abs=1e-9)  # one more kWh would save buying one


# ---- tonight -------------------------------------------------------------------------------------------------


def home() -> Case:
    return small_home(days=35, first="2025-10-01").case()


def test_tonight_names_a_level_and_what_half_the_sun_changes() -> None:
    case = home()
    plan = tonight(case, "2025-11-02T18:00", "62%")
    assert plan.at == pd.Timestamp("2025-11-02T18:00", tz="America/Halifax")
    assert plan.level_kwh == pytest.approx(0.62 * case.limits.full_kwh)
    assert str(plan.half_date) == "2025-11-03"
    assert plan.charge is not None
    assert plan.charge.to_percent % 5 == 0
    assert charge_text(plan.charge).startswith("charge to")
    assert plan.half_plan.flows["import"].sum() > plan.plan.flows["import"].sum()


def test_levels_may_be_given_in_kwh() -> None:
    assert tonight(home(), "2025-11-02T18:00", "2.5 kWh").level_kwh == pytest.approx(2.5)


def write_forecast(path: Path, hours: int, **columns: float) -> Path:
    times = pd.date_range("2025-11-02T18:00", periods=hours, freq="h", tz="America/Halifax")
    table = pd.DataFrame({"time": [t.isoformat() for t in times], **columns})
    table.to_csv(path, index=False)
    return path


def test_a_forecast_file_replaces_what_it_has(tmp_path: Path) -> None:
    path = write_forecast(tmp_path / "forecast.csv", 36, load_w=700.0)
    plan = tonight(home(), "2025-11-02T18:00", "62%", forecast=path)
    assert plan.expected.load_kwh == pytest.approx(0.7)
    assert "forecast.csv for load" in plan.source
    assert plan.expected.sun_kwh.max() > 0


@pytest.mark.parametrize(
    ("arguments", "kind", "words"),
    [
        ({"at": "2026-03-01T18:00"}, ScenarioError, ("--at", "outside the data", "2025-10-01T00:00")),
        ({"at": "2025-09-30"}, ScenarioError, ("--at", "outside the data")),
        ({"at": "tonight"}, ScenarioError, ("--at", "'tonight' is no date and time", "write such as")),
        ({"at": "2025-11-02T01:30"}, ScenarioError, ("--at", "comes twice", "write the offset")),
        ({"level": "62"}, ScenarioError, ("--level", "got '62'", "62%")),
        ({"level": "5%"}, ScenarioError, ("--level", "5%", "outside reserve", "read the display")),
        ({"level": "9kWh"}, ScenarioError, ("--level", "9 kWh", "full")),
        ({"hours": 2.0}, ScenarioError, ("--hours", "12 to 72")),
    ],
)
def test_what_tonight_cannot_use_is_refused(
    arguments: dict[str, Any], kind: type[DispatchError], words: tuple[str, ...]
) -> None:
    given_arguments = {"at": "2025-11-02T18:00", "level": "62%", **arguments}
    at, level = given_arguments.pop("at"), given_arguments.pop("level")
    with pytest.raises(kind) as refused:
        tonight(home(), at, level, **given_arguments)
    for word in words:
        assert word in str(refused.value)


def test_a_forecast_shorter_than_the_plan_is_refused(tmp_path: Path) -> None:
    path = write_forecast(tmp_path / "short.csv", 20, load_kw=0.7)
    with pytest.raises(SeriesError) as refused:
        tonight(home(), "2025-11-02T18:00", "62%", forecast=path)
    for word in (str(path), "no line for 16 of the plan's 36 steps", "2025-11-03T14:00", "--hours"):
        assert word in str(refused.value)


def test_a_forecast_without_a_known_column_is_refused(tmp_path: Path) -> None:
    path = write_forecast(tmp_path / "odd.csv", 36, temperature=7.0)
    with pytest.raises(SeriesError, match="no column to use"):
        tonight(home(), "2025-11-02T18:00", "62%", forecast=path)
