"""One table of what commands cost on homes of every kind: seconds as ratios to scipy's HiGHS on the same matrices.

``python tests/benchmarks/commands.py [SCENARIO]`` writes a scenario's folder anew by hours and by quarter hours, under
tariffs of every shape, and runs the commands on it, each a process of its own: cold (an empty store), then again
(results kept). Then it measures how ``compare`` grows from a quarter year to four years, and with finer steps.
``--only TEXT``, ``--commands compare,backup`` and ``--limit SECONDS`` (a cell) measure less; ``--readme`` prints the
lines of README instead.

Figures: ratio of the command's wall time to S, cold and again, and of its processor time; S itself (one stage, least
cost, scipy's HiGHS, same matrices, same run); peak memory. Ratios travel, seconds do not; on a busy machine trust
processor time.
"""

from __future__ import annotations

import argparse
import os
import platform
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from clock import scipy_solve
from tariff_year import DEMAND, FALLING, NETTING, RISING, WHOLE_BAND, hourly_csv, without_exports

from dispatch.case.case import load_scenario
from dispatch.program.program import Program

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

ROOT = Path(__file__).resolve().parents[2]
HOURLY = (
    '[hourly_prices]\ncsv = "prices.csv"\nimport_column = "bought_per_kwh"\nexport_column = "sold_per_kwh"\n'
)
SHAPES = ("plain", "demand", "rising", "falling", "slabs", "netting", "negative", "sold dearer")
NOISE = 0.35  # of meter readings within an hour, as the deviation of their logarithm


class Run(NamedTuple):
    """One process: its wall and processor time [s], and its peak memory [MB]."""

    wall: float
    processor: float
    memory: float


def write_home(source: Path, folder: Path, shape: str, minutes: int, days: int | None) -> Path:
    """Write the scenario's folder with another step, span and tariff; return the scenario file."""
    shutil.copytree(source, folder)
    series = pd.read_csv(folder / "series.csv", parse_dates=["time"])
    times = pd.DatetimeIndex(pd.to_datetime(series.pop("time"), utc=True))
    table = np.vstack([series.to_numpy()] * (1 if days is None else -(-24 * days // len(series))))
    if days is not None:
        table = table[: 24 * days]
    parts = 60 // minutes
    wide = np.repeat(table, parts, axis=0)
    if parts > 1:  # a meter's readings scatter within the hour, the hour's energy stays
        noise = np.random.default_rng(7).lognormal(0.0, NOISE, (len(table), parts, table.shape[1]))
        wide *= (noise / noise.mean(axis=1, keepdims=True)).reshape(wide.shape)
    grid = pd.date_range(times[0], periods=len(wide), freq=f"{minutes}min")
    text = folder / "scenario.toml"
    zone = load_scenario(source / "scenario.toml").times.tz
    local = grid.tz_convert(zone)
    frame = pd.DataFrame(np.round(wide, 4), columns=series.columns)
    frame.insert(0, "time", [stamp.isoformat() for stamp in local])
    frame.to_csv(folder / "series.csv", index=False)
    tariff = folder / "tariff.toml"
    tariff.write_text(priced(tariff.read_text(encoding="utf-8"), shape, folder, local), encoding="utf-8")
    return text


def priced(text: str, shape: str, folder: Path, times: pd.DatetimeIndex) -> str:
    """Return the tariff in another shape; hourly prices are written beside it."""
    # a span beyond the sheet's own is priced as if the sheet went on
    lines = [line for line in text.splitlines() if not line.startswith(("valid_from", "valid_to"))]
    text = "\n".join(lines) + "\n"
    extra = {"demand": DEMAND, "rising": RISING, "falling": FALLING, "slabs": WHOLE_BAND}
    if shape in extra:
        return text + extra[shape]
    if shape == "netting":
        return without_exports(text) + NETTING
    if shape in ("negative", "sold dearer"):
        hours = times[times.minute == 0]
        below, sold = round(500 * len(hours) / 8760), 0.6 if shape == "negative" else 1.05
        (folder / "prices.csv").write_text(hourly_csv(hours, below, sold=sold), encoding="utf-8")
        currency = next(line for line in lines if line.startswith("currency"))
        return f'name = "hourly"\n{currency}\n{HOURLY}'
    return text


def run(command: str, scenario: Path, store: Path, limit_seconds: float) -> Run | str:
    """Run a command in a process of its own; where it gave no answer, say so."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "DISPATCH_CACHE_DIR": str(store)}
    before, started = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    # a small process in between, so that this one's memory is the command's alone
    wrapper = (
        "import resource, subprocess, sys;"
        "code = subprocess.run(sys.argv[2:], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,"
        " timeout=float(sys.argv[1])).returncode;"
        "print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024); sys.exit(code)"
    )
    arguments = [sys.executable, "-m", "dispatch", *command.split(), str(scenario)]
    done = subprocess.run(
        [sys.executable, "-c", wrapper, str(limit_seconds), *arguments],
        capture_output=True,
        text=True,
        check=False,
        env=environment,
    )
    wall, after = time.perf_counter() - started, resource.getrusage(resource.RUSAGE_CHILDREN)
    if "TimeoutExpired" in done.stderr:
        return f"over {limit_seconds:g} s"
    if done.returncode != 0:
        return "no answer"
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Run(wall, spent, float(done.stdout))


def reference(scenario: Path) -> float:
    """Processor time of scipy's HiGHS on the scenario's own matrices, one stage [s]."""
    program = Program(load_scenario(scenario))
    started = time.process_time()
    scipy_solve(program)
    return time.process_time() - started


HEAD = (
    f"{'home':24s} {'command':10s} {'wall/S':>7s} {'again/S':>8s} {'cpu/S':>7s} {'S':>7s} {'wall':>8s} {'again':>7s} "
    f"{'memory':>8s}"
)
COMMANDS = "compare", "backup", "settings", "frontier"
README_HOMES = (
    ("hours", "plain", 60),
    ("quarter hours", "plain", 15),
    ("quarter hours with demand", "demand", 15),
)
GROWTH = (
    *((f"{days} days by hours", 60, days) for days in (91, 182, 365, 730, 1461)),
    *((f"{days} days by {minutes} min", minutes, days) for days, minutes in ((91, 15), (365, 15), (91, 5))),
)


class Home(NamedTuple):
    """A line of the table: name, shape of the tariff, minutes of a step, days (None: the scenario's own)."""

    name: str
    shape: str
    minutes: int
    days: int | None


class Cell(NamedTuple):
    """A command on a home: the first run, and the next one on what the first kept; or why there is none."""

    command: str
    unit: float
    cold: Run | str
    again: Run | str


def measure(source: Path, home: Home, commands: Sequence[str], limit_seconds: float) -> Iterator[Cell]:
    """Measure one home, command by command."""
    with tempfile.TemporaryDirectory() as place:
        scenario = write_home(source, Path(place, "home"), *home[1:])
        unit = reference(scenario)
        for command in commands:
            store = Path(place, "kept", command.replace(" ", "-"))
            cold = run(command, scenario, store, limit_seconds)
            again = cold if isinstance(cold, str) else run(command, scenario, store, limit_seconds)
            yield Cell(command, unit, cold, again)


def line_of(home: Home, cell: Cell) -> str:
    """Return a cell as a line under HEAD."""
    command, unit, cold, again = cell
    if isinstance(cold, str) or isinstance(again, str):
        return f"{home.name:24s} {command:10s} {cold if isinstance(cold, str) else again}"
    return (
        f"{home.name:24s} {command:10s} {cold.wall / unit:7.1f} {again.wall / unit:8.1f} "
        f"{cold.processor / unit:7.1f} {unit:5.2f} s {cold.wall:6.1f} s {again.wall:5.1f} s "
        f"{max(cold.memory, again.memory):5.0f} MB"
    )


def machine() -> str:
    """Name the machine in few words."""
    return f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}"


def readme(source: Path, limit_seconds: float, days: int | None) -> Iterator[str]:
    """Yield the lines of README: wall time in S, cold and again."""
    yield f"- Time in S, one bare solve of the same year by scipy's HiGHS, first / again ({machine()}):"
    for name, shape, minutes in README_HOMES:
        cells = list(measure(source, Home(name, shape, minutes, days), COMMANDS, limit_seconds))
        figures = ", ".join(f"{cell.command} {_in_units(cell)}" for cell in cells)
        most = max(
            (each.memory for cell in cells for each in cell[2:] if not isinstance(each, str)), default=0.0
        )
        end = ";" if name != README_HOMES[-1][0] else "."
        yield f"  {name} (S {cells[0].unit:.1f} s) {figures}; {most:.0f} MB{end}"


def _in_units(cell: Cell) -> str:
    _, unit, cold, again = cell
    if isinstance(cold, str) or isinstance(again, str):
        return cold if isinstance(cold, str) else str(again)
    return f"{cold.wall / unit:.1f} / {again.wall / unit:.1f}"


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "scenario", nargs="?", default=str(ROOT / "scenarios" / "alder-row" / "scenario.toml")
    )
    parser.add_argument("--only", default="", help="only homes whose name holds this text")
    parser.add_argument("--commands", default=",".join(COMMANDS), help="separated by commas")
    parser.add_argument("--days", type=int, help="only so many days, for a short look")
    parser.add_argument("--limit", type=float, default=600.0, help="seconds a command may take")
    parser.add_argument("--readme", action="store_true", help="the lines of README instead")
    options = parser.parse_args()
    source, commands = Path(options.scenario).resolve().parent, options.commands.split(",")
    print(machine())
    if options.readme:
        for line in readme(source, options.limit, options.days):
            print(line, flush=True)
        return
    homes = [
        (Home(f"{grid} {shape}", shape, minutes, options.days), commands)
        for grid, minutes in (("hourly", 60), ("quarter-hour", 15))
        for shape in SHAPES
    ]
    homes += [(Home(name, "plain", minutes, days), ["compare"]) for name, minutes, days in GROWTH]
    print(HEAD)
    for home, wanted in homes:
        if options.only in home.name:
            for cell in measure(source, home, wanted, options.limit):
                print(line_of(home, cell), flush=True)


if __name__ == "__main__":
    main()
