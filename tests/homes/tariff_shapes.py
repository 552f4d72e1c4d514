"""Random tariffs of every shape the format knows, as TOML text, with series to price under them.

Built valid, never filtered: whatever could make a file invalid is drawn inside what was drawn before.
"""

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import pandas as pd
from hypothesis import strategies as st
from numpy.typing import NDArray

from homes.tariff_parts import (
    PRICES,
    a_band,
    a_demand,
    a_minimum,
    a_price,
    a_rebate,
    perhaps_a_credit,
    some_blocks,
    some_events,
    some_netting,
    some_of_export,
    some_windows,
)
from tariffs import Tariff, parse_tariff

SEASONS = {
    "calendar": [
        {"name": "winter", "months": [11, 12, 1, 2, 3, 4]},
        {"name": "summer", "months": [5, 6, 7, 8, 9, 10]},
    ],
    "mid-month": [
        {"name": "winter", "from": "10-16", "to": "03-20"},
        {"name": "summer", "from": "03-21", "to": "10-15"},
    ],
    "thrice": [
        {"name": "summer", "months": [1, 2, 3, 7, 8]},
        {"name": "winter", "months": [4, 5, 6, 9, 10, 11, 12]},
    ],
}
ZONES = ("America/Halifax", "Europe/Berlin", "Australia/Adelaide", "Asia/Kathmandu", "UTC")


@dataclass(frozen=True)
class Case:
    """A tariff's text, the price series it may name, and a series to price."""

    text: str
    prices: str
    times: pd.DatetimeIndex
    dt_hours: float
    import_kwh: NDArray[np.float64] = field(repr=False)
    export_kwh: NDArray[np.float64] = field(repr=False)

    def tariff(self) -> Tariff:
        """Read the tariff as from a file, with its price series beside it."""
        with TemporaryDirectory() as folder:
            Path(folder, "prices.csv").write_text(self.prices, encoding="utf-8")
            return parse_tariff(self.text, str(Path(folder, "tariff.toml")))


def toml(value: Any) -> str:  # noqa: ANN401 - any TOML value
    """Write a value as TOML, tables inline."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f'"{key}" = {toml(held)}' for key, held in value.items()) + " }"
    if isinstance(value, Sequence):
        return "[" + ", ".join(toml(held) for held in value) + "]"
    return value.isoformat() if isinstance(value, dt.date) else str(value)


def toml_text(document: Mapping[str, Any]) -> str:
    """Write a document as TOML."""
    return "\n".join(f'"{key}" = {toml(value)}' for key, value in document.items())


@st.composite
def cases(draw: st.DrawFn, *, rich: bool = True) -> Case:
    """Draw a tariff and a series."""
    zone = draw(st.sampled_from(ZONES))
    minutes = draw(st.sampled_from((60, 60, 30, 15)))
    start = dt.date(2025, 1, 1) + dt.timedelta(days=draw(st.integers(0, 400)))
    days = draw(st.sampled_from((1, 5, 33, 64, 130)))
    begin, end = (pd.Timestamp(day, tz=zone) for day in (start, start + dt.timedelta(days=days)))
    times = pd.date_range(begin, end, freq=f"{minutes}min", inclusive="left")
    times = times[draw(st.integers(0, 5)) :]
    document = draw(documents(start, days, rich=rich))
    seed = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    bought = seed.gamma(0.6, 1.5, len(times)) * (seed.random(len(times)) > 0.2) * minutes / 60
    sold = seed.gamma(0.6, draw(st.sampled_from((0.3, 9.0))), len(times)) * (seed.random(len(times)) > 0.6)
    prices = _hourly(draw, document, times, seed) if rich and draw(st.booleans()) else ""
    return Case(toml_text(document), prices, times, minutes / 60, bought, sold * minutes / 60)


def _hourly(
    draw: st.DrawFn, document: dict[str, Any], times: pd.DatetimeIndex, seed: np.random.Generator
) -> str:
    """Give the tariff a price series, where its netting allows one, and return its CSV."""
    if "netting" in document:
        return ""
    document["hourly_prices"] = {"csv": "prices.csv", "import_column": "bought_per_mwh"}
    if draw(st.booleans()):
        document["hourly_prices"]["export_column"] = "sold_per_kwh"
    length = times[1] - times[0]  # rows as long as the steps, and two more on either side
    rows = pd.date_range(times[0] - 2 * length, times[-1] + 2 * length, freq=length, tz=times.tz)
    bought, sold = seed.normal(80, 90, len(rows)), seed.normal(0.05, 0.1, len(rows))
    lines = [f"{at.isoformat()},{b:.2f},{s:.5f}" for at, b, s in zip(rows, bought, sold, strict=True)]
    return "\n".join(["time,bought_per_mwh,sold_per_kwh", *lines])


@st.composite
def documents(draw: st.DrawFn, start: dt.date, days: int, *, rich: bool) -> dict[str, Any]:
    """Draw a tariff document."""
    document: dict[str, Any] = {"name": "random", "currency": "EUR"}
    seasons = draw(st.sampled_from((None, *SEASONS)))
    if seasons:
        document["seasons"] = SEASONS[seasons]
    season_names = ["winter", "summer"] if seasons else []
    if draw(st.booleans()):
        document["holidays"] = {"extra_dates": [start + dt.timedelta(days=draw(st.integers(0, days)))]}
    netting = rich and draw(st.sampled_from((False, False, True)))
    bands = [f"band {letter}" for letter in "abc"[: draw(st.integers(1, 3))]]
    document["bands"] = {name: draw(a_band(season_names, netting=netting)) for name in bands}
    document["windows"] = draw(some_windows(bands))
    document["other_hours"] = draw(st.sampled_from(bands))
    document["charges"] = draw(_fixed("charge", ("per_day", "per_month")))
    if rich:
        within_year = (
            dt.date(start.year + 1, 1, 1) - start
        ).days  # dates of events lie in the year of a short series
        draw(_rich(document, bands, season_names, (start, min(days, within_year))))
        if not netting:
            draw(some_of_export(document))
            draw(perhaps_a_credit(document, bands))
    if netting:
        document["netting"] = draw(some_netting(bands))
    document["adjustments"] = draw(_adjustments(document, rich=rich))
    if rich and draw(st.booleans()):
        dates = sorted(draw(st.sets(st.integers(0, days), min_size=1, max_size=3)))
        document["versions"] = [
            {"valid_from": start + dt.timedelta(days=at), **draw(_version(document, bands))} for at in dates
        ]
    document["billing"] = draw(_billing(start, days))
    if any("rolling_mean" in demand for demand in document.get("demand", [])):
        document["billing"].pop("period_months", None)
    if draw(st.booleans()):
        document["rounding"] = {
            "per": draw(st.sampled_from(("line", "total"))),
            "places": draw(st.integers(0, 3)),
            "mode": draw(st.sampled_from(("half-up", "half-even", "down", "up"))),
        }
        if rich and draw(st.booleans()):
            document["rounding"] |= {"total_to": 0.05, "kwh_places": draw(st.integers(0, 2))}
    return document


@st.composite
def _fixed(draw: st.DrawFn, kind: str, units: tuple[str, ...]) -> list[dict[str, Any]]:
    found = []
    for number in range(draw(st.integers(0, 2))):
        entry: dict[str, Any] = {"name": f"{kind} {number}"}
        entry[draw(st.sampled_from(units))] = draw(st.sampled_from((-4.0, 0.31, 12.5)))
        if draw(st.booleans()):
            entry["months"] = draw(st.lists(st.integers(1, 12), min_size=1, max_size=4, unique=True))
        found.append(entry)
    return found


@st.composite
def _rich(
    draw: st.DrawFn, document: dict[str, Any], bands: list[str], seasons: list[str], span: tuple[dt.date, int]
) -> None:
    """Add what plain tariffs do not have."""
    document["credits"] = draw(_fixed("credit", ("per_month",)))
    document["riders"] = [
        {
            "name": f"rider {number}",
            "price_per_kwh": a_price(draw, seasons),
            "netted": draw(st.booleans()),
            **({"bands": [draw(st.sampled_from(bands))]} if draw(st.booleans()) else {}),
        }
        for number in range(draw(st.integers(0, 2)))
    ]
    document["demand"] = [draw(a_demand(number, seasons)) for number in range(draw(st.integers(0, 2)))]
    document["blocks"] = [
        draw(some_blocks(number, bands, seasons, [one["name"] for one in document["demand"]]))
        for number in range(draw(st.integers(0, 2)))
    ]
    if draw(st.booleans()):
        factor = {"loss_factor": draw(st.sampled_from((1.0376, 0.97)))}
        document["losses"] = factor | ({"applies_to": [bands[0], "riders"]} if draw(st.booleans()) else {})
    if draw(st.booleans()):
        document["events"] = draw(some_events(bands, *span))
    if draw(st.booleans()):
        document["rebates"] = [draw(a_rebate(*span))]
    if draw(st.booleans()):
        names = ["energy", "riders", "export", "demand", "charges", "credits", bands[0]]
        document["minimum"] = [draw(a_minimum(names, number)) for number in range(draw(st.integers(1, 2)))]
    if draw(st.sampled_from((False, False, True))):
        unit, kwh = draw(st.sampled_from((("kwh_per_day", 9), ("kwh_per_month", 130))))
        document["minimum"] = [
            *document.get("minimum", []),
            {"name": "least kWh", unit: kwh, "band": draw(st.sampled_from(bands))},
        ]


@st.composite
def _adjustments(draw: st.DrawFn, document: dict[str, Any], *, rich: bool) -> list[dict[str, Any]]:
    tables = ("charges", "credits", "riders", "demand", "blocks", "events")
    groups = ["riders", "demand", "charges", "credits"]
    known = ["energy", *(name for name in groups if document.get(name)), *document["bands"]]
    sold = any("export_price_per_kwh" in band for band in document["bands"].values())
    known += ["export"] if sold or "netting" in document else []
    named = [entry for table in tables for entry in document.get(table, [])]
    known += [entry["name"] for entry in named if "dates" not in entry or "band" not in entry]
    found: list[dict[str, Any]] = []
    for number in range(draw(st.integers(0, 3))):
        entry: dict[str, Any] = {"name": f"percentage {number}", **draw(_rate(rich=rich))}
        for key in ("applies_to", "not_to"):
            if draw(st.booleans()):
                entry[key] = draw(st.lists(st.sampled_from(known), min_size=1, max_size=3, unique=True))
        known.append(entry["name"])
        found.append(entry)
    for minimum in document.get("minimum", []):
        # one that another counts stays where it is: what it counts must stand before it
        if found and "applies_to" in minimum and len(document["minimum"]) == 1 and draw(st.booleans()):
            minimum["applies_to"].append(draw(st.sampled_from(found))["name"])
    return found


@st.composite
def _rate(draw: st.DrawFn, *, rich: bool) -> dict[str, Any]:
    percent = draw(st.sampled_from((-13.1, 5, 13, 21.5)))
    kind = draw(
        st.sampled_from(("plain", "plain", "capped", "up_to_kwh", "up_to_amount") if rich else ("plain",))
    )
    if kind == "plain":
        return {"percent": percent}
    if kind == "capped":
        return {"percent": percent, "at_most": draw(st.sampled_from((1.5, 12)))}
    limits = sorted(draw(st.sets(st.sampled_from((10, 40, 150)), min_size=1, max_size=2)))
    steps = [{kind: limit, "percent": draw(st.sampled_from((0, 4, 25)))} for limit in limits]
    return {"steps": [*steps, {"percent": percent}], "whole_band": draw(st.booleans())}


def _changed(table: str, earlier: Mapping[str, Any]) -> dict[str, Any] | None:
    """Return an entry of blocks or demand as a version has it; None for what is left as it is."""
    if table == "demand":
        return {**earlier, "minimum_kw": 2}
    if "shared" in earlier or "demand" in earlier:
        return None
    steps = {"steps": [{"price_per_kwh": 0.2}]}
    if "yearly_from" in earlier:
        return {**earlier, **steps}
    return {**earlier, **steps, "whole_band": "past_use" in earlier, "limits_for_days": 30}


@st.composite
def _version(draw: st.DrawFn, document: dict[str, Any], bands: list[str]) -> dict[str, Any]:
    version: dict[str, Any] = {}
    if draw(st.booleans()):
        version["bands"] = {bands[0]: {"import_price_per_kwh": draw(st.sampled_from(PRICES))}}
    for table, key in (("riders", "price_per_kwh"), ("charges", "per_month"), ("credits", "per_month")):
        if document.get(table) and draw(st.booleans()):
            version[table] = [{"name": document[table][0]["name"], key: draw(st.sampled_from((0.07, 2.5)))}]
    if "minimum" in document and draw(st.booleans()):
        least = document["minimum"][0]
        unit = draw(st.sampled_from(("kwh_per_day",) if "band" in least else ("per_day", "per_month")))
        version["minimum"] = [{"name": least["name"], unit: draw(st.sampled_from((0.9, 55.0)))}]
    if document["adjustments"] and draw(st.booleans()):
        version["adjustments"] = [{"name": "percentage 0", "percent": 7}]
    for table in ("blocks", "demand"):
        if document.get(table) and draw(st.booleans()):
            entry = _changed(table, document[table][0])
            if entry is not None:
                version[table] = [entry]
    return version


@st.composite
def _billing(draw: st.DrawFn, start: dt.date, days: int) -> dict[str, Any]:
    billing: dict[str, Any] = {"part_periods": draw(st.sampled_from(("by-days", "whole")))}
    kind = draw(st.sampled_from(("months", "pairs", "reads", "days")))
    if kind == "pairs":
        billing["period_months"] = draw(st.sampled_from((2, 3)))
    if kind == "reads":
        first = start - dt.timedelta(days=draw(st.integers(0, 20)))
        billing["read_dates"] = [first + dt.timedelta(days=29 * at) for at in range(days // 29 + 3)]
    if kind == "days":
        billing["month_days"] = draw(st.sampled_from((30, 30.4375)))
    return billing
