"""Plausible slips are asked about, with the value seen and the value meant; ordinary homes keep quiet."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from homes.home_files import Home
from homes.shipped import NAMES, shipped_case
from homes.small_home import small_home
from terminal import run

from dispatch.words.slips import slip_words

if TYPE_CHECKING:
    from pathlib import Path

    from homes.drafts import Draft

HOME = Home()

# settings changed -> what is said
SCENARIO: dict[str, tuple[dict[str, Any], str]] = {
    "percent as a fraction": (
        {"reserve": {"percent": 0.3}},
        "reserve.percent = 0.3: 0.3 % of the battery; did you mean 30?",
    ),
    "raised percent as a fraction": (
        {
            "reserve": {
                "percent": 30,
                "raised": [{"percent": 0.8, "clock_from": "17:00", "clock_to": "21:00"}],
            }
        },
        "reserve.raised[1].percent = 0.8: 0.8 % of the battery; did you mean 80?",
    ),
    "start as a fraction": (
        {"battery": {"start": {"percent": 0.6}, "depth_of_discharge_fraction": 1.0}},
        "battery.start.percent = 0.6: 0.6 % of the battery; did you mean 60?",
    ),
    "critical kW": (
        {"critical_load": {"watts": 0.24}},
        "critical_load.watts = 0.24: 0.24 W is very little; if kW was meant, write 240",
    ),
    "idle kW": (
        {"inverter": {"idle_on_w": 0.026}},
        "inverter.idle_on_w = 0.026: 0.026 W is very little; if kW was meant, write 26",
    ),
    "charger in kW": (
        {"charging": {"grid_w": 0.9, "combined_w": None}},
        "charging.grid_w = 0.9: 0.9 W is very little; if kW was meant, write 900",
    ),
    "together in kW": (
        {"charging": {"combined_w": [1.2, 1.9]}},
        "charging.combined_w[2] = 1.9: 1.9 W is very little; if kW was meant, write 1900",
    ),
    "loss for an efficiency": (
        {"battery": {"charger_efficiency_fraction": 0.06}},
        (
            "battery.charger_efficiency_fraction = 0.06: more is lost than comes through; if the loss was meant, "
            "write 0.94"
        ),
    ),
    "inverter's loss": (
        {"inverter": {"efficiency_fraction": 0.08, "bypass_w": None}},
        "inverter.efficiency_fraction = 0.08: more is lost than comes through; if the loss was meant, write 0.92",
    ),
    "self-discharge by month": (
        {"battery": {"self_discharge_per_hour_fraction": 0.036}},
        (
            "battery.self_discharge_per_hour_fraction = 0.036: empties it within days; if a month's loss was meant, "
            "write 0.00005"
        ),
    ),
    "kept part for depth": (
        {"battery": {"depth_of_discharge_fraction": 0.1, "start": None}, "reserve": None},
        (
            "battery.depth_of_discharge_fraction = 0.1: most of the battery is never used; if the part kept was meant, "
            "write 0.9"
        ),
    ),
    "pack in Wh": (
        {"battery": {"pack_kwh": 2300}},
        "battery.pack_kwh = 2300: 2300 kWh is very much for one pack; if Wh was meant, write 2.3",
    ),
    "surge in kW": (
        {"inverter": {"surge_w": 4.2}},
        "inverter.surge_w = 4.2: below inverter.continuous_w; did you mean 4200?",
    ),
    "surge below": (
        {"inverter": {"surge_w": 2000}},
        "inverter.surge_w = 2000: below inverter.continuous_w; did you mean 2100?",
    ),
    "connection in W": (
        {"grid": {"import_limit_kw": 9200}},
        "grid.import_limit_kw = 9200: more than a household's connection carries; if W was meant, write 9.2",
    ),
    "export in W": (
        {"grid": {"feed_in": "grid", "export_limit_kw": 3500}},
        "grid.export_limit_kw = 3500: more than a household's connection carries; if W was meant, write 3.5",
    ),
    "inverter in mW": (
        {"inverter": {"continuous_w": 2_100_000}},
        "inverter.continuous_w = 2,100,000: more than a household carries; did you mean 2100?",
    ),
    "sun is the load": (
        {"sun": {"csv": "series.csv", "column": "load_kw"}},
        "sun is equal to load in every step: is it the right column?",
    ),
    "other is the load": (
        {"other_load": {"csv": "series.csv", "column": "load_kw"}},
        "other_load is equal to load in every step: is it the right column?",
    ),
}


def told(draft: Draft) -> list[str]:
    return [slip_words(slip) for slip in draft.read_back().slips]


@pytest.mark.parametrize("slip", SCENARIO)
def test_a_slip_in_the_scenario(slip: str) -> None:
    changes, words = SCENARIO[slip]
    assert words in told(small_home().changed(**changes))


def test_the_smallest_ordinary_values_are_not_asked_about() -> None:
    edge = small_home(
        reserve={"percent": 1.0},
        critical_load={"watts": 1.0},
        inverter={"idle_on_w": 1.0, "continuous_w": 2100.0, "surge_w": 2100.0},
        grid={"import_limit_kw": 100.0},
        battery={
            "self_discharge_per_hour_fraction": 0.01,
            "depth_of_discharge_fraction": 0.2,
            "charger_efficiency_fraction": 0.5,
            "start": None,
        },
    )
    assert told(edge) == []
    assert told(small_home(critical_load={"watts": 0.0}, inverter={"idle_on_w": 0.0})) == []


# ---- series ----------------------------------------------------------------------------------------------------
def with_columns(draft: Draft, **columns: Any) -> Draft:  # noqa: ANN401 - functions of a column
    return replace(draft, columns={**draft.columns, **columns})


def test_a_register_for_a_load() -> None:
    home = small_home()
    rising = with_columns(home, load_kw=np.cumsum(home.columns["load_kw"]) / 40)
    assert [words.partition(",")[0] for words in told(rising)] == ["load only rises"]
    flat = with_columns(home, load_kw=np.full(len(home.times), 0.4))
    assert told(flat) == []


@pytest.mark.parametrize(
    ("factor", "words"),
    [
        (0.00077, "kWh a year is hardly a household's; if MWh or kW were meant, it is"),
        (70.0, "kWh a year is no household's; if Wh were meant, it is"),
        (0.0, "load: nothing is drawn at any time; is it the right column?"),
    ],
)
def test_a_load_of_another_unit(factor: float, words: str) -> None:
    home = small_home(
        inverter={"continuous_w": 99_000.0, "bypass_w": None},
        charging={"combined_w": None},
        critical_load={"watts": 9},
    )
    assert any(words in said for said in told(with_columns(home, load_kw=factor * home.columns["load_kw"])))


@pytest.mark.parametrize("hours", [-11, -4, 5, 12])
def test_sun_on_another_clock(hours: int) -> None:
    home = small_home(days=6)
    moved = with_columns(home, sun_kw=np.roll(home.columns["sun_kw"], hours))
    assert any("America/Halifax" in words and words.startswith("sun") for words in told(moved))


@pytest.mark.parametrize("hours", [-2, 2])
def test_panels_that_face_east_or_west_are_ordinary(hours: int) -> None:
    home = small_home(days=6)
    assert told(with_columns(home, sun_kw=np.roll(home.columns["sun_kw"], hours))) == []


def test_offsets_of_another_continent(tmp_path: Path) -> None:
    rows = [f"2025-01-{day:02d}T{hour:02d}:00+05:00,0.{hour + 10}" for day in (14, 15) for hour in range(24)]
    path = HOME.with_rows(["time,load_kw", *rows]).without("period").without("sun").write(tmp_path)
    done = run("check", path)
    assert done.returncode == 0
    assert "series.csv: the offset +05:00 is never that of America/Halifax" in " ".join(done.stdout.split())


def test_local_times_labelled_z(tmp_path: Path) -> None:
    times = [f"2025-03-{day:02d}T{hour:02d}:00Z" for day in (4, 5, 6) for hour in range(24)]
    rows = ["time,load_kw", *(f"{time},0.{at % 24 + 10}" for at, time in enumerate(times[:48]))]
    home = HOME.with_rows(rows).without("period").without("sun")
    path = home.write(tmp_path)
    words = [each["sentence"] for each in json.loads(run("check", path, "--json").stdout)["looks_odd"]]
    assert words == [
        "series.csv: times labelled Z cover whole days of UTC, not of America/Halifax; are they local times?"
    ]
    # UTC times that begin at the home's own midnight are what they say
    shifted = [rows[0], *(f"{time},0.4{at % 9}" for at, time in enumerate(times[4:52]))]
    home.with_rows(shifted).write(tmp_path)
    assert json.loads(run("check", path, "--json").stdout)["looks_odd"] == []


# ---- where it is told ------------------------------------------------------------------------------------------
def two_slips(folder: Path) -> Path:
    return small_home(reserve={"percent": 0.3}, inverter={"surge_w": 4.2}).write(folder)


def test_check_lists_all_and_refuses_nothing(tmp_path: Path) -> None:
    done = run("check", two_slips(tmp_path))
    text = " ".join(done.stdout.split())
    assert done.returncode == 0
    assert text.startswith("Wren Cottage: 2 things look odd")
    assert "reserve.percent = 0.3: 0.3 % of the battery; did you mean 30?" in text
    assert "did you mean 4200?" in text


COMMANDS = {
    "compare": (),
    "backup": (),
    "outage": ("--at", "2025-11-01T18:00", "--hours", "5"),
    "tonight": ("--at", "2025-11-02T18:00", "--level", "62%"),
    "settings": (),
    "hardware": (),
    "care": (),
}


@pytest.mark.parametrize("command", COMMANDS)
def test_every_report_says_so_on_its_first_line(command: str, tmp_path: Path) -> None:
    path = two_slips(tmp_path)
    screen = run(command, path, *COMMANDS[command])
    assert screen.returncode in {0, 1}, screen.stderr
    first, *rest = screen.stdout.splitlines()
    assert "2 things look odd: dispatch check lists them" in first
    assert len(rest) < 24
    document = json.loads(run(command, path, *COMMANDS[command], "--json").stdout)
    assert [each["meant"] for each in document["looks_odd"]] == [30.0, 4200.0]


def test_the_pages_list_them(tmp_path: Path) -> None:
    path, page = two_slips(tmp_path), tmp_path / "page.html"
    for command in ("compare", "settings"):
        assert run(command, path, "--html", page).returncode == 0
        assert "did you mean 30?" in page.read_text(encoding="utf-8")


@pytest.mark.parametrize("name", NAMES)
def test_nothing_looks_odd_in_what_is_shipped(name: str) -> None:
    assert shipped_case(name).slips == ()


# ordinary homes of other countries and sizes; common practice, no source
ORDINARY: dict[str, dict[str, Any]] = {
    "euros": {"zone": "Europe/Madrid", "currency": "EUR"},
    "yen": {"zone": "Asia/Tokyo", "currency": "JPY", "money": 150.0},
    "kroner": {"zone": "Europe/Oslo", "currency": "NOK", "money": 8.0},
    "southern summer": {"zone": "Australia/Adelaide", "currency": "AUD", "first": "2025-01-05"},
    "quarter hours": {"step_minutes": 15, "days": 2},
    "one day": {"days": 1},
    "no sun": {"sun": False},
    "reserve full": {"reserve": {"percent": 100}},
    "no reserve": {"reserve": {"percent": 0}},
    "large house": {"inverter": {"continuous_w": 15_000, "bypass_w": 24_000, "idle_on_w": 120}},
}


@pytest.mark.parametrize("home", ORDINARY)
def test_nothing_looks_odd_in_an_ordinary_home(home: str) -> None:
    assert told(small_home(**ORDINARY[home])) == []


def test_the_toml_of_the_home_files_is_ordinary(tmp_path: Path) -> None:
    assert json.loads(run("check", HOME.write(tmp_path), "--json").stdout)["looks_odd"] == []
