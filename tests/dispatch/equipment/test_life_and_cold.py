"""Ageing against ASTM E1049 and closed forms; cold in the program, the rules and an outage; the care card."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from homes.small_home import small_home
from pydantic import ValidationError
from rich.console import Group
from terminal import rendered

from dispatch.case.limits import resolve_limits
from dispatch.comparison.compare import compare
from dispatch.equipment.care import care_card
from dispatch.equipment.life import ageing, cycles_until_end, rainflow_cycles
from dispatch.errors import FlowsError, ScenarioError
from dispatch.outages.hours import backup_hours
from dispatch.report.care import life_section
from dispatch.scenario.equipment import Life, Surroundings
from dispatch.scenario.model import Scenario
from dispatch.sizing.life import ages

CURVE = [{"depth_percent": 25.0, "cycles_count": 16000.0}, {"depth_percent": 100.0, "cycles_count": 3000.0}]
# common practice, no source: 3,500 cycles to 80 %, 2 to 3 % a year by the calendar
LIFE = {"cycles": [{"depth_percent": 100.0, "cycles_count": 3500.0}], "calendar_fade_per_year_fraction": 0.02}
FROST = [-6.0, -5.0, 1.0, 6.0, 12.0, 17.0, 20.0, 19.0, 15.0, 9.0, -2.0, -5.0]


def life(**settings: Any) -> Life:  # noqa: ANN401 - settings of several types
    return Life.model_validate({**LIFE, **settings})


# ---- life --------------------------------------------------------------------------------------------------
def test_rainflow_counts_the_example_of_the_standard() -> None:
    """ASTM E1049-85, section 5.4.4, figure 6: ranges 3, 4, 6, 8, 9 counted 0.5, 1.5, 0.5, 1.0, 0.5."""
    counted: dict[float, float] = {}
    for swing, count in rainflow_cycles(np.array([-2.0, 1, -3, 5, -1, 3, -4, 4, -2])):
        counted[swing] = counted.get(swing, 0.0) + count
    assert counted == {3.0: 0.5, 4.0: 1.5, 6.0: 0.5, 8.0: 1.0, 9.0: 0.5}
    assert sum(swing * count for swing, count in counted.items()) == 23.0  # half of the travel


def test_cycles_counted_are_half_of_the_travel() -> None:
    levels = np.random.default_rng(3).random(500)
    energy = sum(swing * count for swing, count in rainflow_cycles(levels))
    turned = np.abs(np.diff(levels)).sum()
    assert energy == pytest.approx(turned / 2)


def test_the_curve_is_straight_in_logarithms_and_keeps_the_throughput_beyond() -> None:
    curve = life(cycles=CURVE)
    at = cycles_until_end(curve, np.array([25.0, 50.0, 100.0, 12.5]))
    assert at == pytest.approx([16000.0, np.sqrt(16000.0 * 3000.0), 3000.0, 32000.0])
    one = cycles_until_end(life(), np.array([100.0, 50.0, 10.0]))
    assert one == pytest.approx([3500.0, 7000.0, 35000.0])


def test_a_full_cycle_a_day_lasts_as_long_as_the_sheet_says() -> None:
    """365 full cycles a year of 3,500 to 80 %, and 2 % a year: 0.2 / (0.2·365/3500 + 0.02) years."""
    days = np.tile([0.0, 10.0], 365)
    age = ageing(life(), days, 10.0, 12.0)
    assert age.full_cycles_per_year == pytest.approx(364.5)  # the first rise has no fall before it
    assert age.years_to_80 == pytest.approx(0.2 / (0.2 * 364.5 / 3500 + 0.02))
    assert age.deepest_percent == 100.0


def test_a_month_counts_as_a_month_and_a_resting_battery_by_the_calendar_alone() -> None:
    month, whole = np.tile([2.0, 8.0], 30), np.tile([2.0, 8.0], 360)
    short, long = (ageing(life(), levels, 10.0, 12.0) for levels in (month, whole))
    assert short.cycle_fade_per_year == pytest.approx(long.cycle_fade_per_year, rel=0.02)
    rested = ageing(life(), np.full(100, 6.0), 10.0, 1.0)
    assert rested.cycle_fade_per_year == 0.0
    assert rested.years_to_80 == pytest.approx(10.0)
    assert ageing(life(calendar_fade_per_year_fraction=0.0), np.full(9, 6.0), 10.0, 1.0).years_to_80 == np.inf


def test_wear_is_priced_from_the_pack_where_it_is_not_given() -> None:
    """1,100 for a pack of 2.3 kWh, 3,500 cycles at 100 %, used to 93 %: 1100 / (3500 / 0.93 · 0.93 · 2.3) a kWh."""
    priced = small_home(life={**LIFE, "pack_price": 1100.0}, battery={"wear_per_kwh": None}).settings
    scenario = Scenario.model_validate(
        {**priced, "battery": {k: v for k, v in priced["battery"].items() if v is not None}}
    )
    assert resolve_limits(scenario).wear_per_kwh == pytest.approx(1100 / (3500 * 2.3))
    stated = Scenario.model_validate(small_home(life={**LIFE, "pack_price": 1100.0}).settings)
    assert resolve_limits(stated).wear_per_kwh == 0.01


@pytest.mark.parametrize(
    "cycles",
    [
        [],
        CURVE[::-1],
        [{"depth_percent": 25.0, "cycles_count": 100.0}, {"depth_percent": 90.0, "cycles_count": 200.0}],
    ],
)
def test_a_curve_that_cannot_be_is_refused(cycles: list[dict[str, float]]) -> None:
    with pytest.raises(ValidationError):
        life(cycles=cycles)


def test_the_life_by_strategy_falls_with_use() -> None:
    comparison = compare(small_home(life=LIFE).case())
    by_name = ages(comparison.case, [run.flows for run in comparison.advice.outcomes.values()])
    assert set(by_name) == set(comparison.advice.outcomes)
    used = max(by_name.values(), key=lambda age: age.full_cycles_per_year)
    least = min(by_name.values(), key=lambda age: age.full_cycles_per_year)
    assert used.cycle_fade_per_year > least.cycle_fade_per_year
    assert used.years_to_80 < least.years_to_80 <= 10.0
    screen = rendered(Group(*life_section(by_name)))
    assert all(name in screen for name in by_name)
    assert "rainflow" in screen
    assert ages(small_home().case(), []) == {}
    assert life_section({}) == []


# ---- cold --------------------------------------------------------------------------------------------------
def cold_home(limit_c: float = 0.0, **surroundings: Any) -> Any:  # noqa: ANN401 - of several types
    place = {"monthly_c": FROST, "no_charging_below_c": limit_c, **surroundings}
    # four days of which the second half is in November, where the packs are below zero
    return small_home(surroundings=place, battery={"self_discharge_per_hour_fraction": 0.0002})


def test_no_charging_below_the_stated_temperature_by_program_and_rules() -> None:
    case = cold_home().case()
    cold = ~case.may_charge
    assert 0 < cold.sum() < len(cold)
    comparison = compare(case)
    runs = [result.flows for result in comparison.planned.values()] + [
        run.flows for run in comparison.advice.outcomes.values()
    ]
    charging = [run for run in runs if run.has_system and run.uses_battery]
    assert len(charging) >= 5
    warm_kwh = 0.0
    for run in charging:
        into = run["grid_to_battery"] + run["sun_to_battery"]
        lost = 0.0002 * case.limits.full_kwh * case.dt_hours / case.limits.eta_charger
        assert into[cold].max() <= lost + 1e-9, run.name
        warm_kwh += into[~cold].sum()
    assert warm_kwh > 1.0
    warm = compare(cold_home(limit_c=-20.0).case())
    flows = {name: run.flows for name, run in warm.planned.items()}
    assert flows["off-peak-first"]["grid_to_battery"][cold].sum() > 0.1  # it would have charged


def test_a_battery_always_too_cold_can_only_rest() -> None:
    """By hand: nothing may charge, and the closing level is the start, so the meter sees load, idle draw and house."""
    place = {"monthly_c": FROST, "no_charging_below_c": 40.0}
    levels = {"start": {"percent": 60.0}, "closing": {"percent": 60.0}}
    case = small_home(sun=False, surroundings=place, battery=levels).case()
    assert not case.may_charge.any()
    comparison = compare(case)
    by_hand = case.load_kwh + case.idle_kwh + case.other_kwh
    for name in ("least-cost", "off-peak-first"):
        assert comparison.planned[name].flows["import"] == pytest.approx(by_hand, abs=1e-6), name
    # an inverter draws its battery down to the reserve and can never fill it again
    as_set = comparison.advice.outcomes["off-peak-first"].flows
    assert as_set["grid_to_battery"].sum() == 0.0
    assert (np.diff(as_set["stored"]) <= 1e-9).all()


def test_cold_never_saves_money() -> None:
    cold, warm = (compare(cold_home(limit_c=limit).case()).planned["least-cost"] for limit in (0.0, -20.0))
    assert cold.bill.total_unrounded >= warm.bill.total_unrounded


def test_flows_that_charge_in_the_cold_are_refused() -> None:
    warm = compare(cold_home(limit_c=-20.0).case()).planned["off-peak-first"].flows
    case = cold_home().case()
    with pytest.raises(FlowsError, match="no_charging_below_c"):
        dataclasses.replace(warm, case=dataclasses.replace(warm.case, may_charge=case.may_charge))


def test_the_sun_charges_nothing_in_an_outage_in_the_cold() -> None:
    cold, warm = (cold_home(limit_c=limit).case() for limit in (20.0, -20.0))
    levels = np.full(len(cold.times), cold.limits.empty_kwh + 1.5)
    with_cold, with_warm = (backup_hours(case, levels, with_sun=True) for case in (cold, warm))
    assert (with_cold <= with_warm + 1e-9).all()
    assert with_cold.sum() < with_warm.sum()


def test_the_coldest_month_of_the_data_sets_what_can_be_drawn() -> None:
    curve = [{"battery_c": -10.0, "usable_fraction": 0.7}, {"battery_c": 10.0, "usable_fraction": 1.0}]
    case = cold_home(usable=curve).case()
    # November, -2 C: 0.7 + 0.3 · 8/20 = 0.82 of 93 % of 4.6 kWh
    usable_kwh = case.limits.full_kwh - case.limits.empty_kwh
    assert usable_kwh == pytest.approx(0.82 * 0.93 * 4.6)
    assert any("82 % of the usable energy" in note for note in case.notes)
    levels = np.full(len(case.times), case.limits.full_kwh)
    warm = small_home().case()
    assert backup_hours(case, levels, with_sun=False)[0] < backup_hours(warm, levels, with_sun=False)[0]


def test_a_series_of_temperatures_is_read_below_zero_and_counts_step_by_step() -> None:
    home = small_home(surroundings={"csv": "series.csv", "column": "shed_c", "no_charging_below_c": 0.0})
    degrees = np.where(np.arange(len(home.times)) % 24 < 6, -3.5, 4.0)
    case = type(home)(home.settings, home.tariff, home.times, {**home.columns, "shed_c": degrees}).read_back()
    assert case.may_charge.tolist() == (degrees >= 0).tolist()


@pytest.mark.parametrize(
    "place",
    [
        {},
        {"monthly_c": [1.0] * 11},
        {"monthly_c": [1.0] * 12, "csv": "a.csv", "column": "x_c"},
        {"csv": "a.csv"},
        {"csv": "a.csv", "column": "shed_temp"},
        {"monthly_c": [1.0] * 12, "usable": [{"battery_c": 5.0, "usable_fraction": 1.0}] * 2},
    ],
)
def test_surroundings_that_say_too_little_or_too_much_are_refused(place: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        Surroundings.model_validate(place)


def test_a_start_below_what_the_cold_leaves_is_refused() -> None:
    curve = [{"battery_c": -10.0, "usable_fraction": 0.3}]
    with pytest.raises(ScenarioError, match=r"battery\.start.*out of range"):
        cold_home(usable=curve).case()


# ---- care --------------------------------------------------------------------------------------------------
def test_the_care_card_says_what_the_file_says_and_how_long_the_packs_rest() -> None:
    """Common practice, no source: store at 60 %, charge again at 5 %, -20 to 45 C, a full cycle every three months."""
    care = {"store_at_percent": 60.0, "recharge_at_percent": 5.0, "full_cycle_every_months": 3}
    place = {"monthly_c": FROST, "lowest_c": -20.0, "highest_c": 45.0, "no_charging_below_c": 0.0}
    home = small_home(care=care, surroundings=place, inverter={"idle_off_w": 6.0})
    case = home.case()
    card = care_card(case.scenario, 4.6, 0.0001)
    text = " ".join((*card.temperatures, *card.resting, *card.placing))
    for said in (
        "not below -20 C and not above 45 C",
        "Never charge them below 0 C",
        "at about 60 %",
        "again at 5 %",
    ):
        assert said in text
    assert "every 3 months" in text
    # 55 % of 4.6 kWh at 0.0001·0.6·4.6 kW
    assert card.rests_days == pytest.approx(0.55 * 4.6 / (0.0001 * 0.6 * 4.6) / 24)
    assert card.rests_outputs_off_days == pytest.approx(0.55 * 4.6 / (0.0001 * 0.6 * 4.6 + 0.006) / 24)
    # NFPA 855, chapter 15: 3 ft, 20, 40 and 80 kWh (nfpa.org blog 2021-10-01; isaksensolar.com; heatspring.com)
    for said in ("3 ft", "20 kWh a unit", "40 kWh", "80 kWh", "local code"):
        assert said in text


def test_the_card_warns_where_there_is_more_than_the_code_allows() -> None:
    scenario = Scenario.model_validate(small_home().settings)
    assert care_card(scenario, 4.6, 0.0).warnings == ()
    assert len(care_card(scenario, 41.0, 0.0).warnings) == 2
    assert len(care_card(scenario, 81.0, 0.0).warnings) == 3
