"""The measuring script of backup, frontier and outages runs to its end."""

import os
import subprocess
import sys
from pathlib import Path

from small_home import small_home


def test_it_measures_a_short_case(tmp_path: Path) -> None:
    scenario = small_home(days=7).write(tmp_path)
    script = Path(__file__).parent / "benchmarks" / "backup.py"
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
    for word in (
        "one level",
        "21 levels in percent",
        "21 levels in hours",
        "with sun",
        "expected loss, fixed",
    ):
        assert word in done.stdout
