"""The measuring script of the sun runs to its end."""

import subprocess
import sys
from pathlib import Path

import pytest


def test_it_measures_a_year_of_sun() -> None:
    pytest.importorskip("pvlib")
    script = Path(__file__).parent / "benchmarks" / "sun.py"
    done = subprocess.run(
        [sys.executable, str(script), "--repeats", "1"],
        capture_output=True,
        text=True,
        check=False,
        cwd=script.parents[2],
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    for word in ("60 min steps", "15 min steps", "s CPU"):
        assert word in done.stdout
