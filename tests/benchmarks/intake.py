"""Measure reading a year of meter data: ``python tests/benchmarks/intake.py [--days N]``.

CPU seconds and the highest memory of a process of its own, the command's start and its imports included.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

from homes import meter_files
from homes.meter_files import espi, meter

_CHILD = """
import resource, subprocess, sys
done = subprocess.run([sys.executable, "-m", "dispatch", "import", *sys.argv[1:]], stdout=subprocess.DEVNULL)
used = resource.getrusage(resource.RUSAGE_CHILDREN)
print(done.returncode, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)
"""


def measured(*arguments: str | Path) -> str:
    """Run one import; return its CPU seconds and its highest memory."""
    words = [sys.executable, "-c", _CHILD, *map(str, arguments)]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    code, seconds, megabytes = done.stdout.split()
    if code != "0":
        raise RuntimeError(done.stderr)
    return f"{float(seconds):.2f} s CPU, {float(megabytes):.0f} MB"


def main() -> None:
    """Measure both kinds of file."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=365)
    days = parser.parse_args().days
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        (folder / "usage.xml").write_text(espi(meter("2025-01-01", days, minutes=15)))
        (folder / "minutes.csv").write_text(meter_files.start_only(meter("2025-01-01", days, minutes=1)))
        zone = ("--time-zone", "America/Toronto")
        print(
            f"ESPI XML, {days} days of 15 minutes: {measured(folder / 'usage.xml', '--out', folder / 'a.csv')}"
        )
        print(
            f"CSV, {days} days of 1 minute: {measured(folder / 'minutes.csv', *zone, '--out', folder / 'b.csv')}"
        )


if __name__ == "__main__":
    main()
