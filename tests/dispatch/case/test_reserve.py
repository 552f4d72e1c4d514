"""The floor: hours of load ahead, with sun, by season, by hour of day, on named dates; and what is refused."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
from homes.small_home import small_home
from pydantic import ValidationError

from dispatch.case.floor import Ground, applies, hours_level_kwh
from dispatch.case.limits import Limits
from dispatch.errors import ScenarioError
from dispatch.outages.hours import backup_hours
from dispatch.outcome import planned_outcome
from dispatch.program.program import Program
from dispatch.scenario.model import Scenario
from dispatch.scenario.outages import RaisedReserve
from dispatch.strategies.solve import solve
from dispatch.strategies.table import STRATEGIES
from tariffs.reading.models import explain

if TYPE_CHECKING:
    from dispatch.case.case import Case


def with_reserve(reserve: dict[str, Any], **home: Any) -> Case:  # noqa: ANN401
    return small_home(**home).changed(reserve=None).changed(reserve=reserve).case()


def rule(**settings: Any) -> RaisedReserve:  # noqa: ANN401
    return RaisedReserve.model_validate({"percent": 95.0, **settings})


def held_at(found: RaisedReserve, times: pd.DatetimeIndex, dt_hours: float = 1.0) -> list[str]:
    ends = times + pd.Timedelta(hours=dt_hours)
    return [f"{end:%m-%d %H:%M}" for end in ends[applies(found, times, dt_hours)]]


def days(first: str, count: int, zone: str = "America/Halifax", minutes: int = 60) -> pd.DatetimeIndex:
    end = pd.Timestamp(first) + pd.Timedelta(days=count)
    return pd.date_range(first, end, freq=f"{minutes}min", tz=zone, inclusive="left")


# ---- hours -------------------------------------------------------------------------------------------------


def test_a_floor_in_hours_carries_exactly_those_hours() -> None:
    case = with_reserve({"hours": 3.5})
    carried = backup_hours(case, case.floor_kwh, with_sun=False)
    assert not case.floor_capped_steps.any()
    assert carried == pytest.approx(3.5, abs=1e-9)


def test_counting_on_sun_lowers_the_floor_by_day_only() -> None:
    dark, lit = with_reserve({"hours": 2.0}), with_reserve({"hours": 2.0, "sun_share_fraction": 0.5})
    ahead = np.roll(dark.sun_kwh, -1) + np.roll(dark.sun_kwh, -2)
    assert (lit.floor_kwh <= dark.floor_kwh + 1e-12).all()
    assert np.array_equal(lit.floor_kwh < dark.floor_kwh - 1e-9, ahead > 1e-6)


def test_masters_cabin() -> None:
    # from memory: Masters, "Renewable and Efficient Electric Power Systems", off-grid cabin, Salt Lake City: 3,000
    # Wh/day AC, inverter 85 %, 24 V, 4.6 days: 676 Ah; / (0.80 depth x 0.97) = 871 Ah
    case = small_home(sun=False).case()
    limits = Limits(
        **{
            **vars(case.limits),
            "eta_inverter": 0.85,
            "eta_discharge": 0.97,
            "idle_on_kw": 0.0,
            "empty_kwh": 0.0,
        }
    )
    times = days("2025-01-01", 7)
    ground = Ground(limits, times, 1.0, np.full(len(times), 0.125), np.zeros(len(times)))
    needed_kwh = hours_level_kwh(ground, 4.6 * 24)
    assert needed_kwh * 0.97 * 1000 / 24 == pytest.approx(676, abs=0.5)
    assert needed_kwh / 0.80 * 1000 / 24 == pytest.approx(871, abs=1.0)
    lossless = Ground(
        Limits(**{**vars(limits), "eta_discharge": 1.0}), times, 1.0, ground.critical_kwh, ground.sun_kwh
    )
    assert hours_level_kwh(lossless, 24.0) * 1000 / 24 == pytest.approx(147, abs=0.1)


def test_simplified_sizing() -> None:
    # batteries-solar.blogspot.com, simplified sizing after IEEE: 1,000 Wh/day x 2.5 days / 0.5 depth = 5,000 Wh
    case = small_home(sun=False).case()
    limits = Limits(
        **{
            **vars(case.limits),
            "eta_inverter": 1.0,
            "eta_discharge": 1.0,
            "idle_on_kw": 0.0,
            "empty_kwh": 0.0,
        }
    )
    times = days("2025-01-01", 4)
    ground = Ground(limits, times, 1.0, np.full(len(times), 1 / 24), np.zeros(len(times)))
    assert hours_level_kwh(ground, 60.0) / 0.5 == pytest.approx(5.0)


# ---- raised times ------------------------------------------------------------------------------------------


def test_from_six_in_the_evening_on_a_named_date() -> None:
    found = held_at(rule(dates=["2025-01-15"], clock_from="18:00"), days("2025-01-14", 3))
    assert found == [f"01-15 {hour}:00" for hour in range(18, 24)] + ["01-16 00:00"]


def test_a_time_across_midnight_belongs_to_the_date_it_begins_on() -> None:
    found = held_at(rule(dates=["2025-01-15"], clock_from="22:00", clock_to="02:00"), days("2025-01-14", 3))
    assert found == ["01-15 22:00", "01-15 23:00", "01-16 00:00", "01-16 01:00", "01-16 02:00"]


def test_a_whole_day_is_held_from_midnight_to_midnight() -> None:
    found = held_at(rule(dates=["2025-01-15"]), days("2025-01-14", 3))
    assert (found[0], found[-1], len(found)) == ("01-15 00:00", "01-16 00:00", 25)


def test_a_season_may_wrap_the_year() -> None:
    times = days("2025-12-30", 5)
    assert held_at(
        rule(season_from="12-31", season_to="01-01", clock_from="12:00", clock_to="12:30"), times
    ) == [
        *("12-31 12:00", "12-31 13:00"),
        *("01-01 12:00", "01-01 13:00"),
    ]


def test_every_day_at_the_same_hours_across_the_clock_change() -> None:
    found = held_at(rule(clock_from="01:00", clock_to="02:00"), days("2025-11-02", 1))
    assert found == ["11-02 01:00", "11-02 01:00", "11-02 02:00"]  # one o'clock comes twice


def test_a_time_inside_a_step_binds_both_its_ends() -> None:
    found = held_at(rule(clock_from="18:15", clock_to="18:45"), days("2025-01-14", 1))
    assert found == ["01-14 18:00", "01-14 19:00"]


def test_the_highest_level_that_applies_is_the_floor() -> None:
    raised = [
        {"dates": ["2025-11-01"], "clock_from": "18:00", "percent": 95.0},
        {"clock_from": "16:00", "clock_to": "22:00", "kwh": 2.5},
        {"season_from": "05-01", "season_to": "08-31", "percent": 100.0},
    ]
    case = with_reserve({"percent": 30.0, "raised": raised})
    level = dict(
        zip([f"{end:%d %H}" for end in case.times + pd.Timedelta(hours=1)], case.floor_kwh, strict=False)
    )
    full = case.limits.full_kwh
    assert level["01 20"] == pytest.approx(0.95 * full)
    assert level["02 20"] == pytest.approx(2.5)
    assert level["01 10"] == pytest.approx(0.30 * full)
    assert any("reserve.raised[3]" in note and "changes nothing" in note for note in case.notes)


def test_a_time_that_begins_at_midnight_binds_the_step_across_it() -> None:
    """Steps from half past to half past: the level must stand at 23:30, or it could not stand at midnight."""
    times = pd.date_range("2025-01-14 00:30", periods=48, freq="h", tz="Etc/UTC")
    where = applies(rule(dates=["2025-01-15"], clock_to="01:00"), times, 1.0)
    ends = (times + pd.Timedelta(hours=1))[where]
    assert [end.isoformat()[5:16] for end in ends] == ["01-14T23:30", "01-15T00:30", "01-15T01:30"]


def test_a_season_of_one_day_is_that_day() -> None:
    found = applies(rule(season_from="01-15", season_to="01-15"), days("2025-01-14", 3), 1.0)
    assert 24 <= found.sum() <= 25
    assert not found[:22].any()


def test_a_clock_time_to_itself_is_the_whole_day() -> None:
    assert rule(clock_from="18:00", clock_to="18:00").minutes == (18 * 60, 18 * 60 + 24 * 60)
    assert rule(clock_from="18:00", clock_to="18:01").minutes == (18 * 60, 18 * 60 + 1)


def test_what_one_reserve_capped_another_does_not_uncap() -> None:
    alone = with_reserve({"hours": 60.0})
    assert alone.floor_capped_steps.any()
    both = with_reserve({"hours": 60.0, "raised": [{"dates": ["2025-11-01"], "percent": 50.0}]})
    assert (both.floor_capped_steps == alone.floor_capped_steps).all()


def test_the_last_day_of_the_data_may_be_named() -> None:
    case = with_reserve({"raised": [{"dates": ["2025-11-03"], "percent": 95.0}]})
    assert case.floor_kwh[-1] == pytest.approx(0.95 * case.limits.full_kwh)


def test_only_raised_times_leave_the_rest_empty() -> None:
    case = with_reserve({"raised": [{"dates": ["2025-11-01"], "percent": 95.0}]})
    assert case.floor_kwh.min() == pytest.approx(case.limits.empty_kwh)
    assert case.floor_kwh.max() == pytest.approx(0.95 * case.limits.full_kwh)


def test_the_plan_holds_a_raised_date_and_says_what_it_cannot() -> None:
    case = with_reserve({"percent": 20.0, "raised": [{"dates": ["2025-11-02"], "percent": 95.0}]})
    stored = solve(Program(case), STRATEGIES["off-peak-first"]).flows["stored"]
    on = applies(rule(dates=["2025-11-02"]), case.times, case.dt_hours)
    assert (stored[on] >= 0.95 * case.limits.full_kwh - 1e-6).all()
    # at once from the first hour of the data it cannot: the battery begins at 60 %
    late = with_reserve({"percent": 20.0, "raised": [{"dates": ["2025-10-31"], "percent": 95.0}]})
    broken = planned_outcome(solve(Program(late), STRATEGIES["off-peak-first"]), 0.0)
    shortfall = next(s for s in broken.shortfalls if s.kind == "floor_shortfall")
    assert shortfall.first.isoformat() == "2025-10-31T00:00:00-03:00"


# ---- what is refused ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("reserve", "parts"),
    [
        (
            {"percent": 20.0, "raised": [{"dates": ["2025-11-01"], "kwh": 9.0}]},
            ("reserve.raised[1].kwh", "9 kWh", "above what the packs hold", "lower the reserve or add packs"),
        ),
        ({"hours": 120.0}, ("reserve.hours", "120 hours", "97 hours of data", "lower the reserve")),
        (
            {"raised": [{"hours": 120.0}]},
            ("reserve.raised[1].hours", "120 hours", "97 hours of data"),
        ),
        (
            {"raised": [{"percent": 50.0}, {"percent": 50.0, "dates": ["2025-11-01", "2026-11-01"]}]},
            ("reserve.raised[2].dates", "2026-11-01", "outside the data", "2025-10-31 to 2025-11-03"),
        ),
    ],
)
def test_refused_reserves(reserve: dict[str, Any], parts: tuple[str, ...]) -> None:
    with pytest.raises(ScenarioError) as refused:
        with_reserve(reserve)
    assert all(part in str(refused.value) for part in parts), str(refused.value)


def test_a_reserve_above_the_ceiling_is_refused() -> None:
    home = small_home(battery={"ceiling": {"percent": 80.0}}, reserve={"percent": 90.0})
    with pytest.raises(ScenarioError, match=r"reserve\.percent: 90 % = .* above battery\.ceiling"):
        home.case()


@pytest.mark.parametrize(
    ("section", "value", "parts"),
    [
        (
            "reserve",
            {"percent": 1.0, "raised": [{"dates": ["15 Jan"], "percent": 2.0}]},
            ("'15 Jan'", "2025-01-31"),
        ),
        (
            "reserve",
            {"raised": [{"percent": 1.0, "season_from": "11-15"}]},
            ("season_to", "both its first and its last"),
        ),
        (
            "reserve",
            {"raised": [{"percent": 1.0, "season_from": "02-30", "season_to": "03-01"}]},
            ("season_from", "'11-15'"),
        ),
        ("reserve", {"raised": [{"percent": 1.0, "clock_from": "6 pm"}]}, ("clock_from", "'18:00'")),
        (
            "reserve",
            {"raised": [{"clock_from": "18:00"}]},
            ("reserve.raised[1]", "exactly one of percent, kwh or hours"),
        ),
        (
            "reserve",
            {"raised": [{"kwh": 1.0, "sun_share_fraction": 0.5}]},
            ("sun_share_fraction", "hours only"),
        ),
        ("reserve", {}, ("exactly one of percent, kwh or hours", "none of them")),
        ("outages", {"caidi_hours": 2.0}, ("outages.saifi_per_year", "caidi_hours = 2", "how often")),
        ("outages", {"saifi_per_year": 2.0}, ("outages.caidi_hours", "how long")),
        (
            "outages",
            {"saifi_per_year": 1.0, "caidi_hours": 1.0, "durations": "past"},
            ("durations", "[[outages.past]]"),
        ),
        ("outages", {"past": [{"minutes": 90.0}]}, ("years_observed", "how many years")),
        ("outages", {"past": [{"minutes": 4.0}], "years_observed": 3.0}, ("past", "longer than 5 minutes")),
        (
            "outages",
            {"saifi_per_year": 1.0, "past": [{"minutes": 40.0}], "years_observed": 3.0},
            ("saifi_per_year", "remove one of the two"),
        ),
        (
            "outages",
            {"saifi_per_year": 1.0, "caidi_hours": 1.0, "start_weights": [[1.0] * 24] * 11},
            ("start_weights", "12 lists of 24", "found 11"),
        ),
        (
            "outages",
            {"saifi_per_year": 1.0, "caidi_hours": 1.0, "start_weights": [[0.0] * 24] * 12},
            ("start_weights", "every weight is 0"),
        ),
        (
            "generator",
            {"continuous_w": 900, "sine_wave": True},
            ("exactly one of litres_per_kwh", "found neither"),
        ),
        (
            "generator",
            {
                "continuous_w": 900,
                "sine_wave": True,
                "litres_per_hour": [
                    {"load_w": 0, "litres_per_hour": 0.2},
                    {"load_w": 500, "litres_per_hour": 0.4},
                ],
            },
            ("litres_per_hour", "ends at 500 W", "continuous_w = 900 W"),
        ),
        (
            "generator",
            {
                "continuous_w": 900,
                "sine_wave": True,
                "litres_per_kwh": 0.4,
                "starts_below_percent": 50.0,
                "stops_at_percent": 40.0,
            },
            ("stops_at_percent", "not above starts_below_percent = 50"),
        ),
    ],
)
def test_refused_settings(section: str, value: dict[str, Any], parts: tuple[str, ...]) -> None:
    settings = {**small_home().settings, section: value}
    with pytest.raises(ValidationError) as refused:
        Scenario.model_validate(settings)
    text = "\n".join(explain(refused.value, Scenario))
    assert all(part in text for part in parts), text


def test_hours_past_the_data_are_told_in_hours_whatever_the_step() -> None:
    with pytest.raises(ScenarioError, match=r"reserve\.hours: 25 hours reach past the 24 hours of data"):
        with_reserve({"hours": 25.0}, days=1, step_minutes=15, first="2025-06-02")


def test_a_time_that_lies_in_the_data_at_least_once_is_not_told_as_empty() -> None:
    raised = {"percent": 80.0, "clock_from": "17:00", "clock_to": "20:00"}
    assert not any("no instant" in note for note in with_reserve({"percent": 30.0, "raised": [raised]}).notes)


def test_hours_below_the_reserve_are_hours_whatever_the_step() -> None:
    raised = [{"dates": ["2025-10-31"], "percent": 95.0}]
    case = with_reserve({"percent": 20.0, "raised": raised}, step_minutes=30)
    solved = solve(Program(case), STRATEGIES["off-peak-first"])
    below = int((solved.flows["stored"] < case.floor_kwh - 1e-6).sum())  # from 60 % it can fill only so fast
    assert below > 1
    assert planned_outcome(solved, 0.0).floor_broken_hours == 0.5 * below


def test_hours_that_the_battery_cannot_hold_are_counted_and_the_first_is_named() -> None:
    draft = small_home(days=1, step_minutes=30, first="2025-06-02", sun=False)
    # 20 kW from 12:00 to 13:00 are more than the battery holds: two hours from the ends of the five steps that begin
    # from 10:00 to 12:00 reach into them
    draft = replace(
        draft.changed(reserve=None).changed(
            reserve={"hours": 2.0}, critical_load={"csv": "series.csv", "column": "noon_kw", "watts": None}
        ),
        columns={**draft.columns, "noon_kw": np.where(draft.times.hour == 12, 20.0, 0.01)},
    )
    case = draft.case()
    (note,) = [note for note in case.notes if "need more than the battery may hold" in note]
    assert "in 2.5 h of 24 h, first at 2025-06-02T10:00-03:00" in note
    assert case.floor_capped_steps.sum() == 5
