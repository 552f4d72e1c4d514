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


def test_the_table_of_commands_measures_a_short_year(tmp_path: Path) -> None:
    script = Path(__file__).parent / "benchmarks" / "table.py"
    done = subprocess.run(
        [sys.executable, str(script), "--days", "7", "--only", "hourly falling"],
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(script.parents[2])},
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    assert "hourly falling" in done.stdout
    assert "MB" in done.stdout
    assert "no answer" not in done.stdout
