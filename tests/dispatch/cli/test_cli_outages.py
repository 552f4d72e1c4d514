"""The commands backup, outage and frontier: streams, files and exit codes."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest
from homes.small_home import small_home
from terminal import run

if TYPE_CHECKING:
    from pathlib import Path

ASKED = {
    "backup": ("backup",),
    "outage": ("outage", "--at", "2025-11-01T17:00", "--hours", "18"),
    "frontier": ("frontier", "--measure", "percent"),
}


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return small_home().write(tmp_path_factory.mktemp("home")).parent


@pytest.mark.parametrize("name", ASKED)
def test_json_is_the_only_thing_on_stdout(name: str, home: Path) -> None:
    command, *options = ASKED[name]
    done = run(command, home, *options, "--json")
    assert (done.returncode, done.stderr) == (0, "")
    assert json.loads(done.stdout)["scenario"] == "Wren Cottage"


@pytest.mark.parametrize(
    ("name", "heading"),
    [("backup", "HOW LONG WILL IT LAST?"), ("outage", "WHAT HAPPENS"), ("frontier", "WHAT SAFETY COSTS")],
)
def test_the_screens_need_no_terminal(name: str, heading: str, home: Path, tmp_path: Path) -> None:
    command, *options = ASKED[name]
    done = run(command, home, *options, "--csv", tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    assert heading in done.stdout
    assert list(tmp_path.glob("*.csv"))


def test_a_strategy_can_be_asked_for(home: Path) -> None:
    done = run("backup", home, "--strategy", "reserve-first", "--json")
    assert json.loads(done.stdout)["strategy"] == "reserve-first"


@pytest.mark.parametrize("name", ASKED)
def test_help_ends_with_an_example(name: str) -> None:
    done = run(name, "--help")
    assert done.returncode == 0
    assert done.stdout.strip().splitlines()[-1].strip().startswith(f"Example: dispatch {name} ")


@pytest.mark.parametrize(
    ("words", "parts"),
    [
        (("outage", "--at", "2026-01-14T17:00", "--hours", "18"), ("--at", "lies outside the data")),
        (("outage", "--at", "2025-11-01T17:00", "--hours", "1000"), ("--hours", "1000", "97")),
        (("frontier", "--levels", "3"), ("--levels", "21 or more")),
        (("frontier", "--measure", "percent", "--to", "300"), ("--to", "300 percent")),
    ],
)
def test_bad_questions_exit_2_with_one_message(
    words: tuple[str, ...], parts: tuple[str, ...], home: Path
) -> None:
    done = run(words[0], home, *words[1:])
    assert (done.returncode, done.stdout) == (2, "")
    assert all(part in done.stderr for part in parts), done.stderr
    assert len(done.stderr.strip().splitlines()) == 1


@pytest.mark.parametrize(
    ("section", "value", "parts"),
    [
        (
            "reserve",
            {"raised": [{"percent": 90.0, "dates": ["2026-01-01"]}]},
            ("reserve.raised[1].dates", "2026-01-01"),
        ),
        ("reserve", {"kwh": 50.0}, ("reserve.kwh", "50 kWh", "lower the reserve")),
        ("reserve", {"hours": 500.0}, ("reserve.hours", "500 hours", "97 hours of data")),
        ("outages", {"caidi_hours": 3.0}, ("outages.saifi_per_year", "missing")),
    ],
)
def test_bad_scenarios_exit_2_with_one_message(
    section: str, value: dict[str, object], parts: tuple[str, ...], tmp_path: Path
) -> None:
    small_home().changed(**{section: None}).changed(**{section: value}).write(tmp_path)
    done = run("backup", tmp_path)
    assert (done.returncode, done.stdout) == (2, "")
    assert all(part in done.stderr for part in parts), done.stderr
    assert "Traceback" not in done.stderr
