"""The files of one invented home as text, for tests that spoil them line by line."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pandas as pd
import pytest

from dispatch.case.case import load_scenario

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from dispatch.errors import DispatchError

SCENARIO = """\
name = "Fennel Court 3"
tariff = "tariff.toml"

[site]
time_zone = "America/Halifax"
currency = "CAD"

[period]
start = "2025-03-08"
end = "2025-03-11"

[load]
csv = "series.csv"
column = "load_kw"

[other_load]
watts = 180

[[critical_load.appliances]]
name = "fridge"
watts = 110
hours_per_day = 8.0

[[critical_load.appliances]]
name = "lamps"
watts = 9
count = 6
hours_per_day = 5
starts_at = "18:30"

[battery]
pack_kwh = 2.9
pack_count = 2
depth_of_discharge_fraction = 0.95
charger_efficiency_fraction = 0.93
solar_charge_efficiency_fraction = 0.98
discharge_efficiency_fraction = 0.97
self_discharge_per_hour_fraction = 0.00005
start = { percent = 55 }
closing = { kwh = 3.0 }
ceiling = { percent = 90 }
taper_hours = 0.6
wear_per_kwh = 0.03

[inverter]
continuous_w = 3300
efficiency_fraction = 0.91
idle_on_w = 41
idle_off_w = 7
bypass_w = 4100
transfer_ms = 9
switches_whole_load = false
surge_w = 6600

[charging]
grid_w = 1250
ac_input_w = 3900
solar_w = 1900
combined_w = [1100, 2300]

[sun]
csv = "series.csv"
column = "sun_w"

[grid]
import_limit_kw = 11.5
feed_in = "grid"
export_limit_kw = 3.5
battery_feed_in = true

[reserve]
hours = 5.5
sun_share_fraction = 0.25

[backup]
target_hours = 4.5
share_of_instants_fraction = 0.99
horizon_hours = 96

[strategies]
cheapest_hours_per_day = 6
"""

TARIFF = """\
name = "Two Lamps"
currency = "CAD"

[bands.night]
import_price_per_kwh = 0.08
export_price_per_kwh = 0.03

[bands.day]
import_price_per_kwh = 0.24
export_price_per_kwh = 0.03

[[windows]]
band = "night"
from = "22:00"
to = "06:00"

[[windows]]
band = "day"
from = "06:00"
to = "22:00"
"""


def clock_rows(
    start: str = "2025-03-08", end: str = "2025-03-11", zone: str = "America/Halifax", minutes: int = 60
) -> list[str]:
    """Write the lines of a CSV file; the default span has a day of 23 hours in its middle."""
    times = pd.date_range(start, end, freq=f"{minutes}min", tz=zone, inclusive="left")
    lines = [
        f"{at.isoformat()},{0.2 + 0.05 * (at.hour % 7):.2f},{max(0, 900 - 130 * abs(at.hour - 13))}"
        for at in times
    ]
    return ["time,load_kw,sun_w", *lines]


@dataclass(frozen=True)
class Home:
    """The text of a scenario, its tariff and its series."""

    scenario: str = SCENARIO
    tariff: str | None = TARIFF
    files: dict[str, str | bytes] = field(
        default_factory=lambda: {"series.csv": "\n".join(clock_rows()) + "\n"}
    )

    def with_text(self, *changes: tuple[str, str]) -> Home:
        """Copy with pieces of the scenario's text replaced; each must be there exactly once."""
        text = self.scenario
        for old, new in changes:
            assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in the scenario"
            text = text.replace(old, new)
        return Home(text, self.tariff, self.files)

    def without(self, section: str) -> Home:
        """Copy without a section."""
        head, mark, rest = self.scenario.partition(f"[{section}]\n")
        assert mark, f"no section [{section}]"
        return Home(head + rest[rest.find("\n\n") + 2 :], self.tariff, self.files)

    def with_rows(self, rows: Iterable[str] | bytes, name: str = "series.csv") -> Home:
        """Copy with another series file."""
        content = rows if isinstance(rows, bytes) else "\n".join(rows) + "\n"
        return Home(self.scenario, self.tariff, {**self.files, name: content})

    def write(self, folder: Path) -> Path:
        """Write the files; return the scenario's path."""
        for name, content in self.files.items():
            data = content if isinstance(content, bytes) else content.encode()
            (folder / name).write_bytes(data)
        if self.tariff is not None:
            (folder / "tariff.toml").write_text(self.tariff, encoding="utf-8")
        path = folder / "scenario.toml"
        path.write_text(self.scenario, encoding="utf-8")
        return path


def refusal(home: Home, folder: Path, kind: type[DispatchError]) -> str:
    """Load a home that must be refused; return the message without its folder."""
    path = home.write(folder)
    with pytest.raises(kind) as caught:
        load_scenario(path)
    message = str(caught.value)
    assert message.startswith(str(folder)), "the message begins with the file"
    assert not re.search(r"pydantic|Traceback|validation error|errors\.|Input should", message)
    return message.replace(f"{folder}/", "")
