"""The sound files of the fuzzer, and how they are spoilt."""

from __future__ import annotations

import contextlib
import json
import re
from functools import cache
from typing import TYPE_CHECKING

from homes.drafts import toml_text
from homes.home_files import TARIFF, Home
from homes.meter_files import SHAPES, espi, meter
from homes.tariff_rich import RICH

if TYPE_CHECKING:
    import random


TOKENS = (
    "1e999999",
    "9" * 5000,
    "0x" + "f" * 900,
    "[" * 600,
    "{a = " * 400,
    "inf",
    "-inf",
    "nan",
    "1e308",
    "1e-308",
    "1e26",
    "-1",
    "0",
    "-0.0",
    "true",
    '""',
    '"\\u202e"',
    '"\\u001b[31m"',
    "2025-W44-6",
    "9999-12-31T23:59:59.999999",
    "0001-01-01",
    "2025-11-02T01:30",
    "2025-03-09T02:30",
    "24:00:00",
    '"25:00"',
    "[]",
    "{}",
    "[[]]",
    "1_000",
    "1e9",
    "1e-9",
    "99999999999999999999",
    "1 kW",
    "3,5",
    "\0",
    "\ufeff",
    "\u202e",
    ";",
    "\t",
    "null",
    "=1+1",
    "a" * 3000,
    " " * 5000,
    "../../etc/passwd",
    "/dev/null",
    ".",
    "%s%n",
    "62%",
    "6.5kWh",
    "\N{SNOWMAN}",
)
CARD = """\
sun_first = "load"
[[plans]]
reserve_percent = 40
charge = [{ from = "00:00", to = "06:00", to_percent = 80 }]
"""
RECORD = {
    "label": "a1",
    "utility": "Public Works",
    "name": "time of use",
    "startdate": 1735689600,
    "energyratestructure": [[{"rate": 0.085, "unit": "kWh"}], [{"rate": 0.13, "unit": "kWh"}]],
    "energyweekdayschedule": [[0] * 17 + [1] * 4 + [0] * 3] * 12,
    "energyweekendschedule": [[0] * 24] * 12,
    "fixedchargefirstmeter": 12.5,
    "fixedchargeunits": "$/month",
}
PANELS = """\
name = "Ash Yard"
[site]
time_zone = "America/Halifax"
currency = "CAD"
latitude_degrees = 45
longitude_degrees = -63
[solar]
coldest_c = -20
hottest_c = 33
[[solar.modules]]
name = "Alder 400"
stc_w = 400
voc_v = 41
isc_a = 12
vmp_v = 34
imp_a = 11
voc_percent_per_k = -0.27
pmp_percent_per_k = -0.34
[[solar.inputs]]
name = "roof"
lowest_v = 70
highest_v = 400
operating_a = 15
[[solar.strings]]
input = "roof"
module = "Alder 400"
series_count = 6
tilt_degrees = 30
azimuth_degrees = 180
cable = { awg = 10, length_m = 15 }
"""


@cache
def files() -> dict[str, str]:
    """Every kind of file that is read, small and sound."""
    home, readings = Home(), meter(days=3)
    made = {name: text for name, text in home.files.items() if isinstance(text, str)}
    hours = [row.partition(",")[0] for row in made["series.csv"].split("\n")[1:] if row]
    made |= {
        "scenario.toml": home.scenario,
        "tariff.toml": str(home.tariff),
        "zoned.toml": 'time_zone = "America/Halifax"\n' + TARIFF,
        "rich.toml": toml_text(RICH),
        "hourly.toml": 'name = "Hours"\ncurrency = "CAD"\ntime_zone = "America/Halifax"\n[hourly_prices]\n'
        'csv = "prices.csv"\nimport_column = "price_per_kwh"\n',
        "prices.csv": "\n".join(
            ["time,price_per_kwh", *(f"{at},0.{10 + n % 30}" for n, at in enumerate(hours))]
        ),
        "meter.csv": "\n".join(
            ["time,import_kwh,export_kwh", *(f"{at},0.{n % 9},0" for n, at in enumerate(hours))]
        ),
        "card.toml": CARD,
        "record.json": json.dumps(RECORD),
        "panels.toml": PANELS,
        "espi.xml": espi(readings),
    }
    return made | {f"utility{at}.csv": shape(readings) for at, shape in enumerate(SHAPES.values())}


def spoilt(chance: random.Random, text: str) -> bytes:
    """A text with one to three slips: of a value, a line, a piece, a byte."""
    for _ in range(chance.choice((1, 1, 1, 2, 3))):
        text = _slip(chance, text)
    data = text.encode(errors="surrogatepass")
    kind = chance.random()
    if kind < 0.02:
        return data[: chance.randrange(len(data) + 1)]
    if kind < 0.04 and data:
        at = chance.randrange(len(data))
        return data[:at] + bytes([chance.randrange(256)]) + data[at + 1 :]
    if kind < 0.05:
        return b"\xef\xbb\xbf" + data
    return text.encode("utf-16") if kind < 0.055 else data


def _slip(chance: random.Random, text: str) -> str:
    lines = text.split("\n")
    at, other = chance.randrange(len(lines)), chance.randrange(len(lines))
    kind = chance.choice(
        ("value", "value", "value", "factor", "double", "lose", "swap", "insert", "cut", "letter")
    )
    if kind in {"value", "factor"}:
        wanted = (
            r"\d[\d.]*" if kind == "factor" else r"(?<== )[^\n]+|(?<=,)[^,\n]+|\d[\d.]*|(?<=>)[^<>]+(?=<)"
        )
        places = list(re.finditer(wanted, text))
        if not places:
            return text
        place = chance.choice(places)
        new = chance.choice(TOKENS) if kind == "value" else _scaled(chance, place[0])
        return text[: place.start()] + new + text[place.end() :]
    if kind in {"insert", "cut", "letter"}:
        start = chance.randrange(len(text) + 1)
        put = {
            "insert": chance.choice(TOKENS),
            "cut": "",
            "letter": chr(chance.choice((0, 9, 34, 61, 91, 233, 0x2028))),
        }
        return text[:start] + put[kind] + text[start + (chance.randrange(1, 60) if kind == "cut" else 0) :]
    if kind == "swap":
        lines[at], lines[other] = lines[other], lines[at]
    elif kind == "double":
        lines.insert(at, lines[other])
    else:
        del lines[at]
    return "\n".join(lines)


def _scaled(chance: random.Random, number: str) -> str:
    with contextlib.suppress(ValueError):
        return repr(float(number) * chance.choice((-1, 0, 1e-6, 1e-3, 0.01, 0.1, 2, 10, 100, 1e3, 1e6, 1e12)))
    return number
