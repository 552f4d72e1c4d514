"""Hardware from the parts up: limits by pack count, charging times, runtimes, surge; units in series; generators."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from homes.small_home import small_home
from terminal import rendered

from dispatch.case.limits import resolve_limits
from dispatch.case.transfer import transfer_gap
from dispatch.equipment.generator import fit, litres_per_hour
from dispatch.errors import ScenarioError
from dispatch.exports.files import json_text, plain
from dispatch.outages.generator import generator_note, generator_of
from dispatch.outages.hours import backup_hours
from dispatch.report.hardware import generator_report, hardware_report
from dispatch.scenario.model import Charging, Scenario
from dispatch.scenario.outages import Generator
from dispatch.sizing.bench import bench, with_packs
from dispatch.sizing.generator import generator_study
from dispatch.sizing.hardware import hardware
from dispatch.words.parts import transfer_words
from tariffs.reading.models import validated

if TYPE_CHECKING:
    from pathlib import Path

    from homes.drafts import Draft

FRIDGE = {"name": "refrigerator", "watts": 150.0, "starting_w": 1200.0, "hours_per_day": 8.0}
PUMP = {"name": "well pump", "watts": 800.0, "starting_w": 2600.0, "hours_per_day": 1.0}
LAMPS = {"name": "lamps", "watts": 10.0, "count": 6, "hours_per_day": 5.0}
OVEN = {"name": "oven", "watts": 2400.0, "hours_per_day": 1.0}


def home(*appliances: dict[str, Any], **sections: Any) -> Draft:  # noqa: ANN401 - sections of several types
    listed = list(appliances or (FRIDGE, PUMP, LAMPS, OVEN))
    base = small_home().changed(critical_load=None)
    return base.changed(critical_load={"appliances": listed}).changed(**sections)


# ---- runtimes ----------------------------------------------------------------------------------------------
def test_runtime_of_the_textbook() -> None:
    """1,000 Wh, all of it usable, inverter 90 %, 150 W: 6.0 h. # common practice, no source."""
    battery = {
        "pack_kwh": 1.0,
        "pack_count": 1,
        "depth_of_discharge_fraction": 1.0,
        "discharge_efficiency_fraction": 1.0,
    }
    inverter = {"efficiency_fraction": 0.9, "idle_on_w": 0.0, "surge_w": 2000.0}
    always = {**FRIDGE, "hours_per_day": 24.0}
    found = hardware(home(always, battery=battery, inverter=inverter, reserve={"percent": 0.0}).case())
    assert found.runtimes[0].hours[1] == pytest.approx(6.0)
    assert found.runtimes[0].hours_as_used[1] == pytest.approx(6.0)


def test_runtimes_are_the_hours_of_backup_the_program_counts() -> None:
    case = home(FRIDGE, LAMPS).case()
    found = hardware(case)
    everything = found.runtimes[-1]
    assert everything.name == "all critical at once"
    on_bench = bench(case, load_kw=everything.watts / 1000, idle_kw=case.limits.idle_on_kw)
    hours = backup_hours(on_bench, np.array([case.limits.ceiling_kwh]), with_sun=False)
    assert everything.hours[2] == pytest.approx(float(hours[0]), rel=1e-9)


def test_an_appliance_with_its_daily_hours_lasts_longer() -> None:
    case = home(FRIDGE).case()
    one = hardware(case).runtimes[0]
    usable_wh = 4600 * 0.93 * 0.96 * 0.92
    assert one.hours[2] == pytest.approx(usable_wh / (150 + 26))
    assert one.hours_as_used[2] == pytest.approx(usable_wh / (50 + 26))


def test_what_does_not_run_and_what_does_not_start() -> None:
    found = {one.name: one for one in hardware(home(inverter={"surge_w": 2500.0}).case()).runtimes}
    assert found["oven"].is_carried is False  # 2,400 + 26 W on 2,100 W
    assert set(found["oven"].hours.values()) == {0.0}
    assert (found["refrigerator"].starts, found["well pump"].starts, found["lamps"].starts) == (
        True,
        False,
        None,
    )


def test_of_several_only_one_starts_at_a_time_on_top_of_the_rest() -> None:
    combination = [{"name": "kitchen and water", "appliances": ["refrigerator", "well pump"]}]
    found = {one.name: one for one in hardware(home(combinations=combination).case()).runtimes}
    # both running, 950 W, and the larger step up, 2,600 - 800 W
    assert found["kitchen and water"].starting_w == pytest.approx(950 + 1800)


def test_all_that_is_listed_counts_as_well_as_all_that_is_critical() -> None:
    given = home(FRIDGE, LAMPS).changed(load=None).changed(load={"appliances": [FRIDGE, LAMPS, PUMP]})
    found = {one.name: one for one in hardware(given.case()).runtimes}
    assert found["all critical at once"].watts == 210.0
    assert found["everything at once"].watts == 1010.0


def test_a_combination_of_what_is_not_there_is_refused() -> None:
    combination = [{"name": "night", "appliances": ["heater"]}]
    with pytest.raises(ScenarioError, match=r"combinations\[1\].*no appliance 'heater'.*refrigerator"):
        hardware(home(combinations=combination).case())


# ---- charging by pack count --------------------------------------------------------------------------------
def test_time_to_full_by_hand_without_a_slow_end() -> None:
    """900 W into 94 %: usable to 99 % of full, one and two packs of 2.3 kWh."""
    case = home(battery={"taper_hours": 0.0, "self_discharge_per_hour_fraction": 0.0}).case()
    for row in hardware(case).packs:
        goal = 0.99 * 2.3 * row.count - 0.07 * 2.3 * row.count
        grid = next(one for one in row.full if one.source == "grid")
        assert grid.hours == pytest.approx(goal / (0.9 * 0.94), rel=2e-4)  # followed in two-minute steps
        assert grid.slow_end_minutes == 0


def test_the_table_by_pack_count_limits_both_together() -> None:
    case = home().case()
    found = hardware(case)
    one, two = found.packs[:2]
    # combined_w = [1200, 1900]; grid 900 W, the best hour of sun above 1,200 W
    assert (one.charge_w["grid and sun"], one.limited_by["grid and sun"]) == (1200.0, "charging.combined_w")
    assert two.charge_w["grid and sun"] == 1900.0
    assert (two.charge_w["grid"], two.limited_by["grid"]) == (900.0, "charging.grid_w")
    for row in found.packs:
        hours = {one.source: one.hours or math.inf for one in row.full}
        assert hours["grid and sun"] <= min(hours["grid"], hours["sun"]) < math.inf


def test_the_slow_end_is_what_the_taper_adds() -> None:
    """With τ and power P the last part, from full - P·τ to 99 %, takes τ·ln(P·τ / 1 % of full) instead of even time."""
    case = home(battery={"taper_hours": 0.6, "self_discharge_per_hour_fraction": 0.0}).case()
    row = next(row for row in hardware(case).packs if row.count == 2)
    grid = next(one for one in row.full if one.source == "grid")
    power, full = 0.9 * 0.94, 4.6
    slow = 0.6 * math.log(power * 0.6 / (0.01 * full)) - (power * 0.6 - 0.01 * full) / power
    assert grid.slow_end_minutes == pytest.approx(60 * slow, abs=2.5)  # followed in two-minute steps


def test_one_pack_more_is_the_scenario_with_one_pack_more() -> None:
    case = home(charging={"combined_w": [1200.0, 1900.0, 2400.0]}).case()
    three = with_packs(case, 3)
    again = home(charging={"combined_w": [1200.0, 1900.0, 2400.0]}, battery={"pack_count": 3, "start": None})
    settings = {
        **again.settings,
        "battery": {k: v for k, v in again.settings["battery"].items() if v is not None},
    }
    assert three.limits == resolve_limits(Scenario.model_validate(settings))
    assert [row.count for row in hardware(case).packs] == [1, 2, 3]


def test_beyond_the_end_of_the_table_its_last_entry_is_a_lower_bound() -> None:
    found = hardware(home().case())  # combined_w = [1200, 1900], two packs
    assert [(row.count, row.is_beyond_table) for row in found.packs] == [(1, False), (2, False), (3, True)]
    assert found.packs[2].charge_w["grid and sun"] == found.packs[1].charge_w["grid and sun"]
    text = rendered(hardware_report(found))
    assert "One more pack: +2.14 kWh, charging no slower" in text
    assert "1,900+" in text


def test_no_more_packs_than_the_unit_takes_are_shown() -> None:
    found = hardware(home(units={"most_packs_count": 2}).case())
    assert [row.count for row in found.packs] == [1, 2]
    assert "No more packs fit: the unit takes 2." in rendered(hardware_report(found))


def test_a_table_that_falls_is_refused(tmp_path: Path) -> None:
    settings = home(charging={"combined_w": [1900.0, 1200.0]}).settings
    with pytest.raises(ScenarioError, match=r"charging\.combined_w: falls from 1 to 2 packs"):
        validated(Scenario, dict(settings), tmp_path, ScenarioError)


def test_more_packs_than_the_unit_takes_is_refused() -> None:
    with pytest.raises(
        ScenarioError, match=r"battery\.pack_count: 2 packs.*most_packs_count = 1 take 1.*add a unit"
    ):
        home(units={"most_packs_count": 1}).case()


def test_outputs_off_saves_the_difference_of_the_idle_draws() -> None:
    found = hardware(home(inverter={"idle_off_w": 6.0}).case())
    assert found.outputs_off_saves_kwh_per_day == pytest.approx((26 - 6) * 24 / 1000)


def test_a_vehicle_socket_fills_slowly() -> None:
    """Common practice, no source: 100 W at 12 V, 200 W at 24 V."""
    sockets = [{"name": f"{v} V", "input_v": v, "most_w": w} for v, w in ((12.0, 100.0), (24.0, 200.0))]
    found = hardware(home(charging={"dc_inputs": sockets}).case())
    slow, fast = (hours for _, _, _, hours in found.dc_inputs)
    assert slow == pytest.approx(0.93 * 4.6 / 0.97 / 0.1)
    assert fast == pytest.approx(slow / 2)


# ---- two units ---------------------------------------------------------------------------------------------
def test_two_units_double_the_ratings_and_share_the_packs() -> None:
    one, two = home().case().limits, home(units={"count": 2}).case().limits
    for name in ("inverter_kw", "bypass_kw", "grid_charge_kw", "solar_input_kw", "idle_on_kw"):
        assert getattr(two, name) == pytest.approx(2 * getattr(one, name)), name
    assert two.full_kwh == one.full_kwh
    # two packs on two units are one on each: twice the first entry of the table
    assert two.total_charge_kw == pytest.approx(2 * 1.2)


def test_a_load_that_leans_on_one_leg_gets_less_than_both_inverters() -> None:
    case = home(units={"count": 2, "larger_leg_fraction": 0.7}).case()
    limits = case.limits
    assert limits.inverter_kw == pytest.approx(2.1 / 0.7)
    # its leg is empty when 0.7 of what was drawn has left half of the packs
    assert limits.full_kwh - limits.empty_kwh == pytest.approx(4.6 * 0.93 * 0.5 / 0.7)
    assert with_packs(case, 2).limits.empty_kwh == pytest.approx(limits.empty_kwh)
    assert any("70 % of the load is taken to stand on one leg" in note for note in case.notes)


def test_an_appliance_on_one_leg_has_half_of_the_packs() -> None:
    one = {r.name: r for r in hardware(home().case()).runtimes}["lamps"]
    two = {r.name: r for r in hardware(home(units={"count": 2}).case()).runtimes}["lamps"]
    usable_wh = 4600 * 0.93 * 0.96 * 0.92
    assert one.hours[2] == pytest.approx(usable_wh / (60 + 26))
    assert two.hours[2] == pytest.approx(usable_wh / 2 / (60 + 26))


def test_a_motor_on_one_leg_has_the_surge_of_one_unit() -> None:
    """The pump starts with 2,600 W: more than 2,500 W of one unit, though both together give 5,000 W."""
    found = hardware(home(FRIDGE, PUMP, units={"count": 2}, inverter={"surge_w": 2500.0}).case())
    by_name = {one.name: one for one in found.runtimes}
    assert (by_name["refrigerator"].starts, by_name["well pump"].starts) == (True, False)


def test_an_odd_pack_cannot_be_shared() -> None:
    with pytest.raises(ScenarioError, match=r"3 packs cannot be shared evenly by 2 units.*choose 2 or 4"):
        home(
            units={"count": 2}, battery={"pack_count": 3}, charging={"combined_w": [1200.0, 1900.0, 2000.0]}
        ).case()


# ---- strings in the case -----------------------------------------------------------------------------------
MODULE = {"name": "m", "stc_w": 400.0, "voc_v": 40.0, "isc_a": 12.6, "vmp_v": 33.4, "imp_a": 11.98}
SOLAR = {
    "coldest_c": -25.0,
    "hottest_c": 34.0,
    "modules": [MODULE],
    "inputs": [{"name": "a", "lowest_v": 30.0, "highest_v": 150.0, "operating_a": 13.0, "most_w": 1300.0}],
    "strings": [
        {"input": "a", "module": "m", "series_count": 3, "cable": {"awg": 12, "length_m": 25.0}},
    ],
}


def test_strings_and_cables_take_their_share_of_the_sun_of_the_case() -> None:
    plain_home, wired = small_home().case(), small_home(solar=SOLAR)
    case = wired.read_back()
    before, after = plain_home.sun_kwh, case.sun_kwh
    assert after.sum() < before.sum()
    assert after.max() <= 1.3
    volts = 3 * 33.4
    amps = before * 1000 / volts  # hourly steps
    ohm = 2 * 25 / 0.3048 / 1000 * 1.98  # NEC chapter 9 Table 8, at 75 C
    free = (amps < 13.0) & (before - ohm * amps**2 / 1000 < 1.3) & (before < 1.3)
    assert free.sum() > 10
    assert after[free] == pytest.approx((before - ohm * amps**2 / 1000)[free], abs=1e-9)


def test_dangerous_strings_stop_a_scenario(tmp_path: Path) -> None:
    strings = [{**SOLAR["strings"][0], "series_count": 4}]  # type: ignore[index]
    path = small_home(solar={**SOLAR, "strings": strings}).write(tmp_path)
    from dispatch.case.case import load_scenario  # noqa: PLC0415 - one test's own

    # 4 x 40 x 1.20 (NEC 690.7(A) at -25 C) = 192 V
    with pytest.raises(
        ScenarioError, match=r"DANGEROUS.*192\.0 V at -25 C, above the 150 V.*at most 3 in series"
    ):
        load_scenario(path)


def test_solar_that_is_there_already_serves_the_house_first_and_never_an_outage() -> None:
    home_of = small_home(ac_solar={"csv": "series.csv", "column": "roof_kw"})
    hour = home_of.times.hour.to_numpy()
    roof = np.where((hour >= 9) & (hour < 16), 1.1, 0.0)
    columns = {**home_of.columns, "roof_kw": roof}
    case = type(home_of)(home_of.settings, home_of.tariff, home_of.times, columns).read_back()
    before = small_home().case()
    to_other = np.minimum(roof, before.other_kwh)
    assert case.other_kwh == pytest.approx(before.other_kwh - to_other)
    assert case.load_kwh == pytest.approx(before.load_kwh - np.minimum(roof - to_other, before.load_kwh))
    assert case.critical_kwh.tolist() == before.critical_kwh.tolist()
    assert any(note.startswith("ac_solar: serves") for note in case.notes)


# ---- the generator -----------------------------------------------------------------------------------------
ENGINE = {"continuous_w": 2000.0, "sine_wave": True, "litres_per_kwh": 0.6, "price_per_litre": 1.5}
MAINS = {"lowest_v": 95.0, "highest_v": 135.0, "lowest_hz": 47.0, "highest_hz": 63.0}


def generator(**settings: Any) -> Generator:  # noqa: ANN401 - settings of several types
    return Generator.model_validate({**ENGINE, "output_v": 120.0, "output_hz": 60.0, **settings})


def charging(**settings: Any) -> Charging:  # noqa: ANN401 - settings of several types
    return Charging.model_validate({"grid_w": 1800.0, "mains": MAINS, **settings})


def test_a_generator_within_the_range_may_and_the_limit_leaves_its_margin() -> None:
    steps = charging(input_limits_w=[500.0, 1000.0, 1500.0, 2000.0])
    assert fit(generator(), steps).limit_w == 2000.0
    held = fit(generator(running_fraction=0.8), steps)
    assert (held.problems, held.unknown) == ((), ())
    assert held.limit_w == 1500.0  # 80 % of 2,000 W are 1,600 W


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"sine_wave": False}, "not a sine wave"),
        ({"output_v": 230.0}, "230 V lies outside the 95 to 135 V"),
        ({"output_hz": 68.0}, "68 Hz lies outside the 47 to 63 Hz"),
    ],
)
def test_a_generator_outside_the_range_must_not(change: dict[str, Any], said: str) -> None:
    assert any(said in problem for problem in fit(generator(**change), charging()).problems)
    home_of = small_home(
        generator={**ENGINE, "output_v": 120.0, "output_hz": 60.0, **change}, charging={"mains": MAINS}
    )
    case = home_of.case()
    found = generator_study(case)
    assert found.at == ()
    assert generator_of(case) is None  # and no outage counts on it
    assert "left out everywhere" in str(generator_note(case))
    assert "MUST NOT feed the charger" in rendered(generator_report(found)).replace("\n", " ")


def test_what_is_not_stated_is_told_as_not_checked() -> None:
    assert "not stated" in fit(generator(), Charging.model_validate({"grid_w": 900.0})).unknown[0]
    assert "output_v" in fit(Generator.model_validate(ENGINE), charging()).unknown[0]


def test_hours_and_litres_of_a_full_charge_by_hand() -> None:
    """A limit of 1,000 W, 240 W of load and 26 W idle: 734 W charge at 94 %; fuel in proportion to 1,000 W."""
    case = small_home(
        generator=ENGINE,
        charging={"input_limits_w": [1000.0]},
        battery={"taper_hours": 0.0, "self_discharge_per_hour_fraction": 0.0},
    ).case()
    row = generator_study(case).at[0]
    hours = (0.99 - 0.07) * 4.6 / (0.734 * 0.94)
    assert row.full.hours == pytest.approx(hours, rel=1e-6)
    assert row.full.litres == pytest.approx(hours * 1.0 * 0.6, rel=1e-6)
    assert row.cost == pytest.approx(row.full.litres * 1.5)


def test_a_fuel_curve_is_followed() -> None:
    curve = [{"load_w": 0.0, "litres_per_hour": 0.3}, {"load_w": 2000.0, "litres_per_hour": 1.3}]
    given = Generator.model_validate(
        {**{k: v for k, v in ENGINE.items() if k != "litres_per_kwh"}, "litres_per_hour": curve}
    )
    assert litres_per_hour(given, 1000.0) == pytest.approx(0.8)
    assert litres_per_hour(generator(), 1000.0) == pytest.approx(0.6)


def test_a_home_without_generator_says_so() -> None:
    with pytest.raises(ScenarioError, match=r"generator: the scenario has none; add \[generator\]"):
        generator_study(small_home().case())


# ---- screens -----------------------------------------------------------------------------------------------
def test_the_opening_screen_answers_in_24_lines_of_80_columns() -> None:
    found = hardware(home(inverter={"surge_w": 2500.0, "idle_off_w": 6.0, "transfer_ms": 20.0}).case())
    text = rendered(hardware_report(found))
    lines = text.rstrip("\n").split("\n")
    assert len(lines) <= 24
    assert max(map(len, lines)) <= 80
    for said in ("2 packs", "limited now", "Outputs off when away", "NO RUN", "h to full"):
        assert said in text
    full = rendered(hardware_report(found, full=True))
    assert "IEC 62040-3" in full
    assert "99 % of the ceiling" in full
    assert "Grid passed through 2,600 W" in full


def test_the_study_goes_into_json() -> None:
    text = json_text(plain(hardware(home().case())))
    assert '"outputs_off_saves_kwh_per_day"' in text
    assert '"limited_by"' in text


# IEC 62040-3, output dynamic classes: 1 no interruption, 3 under 10 ms, 4 as the maker states (errepi.de)
@pytest.mark.parametrize(
    ("milliseconds", "said"),
    [
        (0.0, "class 1"),
        (8.0, "class 3"),
        (20.0, "class 4"),
        (20.0, "computers, routers and televisions"),
        (None, "not stated"),
    ],
)
def test_what_notices_the_transfer(milliseconds: float | None, said: str) -> None:
    inverter = {} if milliseconds is None else {"transfer_ms": milliseconds}
    assert said in transfer_words(transfer_gap(home(inverter=inverter).case()))
