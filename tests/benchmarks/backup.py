"""Time backup hours, the reserve frontier and the expected loss of outages beside scipy's HiGHS, in one run.

``python tests/benchmarks/backup.py [SCENARIO] [--repeats N] [--levels N]`` prints one line per figure: what is timed,
seconds, and for the frontiers the ratio to scipy's solve of one level on the same matrices in the same run. Nothing
is asserted here: a clock is no test. The frontiers hold every stage of every level and its bill.
"""

from __future__ import annotations

import argparse
import os
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from clock import best_of, scipy_solve

from dispatch.case.case import Case, load_scenario
from dispatch.outages.expected_loss import expected_loss
from dispatch.outages.hours import backup_hours
from dispatch.program.program import Program
from dispatch.safety.frontier import ladder, trace
from dispatch.scenario.outages import Outages
from dispatch.strategies.solve import prepare, solve
from dispatch.strategies.table import STRATEGIES

if TYPE_CHECKING:
    from dispatch.case.case import Measure

ROOT = Path(__file__).resolve().parents[2]


def measure(case: Case, repeats: int, levels: int) -> list[tuple[str, float]]:
    """Return (what, seconds) with scipy's solve first."""
    program = Program(case)
    figures = [("scipy linprog, one level", best_of(repeats, partial(scipy_solve, program)))]
    prepare(program)
    measures: tuple[Measure, ...] = ("percent", "hours")
    for name in measures:
        work = partial(trace, program, ladder(case, name, levels), 0.0)
        figures.append((f"frontier, {levels} levels in {name}", best_of(repeats, work)))
    flows = solve(program, STRATEGIES["off-peak-first"]).flows
    for sun in (False, True):
        work_hours = partial(backup_hours, case, flows["stored"], with_sun=sun)
        label = "with" if sun else "without"
        figures.append((f"backup hours of all instants, {label} sun", best_of(repeats, work_hours)))
    for label, stated in (
        ("exponential, mean 5.6 h", Outages(saifi_per_year=1.4, caidi_hours=5.6)),
        ("fixed, 72 h", Outages(saifi_per_year=1.4, caidi_hours=72.0, durations="fixed")),
    ):
        figures.append(
            (f"expected loss, {label}", best_of(repeats, partial(expected_loss, case, flows, stated)))
        )
    return figures


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "scenario", nargs="?", default=str(ROOT / "scenarios" / "alder-row" / "scenario.toml")
    )
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--levels", type=int, default=21)
    options = parser.parse_args()
    print(f"machine load before: {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    figures = measure(load_scenario(options.scenario), options.repeats, options.levels)
    reference = figures[0][1]
    for what, seconds in figures:
        ratio = f"{seconds / reference:6.2f} x scipy" if "frontier" in what else ""
        print(f"{what:44s} {seconds:8.3f} s   {ratio}")


if __name__ == "__main__":
    main()
