"""The measuring script of the page runs to its end."""

import os
import subprocess
import sys
from pathlib import Path


def test_it_measures_the_page() -> None:
    script = Path(__file__).parent / "benchmarks" / "page.py"
    root = script.parents[2]
    done = subprocess.run(
        [sys.executable, str(script), "--repeats", "1"],
        capture_output=True,
        text=True,
        check=False,
        cwd=root,
        env={**os.environ, "PYTHONPATH": os.pathsep.join((str(root), str(root / "tests")))},
        timeout=300,
    )
    assert done.returncode == 0, done.stderr
    assert "s CPU" in done.stdout
    assert "first paint:" in done.stdout or "no browser" in done.stdout
