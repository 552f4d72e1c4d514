"""One outage: against a naive simulation, worked by hand, with a generator, with appliances that are shed."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
from homes.generators import drafts, repeatable
from homes.small_home import small_home
from hypothesis import given
from hypothesis import strategies as st
from oracles.blackout import black_out, instant, parts_of, plain, plan

from dispatch.errors import ScenarioError
from dispatch.exports.outages import outage_document
from dispatch.outages.generator import generator_fit
from dispatch.outages.hours import backup_hours
from dispatch.outages.island import Island
from dispatch.outages.outage import Span, play, span_of

if TYPE_CHECKING:
    from homes.drafts import Draft

    from dispatch.case.case import Case

HOUR = 1.0
STEADY: dict[str, dict[str, Any]] = {
    "critical_load": {"watts": 500},
    "inverter": {"continuous_w": 2000, "efficiency_fraction": 0.8, "idle_on_w": 0},
    "battery": {
        "pack_kwh": 2.5,
        "pack_count": 2,
        "depth_of_discharge_fraction": 0.8,
        "discharge_efficiency_fraction": 1.0,
        "charger_efficiency_fraction": 1.0,
        "solar_charge_efficiency_fraction": 1.0,
        "taper_hours": 0.0,
        "start": {"percent": 100},
    },
}
GENERATOR = {"continuous_w": 1500, "sine_wave": True, "litres_per_kwh": 0.5, "price_per_litre": 2.0}


def steady(**more: Any) -> Case:  # noqa: ANN401 - sections of several types
    """500 W from 5 kWh of which 4 kWh may be used through an inverter of 80 %: 6.4 hours."""
    draft = small_home(sun=False)
    for name, section in {**STEADY, **more}.items():
        if name.endswith("load"):  # replaced as a whole: a load has one source
            draft = draft.changed(**{name: None})
        draft = draft.changed(**{name: section})
    return draft.case()


def full(case: Case) -> list[float]:
    return [case.limits.ceiling_kwh] * len(case.times)


def begun(case: Case, at: str, hours: float) -> Span:
    return span_of(case, at, hours)


@repeatable(60)
@given(draft=drafts(), data=st.data())
def test_outages_agree_with_a_naive_simulation(draft: Draft, data: st.DataObject) -> None:
    case = draft.case()
    hardware, series = plain(case)
    count, dt = len(case.times), case.dt_hours
    shares = data.draw(st.lists(st.floats(0, 1), min_size=count, max_size=count))
    low, high = case.limits.empty_kwh, case.limits.ceiling_kwh
    stored = [low + share * (high - low) for share in shares]
    first = data.draw(st.integers(0, count - 1))
    offset = data.draw(st.sampled_from((0.0, 0.0, 0.25, 0.6))) * dt
    hours = data.draw(st.sampled_from((0.2, 0.5, 1.0, 0.37))) * count * dt
    schedule = plan(case, stored)
    played = play(case, schedule, begun(case, instant(case, first, offset), hours))

    before = schedule.stored_before_kwh()[first]
    offset = round(offset * 3600) / 3600  # clocks are told to the second
    level = before + (stored[first] - before) * offset / dt
    naive = black_out(hardware, series, dt, level, parts_of(count, dt, first, offset, hours))
    assert played.stored_kwh == pytest.approx(level, abs=1e-9)
    assert played.stored_end_kwh == pytest.approx(naive.level, abs=1e-6)
    assert played.unserved_kwh == pytest.approx(naive.unserved, abs=1e-6)
    assert played.served_kwh == pytest.approx(naive.served, abs=1e-6)
    assert played.sun_kwh == pytest.approx(naive.sun, abs=1e-6)
    assert played.dark_hours == pytest.approx(
        naive.dark_hours, abs=0.002
    )  # told to the second, spell by spell


@repeatable(30)
@given(draft=drafts(), data=st.data())
def test_lights_go_out_when_the_backup_hours_are_over(draft: Draft, data: st.DataObject) -> None:
    draft = draft.changed(battery={"self_discharge_per_hour_fraction": 0.0}, critical_load=None)
    draft = draft.changed(critical_load={"watts": 150.0})
    case = draft.case()
    stored = np.full(len(case.times), data.draw(st.floats(case.limits.empty_kwh, case.limits.ceiling_kwh)))
    at = data.draw(st.integers(0, len(case.times) - 2))
    length = len(case.times) * case.dt_hours
    for with_sun in (False, True):
        hours = float(backup_hours(case, stored, with_sun=with_sun)[at])
        span = begun(case, instant(case, at + 1, 0.0), length)
        played = play(case, plan(case, stored.tolist()), span, sun=with_sun)
        if hours >= min(length, case.limits.backup_horizon_hours):
            assert not played.dark
        else:
            lasted = (played.dark[0].begins - played.begins).total_seconds() / 3600
            assert lasted == pytest.approx(hours, abs=0.002)


def test_by_hand_without_sun() -> None:
    case = steady()
    played = play(case, plan(case, full(case)), begun(case, "2025-11-01T17:00", 10))
    # 4 kWh x 0.8 = 3.2 kWh at 0.5 kW: 6.4 hours, then 3.6 hours dark
    assert played.dark_hours == pytest.approx(3.6)
    assert [spell.begins.isoformat() for spell in played.dark] == ["2025-11-01T23:24:00-03:00"]
    assert played.unserved_kwh == pytest.approx(1.8)
    assert played.stored_end_kwh == pytest.approx(1.0)
    assert played.shed_kwh == 0.0
    assert (played.fuel_days, played.generator_hours) == ((), 0.0)  # no generator, nothing to write of one


def test_a_household_without_a_system_is_dark_throughout() -> None:
    case = steady()
    played = play(case, plan(case, full(case), has_system=False), begun(case, "2025-11-01T17:30", 3))
    assert [played.unserved_kwh, played.dark_hours] == pytest.approx([1.5, 3.0])
    assert (played.stored_kwh, played.recharges) == (None, ())


def test_more_critical_load_than_the_inverter_holds_trips_it() -> None:
    case = steady(critical_load=None, load={"watts": 2500})
    played = play(case, plan(case, full(case)), begun(case, "2025-11-01T17:00", 1))
    # 2.5 kW wanted of an inverter of 2 kW: nothing is served, and nothing drawn
    assert (played.unserved_kwh, played.dark_hours, played.tripped_hours) == pytest.approx((2.5, 1.0, 1.0))
    assert (played.stored_end_kwh, played.first_trip) == (5.0, played.begins)
    assert [event.kind for event in played.events] == ["inverter trips"]


def test_an_outage_past_the_datas_end_goes_on_with_their_beginning() -> None:
    case = steady()
    played = play(case, plan(case, full(case)), begun(case, "2025-11-03T22:00", 6))
    assert played.steps["begins"].iloc[-1].isoformat() == "2025-11-04T03:00:00-04:00"
    assert played.served_kwh == pytest.approx(3.0)


def test_the_night_the_clocks_go_back_has_its_extra_hour() -> None:
    case = steady()
    played = play(case, plan(case, full(case)), begun(case, "2025-11-02T00:00", 3))
    assert [moment.isoformat()[11:] for moment in played.steps["begins"]] == [
        "00:00:00-03:00",
        "01:00:00-03:00",
        "01:00:00-04:00",
    ]


# ---- generator ---------------------------------------------------------------------------------------------


def test_a_generator_starts_when_the_battery_is_empty() -> None:
    case = steady(generator=GENERATOR)
    played = play(case, plan(case, full(case)), begun(case, "2025-11-01T17:00", 8))
    # 4 kWh x 0.8 at 0.5 kW: empty after 6.4 hours; then it carries 0.5 kW and charges with the 0.9 kW of the charger
    assert not played.dark
    assert played.steps["generator_hours"].tolist() == pytest.approx([0.0] * 6 + [0.6, 1.0])
    assert played.steps["generator_to_load_kwh"].tolist()[6:] == pytest.approx([0.3, 0.5])
    assert played.steps["generator_to_battery_kwh"].tolist()[6:] == pytest.approx([0.54, 0.9])
    assert played.litres == pytest.approx(0.5 * 1.6 * 1.4)
    assert played.fuel_cost == pytest.approx(2.0 * played.litres)
    assert [(event.at.isoformat()[11:19], event.kind) for event in played.events] == [
        ("23:24:00", "generator on")
    ]


def test_its_input_is_turned_down_to_what_it_gives() -> None:
    case = steady(generator={**GENERATOR, "continuous_w": 800})
    played = play(case, plan(case, full(case)), begun(case, "2025-11-01T17:00", 8))
    assert played.steps["generator_to_battery_kwh"].tolist()[6:] == pytest.approx([0.18, 0.3])
    fit = generator_fit(case)
    assert fit is not None
    assert fit.too_small  # 500 W of load and 900 W of charger
    assert (fit.input_limit_w, fit.charge_limit_w) == pytest.approx((800.0, 300.0))
    large = generator_fit(steady(generator=GENERATOR))
    assert large is not None
    assert not large.too_small
    assert large.charge_limit_w == pytest.approx(900.0)
    assert generator_fit(steady()) is None


def test_a_generator_that_gives_just_what_is_asked_is_not_too_small() -> None:
    # 100 W of load and 200 W of charger on 300 W, which is less than their sum as floats
    small = {"critical_load": {"watts": 100}, "charging": {"grid_w": 200}}
    fit = generator_fit(steady(**small, generator={**GENERATOR, "continuous_w": 300}))
    assert fit is not None
    assert fit.load_w / 1000 + fit.charger_w / 1000 > fit.generator_w / 1000
    assert not fit.too_small
    smaller = generator_fit(steady(**small, generator={**GENERATOR, "continuous_w": 299.99}))
    assert smaller is not None
    assert smaller.too_small


def test_start_and_stop_levels_are_met_inside_the_step() -> None:
    levels = {"starts_below_percent": 60.0, "stops_at_percent": 70.0}
    case = steady(generator={**GENERATOR, **levels})
    played = play(case, plan(case, full(case)), begun(case, "2025-11-01T17:00", 12))
    # 5 kWh fall by 0.625 an hour to 3 kWh in 3.2 h; 0.9 kW raise them to 3.5 in 0.5556 h; then 0.8 h down again
    at = [(event.at - played.begins).total_seconds() / 3600 for event in played.events]
    up, down = 0.5 / 0.9, 0.5 / 0.625
    expected = [3.2 + k * (up + down) + extra for k in range(7) for extra in (0.0, up)]
    assert at == pytest.approx([when for when in expected if when < 12], abs=1 / 3600)
    assert [event.kind for event in played.events[:2]] == ["generator on", "generator off"]


def test_an_empty_tank_ends_it_at_that_moment() -> None:
    case = steady(generator={**GENERATOR, "tank_litres": 0.35})
    played = play(case, plan(case, full(case)), begun(case, "2025-11-01T17:00", 24))
    # 0.35 l last half an hour at 1.4 kW: from 23:24 to 23:54; 0.45 kWh then last 0.72 h
    assert played.litres == pytest.approx(0.35)
    assert played.generator_hours == pytest.approx(0.5)
    assert played.tank_empty_at is not None
    assert played.tank_empty_at.isoformat() == "2025-11-01T23:54:00-03:00"
    assert played.dark[0].begins == played.tank_empty_at + pd.Timedelta(hours=0.72)


def test_one_tank_that_runs_dry_beside_one_that_does_not() -> None:
    case = steady(generator={**GENERATOR, "tank_litres": 0.35})
    island = Island(case)
    state = island.start(np.array([1.0, 5.0]))
    moves = island.step(state, np.array([0, 0]))
    # the first is empty: half an hour at 1.4 kW, 0.45 kWh in, 0.3125 out after it; the second draws 0.625
    assert moves.generator_hours == pytest.approx([0.5, 0.0])
    assert moves.litres == pytest.approx([0.35, 0.0])
    assert state.litres == pytest.approx([0.0, 0.35])
    assert state.stored == pytest.approx([1.1375, 4.375])


def test_hours_litres_and_money_of_every_day() -> None:
    case = steady(generator={**GENERATOR, "tank_litres": 30.0})
    played = play(case, plan(case, full(case)), begun(case, "2025-11-01T17:00", 60))
    assert [day.begins for day in played.fuel_days] == [
        played.begins + pd.Timedelta(days=number) for number in range(3)
    ]
    for name, total in (
        ("hours", played.generator_hours),
        ("litres", played.litres),
        ("cost", played.fuel_cost),
    ):
        assert sum(getattr(day, name) for day in played.fuel_days) == pytest.approx(total)
    # a day's cycle: 4 kWh into the cells in 4/0.9 h beside 0.5 kW, 6.4 h off
    cycle = 4 / 0.9 + 6.4
    assert played.fuel_days[1].litres == pytest.approx(24 / cycle * 4 / 0.9 * 1.4 * 0.5, rel=0.25)


@pytest.mark.parametrize("points", [(1500,), (600, 1500), (600, 1000, 1500)])
def test_a_fuel_curve_is_read_at_the_load_of_every_moment(points: tuple[int, ...]) -> None:
    litres = {0: 0.4, 600: 0.5, 1000: 0.75, 1500: 1.0}
    curve = [{"load_w": load, "litres_per_hour": litres[load]} for load in (0, *points)]
    engine = {"continuous_w": 1500, "sine_wave": True, "litres_per_hour": curve, "starts_below_percent": 50.0}
    case = steady(generator=engine, battery={**STEADY["battery"], "taper_hours": 0.9})
    schedule = plan(case, [2.5] * len(case.times))
    played = play(case, schedule, begun(case, "2025-11-01T17:00", 5))
    # from 2.5 kWh: 0.9 kW until 0.9 x 0.9 kWh are left to full, then an exponential, to 99 % of 5 kWh
    straight = (5 - 0.81 - 2.5) / 0.9
    bend = 0.9 * np.log(0.81 / 0.05)
    assert played.generator_hours == pytest.approx(straight + bend, abs=1e-9)
    moments = (np.arange(400_000) + 0.5) / 400_000 * bend
    load_w = 500 + 900 * np.exp(-moments / 0.9)
    burnt = np.interp(load_w, [0, *points], [litres[load] for load in (0, *points)])
    by_hand = (
        straight * np.interp(1400, [0, *points], [litres[load] for load in (0, *points)])
        + burnt.mean() * bend
    )
    assert played.litres == pytest.approx(by_hand, rel=1e-7)


def test_without_a_sine_wave_it_is_left_out() -> None:
    case = steady(generator={**GENERATOR, "sine_wave": False})
    played = play(case, plan(case, full(case)), begun(case, "2025-11-01T17:00", 10))
    assert played.generator_hours == 0.0
    assert played.dark_hours == pytest.approx(3.6)


def test_hardware_that_cannot_share_passes_the_whole_load_to_the_generator() -> None:
    inverter = {**STEADY["inverter"], "switches_whole_load": True}
    case = steady(generator={**GENERATOR, "continuous_w": 400}, inverter=inverter)
    played = play(case, plan(case, full(case)), begun(case, "2025-11-01T17:00", 8))
    # it cannot carry 500 W alone, so it only charges
    assert played.steps["generator_to_load_kwh"].sum() == 0.0
    assert played.steps["generator_to_battery_kwh"].tolist()[6:] == pytest.approx([0.24, 0.4])
    # an empty battery passes on what enters it: 0.4 kW x 0.8 of the 0.5 kW
    assert played.unserved_kwh == pytest.approx(1.6 * 0.18)


# ---- appliances --------------------------------------------------------------------------------------------

LISTED = [
    {"name": "radio", "watts": 100.0, "hours_per_day": 24.0, "priority": 1},
    {"name": "heater", "watts": 300.0, "hours_per_day": 24.0, "priority": 2, "shed_below_percent": 60.0},
    {"name": "toy", "watts": 100.0, "hours_per_day": 24.0},
]


def test_the_last_in_rank_go_without_first() -> None:
    unshed = [{key: value for key, value in one.items() if key != "shed_below_percent"} for one in LISTED]
    home = steady(critical_load={"appliances": unshed})
    played = play(home, plan(home, full(home)), begun(home, "2025-11-01T17:00", 7))
    got = {one.name: one for one in played.appliances}
    assert list(got) == ["radio", "heater", "toy"]
    # the seventh hour has 0.2 kWh: the radio's 0.1, then 0.1 of the heater's 0.3, nothing for the toy
    assert [got[name].served_kwh for name in got] == pytest.approx([0.7, 1.9, 0.6])
    assert got["toy"].hours_without == pytest.approx(1.0)
    assert sum(one.served_kwh for one in played.appliances) == pytest.approx(played.served_kwh)


def test_shed_below_a_level_it_makes_the_rest_last_longer() -> None:
    home = steady(critical_load={"appliances": LISTED})
    kept = play(home, plan(home, full(home)), begun(home, "2025-11-01T17:00", 12))
    # 500 W down to 60 % in 2/0.625 = 3.2 h, then 200 W: 0.25 kW for 8 h
    heater = next(one for one in kept.appliances if one.name == "heater")
    assert heater.hours_without == pytest.approx(8.8)
    assert kept.shed_kwh == pytest.approx(0.3 * 8.8)
    assert kept.dark_hours == pytest.approx(0.8)
    first = kept.events[0]
    assert (first.at.isoformat()[11:19], first.kind, first.name) == ("20:12:00", "shed", "heater")
    assert kept.wanted_kwh == pytest.approx(6.0)
    assert kept.served_kwh + kept.shed_kwh + kept.unserved_kwh == pytest.approx(kept.wanted_kwh)


def test_on_its_level_an_appliance_goes_only_when_the_level_falls() -> None:
    home = steady(critical_load={"appliances": LISTED})
    for sun_kw, shed in ((0.625, 0.0), (0.624, 0.3)):  # 0.625 kW of sun carry just the 500 W
        home = replace(home, sun_kwh=np.full(len(home.times), sun_kw))
        island = Island(home)
        state = island.start(np.array([3.0]))
        moves = island.step(state, np.array([0]))
        assert moves.shed == pytest.approx([shed])
        assert moves.sun_to_load == pytest.approx([0.625 if not shed else 0.25])


def test_the_first_in_rank_is_never_dark_for_what_shedding_in_time_would_have_kept() -> None:
    """The level is met inside the step, not seen at the next one's beginning."""
    heavy = [LISTED[0], {**LISTED[1], "watts": 1500.0}]
    home = steady(critical_load={"appliances": heavy})
    played = play(home, plan(home, [3.1] * len(home.times)), begun(home, "2025-11-01T17:00", 16))
    # 1.6 kW take 3 minutes from 3.1 to 3.0 kWh; the radio alone then lasts 16 h. A whole hour of both would have left
    # 1.1 kWh, and the radio dark before midday
    got = {one.name: one for one in played.appliances}
    assert got["heater"].hours_without == pytest.approx(15.95)
    assert got["radio"].hours_without == 0.0
    assert not played.dark


def test_too_much_at_once_leaves_the_last_in_rank_off_and_does_not_trip() -> None:
    inverter = {**STEADY["inverter"], "continuous_w": 350}
    unshed = [{key: value for key, value in one.items() if key != "shed_below_percent"} for one in LISTED]
    home = steady(critical_load={"appliances": unshed}, inverter=inverter)
    played = play(home, plan(home, full(home)), begun(home, "2025-11-01T17:00", 2))
    got = {one.name: one.hours_without for one in played.appliances}
    # 500 W of 350 W: the toy goes (400 W), the heater goes (100 W); the heater is not taken back for the toy
    assert got == pytest.approx({"radio": 0.0, "heater": 2.0, "toy": 2.0})
    assert (played.tripped_hours, played.dark_hours) == pytest.approx((0.0, 2.0))
    assert float(backup_hours(home, np.array(full(home)))[0]) == 0.0
    nobody = [{key: value for key, value in one.items() if key != "priority"} for one in unshed]
    home = steady(critical_load={"appliances": nobody}, inverter=inverter)
    played = play(home, plan(home, full(home)), begun(home, "2025-11-01T17:00", 2))
    assert played.tripped_hours == pytest.approx(2.0)


def test_appliances_without_ranks_share_alike() -> None:
    nobody = [{"name": one["name"], "watts": one["watts"], "hours_per_day": 24.0} for one in LISTED]
    home = steady(critical_load={"appliances": nobody})
    played = play(home, plan(home, full(home)), begun(home, "2025-11-01T17:00", 7))
    assert [one.hours_without for one in played.appliances] == pytest.approx([0.6] * 3)


def test_without_a_system_nothing_is_shed_on_purpose() -> None:
    home = steady(critical_load={"appliances": LISTED})
    played = play(home, plan(home, full(home), has_system=False), begun(home, "2025-11-01T17:00", 2))
    assert [played.shed_kwh, played.unserved_kwh] == pytest.approx([0.0, 1.0])


# ---- what is refused, and the document ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("at", "hours", "parts"),
    [
        ("2026-01-14T17:00", 18, ("--at", "2026-01-14T17:00", "lies outside the data", "2025-10-31T00:00")),
        ("tomorrow", 18, ("--at", "'tomorrow'", "such as '2025-01-31T14:00'")),
        ("2025-11-02T01:30", 1, ("--at", "comes twice", "America/Halifax", "write the offset")),
        ("2025-11-01T12:00", 98, ("--hours", "98", "97")),
        ("2025-11-01T12:00", 0, ("--hours", "0 hours", "at least a minute")),
    ],
)
def test_refused_spans(at: str, hours: float, parts: tuple[str, ...]) -> None:
    with pytest.raises(ScenarioError) as refused:
        span_of(steady(), at, hours)
    assert all(part in str(refused.value) for part in parts), str(refused.value)


def test_the_document_is_plain_json_and_adds_up() -> None:
    case = small_home(generator=GENERATOR).case()
    played = play(case, plan(case, full(case)), span_of(case, "2025-11-01T17:20", 18))
    document = json.loads(json.dumps(outage_document(case, [played]), allow_nan=False))
    strategy = document["strategies"][0]
    assert sum(step["hours"] for step in strategy["steps"]) == pytest.approx(18)
    assert strategy["served_kwh"] + strategy["unserved_kwh"] + strategy["shed_kwh"] == pytest.approx(
        strategy["wanted_kwh"]
    )


def test_every_energy_of_a_step_names_its_side_and_the_sides_balance() -> None:
    case = small_home(generator=GENERATOR).case()
    played = play(case, plan(case, full(case)), span_of(case, "2025-11-01T17:20", 30))
    document = outage_document(case, [played])
    limits = case.limits
    before = document["strategies"][0]["stored_kwh"]
    for step in document["strategies"][0]["steps"]:
        energies = {name for name in step if name.endswith("_kwh")} - {"stored_kwh"}
        assert all(name.endswith(("_ac_kwh", "_dc_kwh")) for name in energies), energies
        served = step["wanted_ac_kwh"] - step["unserved_ac_kwh"] + limits.idle_on_kw * step["hours"]
        given = limits.eta_inverter * (step["sun_to_load_dc_kwh"] + step["battery_to_load_dc_kwh"])
        if step["unserved_ac_kwh"] < 1e-9:
            assert given + step["generator_to_load_ac_kwh"] == pytest.approx(served, abs=1e-9)
        after = before + limits.eta_dc * step["sun_to_battery_dc_kwh"]
        after += limits.eta_charger * step["generator_to_battery_ac_kwh"]
        after -= step["battery_to_load_dc_kwh"] / limits.eta_discharge
        assert step["stored_kwh"] == pytest.approx(after, abs=1e-9)
        before = step["stored_kwh"]
    assert document["generator_input"]["input_limit_w"] == 1500.0
    assert document["transfer"] is None


def test_an_outage_lasts_a_minute_at_least() -> None:
    case = steady()
    at = case.times[3].isoformat()
    assert span_of(case, at, 1 / 60).hours == 1 / 60
    with pytest.raises(ScenarioError, match="at least a minute"):
        span_of(case, at, 0.9 / 60)


@pytest.mark.parametrize(
    ("clock", "first", "offset_hours"),
    [
        ("05:00", 5, 0.0),
        ("05:15", 5, 0.25),
        ("05:59:59", 5, 1 - 1 / 3600),
        ("05:59:59.999", 5, 1 - 1e-3 / 3600),
    ],
)
def test_an_outage_begins_in_the_step_that_holds_it(clock: str, first: int, offset_hours: float) -> None:
    span = span_of(steady(), f"2025-10-31T{clock}", 1.0)
    assert span.first == first
    assert span.offset_hours == pytest.approx(offset_hours, abs=1e-9)


@pytest.mark.parametrize(
    ("at", "first", "offset_hours"),
    [("2025-10-31T00:00", 0, 0.0), ("2025-10-31T05:45", 11, 0.25), ("2025-11-03T23:59", 193, 29 / 60)],
)
def test_an_outage_begins_anywhere_in_the_data_of_half_hours(
    at: str, first: int, offset_hours: float
) -> None:
    case = small_home(step_minutes=30).case()  # 97 hours
    span = span_of(case, at, 97.0)
    assert (span.first, span.hours) == (first, 97.0)
    assert span.offset_hours == pytest.approx(offset_hours, abs=1e-9)
    with pytest.raises(ScenarioError, match="the data hold 97"):
        span_of(case, at, 97.1)
    with pytest.raises(ScenarioError, match="outside the data"):
        span_of(case, "2025-11-04T00:00", 1.0)


def test_what_a_generator_is_asked_for_at_most_behind_a_cord() -> None:
    """By hand: half hours, 600 W of load and 100 W of idle draw at most, a cord of 1200 W."""
    draft = small_home(
        step_minutes=30,
        sun=False,
        critical_load=None,
        inverter={"idle_on_w": 100},
        charging={"grid_w": 900, "ac_input_w": 1200},
        generator={**GENERATOR, "continuous_w": 1250},
    )
    load_kw = np.where(np.arange(len(draft.times)) == 5, 0.6, 0.2)
    fit = generator_fit(replace(draft, columns={**draft.columns, "load_kw": load_kw}).case())
    assert fit is not None
    assert (fit.generator_w, fit.charger_w, fit.load_w) == pytest.approx((1250.0, 900.0, 700.0))
    assert not fit.too_small  # 1600 W are asked, 1200 W pass
    assert fit.input_limit_w == pytest.approx(1200.0)
    assert fit.charge_limit_w == pytest.approx(550.0)
    weak = {**GENERATOR, "continuous_w": 650}
    none_left = generator_fit(
        replace(draft, columns={**draft.columns, "load_kw": load_kw}).changed(generator=weak).case()
    )
    assert none_left is not None
    assert none_left.charge_limit_w == 0.0


def test_what_an_appliance_wanted_and_got_adds_up_over_the_steps() -> None:
    appliances = [{"name": "fridge", "watts": 100.0, "hours_per_day": 24.0, "priority": 1}]
    case = steady(critical_load={"appliances": appliances})
    played = play(case, plan(case, full(case)), begun(case, case.times[2].isoformat(), 5.0))
    (fridge,) = played.appliances
    assert fridge.wanted_kwh == pytest.approx(0.5)  # 100 W for five hours
    assert fridge.served_kwh == pytest.approx(0.5)
    assert fridge.hours_without == 0.0
