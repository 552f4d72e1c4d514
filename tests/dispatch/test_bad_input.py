"""Every refusal of a scenario or a series: one message with file, place, value seen and remedy."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest
from home_files import SCENARIO, Home, clock_rows

from dispatch.case import load_scenario
from dispatch.errors import DispatchError, ScenarioError, SeriesError

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

HOME = Home()


def refusal(home: Home, folder: Path, kind: type[DispatchError]) -> str:
    """Load a home that must be refused; return the message without its folder."""
    path = home.write(folder)
    with pytest.raises(kind) as caught:
        load_scenario(path)
    message = str(caught.value)
    assert message.startswith(str(folder)), "the message begins with the file"
    assert not re.search(r"pydantic|Traceback|validation error|errors\.|Input should", message)
    return message.replace(f"{folder}/", "")


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
        ("period.start", "'2025-03-09T02:30'", "America/Halifax", "write the offset"),
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


Rows = list[str]


def _edit(*changes: tuple[int, str]) -> Callable[[Rows], Rows]:
    """Replace lines, numbered as an editor does; `{time}` stands for the line's time."""

    def apply(rows: Rows) -> Rows:
        rows = list(rows)
        for line, text in changes:
            rows[line - 1] = text.replace("{time}", rows[line - 1].split(",")[0])
        return rows

    return apply


def _naive(rows: Rows) -> Rows:
    return [rows[0], *(row[:19] + row[25:] for row in rows[1:])]


SERIES_CASES: dict[str, tuple[Callable[[Rows], Rows], tuple[str, ...]]] = {
    "gap": (
        lambda rows: rows[:19] + rows[22:],
        ("3 of 71 steps", "missing", "after line 19", "2025-03-08T18:00-04:00", "supply these readings"),
    ),
    "gap at the start": (lambda rows: rows[:1] + rows[3:], ("2 of 71 steps", "before the first row")),
    "wrong length": (lambda rows: rows[:60], ("12 of 71 steps", "after line 60", "and 9 more")),
    "duplicate": (
        lambda rows: [*rows[:8], rows[7], *rows[8:]],
        ("stand there twice", "line 9 (2025-03-08T06:00-04:00)", "keep one row"),
    ),
    "unsorted": (
        lambda rows: [*rows[:8], rows[9], rows[8], *rows[10:]],
        ("not in order", "line 10", "sort the file"),
    ),
    "beside the grid": (
        _edit((6, "2025-03-08T04:20-04:00,1,1")),
        ("2 problems", "line 6 (2025-03-08T04:20-04:00)", "1 of 71 steps"),
    ),
    "not a number": (_edit((6, "{time},nan,1")), ("'load_kw'", "not a finite number", "line 6 ('nan')")),
    "infinite": (_edit((6, "{time},1,inf")), ("'sun_w'", "not a finite number", "line 6 ('inf')")),
    "empty cell": (_edit((6, "{time},,1")), ("'load_kw'", "empty cell", "line 6")),
    "negative": (_edit((6, "{time},-0.2,1")), ("'load_kw'", "negative", "line 6 ('-0.2')")),
    "words": (_edit((6, "{time},0.3 kW,1")), ("'load_kw'", "not a number", "line 6 ('0.3 kW')")),
    "underscore": (_edit((6, "{time},0.3,1_0")), ("'sun_w'", "not a number", "line 6 ('1_0')")),
    "several cells": (
        _edit((6, "{time},-1,x"), (7, "{time},-2,1"), (8, "{time},-3,1"), (9, "{time},-4,1")),
        ("2 problems", "line 6 ('-1'), line 7 ('-2'), line 8 ('-3') and 1 more", "'sun_w': not a number"),
    ),
    "decimal comma": (_edit((6, "{time},0,3,1,0")), ("line 6", "5 cells under 3", "decimal mark")),
    "short row": (_edit((6, "{time},0.3")), ("line 6", "2 cells under 3")),
    "semicolons": (lambda rows: [row.replace(",", ";") for row in rows], ("line 1", "semicolons", "commas")),
    "tabs": (lambda rows: [row.replace(",", "\t") for row in rows], ("line 1", "tabs", "commas")),
    "quotes": (_edit((6, '"{time},0.3,1')), ("not readable as CSV", "check the quotes")),
    "misspelt column": (
        lambda rows: [rows[0].replace("load_kw", "laod_kw"), *rows[1:]],
        ("no column 'load_kw'", "load.column", "did you mean 'laod_kw'?", "time, laod_kw, sun_w"),
    ),
    "no such column": (
        lambda rows: ["time,a,b", *rows[1:]],
        ("2 problems", "no column 'load_kw'", "sun.column", "time, a, b"),
    ),
    "no time column": (
        lambda rows: [rows[0].replace("time", "TIME"), *rows[1:]],
        ("no column 'time'", "did you mean 'TIME'?"),
    ),
    "column twice": (lambda rows: ["time,load_kw,load_kw", *rows[1:]], ("'load_kw' stands there twice",)),
    "other date format": (
        _edit((6, "03/08/2025 04:00,1,1")),
        ("not ISO 8601", "line 6 ('03/08/2025 04:00')", "2025-01-31T14:00-04:00"),
    ),
    "year mistyped": (_edit((6, "0225-03-08T04:00-04:00,1,1")), ("line 6", "0225-03-08", "correct the year")),
    "one time without offset": (
        _edit((6, "2025-03-08T04:00,1,1")),
        ("line 6", "'2025-03-08T04:00'", "no offset", "unlike other lines"),
    ),
    "one time with offset": (
        lambda rows: _edit((6, "2025-03-08T04:00-04:00,1,1"))(_naive(rows)),
        ("line 6", "'2025-03-08T04:00-04:00'", "an offset", "unlike other lines"),
    ),
    "time in the skipped hour": (
        lambda rows: [*_naive(rows[:27]), "2025-03-09T02:00:00,1,1", *_naive(rows)[27:]],
        ("skips", "line 28 (2025-03-09 02:00)", "America/Halifax", "site.time_zone"),
    ),
    "watts called kilowatts": (
        lambda rows: [rows[0], *(row.split(",")[0] + ",1450,1" for row in rows[1:])],
        ("line 2", "'load_kw'", "1450", "1,450 kW", "rename the column"),
    ),
    "only names": (lambda rows: rows[:1], ("no readings",)),
    "nothing": (lambda _: [], ("the file is empty", "first line")),
    "another year": (
        lambda rows: [row.replace("2025", "2024") for row in rows],
        ("none of its times", "2024-03-08T00:00:00-04:00", "2025-03-08T00:00-04:00", "[period]"),
    ),
}


@pytest.mark.parametrize("name", SERIES_CASES)
def test_series_is_refused(name: str, tmp_path: Path) -> None:
    spoil, parts = SERIES_CASES[name]
    message = refusal(HOME.with_rows(spoil(clock_rows())), tmp_path, SeriesError)
    assert message.startswith("series.csv: ")
    for part in parts:
        assert part in message


def test_naive_times_in_the_repeated_hour(tmp_path: Path) -> None:
    rows = _naive(clock_rows("2025-11-01", "2025-11-04"))
    home = HOME.with_text(("2025-03-08", "2025-11-01"), ("2025-03-11", "2025-11-04")).with_rows(rows)
    message = refusal(home, tmp_path, SeriesError)
    assert "line 27 (2025-11-02 01:00), line 28 (2025-11-02 01:00)" in message
    assert "2025-11-02T01:00-03:00 or 2025-11-02T01:00-04:00" in message


def test_the_step_of_the_file_is_not_the_periods(tmp_path: Path) -> None:
    home = HOME.with_text(('end = "2025-03-11"', 'end = "2025-03-11"\nstep_minutes = 30'))
    message = refusal(home, tmp_path, SeriesError)
    assert "60 minutes apart" in message
    assert "period.step_minutes = 30" in message


def test_two_files_with_different_times(tmp_path: Path) -> None:
    home = HOME.without("period").with_text(
        ('csv = "series.csv"\ncolumn = "sun_w"', 'csv = "sun.csv"\ncolumn = "sun_w"')
    )
    message = refusal(home.with_rows(clock_rows()[:-4], "sun.csv"), tmp_path, SeriesError)
    assert message.startswith("sun.csv: 4 of 71 steps of the times of series.csv are missing, after line 68")
    longer = refusal(home.with_rows(clock_rows(end="2025-03-12"), "sun.csv"), tmp_path, SeriesError)
    assert longer.startswith("sun.csv: times that are none of the times of series.csv")
    assert "line 73 (2025-03-11T00:00-03:00)" in longer
    assert "and 21 more" in longer


@pytest.mark.parametrize(
    ("rows", "part"),
    [
        (clock_rows()[:2], "one row has no step"),
        ([*clock_rows()[:2], clock_rows()[1]], "every row has the same time"),
    ],
)
def test_a_series_alone_must_show_its_step(rows: Rows, part: str, tmp_path: Path) -> None:
    assert part in refusal(HOME.without("period").with_rows(rows), tmp_path, SeriesError)


def test_steps_of_seconds(tmp_path: Path) -> None:
    rows = ["time,load_kw,sun_w", *(f"2025-03-08T00:00:{at:02d}-04:00,1,1" for at in range(0, 60, 10))]
    assert "at least a minute" in refusal(HOME.without("period").with_rows(rows), tmp_path, SeriesError)


@pytest.mark.parametrize(
    ("content", "part"), [(b"\xff\xfet\x00i\x00", "UTF-8"), (b"PK\x03\x04\x00\xff", "UTF-8"), (b"", "empty")]
)
def test_series_is_no_table(content: bytes, part: str, tmp_path: Path) -> None:
    assert part in refusal(HOME.with_rows(content), tmp_path, SeriesError)


WIDE_CORD = ("ac_input_w = 3900", "ac_input_w = 5000")
NO_CORD = ("ac_input_w = 3900\n", "")
WHOLE = ("switches_whole_load = false", "switches_whole_load = true")


@pytest.mark.parametrize(
    ("changes", "limit", "remedy"),
    [
        (
            (),
            "the 7.2 kW that bypass and",
            "by 1,841 W to 5,141 W, or inverter.bypass_w and charging.ac_input_w to 5,741 W",
        ),
        (
            (WIDE_CORD,),
            "the 7.4 kW that bypass and",
            "by 1,641 W to 4,941 W, or inverter.bypass_w and charging.ac_input_w to",
        ),
        ((NO_CORD,), "the 7.4 kW that bypass and", "by 1,641 W to 4,941 W, or inverter.bypass_w to 5,741 W"),
        (
            (WHOLE,),
            "the 3.9 kW that bypass or",
            "by 5,741 W to 9,041 W, or inverter.bypass_w and charging.ac_input_w to 9,041 W",
        ),
    ],
)
def test_load_above_what_can_be_carried(
    changes: tuple[tuple[str, str], ...], limit: str, remedy: str, tmp_path: Path
) -> None:
    home = HOME.with_text(*changes).with_rows(_edit((6, "{time},9,0"), (7, "{time},8.9,0"))(clock_rows()))
    message = refusal(home, tmp_path, SeriesError)
    assert message.startswith("series.csv: line 6 (2025-03-08T04:00-04:00)")
    assert "9.041 kW" in message
    assert limit in message
    assert f"raise inverter.continuous_w {remedy}" in message
    assert "(2 such steps" in message


@pytest.mark.parametrize(
    "remedy", [("continuous_w = 3300", "continuous_w = 5141"), ("bypass_w = 4100", "bypass_w = 5741")]
)
def test_the_remedy_for_a_load_is_enough(remedy: tuple[str, str], tmp_path: Path) -> None:
    home = HOME.with_rows(_edit((6, "{time},9,0"))(clock_rows()))
    if "bypass" in remedy[0]:
        home = home.with_text(("ac_input_w = 3900", "ac_input_w = 5741"))
    assert load_scenario(home.with_text(remedy).write(tmp_path)).load_kwh.max() == 9.0


def test_constant_load_above_what_can_be_carried(tmp_path: Path) -> None:
    home = HOME.with_text(('csv = "series.csv"\ncolumn = "load_kw"', "watts = 9000"))
    message = refusal(home, tmp_path, SeriesError)
    assert message.startswith("scenario.toml: load at 2025-03-08T00:00-04:00")
    assert "(71 such steps" in message


def test_every_case_of_the_table_differs_from_the_good_file() -> None:
    assert all(HOME.with_text(*changes).scenario != SCENARIO for changes, _ in SCENARIO_CASES.values())
