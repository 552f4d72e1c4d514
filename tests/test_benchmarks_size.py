"""The measuring script of sizes runs to its end."""

import subprocess
import sys
from pathlib import Path

from homes.small_home import small_home


def test_it_measures_a_short_grid(tmp_path: Path) -> None:
    script = Path(__file__).parent / "benchmarks" / "size.py"
    path = small_home().write(tmp_path)
    done = subprocess.run(
        [sys.executable, str(script), str(path), "--packs", "2", "--panels", "0,1"],
        capture_output=True,
        text=True,
        check=False,
        cwd=script.parents[2],
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    for word in ("(S)", "4 cells as set", "4 cells planned"):
        assert word in done.stdout
