"""Time a fleet of drawn homes: processor seconds a home, wall time and memory, by number of workers.

``python tests/benchmarks/fleet.py [--homes N] [--workers W ...] [--planned N]`` draws the homes once and prints one
line per figure. Nothing is asserted: a clock is no test. ``tests/test_benchmarks_fleet.py`` runs it on a few homes.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

from dispatch.arrays import quiet
from dispatch.fleet.jobs import find_jobs, fingerprint
from dispatch.fleet.run import run_fleet
from dispatch.fleet.summary import summarise
from dispatch.fleet.synthetic import draw_fleet

if TYPE_CHECKING:
    from collections.abc import Callable

    from dispatch.fleet.jobs import Job


def processor_seconds() -> float:
    """Processor time of this process and of the workers that have ended [s]."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in used)


def measured(work: Callable[[], object]) -> tuple[float, float]:
    """Return wall and processor seconds of some work."""
    wall, processor = time.perf_counter(), processor_seconds()
    work()
    return time.perf_counter() - wall, processor_seconds() - processor


def tell(what: str, homes: int, seconds: tuple[float, float]) -> None:
    """Print one line."""
    wall, processor = seconds
    print(f"{what:<34}{wall:9.1f} s wall{processor:9.1f} s processor{processor / homes:9.3f} s a home")


def run(jobs: list[Job], out: Path, workers: int, *, planned: bool = False) -> tuple[float, float]:
    """Run a fleet into a new folder."""
    return measured(lambda: run_fleet(jobs, out, workers=workers, planned=planned))


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--homes", type=int, default=1000)
    parser.add_argument("--workers", type=int, nargs="+", default=[1, 2])
    parser.add_argument("--planned", type=int, default=64, help="homes whose bound is solved too")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        drawn = measured(lambda: draw_fleet(folder / "homes", given.homes, 1, quiet))
        tell(f"draw {given.homes:,} homes", given.homes, drawn)
        jobs = find_jobs(folder / "homes")
        tell(
            "hash their files",
            given.homes,
            measured(lambda: [fingerprint(job, planned=False) for job in jobs]),
        )
        for workers in given.workers:
            seconds = run(jobs, folder / f"out-{workers}", workers)
            tell(f"as set, {workers} worker{'s' * (workers != 1)}", given.homes, seconds)
        last = folder / f"out-{given.workers[-1]}"
        tell("again, nothing to do", given.homes, measured(lambda: run_fleet(jobs, last)))
        tell("summary", given.homes, measured(lambda: summarise(last)))
        if given.planned:
            some = jobs[: given.planned]
            tell(
                "with the bound of each",
                len(some),
                run(some, folder / "planned", given.workers[-1], planned=True),
            )
        stored = sum(path.stat().st_size for path in last.rglob("*.parquet"))
    print(f"{'results on disk':<34}{stored / given.homes / 1000:9.1f} kB a home")
    most = (
        resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
        or resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    )
    print(f"{'largest worker':<34}{most / 1024:9.0f} MB")


if __name__ == "__main__":
    main()
