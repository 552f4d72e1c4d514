"""The measuring scripts of the year, and of backup, frontier and outages, run to their end."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from homes.small_home import small_home

WORDS = {
    "year.py": (
        "scipy linprog",
        "build + first strategy",
        "further strategy off-peak-first",
        "compare, wall",
        "peak memory",
    ),
    "backup.py": (
        "one level",
        "21 levels in percent",
        "21 levels in hours",
        "with sun",
        "expected loss, fixed",
    ),
}


@pytest.mark.parametrize("name", WORDS)
def test_it_measures_a_short_case(name: str, tmp_path: Path) -> None:
    scenario = small_home(days=7).write(tmp_path)
    script = Path(__file__).parent / "benchmarks" / name
    done = subprocess.run(
        [sys.executable, str(script), str(scenario), "--repeats", "1"],
        capture_output=True,
        text=True,
        check=False,
        cwd=script.parents[2],
        env={**os.environ, "PYTHONPATH": str(script.parents[2])},
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    for word in WORDS[name]:
        assert word in done.stdout


def homes(folder: Path, *arguments: str) -> str:
    """Run the table of commands on seven days and return what it prints."""
    script = Path(__file__).parent / "benchmarks" / "commands.py"
    done = subprocess.run(
        [sys.executable, str(script), "--days", "7", *arguments],
        capture_output=True,
        text=True,
        check=False,
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(script.parents[2])},
        timeout=240,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_the_table_of_commands_measures_a_short_year(tmp_path: Path) -> None:
    printed = homes(tmp_path, "--only", "hourly falling", "--commands", "compare,check")
    lines = [line for line in printed.splitlines() if line.startswith("hourly falling")]
    assert len(lines) == 2
    assert all(line.endswith("MB") for line in lines)


def test_a_command_that_takes_longer_than_its_limit_is_told(tmp_path: Path) -> None:
    printed = homes(tmp_path, "--only", "hourly plain", "--commands", "compare", "--limit", "0.05")
    assert "over 0.05 s" in printed


def test_the_lines_of_readme_name_the_machine_and_three_homes(tmp_path: Path) -> None:
    printed = homes(tmp_path, "--readme", "--limit", "0.05").splitlines()
    assert printed[1].startswith("- Time in S")
    assert "cores" in printed[1]
    assert [line.split(" (S ")[0] for line in printed[2:]] == [
        "  hours",
        "  quarter hours",
        "  quarter hours with demand",
    ]
    assert all("frontier over 0.05 s" in line for line in printed[2:])
