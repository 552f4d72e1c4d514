"""Time a grid of sizes, as set and planned, against scipy's HiGHS on the matrices of one cell.

``python tests/benchmarks/size.py [SCENARIO] [--packs N] [--panels LIST]`` prints CPU seconds and their ratio to scipy's
solve in the same run. Nothing is asserted here: a clock is no test. ``tests/test_benchmarks_size.py`` runs it on a
short grid so that it keeps working.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path
from typing import TYPE_CHECKING

from clock import scipy_solve

from dispatch.case.case import load_scenario
from dispatch.program.program import Program
from dispatch.sizing.plans import least_cost_plans
from dispatch.sizing.size import size

if TYPE_CHECKING:
    from collections.abc import Callable

ROOT = Path(__file__).resolve().parents[2]


def cpu(work: Callable[[], object]) -> float:
    """Return the CPU time of a piece of work, all its threads [s]."""
    started = time.process_time()
    work()
    return time.process_time() - started


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "scenario", nargs="?", default=str(ROOT / "scenarios" / "alder-row" / "scenario.toml")
    )
    parser.add_argument("--packs", type=int, default=4)
    parser.add_argument("--panels", default="0,0.5,1,1.5,2")
    options = parser.parse_args()
    case = load_scenario(options.scenario)
    factors = [float(word) for word in options.panels.split(",")]
    program = Program(case)
    unit = min(cpu(lambda: scipy_solve(program)) for _ in range(3))
    print(f"{'scipy linprog, one cell (S)':34s} {unit:8.2f} s CPU")
    found = []
    as_set = cpu(lambda: found.append(size(case, most_packs=options.packs, panels=factors)))
    runs = [cell.outcome for cell in found[0].cells if cell.outcome is not None]
    planned = cpu(lambda: least_cost_plans(runs))
    for what, seconds in ((f"{len(runs)} cells as set", as_set), (f"{len(runs)} cells planned", planned)):
        print(f"{what:34s} {seconds:8.2f} s CPU {seconds / unit:8.1f} S")


if __name__ == "__main__":
    main()
