"""The scenario file as models: what it holds, its defaults, and that it survives a trip through JSON."""

from __future__ import annotations

import datetime as dt
import tomllib
from typing import TYPE_CHECKING, Any

import pytest
from homes.home_files import SCENARIO, Home
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from dispatch.scenario.load import read_scenario
from dispatch.scenario.model import Battery, CriticalAppliance, Level, Load, Scenario, Site
from tariffs.reading.models import explain

if TYPE_CHECKING:
    from pathlib import Path

SMALLEST = """\
name = "Bare"
tariff = "t.toml"
[site]
time_zone = "Asia/Kathmandu"
currency = "NPR"
[load]
watts = 250
[battery]
pack_kwh = 1.3
depth_of_discharge_fraction = 0.8
charger_efficiency_fraction = 0.9
solar_charge_efficiency_fraction = 0.95
discharge_efficiency_fraction = 0.96
[inverter]
continuous_w = 900
efficiency_fraction = 0.88
idle_on_w = 12
[charging]
grid_w = 500
"""


def test_a_full_file_is_read_as_written(tmp_path: Path) -> None:
    scenario = read_scenario(Home().write(tmp_path))
    assert scenario.name == "Fennel Court 3"
    assert scenario.site == Site(time_zone="America/Halifax", currency="CAD")
    assert scenario.load == Load(csv="series.csv", column="load_kw")
    assert scenario.critical_load is not None
    assert scenario.critical_load.appliances == (
        CriticalAppliance(name="fridge", watts=110, hours_per_day=8),
        CriticalAppliance(name="lamps", watts=9, count=6, hours_per_day=5, starts_at="18:30"),
    )
    assert scenario.battery.start == Level(percent=55)
    assert scenario.battery.closing == Level(kwh=3)
    assert scenario.charging.combined_w == (1100, 2300)
    assert scenario.inverter.transfer_ms == 9
    assert scenario.grid.battery_feed_in is True
    assert scenario.strategies.cheapest_hours_per_day == 6


def test_what_may_be_left_out_has_its_default() -> None:
    scenario = Scenario.model_validate(tomllib.loads(SMALLEST))
    assert (scenario.period, scenario.other_load, scenario.critical_load, scenario.sun) == (None,) * 4
    assert scenario.reserve is None
    battery = scenario.battery
    assert (battery.pack_count, battery.start, battery.closing, battery.ceiling) == (1, None, None, None)
    assert (battery.self_discharge_per_hour_fraction, battery.taper_hours, battery.wear_per_kwh) == (
        0,
        0,
        None,
    )
    inverter = scenario.inverter
    assert (inverter.bypass_w, inverter.transfer_ms, inverter.surge_w) == (None, None, None)
    assert inverter.switches_whole_load is False
    assert scenario.charging.combined_w is None
    assert (scenario.grid.feed_in, scenario.grid.import_limit_kw, scenario.grid.battery_feed_in) == (
        "none",
        None,
        False,
    )
    backup = scenario.backup
    assert (backup.target_hours, backup.share_of_instants_fraction, backup.horizon_hours) == (None, 1, 168)


def test_models_are_frozen_and_closed() -> None:
    scenario = Scenario.model_validate(tomllib.loads(SMALLEST))
    with pytest.raises(ValidationError, match="frozen"):
        scenario.battery.pack_kwh = 9.0  # type: ignore[misc]
    with pytest.raises(ValidationError, match="extra"):
        Level.model_validate({"percent": 5, "kWh": 3})


def test_dates_and_times_of_toml_need_no_quotes() -> None:
    text = SCENARIO.replace('"2025-03-08"', "2025-03-08").replace('"2025-03-11"', "2025-03-11T00:00:00-03:00")
    scenario = Scenario.model_validate(tomllib.loads(text.replace('"18:30"', "18:30:00")))
    assert scenario.period is not None
    assert (scenario.period.start, scenario.period.end) == ("2025-03-08", "2025-03-11T00:00:00-03:00")
    assert scenario.critical_load is not None
    assert scenario.critical_load.appliances is not None
    assert scenario.critical_load.appliances[1].starts_at == "18:30:00"


@pytest.mark.parametrize(
    "zone", ["UTC", "America/Halifax", "Australia/Lord_Howe", "Asia/Kathmandu", "Etc/GMT+5"]
)
def test_iana_zones_are_taken(zone: str) -> None:
    assert Site(time_zone=zone, currency="EUR").time_zone == zone


# ISO 4217 codes of places whose money was renamed lately, and of withdrawn or non-monetary codes.
@pytest.mark.parametrize("code", ["SLE", "VES", "MRU", "STN", "ZWG", "XCG", "BYN", "XOF", "JPY", "KWD"])
def test_currencies_in_force_are_taken(code: str) -> None:
    assert Site(time_zone="UTC", currency=code).currency == code


@pytest.mark.parametrize("code", ["HRK", "DEM", "ZWL", "XAU", "XXX", "usd", "US", "", "EURO"])
def test_other_codes_are_not(code: str) -> None:
    with pytest.raises(ValidationError):
        Site(time_zone="UTC", currency=code)


def test_every_setting_is_described_in_the_schema() -> None:
    schema = Scenario.model_json_schema()
    undescribed = [
        f"{model}.{key}"
        for model, definition in {"Scenario": schema, **schema["$defs"]}.items()
        for key, field in definition["properties"].items()
        if "description" not in field and "$ref" not in str(field)
    ]
    assert undescribed == []
    assert schema["additionalProperties"] is False


def test_problems_are_explained_for_any_model() -> None:
    with pytest.raises(ValidationError) as caught:
        Battery.model_validate({"pack_kwh": "x", "pack_cuont": 2, "start": {"percent": 120}})
    lines = explain(caught.value, Battery)
    assert "pack_kwh: write a plain number of kWh (energy), without quotes or unit (got 'x')" in lines
    assert "pack_cuont: not a setting; did you mean 'pack_count'?" in lines
    assert "start.percent: must be at most 100 (got 120)" in lines


share = st.floats(0.01, 1.0)
positive = st.floats(1e-3, 1e6)
amount = st.floats(0.0, 1e6)
text = st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc")), min_size=1, max_size=12)


def maybe(**settings: st.SearchStrategy[Any]) -> st.SearchStrategy[dict[str, Any]]:
    """Any choice of some optional settings."""
    return st.fixed_dictionaries({}, optional=settings)


def section(
    optional: st.SearchStrategy[dict[str, Any]], **needed: st.SearchStrategy[Any]
) -> st.SearchStrategy[Any]:
    """A section with all of the needed and some of the optional settings."""
    return st.builds(lambda some, rest: {**some, **rest}, st.fixed_dictionaries(needed), optional)


levels = st.one_of(
    st.builds(lambda value: {"percent": value}, st.floats(0, 100)),
    st.builds(lambda value: {"kwh": value}, amount),
)
clock = st.times().map(lambda time: time.isoformat("minutes"))
appliances = section(
    maybe(count=st.integers(1, 9), starts_at=clock),
    name=text,
    watts=positive,
    hours_per_day=st.floats(0.1, 24),
)
loads = st.one_of(
    st.builds(lambda csv, column: {"csv": csv, "column": column}, text, text),
    st.builds(lambda watts: {"watts": watts}, amount),
    st.builds(lambda items: {"appliances": items}, st.lists(appliances, min_size=1, max_size=3)),
)
batteries = section(
    maybe(
        pack_count=st.integers(1, 20),
        self_discharge_per_hour_fraction=st.floats(0, 0.99),
        start=levels,
        closing=levels,
        ceiling=levels,
        taper_hours=amount,
        wear_per_kwh=amount,
    ),
    pack_kwh=positive,
    depth_of_discharge_fraction=share,
    charger_efficiency_fraction=share,
    solar_charge_efficiency_fraction=share,
    discharge_efficiency_fraction=share,
)
inverters = section(
    maybe(
        bypass_w=positive,
        transfer_ms=amount,
        switches_whole_load=st.booleans(),
        surge_w=positive,
        idle_off_w=amount,
    ),
    continuous_w=positive,
    efficiency_fraction=share,
    idle_on_w=amount,
)
chargings = section(
    maybe(
        ac_input_w=positive,
        solar_w=positive,
        combined_w=st.one_of(positive, st.lists(positive, min_size=1, max_size=4).map(sorted)),
    ),
    grid_w=amount,
)
reserves = st.one_of(levels, section(maybe(sun_share_fraction=st.floats(0, 1)), hours=positive))
grids = st.one_of(
    maybe(import_limit_kw=positive),
    section(maybe(export_limit_kw=amount, battery_feed_in=st.booleans()), feed_in=st.just("grid")),
    section(maybe(battery_feed_in=st.booleans()), feed_in=st.just("house")),
)
scenarios = section(
    maybe(
        period=section(
            maybe(step_minutes=st.integers(1, 1440)),
            start=st.dates(dt.date(1970, 1, 1), dt.date(2099, 12, 31)).map(str),
            end=st.just("2100-01-01"),
        ),
        other_load=loads,
        critical_load=loads,
        sun=st.builds(lambda csv, column: {"csv": csv, "column": column}, text, text),
        grid=grids,
        reserve=reserves,
        backup=maybe(
            target_hours=st.floats(0, 24), share_of_instants_fraction=share, horizon_hours=st.floats(24, 999)
        ),
        strategies=maybe(cheapest_hours_per_day=st.floats(0.25, 24)),
    ),
    name=text,
    tariff=text,
    site=st.builds(
        lambda zone, code: {"time_zone": zone, "currency": code},
        st.sampled_from(["UTC", "America/Halifax", "Australia/Lord_Howe"]),
        st.sampled_from(["EUR", "JPY", "CAD"]),
    ),
    load=loads,
    battery=batteries,
    inverter=inverters,
    charging=chargings,
)


@given(scenarios)
def test_a_scenario_survives_json(settings: dict[str, Any]) -> None:
    scenario = Scenario.model_validate(settings)
    again = Scenario.model_validate_json(scenario.model_dump_json())
    assert again == scenario
    assert again.model_dump_json() == scenario.model_dump_json()
    assert hash(again) == hash(scenario)
