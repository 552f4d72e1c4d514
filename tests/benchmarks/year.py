"""Time the yearly program against scipy's HiGHS on the same matrices, side by side in one run.

``python tests/benchmarks/year.py [SCENARIO] [--repeats N]`` prints one line per figure: what is timed, seconds,
and its ratio to scipy's solve of the same matrices measured in the same run. Nothing is asserted here: a clock
is no test. ``tests/test_benchmarks.py`` runs it on a short case so that it keeps working.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import time
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from clock import best_of, scipy_solve

from dispatch.case.case import load_scenario
from dispatch.comparison.compare import compare
from dispatch.program.program import Program
from dispatch.strategies.solve import solve
from dispatch.strategies.table import STRATEGIES

if TYPE_CHECKING:
    from dispatch import Case

ROOT = Path(__file__).resolve().parents[2]


def measure(case: Case, repeats: int) -> list[tuple[str, float]]:
    """Return (what, seconds) with scipy's solve first."""
    program = Program(case)
    figures = [("scipy linprog, same matrices", best_of(repeats, lambda: scipy_solve(program)))]

    def build_and_first() -> None:
        solve(Program(case), STRATEGIES["least-cost"])

    figures.append(("build + first strategy, all stages", best_of(repeats, build_and_first)))
    solve(program, STRATEGIES["least-cost"])
    for name, strategy in STRATEGIES.items():
        figures.append((f"further strategy {name}", best_of(repeats, partial(solve, program, strategy))))
    figures.append(("compare, in process", best_of(repeats, lambda: compare(case))))
    return figures


def wall(*arguments: str) -> float:
    """Return the wall time of one command in a process of its own [s]."""
    started = time.perf_counter()
    subprocess.run([sys.executable, "-m", "dispatch", *arguments], check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - started


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "scenario", nargs="?", default=str(ROOT / "scenarios" / "alder-row" / "scenario.toml")
    )
    parser.add_argument("--repeats", type=int, default=3)
    options = parser.parse_args()
    # commands first: a process forked off a grown one would count as that large
    for arguments in (("--help",), ("compare", options.scenario, "--json")):
        seconds = min(wall(*arguments) for _ in range(options.repeats))
        print(f"{'dispatch ' + ' '.join(arguments[:1]) + ', wall':40s} {seconds:8.3f} s")
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    print(f"{'peak memory of those processes':40s} {peak:8.0f} MB")
    figures = measure(load_scenario(options.scenario), options.repeats)
    reference = figures[0][1]
    for what, seconds in figures:
        print(f"{what:40s} {seconds:8.3f} s   {seconds / reference:6.2f} x scipy")


if __name__ == "__main__":
    main()
