"""Measure a weather file to a year of sun, after imports: python tests/benchmarks/sun.py [--repeats 5].

The weather is the TMY3 file that pvlib ships; the panels are those of Cinder Flat, moved there.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import pandas as pd
import pvlib

from dispatch.equipment.sun import sun_from_weather
from dispatch.equipment.weather import Place
from dispatch.scenario.parts import read_parts

PANELS = Path(__file__).parents[2] / "scenarios" / "cinder-flat" / "panels.toml"
DATA = Path(pvlib.__file__).parent / "data"
PLACE = Place(36.1, -79.95, 273.0)


def main() -> None:
    """Print the shortest of several runs, CPU time."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeats", type=int, default=5)
    repeats = parser.parse_args().repeats
    solar = read_parts(PANELS).solar
    for minutes in (60, 15):
        times = pd.date_range(
            "2025-01-01", "2026-01-01", freq=f"{minutes}min", tz="America/New_York", inclusive="left"
        )
        seconds = []
        for _ in range(repeats):
            started = time.process_time()
            found = sun_from_weather(solar, "723170TYA.CSV", DATA, PLACE, times, minutes / 60.0)
            seconds.append(time.process_time() - started)
        total = found.delivered_kwh.sum()
        print(f"weather to a year of sun, {minutes} min steps: {min(seconds):.2f} s CPU ({total:,.0f} kWh)")


if __name__ == "__main__":
    main()
