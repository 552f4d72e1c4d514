"""The measuring script of settings runs to its end."""

import subprocess
import sys
from pathlib import Path

from homes.small_home import small_home


def test_it_measures_a_short_case(tmp_path: Path) -> None:
    small_home(days=7).write(tmp_path)
    script = Path(__file__).parent / "benchmarks" / "settings.py"
    done = subprocess.run(
        [sys.executable, str(script), str(tmp_path), "--repeats", "1", "--brief"],
        capture_output=True,
        text=True,
        check=False,
        cwd=script.parents[2],
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    for word in (
        "1000 candidates, load first",
        "rolling period",
        "200 other years",
        "re-planned",
        "above the bound",
    ):
        assert word in done.stdout
