"""The measuring script of meter files runs to its end."""

import os
import subprocess
import sys
from pathlib import Path


def test_it_measures_a_few_days() -> None:
    script = Path(__file__).parent / "benchmarks" / "intake.py"
    root = script.parents[2]
    done = subprocess.run(
        [sys.executable, str(script), "--days", "3"],
        capture_output=True,
        text=True,
        check=False,
        cwd=root,
        env={**os.environ, "PYTHONPATH": f"{root}{os.pathsep}{root / 'tests'}"},
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("s CPU") == 2
