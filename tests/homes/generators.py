"""Random but valid scenarios: built to be valid, never filtered.

Whatever could make a draft invalid is drawn *inside* what was drawn before: the load below what bypass and
inverter carry, the export price below the import price, levels between empty and ceiling.

Promises are meant to break now and then: some import limits lie below the peak, some batteries start below
their floor or cannot reach their closing level, some bypasses are too narrow for a dark evening.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from hypothesis import HealthCheck, Phase
from hypothesis import settings as run_settings
from hypothesis import strategies as st
from oracles.household import Hardware, Household

from homes.drafts import Draft, kwh_per

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

SPANS = (
    *((1, 60), (1, 60), (1, 30), (1, 15), (2, 60), (2, 60), (2, 30)),
    *((3, 60), (3, 30), (3, 15), (4, 60), (7, 60), (7, 30), (14, 60)),
)
"""(days, minutes of a step): mostly small, so that a hundred of them stay affordable."""

PLACES = (
    # zone, first days worth trying: ordinary ones, and those before clocks go forward or back
    ("America/Halifax", ("2025-01-14", "2025-06-28", "2025-03-08", "2025-11-01")),
    ("Europe/Berlin", ("2025-02-27", "2025-08-30", "2025-03-29", "2025-10-25")),
    ("Australia/Adelaide", ("2025-12-30", "2025-04-05", "2025-10-04")),
    ("America/Phoenix", ("2025-07-03",)),
    ("Asia/Kathmandu", ("2025-05-31",)),
)
HALF_HOUR_SHIFT = ("Australia/Lord_Howe", ("2025-04-05", "2025-10-04"))  # clocks move by 30 minutes


def repeatable(examples: int) -> run_settings:
    """Settings of a test that sees the same examples in every run: a failure is the change's doing."""
    return run_settings(
        max_examples=examples,
        deadline=None,
        derandomize=True,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
        phases=[Phase.explicit, Phase.generate, Phase.shrink],
    )


@st.composite
def drafts(draw: st.DrawFn, spans: tuple[tuple[int, int], ...] = SPANS) -> Draft:
    """Draw a valid scenario folder."""
    days, minutes = draw(st.sampled_from(spans))
    zone, first = draw(_places(minutes))
    end = pd.Timestamp(first) + pd.Timedelta(days=days)
    times = pd.date_range(first, end, freq=f"{minutes}min", tz=zone, inclusive="left")
    settings = draw(_hardware())
    _draw_grid(draw, settings)
    settings = {
        "name": "random home",
        "tariff": "tariff.toml",
        "site": {"time_zone": zone, "currency": "EUR"},
        **settings,
    }
    columns = _draw_series(draw, settings, times)
    if not columns or draw(st.booleans()):
        settings["period"] = {"start": first, "end": f"{end:%Y-%m-%d}", "step_minutes": minutes}
    tariff = draw(
        _tariffs(minutes, [f"{day:%Y-%m-%d}" for day in pd.date_range(first, end, inclusive="left")])
    )
    changes_clock = len({stamp.utcoffset() for stamp in times}) > 1
    clock = draw(st.sampled_from(("offset", "utc") if changes_clock else ("offset", "utc", "naive")))
    return Draft(settings, tariff, times, columns, clock)


@st.composite
def _places(draw: st.DrawFn, minutes: int) -> tuple[str, str]:
    zone, days = draw(st.sampled_from(PLACES if minutes == 60 else (*PLACES, HALF_HOUR_SHIFT)))
    return zone, draw(st.sampled_from(days))


@st.composite
def _hardware(draw: st.DrawFn) -> dict[str, Any]:
    """Battery, inverter, charging and reserve: every level between empty and ceiling."""

    def one_of(*values: Any) -> Any:  # noqa: ANN401
        return draw(st.sampled_from(values))

    count = one_of(1, 2, 3)
    full = 2.4 * count
    depth, ceiling = one_of(1.0, 0.9, 0.8), one_of(100.0, 100.0, 95.0, 70.0)
    lowest = 100.0 * (1 - depth) + 1e-9
    levels = st.integers(0, 4).map(
        lambda quarter: {"percent": round(lowest + (ceiling - lowest) * quarter / 4, 6)}
    )
    battery = {
        "pack_kwh": 2.4,
        "pack_count": count,
        "depth_of_discharge_fraction": depth,
        "charger_efficiency_fraction": one_of(1.0, 0.94, 0.9),
        "solar_charge_efficiency_fraction": one_of(1.0, 0.97, 0.9),
        "discharge_efficiency_fraction": one_of(1.0, 0.96, 0.9),
        "self_discharge_per_hour_fraction": one_of(0.0, 0.0, 0.0005, 0.01),
        "taper_hours": one_of(0.0, 0.0, 0.4, 1.5),
        "wear_per_kwh": one_of(0.0, 0.0, 0.02, 0.15),
        "ceiling": {"percent": ceiling},
        "start": draw(levels),
        "closing": draw(levels),
    }
    if battery["taper_hours"] > 0 and battery["closing"]["percent"] > 97:
        # a tapering charge only ever approaches full: to end there is a promise no strict order survives
        battery["closing"] = {"percent": 97.0}
    for level in ("start", "closing"):
        if draw(st.integers(0, 4)) == 0:
            del battery[level]
    inverter = {
        "continuous_w": one_of(900.0, 1800.0, 3700.0),
        "efficiency_fraction": one_of(1.0, 0.93, 0.88),
        "idle_on_w": one_of(0.0, 38.0, 60.0),
        "bypass_w": one_of(None, None, 1000.0, 2500.0),
        "switches_whole_load": one_of(0, 0, 0, 1) == 1,
    }
    charging = {
        # what self-discharge takes must be replaceable, or no schedule keeps the battery above empty
        "grid_w": one_of(
            0.0 if battery["self_discharge_per_hour_fraction"] == 0 else 400.0, 400.0, 1400.0, 3000.0
        ),
        "ac_input_w": one_of(None, None, 1500.0, 3500.0),
        "solar_w": one_of(700.0, 2600.0),
        "combined_w": one_of(None, 900.0, [700.0, 1500.0, 2600.0]),
    }
    reserves = ({"percent": 50.0}, {"kwh": round(0.4 * full, 3)}, {"hours": 3.0}, {"hours": 7.5})
    reserve = one_of(None, *reserves, {"hours": 5.0, "sun_share_fraction": 0.5})
    sections = {"battery": battery, "inverter": inverter, "charging": charging, "reserve": reserve}
    return {name: _without_none(section) for name, section in sections.items() if section is not None}


def _without_none(section: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in section.items() if value is not None}


def _draw_grid(draw: st.DrawFn, settings: dict[str, Any]) -> None:
    feed_in = draw(st.sampled_from(("none", "house", "grid", "grid")))
    grid = {"feed_in": feed_in, "import_limit_kw": draw(st.sampled_from((None, None, 9.0, 1.6, 0.7)))}
    if feed_in != "none":
        grid["battery_feed_in"] = draw(st.booleans())
    if feed_in == "grid":
        grid["export_limit_kw"] = draw(st.sampled_from((None, 0.0, 0.6, 4.0)))
    settings["grid"] = _without_none(grid)


def serving_limit_w(settings: Mapping[str, Any]) -> float:
    """Power that bypass and inverter can give a load, idle draw included."""
    inverter = settings["inverter"]
    ways = (inverter.get("bypass_w", math.inf), settings["charging"].get("ac_input_w", math.inf))
    if inverter["switches_whole_load"]:
        return float(max(min(ways), inverter["continuous_w"]))
    return float(min(ways) + inverter["continuous_w"])


def _draw_series(
    draw: st.DrawFn, settings: dict[str, Any], times: pd.DatetimeIndex
) -> dict[str, NDArray[np.float64]]:
    """Draw the loads and the sun into the settings, and return the CSV's columns."""
    random = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    n, columns = len(times), {}
    hours = (times[1] - times[0]) / pd.Timedelta(hours=1)
    most_w = 0.97 * min(serving_limit_w(settings), 5000.0) - settings["inverter"]["idle_on_w"]
    peak_w = most_w * draw(st.sampled_from((0.2, 0.5, 1.0)))
    if draw(st.integers(0, 5)) == 0:
        settings["load"] = {"watts": round(peak_w / 3, 1)}
    else:
        column = draw(st.sampled_from(("load_w", "load_kw", "load_wh", "load_kwh")))
        columns[column] = _of_unit(_household_w(random, times, peak_w), column, hours)
        settings["load"] = {"csv": "series.csv", "column": column}
    other = draw(st.sampled_from(("none", "watts", "csv")))
    if other == "watts":
        settings["other_load"] = {"watts": 230.0}
    elif other == "csv":
        columns["other_kwh"] = np.round(random.gamma(0.8, 0.6, n) * hours, 4)
        settings["other_load"] = {"csv": "series.csv", "column": "other_kwh"}
    if draw(st.booleans()):
        settings["critical_load"] = {"appliances": draw(st.sampled_from(APPLIANCES))}
    if draw(st.integers(0, 3)) > 0:
        strength = draw(st.sampled_from((0.3, 1.5, 4.0)))
        columns["sun_kw"] = np.round(strength * _sun_share(random, times), 4)
        settings["sun"] = {"csv": "series.csv", "column": "sun_kw"}
    return columns


APPLIANCES = (
    [{"name": "fridge", "watts": 120.0, "count": 1, "hours_per_day": 9.0}],
    [
        {"name": "lamps", "watts": 9.0, "count": 6, "hours_per_day": 5.0, "starts_at": "21:00"},
        {"name": "router", "watts": 14.0, "hours_per_day": 24.0},
    ],
)


def _of_unit(watts: NDArray[np.float64], column: str, hours: float) -> NDArray[np.float64]:
    return np.round(watts * hours * 1e-3 / kwh_per(column.rsplit("_", 1)[1], hours), 5)


def _household_w(random: np.random.Generator, times: pd.DatetimeIndex, peak_w: float) -> NDArray[np.float64]:
    """Low at night, high in the evening, noisy, at most the peak, sometimes nothing at all."""
    hour = times.hour.to_numpy() + times.minute.to_numpy() / 60
    shape = 0.25 + 0.2 * np.exp(-(((hour - 8) / 2) ** 2)) + 0.55 * np.exp(-(((hour - 19) / 2.5) ** 2))
    load = shape * random.uniform(0.5, 1.0, len(times)) * peak_w
    return np.asarray(np.where(random.uniform(size=len(times)) < 0.05, 0.0, load))


def _sun_share(random: np.random.Generator, times: pd.DatetimeIndex) -> NDArray[np.float64]:
    hour = times.hour.to_numpy() + times.minute.to_numpy() / 60
    clear = np.maximum(0.0, np.sin((hour - 6.5) / 12 * np.pi)) * ((hour > 6) & (hour < 19))
    return np.asarray(clear * random.uniform(0.1, 1.0, len(times)))


PRICES = (0.0, 0.05, 0.08, 0.11, 0.14, 0.2, 0.26, 0.33, 0.48)
SEASONS = [
    {"name": "winter", "from": "10-16", "to": "04-05"},
    {"name": "summer", "from": "04-06", "to": "10-15"},
]


@st.composite
def _tariffs(draw: st.DrawFn, minutes: int, dates: list[str]) -> dict[str, Any]:
    """Draw a tariff whose windows cover the day and whose export price is never above the import price."""
    sold_at = draw(st.sampled_from((0.0, 0.3, 0.6, 1.0)))
    names = ["low", "middle", "high"][: draw(st.integers(1, 3))]
    bands = {}
    tariff: dict[str, Any] = {"name": "random plan", "currency": "EUR"}
    seasons = draw(st.booleans())
    if seasons:
        tariff["seasons"] = SEASONS
    for name in names:
        price = draw(st.sampled_from(PRICES))
        sold = round(price * sold_at, 5)
        dearer = draw(st.sampled_from(PRICES)) if seasons else None
        bands[name] = {
            "import_price_per_kwh": price
            if dearer is None
            else {"winter": round(price + dearer, 4), "summer": price},
            "export_price_per_kwh": sold,
        }
    day_types = draw(st.booleans())
    if day_types:
        tariff["holidays"] = {"extra_dates": [draw(st.sampled_from(dates))]}
    tariff["bands"] = bands
    tariff["windows"] = [
        {**window, **season, **days}
        for season in ([{"seasons": ["winter"]}, {"seasons": ["summer"]}] if seasons else [{}])
        for days in ([{"days": ["weekday"]}, {"days": ["weekend", "holiday"]}] if day_types else [{}])
        for window in draw(_day_of_windows(minutes, names))
    ]
    if draw(st.booleans()):
        rest = draw(st.sampled_from(names))
        tariff["other_hours"] = rest
        tariff["windows"] = [window for window in tariff["windows"] if window["band"] != rest]
    tariff["charges"] = [{"name": "meter", "per_day": draw(st.sampled_from((0.0, 0.31)))}]
    if draw(st.booleans()):
        lowest = -15.0 if sold_at < 1 else 0.0
        tariff["adjustments"] = [{"name": "tax", "percent": draw(st.sampled_from((lowest, 5.0, 19.0)))}]
    return tariff


@st.composite
def _day_of_windows(draw: st.DrawFn, minutes: int, names: list[str]) -> list[dict[str, str]]:
    """Cut the day into one to four windows; the last usually crosses midnight."""
    grain = 60 if minutes == 60 else 30
    cuts = sorted(draw(st.sets(st.integers(0, 1440 // grain - 1), min_size=1, max_size=4)))
    if len(cuts) == 1:
        return [{"band": draw(st.sampled_from(names)), "from": "00:00", "to": "24:00"}]
    return [
        {"band": draw(st.sampled_from(names)), "from": _clock(begin * grain), "to": _clock(end * grain)}
        for begin, end in zip(cuts, [*cuts[1:], cuts[0]], strict=True)
    ]


def _clock(minutes: int) -> str:
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def random_household(seed: int) -> Household:
    """Draw a household straight as numbers, none of whose promises has to break, for oracles without shortfalls.

    Start and closing levels lie on every grid that divides the battery into a multiple of four.
    """
    random = np.random.default_rng(seed)

    def one_of(*values: Any) -> Any:  # noqa: ANN401
        return values[random.integers(len(values))]

    n, feed_in = int(random.integers(6, 24)), one_of("none", "house", "grid")
    hardware = Hardware(
        full_kwh=4.0,
        empty_kwh=0.0,
        start_kwh=one_of(2.0, 3.0),
        closing_kwh=one_of(0.0, 1.0, 2.0),
        ceiling_kwh=4.0,
        grid_charge_kw=one_of(0.5, 1.0, 2.0),
        total_charge_kw=one_of(1.5, 3.0),
        inverter_kw=one_of(0.8, 1.5, 3.0),
        bypass_kw=one_of(None, 3.0),
        ac_input_kw=one_of(None, 3.5),
        import_limit_kw=None,
        export_limit_kw=one_of(None, 0.5) if feed_in == "grid" else None,
        eta_inverter=one_of(1.0, 0.93),
        eta_charger=one_of(1.0, 0.95, 0.9),
        eta_dc=one_of(1.0, 0.97),
        eta_discharge=one_of(1.0, 0.96),
        self_discharge_per_hour=0.0,
        wear_per_kwh=one_of(0.0, 0.02),
        taper_hours=one_of(0.0, 0.4),
        feed_in=feed_in,
        battery_feed_in=feed_in != "none" and one_of(0, 1) == 1,
        switches_whole_load=False,
    )
    import_price = random.choice([0.1, 0.2, 0.3, 0.4], n)
    return Household(
        hardware=hardware,
        dt_hours=1.0,
        load=random.uniform(0, 1.5, n).round(3),
        other=random.uniform(0, 0.5, n).round(3),
        idle=np.full(n, 0.05),
        sun=np.maximum(0, random.uniform(-1, 2, n)).round(3),
        import_price=import_price,
        export_price=import_price * one_of(0.0, 0.3, 1.0),
        floor=np.zeros(n),
        day=np.zeros(n, dtype=np.int64),
    )
