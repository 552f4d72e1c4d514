"""Time what blocks, demand, netting and hourly prices add to the year of a scenario.

``python tests/benchmarks/tariff_year.py [SCENARIO] [--repeats N]`` prints one line per figure; the program's are beside
the same scenario under its own tariff, measured in the same run. Mixed-integer cases state the gap they proved.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

import tariffs
from dispatch.case.case import Case, load_scenario
from dispatch.program.program import Program
from dispatch.strategies.solve import solve
from dispatch.strategies.table import STRATEGIES
from tariffs.meter import OtherReadings

if TYPE_CHECKING:
    from collections.abc import Callable

ROOT = Path(__file__).resolve().parents[2]

RISING = """
[[blocks]]
name = "all energy"
steps = [{ up_to_kwh = 350, price_per_kwh = 0.01 }, { up_to_kwh = 800, price_per_kwh = 0.03 }, { price_per_kwh = 0.06 }]
"""
FALLING = """
[[blocks]]
name = "all energy"
steps = [{ up_to_kwh = 350, price_per_kwh = 0.06 }, { up_to_kwh = 800, price_per_kwh = 0.03 }, { price_per_kwh = 0.01 }]
"""
WHOLE_BAND = """
[[blocks]]
name = "all energy"
whole_band = true
steps = [{ up_to_kwh = 600, price_per_kwh = 0.01 }, { price_per_kwh = 0.03 }]
"""
DEMAND = """
[[demand]]
name = "evening demand"
price_per_kw = 4.2
windows = [{ days = ["weekday"], hours = "16:00-21:00" }]
[[demand]]
name = "highest demand"
price_per_kw = 1.1
highest_days = 3
"""
EVENTS = """
[[events]]
name = "cold days"
dates = [2025-01-14, 2025-01-15, 2025-02-03, 2025-12-09]
hours = "17:00-20:00"
adder_per_kwh = 0.62
"""
NETTING = """
[netting]
across = "same-band"
surplus = "carry"
settlement = "03-31"
settlement_price_per_kwh = 0.03
"""
EVERYTHING_ELSE = """
[[blocks]]
name = "year"
yearly_from = "01-01"
steps = [{ up_to_kwh = 3000, price_per_kwh = 0.01 }, { price_per_kwh = 0.02 }]
[[blocks]]
name = "shared"
shared = "in-proportion"
steps = [{ up_to_kwh = 200, percent_of_band = -5 }, { percent_of_band = 3 }]
[[minimum]]
name = "least kWh"
kwh_per_month = 30
band = "off-peak"
[[minimum]]
name = "least energy"
per_month = 20
applies_to = ["energy"]
[[minimum]]
name = "least bill"
per_day = 1
applies_to = ["everything"]
[[adjustments]]
name = "capped"
percent = -5
at_most = 9
[[adjustments]]
name = "by use"
steps = [{ up_to_kwh = 300, percent = 2 }, { percent = 4 }]
[rounding]
kwh_places = 0
total_to = 0.05
[[versions]]
valid_from = 2025-05-17
charges = [{ name = "meter rent", per_month = 2 }]
"""

PAST = """
[[demand]]
name = "capacity"
price_per_kva = 3.1
power_factor = 0.95
interval_minutes = 15
flat_within_step = true
rolling_mean = { months = 12, each_at_least_kw = 2.5, past_each_kw = 4.1 }
[[demand]]
name = "three hours"
price_per_kw = 2.4
highest_intervals = 3
windows = [{ hours = "06:00-22:00" }, { hours = "22:00-06:00", counted_percent = 50 }]
[[blocks]]
name = "class"
whole_band = true
past_use = { months = 12, past_each_kwh = 400 }
steps = [{ up_to_kwh = 500, price_per_kwh = 0.01 }, { price_per_kwh = 0.03 }]
[[rebates]]
name = "saving"
price_per_kwh = 1.1
dates = [2025-01-24, 2025-02-14, 2025-07-15, 2025-12-10]
hours = "16:00-20:00"
highest_days = 3
[export_credit]
expires_months = 6
settlement = "03-31"
settlement_percent = 50
"""
REGISTERS = """
[[registers]]
name = "boiler"
price_per_kwh = 0.11
hours = "22:00-06:00"
[[registers]]
name = "car"
other_hours = "night"
bands = { day = { import_price_per_kwh = 0.27 }, night = { import_price_per_kwh = 0.09 } }
windows = [{ band = "day", hours = "06:00-23:00" }]
charges = [{ per_day = 0.06 }]
"""
MINIMUM = """
[minimum]
per_month = 60
"""


def without_exports(text: str) -> str:
    """Leave out the prices of exported energy, which netting takes the place of."""
    return "\n".join(line for line in text.splitlines() if not line.startswith("export_price"))


def hourly_csv(times: pd.DatetimeIndex, below_zero: int, *, sold: float) -> str:
    """Draw day-ahead style prices of which that many are negative; sold at a share of the same price, or above it."""
    random = np.random.default_rng(20)
    hour = times.hour.to_numpy()
    noise = (
        random.normal(0, 0.04, len(times))
        + np.repeat(random.normal(0, 0.05, len(times) // 24 + 1), 24)[: len(times)]
    )
    price = 0.1 + 0.08 * np.exp(-(((hour - 19) / 3) ** 2)) - 0.09 * np.exp(-(((hour - 13) / 3) ** 2)) + noise
    price -= np.sort(price)[below_zero]
    frame = pd.DataFrame({"time": [at.isoformat() for at in times], "bought": price, "sold": price * sold})
    return (
        frame.round(5).to_csv(index=False).replace("bought", "bought_per_kwh").replace("sold", "sold_per_kwh")
    )


def under(case: Case, text: str, prices: str = "") -> Case:
    """Return the case under another tariff."""
    with tempfile.TemporaryDirectory() as folder:
        Path(folder, "prices.csv").write_text(prices, encoding="utf-8")
        tariff = tariffs.parse_tariff(text, str(Path(folder, "tariff.toml")))
    return replace(case, tariff=tariff, prices=tariffs.price_steps(tariff, case.times, case.dt_hours))


def variants(case: Case, text: str) -> dict[str, Case]:
    """Return the case under tariffs of other shapes, by name; ``text`` is the scenario's own."""
    head = f'name = "hourly"\ncurrency = "{case.currency}"\n[hourly_prices]\ncsv = "prices.csv"\n'
    head += 'import_column = "bought_per_kwh"\nexport_column = "sold_per_kwh"\n'
    return {
        "rising blocks and demand": under(case, text + RISING + DEMAND),
        "falling blocks": under(case, text + FALLING),
        "whole-band blocks": under(case, text + WHOLE_BAND),
        "minimum bill": under(case, text + MINIMUM),
        "netting in the same band": under(case, without_exports(text) + NETTING),
        "500 hours below zero": under(case, head, hourly_csv(case.times, 500, sold=0.6)),
        "the same, sold dearer": under(case, head, hourly_csv(case.times, 500, sold=1.05)),
    }


class Figure(NamedTuple):
    """What was timed, how long it took, and the gap a mixed-integer solve proved."""

    what: str
    seconds: float
    gap: float | None = None


def timed(
    what: str, work: Callable[[], object], repeats: int = 1, clock: Callable[[], float] = time.perf_counter
) -> Figure:
    """Take the shortest of several times [s], wall times by default; other load only ever adds."""
    best, gap = float("inf"), None
    for _ in range(repeats):
        started = clock()
        gap = getattr(work(), "gap", None)
        best = min(best, clock() - started)
    return Figure(what, best, gap)


def price_quarter_hours(text: str, repeats: int) -> list[Figure]:
    """Price a year of quarter-hours under everything at once: by steps, by terms, as bills. CPU seconds."""
    everything = text + RISING + DEMAND + EVENTS + EVERYTHING_ELSE + PAST + REGISTERS
    tariff = tariffs.parse_tariff(everything, "tariff.toml")
    times = pd.date_range("2025-01-01", "2026-01-01", freq="15min", tz=tariff.time_zone, inclusive="left")
    random = np.random.default_rng(7)
    bought, fed = random.gamma(0.6, 0.3, len(times)), random.gamma(0.6, 0.1, len(times))
    night = (times.hour >= 22) | (times.hour < 6)
    others = OtherReadings(
        registers={"boiler": np.where(night, 0.3, 0.0), "car": random.gamma(0.2, 0.2, len(times))}
    )
    priced = tariffs.price_steps(tariff, times, 0.25, others)
    work = {
        "pricing": lambda: tariffs.price_steps(tariff, fresh(times), 0.25, others),
        "the money of its terms for": lambda: tariffs.evaluate(priced, bought, fed),
        "bills of": lambda: tariffs.bill(tariff, fresh(times), 0.25, bought, fed, others=others),
    }
    return [
        timed(f"{what} {len(times)} quarter-hours", each, repeats, time.process_time)
        for what, each in work.items()
    ]


def fresh(times: pd.DatetimeIndex) -> pd.DatetimeIndex:
    """Return the same times as another index, on which nothing has been laid yet."""
    return times.copy()


def measure(name: str, case: Case, repeats: int) -> list[Figure]:
    """Time building with the first strategy, then each further one."""

    def build_and_first() -> object:
        return solve(Program(case), STRATEGIES["least-cost"])

    figures = [timed(f"{name}: build + first strategy", build_and_first, repeats)]
    program = Program(case)
    solve(program, STRATEGIES["least-cost"])
    further = (
        timed(f"{name}: {other}", partial(solve, program, strategy), repeats)
        for other, strategy in STRATEGIES.items()
    )
    return [*figures, *further]


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "scenario", nargs="?", default=str(ROOT / "scenarios" / "alder-row" / "scenario.toml")
    )
    parser.add_argument("--repeats", type=int, default=2)
    parser.add_argument("--only", default="", help="only the shapes whose name holds this text")
    options = parser.parse_args()
    case = load_scenario(options.scenario)
    text = Path(case.tariff.source).read_text(encoding="utf-8")
    if not options.only:
        for figure in price_quarter_hours(text, max(options.repeats, 3)):
            print(f"{figure.what:55s} {figure.seconds:8.3f} s of CPU")
    plain = measure("its own tariff", case, options.repeats)
    shapes = variants(case, text)
    for figures in (plain, *(measure(n, c, 1) for n, c in shapes.items() if options.only in n)):
        for figure, beside in zip(figures, plain, strict=True):
            gap = "" if figure.gap is None else f"   gap {figure.gap:.1e}"
            ratio = figure.seconds / beside.seconds
            print(
                f"{figure.what:55s} {figure.seconds:8.3f} s   {ratio:6.2f} x its own tariff{gap}", flush=True
            )


if __name__ == "__main__":
    main()
