"""Time settings: a year by rules for 1,000 candidates, the rolling year, other years, and the whole command.

``python tests/benchmarks/settings.py [SCENARIO ...] [--repeats N] [--brief]`` prints one line per figure, and for
every scenario what plain, found, re-planned and bound come to. Nothing is asserted here: a clock is no test.
``tests/test_benchmarks_settings.py`` runs it once on a short case so that it keeps working.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from dispatch.advice.recommend import recommend
from dispatch.ahead.reachable import reachable
from dispatch.ahead.rolling import rolling
from dispatch.cards.plain import plain_card
from dispatch.cards.space import device_space
from dispatch.cards.tables import Tables
from dispatch.case.case import Case, load_scenario
from dispatch.rules.score import Scorer
from dispatch.rules.walk import Orders
from dispatch.search.other_years import DrawnYears
from dispatch.search.study import study

if TYPE_CHECKING:
    from collections.abc import Callable

ROOT = Path(__file__).resolve().parents[2]
CANDIDATES = 1000


def best_of(repeats: int, work: Callable[[], object]) -> float:
    """Return the shortest of several wall times [s]; other load only ever adds."""
    seconds = []
    for _ in range(repeats):
        started = time.perf_counter()
        work()
        seconds.append(time.perf_counter() - started)
    return min(seconds)


def candidates(case: Case, sun_waits: bool) -> Orders:
    """Return 1,000 different settings, drawn at random: windows of any kind at any hour."""
    random = np.random.default_rng(5)
    space, limits = device_space(case), case.limits
    shape = (len(space.groups) * len(space.minutes), CANDIDATES)
    floor = float(case.floor_kwh.max())
    kind = random.integers(0, 3, shape)  # charge, discharge, neither
    fill = np.where(kind == 0, random.uniform(floor, limits.ceiling_kwh, shape), floor)
    return Orders(space.row, fill, np.where(kind == 1, floor, np.inf), sun_waits)


def measure(case: Case, repeats: int) -> list[tuple[str, float]]:
    """Return (what, seconds)."""
    scorer, space = Scorer.of(case), device_space(case)
    figures = []
    for sun_waits in (False, True):
        orders = candidates(case, sun_waits)
        what = f"{CANDIDATES} candidates, {'battery' if sun_waits else 'load'} first"
        figures.append((what, best_of(repeats, lambda o=orders: scorer.tally(o))))  # type: ignore[misc]
    figures.append(("rolling period, re-planned daily", best_of(repeats, lambda: rolling(case))))
    figures.append(("reachable, the best levels", best_of(repeats, lambda: reachable(case))))
    card = plain_card(case, space, "off-peak-first", space.reserves[0])
    own, start = Tables(case, space).orders([card]), case.limits.start_kwh
    figures.append(("200 other years", best_of(repeats, lambda: DrawnYears(case).run(card, own, start))))
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
        "scenarios", nargs="*", default=sorted(str(p.parent) for p in ROOT.glob("scenarios/*/scenario.toml"))
    )
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--brief", action="store_true", help="leave out the whole command")
    options = parser.parse_args()
    print(f"load of the machine: {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    for place in options.scenarios:
        case = load_scenario(Path(place) / "scenario.toml")
        print(f"{case.name}, {len(case.times):,} steps")
        for what, seconds in measure(case, options.repeats):
            print(f"  {what:40s} {seconds:8.3f} s")
        if not options.brief:
            print(f"  {'dispatch settings, wall':40s} {wall('settings', place):8.3f} s")
        result = study(recommend(case))
        bound = result["bound"].compared_cost
        for way in result.ways:
            above = f"{100 * (way.compared_cost / bound - 1):6.2f} % above the bound" if bound > 0 else ""
            print(
                f"  {way.name:12s} bill {way.total:10,.2f}  bill + wear {way.compared_cost:10,.2f}  {above}"
            )


if __name__ == "__main__":
    main()
