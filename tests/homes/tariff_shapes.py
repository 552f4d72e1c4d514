"""Random tariffs of every shape the format knows, as TOML text, with series to price under them.

Built valid, never filtered: whatever could make a file invalid is drawn inside what was drawn before.
"""

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import pandas as pd
from hypothesis import strategies as st
from numpy.typing import NDArray

from tariffs import Tariff, parse_tariff

PRICES = (-0.03, 0.0, 0.04, 0.0715, 0.11, 0.158, 0.2375, 0.41)
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
    document["bands"] = {name: draw(_band(season_names, netting=netting)) for name in bands}
    document["windows"] = draw(_windows(bands))
    document["other_hours"] = draw(st.sampled_from(bands))
    document["charges"] = draw(_fixed("charge", ("per_day", "per_month")))
    if rich:
        within_year = (
            dt.date(start.year + 1, 1, 1) - start
        ).days  # dates of events lie in the year of a short series
        draw(_rich(document, bands, season_names, (start, min(days, within_year))))
        if not netting:
            draw(_of_export(document))
            draw(_credit(document, bands))
    if netting:
        document["netting"] = draw(_netting(bands))
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


def _price(draw: st.DrawFn, seasons: list[str]) -> Any:  # noqa: ANN401 - a number, or one per season
    if bool(seasons) and draw(st.booleans()):
        return {season: draw(st.sampled_from(PRICES)) for season in seasons}
    return draw(st.sampled_from(PRICES))


@st.composite
def _band(draw: st.DrawFn, seasons: list[str], *, netting: bool) -> dict[str, Any]:
    band = {"import_price_per_kwh": _price(draw, seasons)}
    if not netting and draw(st.booleans()):
        band["export_price_per_kwh"] = _price(draw, seasons)
    return band


@st.composite
def _windows(draw: st.DrawFn, bands: list[str]) -> list[dict[str, Any]]:
    windows = []
    for days in draw(st.sampled_from((["weekday"], ["weekday", "saturday"], [""]))):
        cuts = sorted(draw(st.sets(st.integers(0, 23), min_size=2, max_size=4)))
        for begin, end in pairwise(cuts):
            window = {"band": draw(st.sampled_from(bands)), "hours": f"{begin:02d}:00-{end:02d}:00"}
            windows.append({**window, "days": days} if days else window)
    return windows


@st.composite
def _when(draw: st.DrawFn, seasons: list[str]) -> dict[str, Any]:
    when: dict[str, Any] = {}
    if draw(st.booleans()):
        begin, end = draw(st.lists(st.integers(0, 23), min_size=2, max_size=2, unique=True))
        when["hours"] = f"{begin:02d}:00-{end:02d}:00"
    if draw(st.booleans()):
        when["days"] = draw(st.sampled_from(("weekday", "weekend", "sunday")))
    if bool(seasons) and draw(st.booleans()):
        when["seasons"] = draw(st.sampled_from(seasons))
    return when


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
            "price_per_kwh": _price(draw, seasons),
            "netted": draw(st.booleans()),
            **({"bands": [draw(st.sampled_from(bands))]} if draw(st.booleans()) else {}),
        }
        for number in range(draw(st.integers(0, 2)))
    ]
    document["demand"] = [draw(_demand(number, seasons)) for number in range(draw(st.integers(0, 2)))]
    document["blocks"] = [
        draw(_blocks(number, bands, seasons, [one["name"] for one in document["demand"]]))
        for number in range(draw(st.integers(0, 2)))
    ]
    if draw(st.booleans()):
        factor = {"loss_factor": draw(st.sampled_from((1.0376, 0.97)))}
        document["losses"] = factor | ({"applies_to": [bands[0], "riders"]} if draw(st.booleans()) else {})
    if draw(st.booleans()):
        document["events"] = draw(_events(bands, *span))
    if draw(st.booleans()):
        document["rebates"] = [draw(_rebate(*span))]
    if draw(st.booleans()):
        names = ["energy", "riders", "export", "demand", "charges", "credits", bands[0]]
        document["minimum"] = [draw(_minimum(names, number)) for number in range(draw(st.integers(1, 2)))]
    if draw(st.sampled_from((False, False, True))):
        unit, kwh = draw(st.sampled_from((("kwh_per_day", 9), ("kwh_per_month", 130))))
        document["minimum"] = [
            *document.get("minimum", []),
            {"name": "least kWh", unit: kwh, "band": draw(st.sampled_from(bands))},
        ]


@st.composite
def _minimum(draw: st.DrawFn, names: list[str], number: int) -> dict[str, Any]:
    unit = draw(st.sampled_from(("per_day", "per_month")))
    minimum: dict[str, Any] = {"name": f"least {number}", unit: draw(st.sampled_from((0.4, 90.0)))}
    if number:
        names = [*names, "least 0"]
    if draw(st.booleans()):
        minimum["applies_to"] = draw(
            st.lists(st.sampled_from([*names, "everything"]), min_size=1, max_size=3, unique=True)
        )
    return minimum


@st.composite
def _of_export(draw: st.DrawFn, document: dict[str, Any]) -> None:
    """Let some riders and blocks be of exported energy."""
    for table in ("riders", "blocks"):
        for entry in document[table]:
            if "shared" not in entry and draw(st.booleans()):
                entry["of"] = "export"


@st.composite
def _credit(draw: st.DrawFn, document: dict[str, Any], bands: list[str]) -> None:
    """Let what is fed in earn a credit in money."""
    earns = any(
        "export_price_per_kwh" in band and band["export_price_per_kwh"] for band in document["bands"].values()
    )
    if not earns or not draw(st.booleans()):
        return
    credit: dict[str, Any] = {"first_use": draw(st.sampled_from(("this-bill", "next-bill")))}
    names = ["energy", "riders", "demand", "charges", bands[0]]
    if draw(st.booleans()):
        credit["applies_to"] = draw(
            st.lists(st.sampled_from([*names, "everything"]), min_size=1, max_size=3, unique=True)
        )
    if draw(st.booleans()):
        credit["expires_months"] = draw(st.sampled_from((1, 2, 12)))
    if draw(st.booleans()):
        credit |= {"settlement": draw(st.sampled_from(("03-31", "06-10"))), "settlement_percent": 60}
    if draw(st.booleans()):
        credit["opening_amount"] = 7.5
    document["export_credit"] = credit


@st.composite
def _blocks(
    draw: st.DrawFn, number: int, bands: list[str], seasons: list[str], demand: list[str]
) -> dict[str, Any]:
    whole = draw(st.booleans())
    by_hours = bool(demand) and draw(st.booleans())
    limits = sorted(draw(st.sets(st.sampled_from((5, 30, 80, 200, 450)), max_size=3)))
    key = "up_to_hours" if by_hours else "up_to_kwh"
    steps: list[dict[str, Any]] = []
    for limit in [*limits, None] if not by_hours or limits else [60, None]:
        step: dict[str, Any] = {} if limit is None else {key: limit}
        if whole and not by_hours and draw(st.booleans()):
            step["inside"] = [{"up_to_kwh": 40, "price_per_kwh": 0.1}, {"price_per_kwh": 0.3}]
        else:
            step["price_per_kwh"] = draw(st.sampled_from(PRICES))
        if whole and draw(st.booleans()):
            step["fixed_per_month"] = draw(st.sampled_from((3, 20)))
        steps.append(step)
    blocks: dict[str, Any] = {"name": f"blocks {number}", "whole_band": whole, "steps": steps}
    if by_hours:
        blocks["demand"] = draw(st.sampled_from(demand))
    elif whole and draw(st.booleans()):
        use: dict[str, Any] = {"months": draw(st.sampled_from((1, 3, 12)))}
        use |= draw(st.sampled_from(({"past_each_kwh": 120}, {"before": "left-out"})))
        use |= draw(st.sampled_from(({}, {"with_this_bill": True}, {"decided_in_months": [1, 6, 11]})))
        blocks["past_use"] = use | ({"bands": [bands[-1]]} if draw(st.booleans()) else {})
    elif draw(st.booleans()):
        blocks["limits_for_days"] = draw(st.sampled_from((1, 30)))
    if draw(st.booleans()):
        blocks["bands"] = [draw(st.sampled_from(bands))]
    if bool(seasons) and draw(st.booleans()):
        blocks["seasons"] = [draw(st.sampled_from(seasons))]
    if not whole and not by_hours:
        draw(_special(blocks, bands))
    return blocks


@st.composite
def _special(draw: st.DrawFn, blocks: dict[str, Any], bands: list[str]) -> None:
    """Let tiers count through the year, and bands share them."""
    if "limits_for_days" not in blocks and draw(st.booleans()):
        blocks["yearly_from"] = draw(st.sampled_from(("01-01", "07-15")))
        blocks["used_kwh"] = draw(st.sampled_from((0, 60.5)))
    if draw(st.booleans()):
        own = blocks.get("bands", bands)
        blocks["shared"] = draw(st.sampled_from(("in-proportion", list(reversed(own)))))
        for step in blocks["steps"]:
            del step["price_per_kwh"]
            if draw(st.booleans()):
                step["percent_of_band"] = draw(st.sampled_from((-20, 12.5)))
            else:
                step["price_by_band"] = {name: draw(st.sampled_from(PRICES)) for name in own}


@st.composite
def _demand(draw: st.DrawFn, number: int, seasons: list[str]) -> dict[str, Any]:
    demand: dict[str, Any] = {
        "name": f"demand {number}",
        "interval_minutes": draw(st.sampled_from((15, 30, 60))),
    }
    demand["flat_within_step"] = True
    demand["per"] = draw(st.sampled_from(("month", "day")))
    demand[draw(st.sampled_from(("highest_days", "highest_intervals")))] = draw(
        st.sampled_from((1, 3, "all"))
    )
    shape = draw(st.sampled_from(("price", "steps", "whole band")))
    if shape == "price":
        demand["price_per_kw"] = (
            {season: draw(st.sampled_from((1.5, 8.0))) for season in seasons}
            if bool(seasons) and draw(st.booleans())
            else draw(st.sampled_from((0.9, 5.39)))
        )
    else:
        demand["steps"] = [
            {"up_to_kw": 3, "price_per_kw": 4},
            {"up_to_kw": 6, "price_per_kw": 9},
            {"price_per_kw": 7},
        ]
    if shape == "whole band":
        demand["whole_band"] = True
        demand["steps"][0] = {"up_to_kw": 2, "fixed_per_month": 15}
    if draw(st.booleans()):
        demand["windows"] = [draw(_when(seasons)) for _ in range(draw(st.integers(1, 2)))]
    else:
        demand |= draw(_when(seasons))
    draw(_measured(demand, seasons))
    return demand


@st.composite
def _measured(draw: st.DrawFn, demand: dict[str, Any], seasons: list[str]) -> None:
    """Draw what counts of the power, and what the months before do to it."""
    for window in demand.get("windows", [demand]):
        if draw(st.booleans()):
            window["counted_percent"] = draw(st.sampled_from((50, 120)))
    if draw(st.booleans()):
        demand |= {"unit": "kVA"} if "price_per_kw" not in demand else {"at_least_kva_percent": 90}
        demand["power_factor"] = draw(st.sampled_from((0.8, 0.95)))
    if draw(st.booleans()):
        demand["minimum_kw"] = draw(st.sampled_from((1, 7.5)))
    if draw(st.booleans()):
        demand["rolling_mean"] = {"months": draw(st.sampled_from((2, 4, 12))), "each_at_least_kw": 2.5}
        demand["rolling_mean"] |= draw(st.sampled_from(({"past_each_kw": 4.5}, {"before": "left-out"})))
    elif draw(st.booleans()):
        demand["ratchet"] = {"percent": draw(st.sampled_from((65, 110))), "past_highest_kw": 4.5}
        if draw(st.booleans()):
            demand["ratchet"]["look_back_months"] = draw(st.sampled_from((1, 12)))
        if bool(seasons) and draw(st.booleans()):
            demand["ratchet"]["seasons"] = [draw(st.sampled_from(seasons))]


@st.composite
def _events(draw: st.DrawFn, bands: list[str], start: dt.date, days: int) -> list[dict[str, Any]]:
    dates = [
        start + dt.timedelta(days=at)
        for at in sorted(draw(st.sets(st.integers(0, days - 1), min_size=1, max_size=6)))
    ]
    events: list[dict[str, Any]] = [{"name": "hot days", "dates": dates, "hours": "14:00-18:00"}]
    if draw(st.booleans()):
        events[0]["band"] = draw(st.sampled_from(bands))
    else:
        events[0]["adder_per_kwh"] = 0.6
    if draw(st.booleans()):
        night = {"hours": "22:00-02:00", "adder_per_kwh": 0.05}
        events.append({"name": "nights", "dates": dates[:2], "windows": [night]})
    return events


@st.composite
def _rebate(draw: st.DrawFn, start: dt.date, days: int) -> dict[str, Any]:
    """Draw a rebate below a baseline: told, or that of the days before."""
    rebate: dict[str, Any] = {"name": "saving", "price_per_kwh": 1.2, "hours": "16:00-20:00"}
    if days > 5 and draw(st.booleans()):
        places = draw(st.sets(st.integers(4, days - 1), min_size=1, max_size=1))
        rebate |= {"like": "any-day", "like_days": draw(st.sampled_from((1, 2)))}
        if draw(st.booleans()):
            rebate["highest_days"] = 1
    else:
        places = draw(st.sets(st.integers(0, days - 1), min_size=1, max_size=3))
        told = ((start + dt.timedelta(days=at)).isoformat() for at in sorted(places))
        rebate["known_baseline_kwh"] = {day: draw(st.sampled_from((0.5, 3, 9))) for day in told}
    rebate["dates"] = [start + dt.timedelta(days=at) for at in sorted(places)]
    return rebate


@st.composite
def _netting(draw: st.DrawFn, bands: list[str]) -> dict[str, Any]:
    across = draw(st.sampled_from(("same-band", "any-band", "same-band-first")))
    netting: dict[str, Any] = {"across": across, "order": draw(st.permutations(bands))}
    netting["surplus"] = draw(st.sampled_from(("carry", "carry", "paid", "lost")))
    if netting["surplus"] == "paid":
        netting["surplus_price_per_kwh"] = 0.03
    if netting["surplus"] == "carry":
        if draw(st.booleans()):
            netting["settlement"] = draw(st.sampled_from(("03-31", "06-10", "12-31")))
            netting["settlement_price_per_kwh"] = 0.02
        if draw(st.booleans()):
            netting["opening_kwh"] = {bands[0] if across == "same-band" else "all": 25}
    return netting


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
