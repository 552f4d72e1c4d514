"""The files of a new home: a commented scenario and tariff, ready to run and to be corrected."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from dispatch.errors import ScenarioError
from tariffs.reading.toml import toml_text

if TYPE_CHECKING:
    from pathlib import Path

SCENARIO_SCHEMA, TARIFF_SCHEMA = "scenario.schema.json", "tariff.schema.json"


@dataclass(frozen=True)
class Answers:
    """What a person says about a new home.

    Attributes
    ----------
    name, time_zone, currency : str
    load_csv, load_column : str
        The series of the load, relative to the scenario.
    load_words : str
        What it is, for the comment.
    pack_kwh, pack_count, inverter_w, grid_charge_w : float
        The battery system. [kWh, packs, W, W]
    critical_w : float
        What must run in an outage, mean. [W]
    target_hours : float
        Hours of backup wanted. [h]
    cheap_price_per_kwh, dear_price_per_kwh : float
        The two prices of the tariff. [currency/kWh]
    cheap_from, cheap_to : str
        Hours of the cheap one, HH:MM on the local clock.
    fixed_per_month : float
        Standing charge. [currency/month]
    """

    name: str
    time_zone: str
    currency: str
    load_csv: str
    load_column: str
    load_words: str
    pack_kwh: float
    pack_count: int
    inverter_w: float
    grid_charge_w: float
    critical_w: float
    target_hours: float
    cheap_price_per_kwh: float
    dear_price_per_kwh: float
    cheap_from: str
    cheap_to: str
    fixed_per_month: float


def scenario_toml(home: Answers) -> str:
    """Write the scenario file of a new home."""
    text = f"""\
#:schema ./{SCENARIO_SCHEMA}
# Made by: dispatch new. Figures marked (check) are common values: put your own data sheet's in their place.
# Then, in this folder: dispatch check .    and: dispatch compare .
# Lines that start with '#' are comments. A misspelt key is refused, never ignored.

name = {toml_text(home.name)}
tariff = "tariff.toml"                      # tariff file, relative to this one

[site]
time_zone = {toml_text(home.time_zone)}
currency = {toml_text(home.currency)}         # ISO 4217, the same as in the tariff

[load]                                      # circuits that the battery system serves
csv = {toml_text(home.load_csv)}              # {home.load_words}
column = {toml_text(home.load_column)}        # its unit is the ending: _w, _kw (mean power), _wh, _kwh (per step)

# [other_load]                              # rest of the house behind the same meter, dark in an outage
# csv = "series.csv"
# column = "other_kw"

[critical_load]                             # what must run in an outage
watts = {home.critical_w:g}                 # mean [W]; or list [[critical_load.appliances]]

[battery]
pack_kwh = {home.pack_kwh:g}                # nominal energy of one pack [kWh]
pack_count = {home.pack_count}
depth_of_discharge_fraction = 0.9           # usable share of the nominal energy (check)
charger_efficiency_fraction = 0.93          # from the AC plug into the cells (check)
solar_charge_efficiency_fraction = 0.97     # from the sun's DC into the cells (check)
discharge_efficiency_fraction = 0.96        # from the cells to the DC terminals (check)

[inverter]
continuous_w = {home.inverter_w:g}          # AC output it can hold [W]
efficiency_fraction = 0.92                  # from DC to AC (check)
idle_on_w = 30                              # the system's own draw with outputs on [W] (check)

[charging]                                  # limits at the inputs, as nameplates state them
grid_w = {home.grid_charge_w:g}             # grid charger [W]

# [sun]                                     # what the panels could deliver on the DC side
# csv = "sun.csv"
# column = "sun_kw"                         # with it, [charging] needs solar_w

[grid]
feed_in = "none"                            # "none", "house" (rest of the house only) or "grid" (sold)

[reserve]                                   # kept for an outage: percent, kwh, or hours; one of them
percent = 30

[backup]
target_hours = {home.target_hours:g}        # wanted: the critical load runs at least this long [h]
"""
    return _aligned(text)


def tariff_toml(home: Answers) -> str:
    """Write the tariff file of a new home: two prices by the clock."""
    text = f"""\
#:schema ./{TARIFF_SCHEMA}
# Made by: dispatch new. Two prices by the clock, every day alike: correct it from your own tariff sheet.
# Lines that start with '#' are comments. A misspelt key is refused, never ignored.

name = {toml_text(f"two prices of {home.name}")}
currency = {toml_text(home.currency)}
time_zone = {toml_text(home.time_zone)}       # the clock the windows are read on
other_hours = "dear"                        # the price whenever no window below holds

[bands.cheap]
import_price_per_kwh = {home.cheap_price_per_kwh!r}  # (check)
[bands.dear]
import_price_per_kwh = {home.dear_price_per_kwh!r}  # (check)
# export_price_per_kwh = 0.05               # in a band: what is paid for energy fed in

[[windows]]
band = "cheap"
# days = ["weekday"]                        # all days if left out; "weekend", "holiday" or names of days
from = {toml_text(home.cheap_from)}
to = {toml_text(home.cheap_to)}               # itself not in the window; it may cross midnight

[charges]
per_month = {home.fixed_per_month!r}        # standing charge; also per_day
"""
    return _aligned(text)


def _aligned(text: str) -> str:
    """Set the comments behind values in one column."""
    lines = []
    for line in text.splitlines():
        value, mark, words = line.partition("  #")
        lines.append(f"{value.rstrip():<43} #{words}" if mark and not line.startswith("#") else line)
    return "\n".join([*lines, ""])


def refuse_existing(folder: Path, names: tuple[str, ...]) -> None:
    """Refuse to write over a home that is there.

    Raises
    ------
    ScenarioError
        Naming the file in the way.
    """
    if folder.exists() and not folder.is_dir():
        raise ScenarioError(f"{folder}: is a file; name a new folder")
    for name in names:
        if (folder / name).exists():
            raise ScenarioError(
                f"{folder / name}: is there already; name a new folder, or move it away first"
            )
