"""The measuring script of fleets runs to its end."""

import os
import subprocess
import sys
from pathlib import Path


def test_it_measures_two_homes() -> None:
    script = Path(__file__).parent / "benchmarks" / "fleet.py"
    done = subprocess.run(
        [sys.executable, str(script), "--homes", "2", "--workers", "0", "--planned", "0"],
        capture_output=True,
        text=True,
        check=False,
        cwd=script.parents[2],
        env={**os.environ, "PYTHONPATH": str(script.parents[2])},
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    for word in ("draw 2 homes", "as set, 0 workers", "again, nothing to do", "results on disk"):
        assert word in done.stdout
