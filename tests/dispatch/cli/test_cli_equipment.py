"""The commands about parts as a user meets them: answer first, exit codes, one JSON document, files."""

from __future__ import annotations

import json
from pathlib import Path
from typing import NamedTuple

import pytest
from homes.small_home import small_home
from typer.testing import CliRunner

from dispatch.cli.app import app

ROOT = Path(__file__).parents[3]
PANELS = ROOT / "scenarios" / "cinder-flat" / "panels.toml"
HOME = ROOT / "scenarios" / "cinder-flat"


class Done(NamedTuple):
    exit_code: int
    stdout: str
    stderr: str
    output: str


def call(*words: str | Path) -> Done:
    result = CliRunner().invoke(app, [str(word) for word in words])
    return Done(result.exit_code, result.stdout, result.stderr, result.output)


@pytest.mark.parametrize(
    ("words", "first"),
    [
        (("hardware", HOME), "Cinder Flat: 5 packs"),
        (("strings", PANELS), "Cinder Flat: the strings are within the ratings; 4,480 W"),
        (
            ("strings", PANELS, "--modules", "14"),
            "Cinder Flat: wire 14 x Wattlebird 380 as 7S1P on east, 7S1P",
        ),
        (
            ("strings", PANELS, "--modules", "10"),
            "Cinder Flat: wire 10 x Wattlebird 380 as 5S1P on east, 5S1P",
        ),
        (
            ("strings", PANELS, "--module", "Wattlebird 380"),
            "Cinder Flat: up to 14 x Wattlebird 380 can be wired",
        ),
        (("cable", PANELS), "Cinder Flat, east: 2.19 V of 244.3 V"),
        (
            ("cable", "--amps", "20", "--volts", "240", "--length-ft", "100", "--awg", "12"),
            "Cable: 7.92 V of 240 V",
        ),
        (("generator", HOME), "Cinder Flat: set the input limit to"),
        (("care", HOME), "Cinder Flat: how to keep the packs"),
        (("sun", PANELS, "--weather", "clear-sky"), "Cinder Flat:"),
    ],
)
def test_a_command_opens_with_its_answer_in_80_columns(words: tuple[str | Path, ...], first: str) -> None:
    if words[0] == "sun":
        pytest.importorskip("pvlib")
    done = call(*words)
    assert done.exit_code == 0, done.output
    assert done.stdout.startswith(first)
    lines = done.stdout.rstrip("\n").split("\n")
    assert max(map(len, lines)) <= 80
    assert len(lines) <= 24, len(lines)
    as_json = call(*words, "--json")
    assert isinstance(json.loads(as_json.stdout), dict)


def test_dangerous_strings_are_refused_with_voltage_limit_and_what_fits(tmp_path: Path) -> None:
    text = PANELS.read_text(encoding="utf-8").replace("series_count = 7 ", "series_count = 8 ")
    (tmp_path / "panels.toml").write_text(text, encoding="utf-8")
    done = call("strings", tmp_path / "panels.toml")
    assert done.exit_code == 2
    # 8 x 41.3 x (1 + 0.0027 x 27) = 354.5 V
    for said in ("DANGEROUS", "354.5 V at -2 C", "340 V of 'east'", "at most 7 in series"):
        assert said in done.stderr
    assert done.stdout == ""


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (
            ("strings", PANELS, "--modules", "15"),
            1,
            "15 modules cannot be wired to these inputs; at most 14 can",
        ),
        (("strings", PANELS, "--modules", "0"), 2, "modules: 0 is out of range"),
        (
            ("strings", PANELS, "--modules", "4", "--module", "Emu"),
            2,
            "no module 'Emu'; there are Wattlebird 380",
        ),
        (("strings", HOME), 2, "solar: the scenario says nothing about its panels"),
        (("sun", PANELS), 2, "sun.weather: none is stated; name --weather"),
        (("sun", PANELS, "--weather", "nowhere.epw"), 2, "no such file"),
        (("cable", "--amps", "9"), 2, "--amps and --volts"),
        (("cable", "--amps", "9", "--volts", "90", "--length-m", "5"), 2, "exactly one of awg and area_mm2"),
        (("cable", PANELS.with_name("none.toml")), 2, "no such file"),
    ],
)
def test_what_cannot_be_answered_says_why(words: tuple[str | Path, ...], code: int, said: str) -> None:
    if words[0] == "sun":
        pytest.importorskip("pvlib")
    done = call(*words)
    assert done.exit_code == code, done.output
    assert said in done.stderr


def test_a_generator_that_must_not_feed_the_charger_leaves_with_1(tmp_path: Path) -> None:
    home = small_home(generator={"continuous_w": 1500.0, "sine_wave": False, "litres_per_kwh": 0.6})
    done = call("generator", home.write(tmp_path))
    assert done.exit_code == 1
    assert "MUST NOT" in done.stdout
    assert "carbon" in done.stdout


def test_sun_from_weather_is_a_scenario_of_its_own_and_a_series_for_another(tmp_path: Path) -> None:
    """The same sun, once through [sun] weather and once through the CSV that --out writes."""
    pytest.importorskip("pvlib")
    from dispatch.case.case import load_scenario  # noqa: PLC0415 - after the check for the extra

    module = {"name": "m", "stc_w": 400.0, "voc_v": 40.0, "isc_a": 12.6, "vmp_v": 33.4, "imp_a": 11.98}
    module = {**module, "pmp_percent_per_k": -0.35}
    inputs = [{"name": "a", "lowest_v": 30.0, "highest_v": 150.0, "operating_a": 13.0, "most_w": 1300.0}]
    wired = {"input": "a", "module": "m", "series_count": 3, "tilt_degrees": 40.0, "azimuth_degrees": 170.0}
    solar = {"coldest_c": -25.0, "hottest_c": 34.0, "modules": [module], "inputs": inputs, "strings": [wired]}
    site = {"latitude_degrees": 44.6, "longitude_degrees": -63.6}
    home = small_home(site=site, solar=solar, period={"start": "2025-10-31", "end": "2025-11-04"}).changed(
        sun=None
    )
    path = home.changed(sun={"weather": "clear-sky"}).write(tmp_path)
    case = load_scenario(path)
    assert case.sun_kwh.sum() > 5.0
    assert any("clear sky" in note for note in case.notes)
    out = tmp_path / "sun.csv"
    done = call("sun", path, "--out", out)
    assert done.exit_code == 0, done.output
    lines = out.read_text(encoding="utf-8").splitlines()
    assert lines[0] == "time,sun_kwh"
    assert [float(line.rpartition(",")[2]) for line in lines[1:]] == pytest.approx(
        case.sun_kwh.tolist(), abs=1e-6
    )
