"""Every refusal of a scenario file: one message with file, place, value seen and remedy."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from homes.home_files import SCENARIO, Home, refusal

from dispatch.case.case import load_scenario
from dispatch.errors import ScenarioError

if TYPE_CHECKING:
    from pathlib import Path

HOME = Home()


# what is written -> (what replaces it, parts the message must hold)
SCENARIO_CASES: dict[str, tuple[tuple[tuple[str, str], ...], tuple[str, ...]]] = {
    "unit in a number": (
        (("pack_kwh = 2.9", 'pack_kwh = "5 kW"'),),
        ("battery.pack_kwh", "kWh (energy)", "without quotes or unit", "'5 kW'"),
    ),
    "unit without quotes": (
        (("pack_kwh = 2.9", "pack_kwh = 5 kW"),),
        ("not valid TOML", "line 32: pack_kwh = 5 kW", "write the number alone"),
    ),
    "capital letters in a unit": (
        (("pack_kwh = 2.9", "pack_kWh = 2.9"),),
        ("battery.pack_kWh", "not a setting", "did you mean 'pack_kwh'?", "kWh (energy)"),
    ),
    "other unit in a key": (
        (("grid_w = 1250", "grid_kw = 1.25"),),
        ("charging.grid_kw", "did you mean 'grid_w'?", "W (power)"),
    ),
    "misspelt section": ((("[backup]", "[bakcup]"),), ("bakcup", "did you mean 'backup'?")),
    "setting of another section": (
        (("grid_w = 1250", "grid_w = 1250\nidle_on_w = 4"),),
        ("charging.idle_on_w", "belongs in [inverter]"),
    ),
    "top key below a section": (
        (('tariff = "tariff.toml"\n', ""), ('currency = "CAD"', 'currency = "CAD"\ntariff = "t.toml"')),
        ("site.tariff", "at the top of the file", "tariff: this setting is missing"),
    ),
    "missing setting": (
        (("grid_w = 1250\n", ""),),
        ("charging.grid_w", "missing", "limit of the grid charger at its input, in W"),
    ),
    "negative": ((("pack_kwh = 2.9", "pack_kwh = -2.9"),), ("battery.pack_kwh", "more than 0", "got -2.9")),
    "infinite": ((("pack_kwh = 2.9", "pack_kwh = inf"),), ("battery.pack_kwh", "plain number", "got inf")),
    "true for a number": ((("pack_kwh = 2.9", "pack_kwh = true"),), ("battery.pack_kwh", "got true")),
    "half a pack": ((("pack_count = 2", "pack_count = 1.5"),), ("battery.pack_count", "whole number", "1.5")),
    "percent for a fraction": (
        (("efficiency_fraction = 0.91", "efficiency_fraction = 91"),),
        ("inverter.efficiency_fraction", "at most 1", "90 % is 0.9", "got 91"),
    ),
    "text for a switch": (
        (("switches_whole_load = false", 'switches_whole_load = "no"'),),
        ("inverter.switches_whole_load", "true or false", "'no'"),
    ),
    "unknown choice": (
        (('feed_in = "grid"', 'feed_in = "Grid"'),),
        ("grid.feed_in", "'none', 'house' or 'grid'", "did you mean 'grid'?", "'Grid'"),
    ),
    "bare level": (
        (("start = { percent = 55 }", "start = 55"),),
        ("battery.start", "start = { percent = 60 }", "got 55"),
    ),
    "level in two units": (
        (("start = { percent = 55 }", "start = { percent = 55, kwh = 3 }"),),
        ("battery.start", "exactly one of percent and kwh"),
    ),
    "number where a section belongs": (
        (("[strategies]\ncheapest_hours_per_day = 6\n", ""), ("[site]", "strategies = 6\n[site]")),
        ("strategies: this is a section", "[strategies]", "got 6"),
    ),
    "number where a list of tables belongs": (
        (("watts = 180", "appliances = 5"),),
        ("other_load.appliances", "[[other_load.appliances]]", "got 5"),
    ),
    "no appliances": (
        (("watts = 180", "appliances = []"),),
        ("other_load.appliances", "empty", "at least one"),
    ),
    "problem inside an appliance": (
        (("watts = 110", 'watts = "110 W"'),),
        ("critical_load.appliances[1].watts", "W (power)", "'110 W'"),
    ),
    "clock time in words": (
        (('"18:30"', '"6pm"'),),
        ("critical_load.appliances[2].starts_at", "'18:00'", "'6pm'"),
    ),
    "more than a day a day": (
        (("hours_per_day = 8.0", "hours_per_day = 25"),),
        ("critical_load.appliances[1].hours_per_day", "at most 24", "got 25"),
    ),
    "empty text": ((('"Fennel Court 3"', '""'),), ("name", "between the quotes")),
    "text without quotes": (
        (('name = "Fennel Court 3"', "name = Fennel Court"),),
        ("not valid TOML", "line 1: name = Fennel Court", "between quotes"),
    ),
    "setting twice": (
        (("grid_w = 1250", "grid_w = 1250\ngrid_w = 1"),),
        ("stands there twice", "line ", "grid_w = 1"),
    ),
    "section twice": ((("[charging]", "[battery]"),), ("a section stands there twice", "line ", "[battery]")),
    "broken section": ((("[battery]", "[battery"),), ("not valid TOML", "line 31: [battery")),
    "unknown zone": (
        (("America/Halifax", "america/halifaks"),),
        ("site.time_zone", "did you mean 'America/Halifax'?", "'america/halifaks'"),
    ),
    "zone by its city": (
        (("America/Halifax", "Halifax"),),
        ("site.time_zone", "did you mean 'America/Halifax'?"),
    ),
    "zone as offset": ((("America/Halifax", "GMT plus 3"),), ("site.time_zone", "IANA", "'GMT plus 3'")),
    "zone as folder": (
        (("America/Halifax", "America"),),
        ("site.time_zone", "no such time zone", "'America'"),
    ),
    "zone as path": ((("America/Halifax", "../zone"),), ("site.time_zone", "no such time zone")),
    "unknown currency": ((('"CAD"', '"CDA"'),), ("site.currency", "did you mean 'CAD'?", "'CDA'")),
    "currency of the right country": (
        (('"CAD"', '"CAN"'),),
        ("site.currency", "did you mean 'CAD'?", "'CAN'"),
    ),
    "currency in words": ((('"CAD"', '"dollars"'),), ("site.currency", "three capital letters", "'dollars'")),
    "other currency than the tariff": (
        (('"CAD"', '"EUR"'),),
        ("site.currency", "'EUR'", "tariff.toml", "'CAD'", "the same currency in both"),
    ),
    "too few charging limits": (
        (("pack_count = 2", "pack_count = 3"),),
        ("charging.combined_w", "1 to 2 packs", "battery.pack_count = 3", "one number for all"),
    ),
    "no charging limit": ((("[1100, 2300]", "[]"),), ("charging.combined_w", "empty")),
    "charging limit in words": ((("[1100, 2300]", '[1100, "much"]'),), ("charging.combined_w[2]", "'much'")),
    "sun without its input": ((("solar_w = 1900\n", ""),), ("charging.solar_w", "needed with [sun]")),
    "start above the ceiling": (
        (("start = { percent = 55 }", "start = { percent = 95 }"),),
        ("battery.start", "95 % = 5.51 kWh", "empty = 0.29 kWh", "ceiling = 5.22 kWh"),
    ),
    "closing below empty": (
        (("closing = { kwh = 3.0 }", "closing = { kwh = 0.2 }"),),
        ("battery.closing", "0.2 kWh", "empty = 0.29 kWh"),
    ),
    "ceiling above full": (
        (("ceiling = { percent = 90 }", "ceiling = { kwh = 6 }"),),
        ("battery.ceiling", "6 kWh", "full = 5.8 kWh"),
    ),
    "ceiling below empty": (
        (("ceiling = { percent = 90 }", "ceiling = { percent = 4 }"),),
        ("battery.ceiling", "4 %", "above empty = 0.29 kWh"),
    ),
    "reserve above the ceiling": (
        (("hours = 5.5\nsun_share_fraction = 0.25", "percent = 92"),),
        ("reserve.percent", "92 % = 5.336 kWh", "battery.ceiling = 5.22 kWh", "raise the ceiling"),
    ),
    "reserve above capacity": (
        (("hours = 5.5\nsun_share_fraction = 0.25", "kwh = 7"), ("ceiling = { percent = 90 }\n", "")),
        ("reserve.kwh", "7 kWh", "what the packs hold = 5.8 kWh", "add packs"),
    ),
    "reserve above 100 percent": (
        (("hours = 5.5\nsun_share_fraction = 0.25", "percent = 120"),),
        ("reserve.percent", "at most 100", "got 120"),
    ),
    "reserve twice": (
        (("hours = 5.5", "hours = 5.5\nkwh = 2"),),
        ("reserve", "exactly one of", "kwh and hours"),
    ),
    "reserve without a measure": (
        (("hours = 5.5\nsun_share_fraction = 0.25\n", ""),),
        ("reserve", "exactly one of", "none of them"),
    ),
    "sun counted in percent": (
        (("hours = 5.5", "percent = 30"),),
        ("reserve.sun_share_fraction", "hours only"),
    ),
    "reserve past the data": (
        (("hours = 5.5", "hours = 72"),),
        ("reserve.hours", "72 hours", "71 hours of data", "lower the reserve"),
    ),
    "target beyond the horizon": (
        (("target_hours = 4.5", "target_hours = 97"),),
        ("backup.target_hours", "97", "horizon_hours = 96"),
    ),
    "export limit without feed-in": (
        (('feed_in = "grid"', 'feed_in = "house"'),),
        ("grid.export_limit_kw", "3.5", "feed_in = 'house'", "set feed_in = 'grid'"),
    ),
    "battery feeds into nothing": (
        (('feed_in = "grid"\nexport_limit_kw = 3.5\n', ""),),
        ("grid.battery_feed_in", "feed_in = 'none'"),
    ),
    "two sources": (
        (("watts = 180", 'watts = 180\ncsv = "series.csv"'),),
        ("other_load", "exactly one of csv (with column), watts, or appliances", "csv and watts"),
    ),
    "no source": ((("watts = 180\n", ""),), ("other_load", "exactly one of", "none of them")),
    "csv without column": ((('column = "load_kw"\n', ""),), ("load.column", "name the column")),
    "column without csv": (
        (("watts = 180", 'watts = 180\ncolumn = "x_kw"'),),
        ("other_load.column", "needs csv"),
    ),
    "column without unit": (
        (('"load_kw"', '"load"'),),
        ("load.column", "'load'", "_w or _kw", "_wh or _kwh"),
    ),
    "no such series": (
        (('csv = "series.csv"\ncolumn = "load_kw"', 'csv = "serie.csv"\ncolumn = "load_kw"'),),
        ("load.csv", "'serie.csv'", "did you mean 'series.csv'?"),
    ),
    "no such tariff": (
        (('"tariff.toml"', '"tarif.toml"'),),
        ("tariff", "'tarif.toml'", "did you mean 'tariff.toml'?"),
    ),
    "no date": ((('"2025-03-08"', '"8 March"'),), ("period.start", "'2025-01-01'", "'8 March'")),
    "year mistyped": ((('"2025-03-08"', '"0225-03-08"'),), ("period.start", "year", "'0225-03-08'")),
    "end before start": ((('"2025-03-11"', '"2025-03-08"'),), ("period.end", "not after period.start")),
    "start in the skipped hour": (
        (('"2025-03-08"', '"2025-03-09T02:30"'),),
        ("period.start", "'2025-03-09T02:30'", "America/Halifax", "skips it; write the time that was meant"),
    ),
    "broken steps": ((('"2025-03-08"', '"2025-03-08T00:20"'),), ("period", "70.6667 hours", "60 minutes")),
    "step of zero": (
        (('end = "2025-03-11"', 'end = "2025-03-11"\nstep_minutes = 0'),),
        ("period.step_minutes", "at least 1", "got 0"),
    ),
    "self-discharge of everything": (
        (("fraction = 0.00005", "fraction = 1"),),
        ("battery.self_discharge_per_hour_fraction", "less than 1"),
    ),
}


@pytest.mark.parametrize("name", SCENARIO_CASES)
def test_scenario_is_refused(name: str, tmp_path: Path) -> None:
    changes, parts = SCENARIO_CASES[name]
    message = refusal(HOME.with_text(*changes), tmp_path, ScenarioError)
    assert message.startswith("scenario.toml: ")
    for part in parts:
        assert part in message


def test_the_unspoilt_home_is_accepted(tmp_path: Path) -> None:
    assert len(load_scenario(HOME.write(tmp_path)).times) == 71


def test_problems_of_one_file_come_in_one_message(tmp_path: Path) -> None:
    spoilt = HOME.with_text(
        ("pack_kwh = 2.9", 'pack_kwh = "much"'),
        ("[grid]", "[gird]"),
        ('"CAD"', '"Cad"'),
        ("idle_on_w = 41\n", ""),
    )
    message = refusal(spoilt, tmp_path, ScenarioError)
    head, *lines = message.splitlines()
    assert head == "scenario.toml: 4 problems"
    assert [line.split(":")[0].strip() for line in lines] == [
        "site.currency",
        "battery.pack_kwh",
        "inverter.idle_on_w",
        "gird",
    ]


def test_hardware_problems_come_in_one_message(tmp_path: Path) -> None:
    spoilt = HOME.with_text(
        ("percent = 55", "percent = 2"), ("kwh = 3.0", "kwh = 30"), ("pack_count = 2", "pack_count = 4")
    )
    message = refusal(spoilt, tmp_path, ScenarioError)
    assert "3 problems" in message
    assert all(field in message for field in ("battery.start", "battery.closing", "charging.combined_w"))


@pytest.mark.parametrize(
    ("path", "parts"),
    [
        ("scenaro.toml", ("no such file", "did you mean 'scenario.toml'?")),
        ("absent/scenario.toml", ("no such file", "no folder")),
        ("", ("this is a folder", "scenario.toml")),
    ],
)
def test_scenario_file_is_not_there(path: str, parts: tuple[str, ...], tmp_path: Path) -> None:
    HOME.write(tmp_path)
    with pytest.raises(ScenarioError) as caught:
        load_scenario(tmp_path / path)
    assert all(part in str(caught.value) for part in (str(tmp_path / path), *parts))


def test_scenario_is_not_text(tmp_path: Path) -> None:
    path = HOME.write(tmp_path)
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ScenarioError, match="not a UTF-8 text file"):
        load_scenario(path)


def test_neither_series_nor_period(tmp_path: Path) -> None:
    home = HOME.without("period").without("sun")
    home = home.with_text(('csv = "series.csv"\ncolumn = "load_kw"', "watts = 300"))
    message = refusal(home, tmp_path, ScenarioError)
    assert "period" in message
    assert "start and end" in message


def test_a_period_of_too_many_steps(tmp_path: Path) -> None:
    home = HOME.without("sun").with_text(
        ('csv = "series.csv"\ncolumn = "load_kw"', "watts = 300"),
        ('end = "2025-03-11"', 'end = "2099-03-11"\nstep_minutes = 1'),
    )
    assert "1,000,000 steps of 1 minutes" in refusal(home, tmp_path, ScenarioError)


def test_every_case_of_the_table_differs_from_the_good_file() -> None:
    assert all(HOME.with_text(*changes).scenario != SCENARIO for changes, _ in SCENARIO_CASES.values())
