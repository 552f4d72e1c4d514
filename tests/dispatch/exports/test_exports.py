"""The JSON document and the flow tables: complete, exact, and never half-written."""

from __future__ import annotations

import json
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
from homes.small_home import small_comparison, small_home

from dispatch.case.check import check_summary
from dispatch.exports.comparison import check_document, comparison_csv, comparison_document
from dispatch.exports.files import json_text
from dispatch.flows import COLUMNS
from dispatch.safety.answers import quick_answers

if TYPE_CHECKING:
    from pathlib import Path

    from dispatch.comparison.compare import Comparison
    from dispatch.outcome import Outcome

comparison = cache(small_comparison)

GIVEN = [
    "time",
    "load_kwh",
    "other_kwh",
    "idle_kwh",
    "sun_kwh",
    "critical_kwh",
    "import_price_per_kwh",
    "export_price_per_kwh",
    "floor_kwh",
]
STRATEGY_KEYS = {
    "name": str,
    "bill": dict,
    "saving": float,
    "wear": float,
    "import_kwh": float,
    "export_kwh": float,
    "sun_used_kwh": float,
    "spilled_kwh": float,
    "cycles": float,
    "idle_kwh": float,
    "floor_broken_hours": float,
    "backup_hours": dict,
    "backup_hours_with_sun": dict,
    "unserved_kwh": float,
    "closing_shortfall_kwh": float,
    "stored_change_kwh": float,
    "status": str,
    "seconds": float,
}
LIMITS = [
    "full_kwh",
    "empty_kwh",
    "start_kwh",
    "closing_kwh",
    "grid_charge_kw",
    "total_charge_kw",
    "inverter_kw",
    "bypass_kw",
    "import_limit_kw",
    "export_limit_kw",
    "eta_inverter",
    "eta_charger",
    "eta_dc",
    "eta_discharge",
    "self_discharge_per_hour",
    "wear_per_kwh",
    "ac_input_kw",
    "ceiling_kwh",
    "taper_hours",
    "backup_horizon_hours",
    "feed_in",
    "battery_feed_in",
]


def told_of(result: Comparison) -> dict[str, Any]:
    return comparison_document(result, quick_answers(result.advice))


def runs_by_name(result: Comparison) -> dict[str, Outcome]:
    return {"grid-only": result.advice.no_system, **result.planned}


@cache
def written() -> dict[str, Any]:
    """The document as a program on the other side of a pipe reads it."""
    document: dict[str, Any] = json.loads(json_text(told_of(comparison())))
    return document


def strategy(name: str) -> dict[str, Any]:
    found: dict[str, Any] = next(item for item in written()["strategies"] if item["name"] == name)
    return found


def test_the_stable_keys_are_there_with_their_types() -> None:
    document = written()
    types = {"scenario": str, "currency": str, "steps": int, "dt_hours": float, "strategies": list}
    types |= {"peak_days": list, "recommendation": dict, "limits": dict}
    assert {key: type(document[key]) for key in types} == types
    assert [item["name"] for item in document["strategies"]] == [
        "grid-only",
        "sun-only",
        "reserve-first",
        "solar-first",
        "off-peak-first",
        "least-cost",
    ]
    for name in ("reserve-first", "solar-first", "off-peak-first", "least-cost"):
        assert {key: type(strategy(name)[key]) for key in STRATEGY_KEYS} == STRATEGY_KEYS
        assert set(strategy(name)["backup_hours"]) == {"min", "p05", "median", "worst_at"}
    told = {"strategy", "reserve_percent", "meets_target", "saving", "reasons", "sentence"}
    assert set(document["recommendation"]) >= told
    assert set(LIMITS) <= set(document["limits"])
    assert document["limits"]["import_limit_kw"] is None


def test_a_figure_a_strategy_lacks_is_null() -> None:
    without_system, without_battery = strategy("grid-only"), strategy("sun-only")
    lacking = ("cycles", "floor_broken_hours", "backup_hours", "closing_shortfall_kwh", "stored_change_kwh")
    assert [without_system[key] for key in (*lacking, "sun_used_kwh", "spilled_kwh")] == [None] * 7
    assert [without_battery[key] for key in lacking] == [None] * 5
    assert without_battery["sun_used_kwh"] > 0.0
    assert without_system["idle_kwh"] == without_system["saving"] == 0.0


def test_the_document_says_what_the_comparison_says() -> None:
    result = comparison()
    pairs = [(item, strategy(name)) for name, item in runs_by_name(result).items()]
    pairs += [(run, strategy(name)["as_set"]) for name, run in result.advice.outcomes.items()]
    for item, told in pairs:
        assert told["bill_and_wear"] == pytest.approx(told["bill"]["total_unrounded"] + told["wear"])
        assert told["saving"] == pytest.approx(result.advice.no_system.bill_and_wear - told["compared_cost"])
        assert told["bill"]["total"] == float(item.bill.total)
        assert told["bill"]["total_unrounded"] == float(item.bill.total_unrounded)
        assert told["bill"]["months"] == {period.name: float(period.total) for period in item.bill.periods}
        assert sum(told["bill"]["months"].values()) == pytest.approx(told["bill"]["total"])
        assert sum(told["import_kwh_by_band"].values()) == pytest.approx(told["import_kwh"])
        if item.backup is not None:
            assert told["backup_hours"]["min"] == item.backup.minimum
            assert pd.Timestamp(told["backup_hours"]["worst_at"]) == item.backup.worst_at
            assert told["backup_hours_with_sun"]["median"] == item.backup.with_sun_median
    assert list(written()["strategies"][0]["bill"]["months"]) == ["2025-10", "2025-11"]
    assert written()["start"] == "2025-10-31T00:00:00-03:00"
    assert written()["end"] == "2025-11-04T00:00:00-04:00"


def test_peak_days_are_listed_dearest_first() -> None:
    days = written()["peak_days"]
    costs = [day["grid_only_cost"] for day in days]
    assert len(days) == 4
    assert costs == sorted(costs, reverse=True)
    for day in days:
        assert set(day["strategies"]) == set(comparison().advice.outcomes)
        outcome = day["strategies"]["solar-first"]
        assert outcome["lowest_kwh"] >= written()["limits"]["empty_kwh"] - 1e-6
        assert pd.Timestamp(outcome["lowest_at"]).utcoffset() is not None


def test_a_promise_that_breaks_is_listed_with_its_dates() -> None:
    broken = small_comparison(inverter={"bypass_w": 150, "continuous_w": 1400}, charging={"grid_w": 200})
    document = told_of(broken)
    solar = next(item for item in document["strategies"] if item["name"] == "solar-first")["as_set"]
    (shortfall,) = [item for item in solar["shortfalls"] if item["kind"] == "unserved_load"]
    assert shortfall["first"].startswith("2025-10-31T")
    assert shortfall["kwh"] > 0.0
    assert solar["unserved_kwh"] == pytest.approx(shortfall["kwh"])
    assert "inverter.bypass_w by" in document["would_serve"]
    assert document["recommendation"]["serves"] is False


def test_text_is_ascii_and_refuses_what_json_has_not() -> None:
    assert json_text({"scenario": "Erlenhöfe"}).isascii()
    with pytest.raises(ValueError, match="not JSON compliant"):
        json_text({"cycles": float("inf")})


def test_each_strategy_has_a_file_that_reads_back_to_the_last_digit(tmp_path: Path) -> None:
    result = comparison()
    files = comparison_csv(result, tmp_path / "made" / "here")
    runs = {"grid-only": result.advice.no_system}
    runs |= {f"{name}-as-set": run for name, run in result.advice.outcomes.items()}
    runs |= {f"{name}-planned": run for name, run in result.planned.items()}
    assert [file.name for file in files] == [f"{name}.csv" for name in runs]
    assert sorted(files) == sorted((tmp_path / "made" / "here").iterdir())
    for file, item in zip(files, runs.values(), strict=True):
        table = pd.read_csv(file)
        assert list(table.columns) == [*GIVEN, *COLUMNS]
        times = pd.DatetimeIndex(pd.to_datetime(table["time"], utc=True))
        assert times.equals(result.case.times.tz_convert("UTC"))
        assert table["time"][0] == "2025-10-31T00:00:00-03:00"
        for column in COLUMNS:
            assert np.array_equal(table[column], item.flows.frame[column], equal_nan=True)
        assert np.array_equal(table["load_kwh"], result.case.load_kwh)
        assert np.array_equal(table["import_price_per_kwh"], result.case.prices.import_price_per_kwh)


def test_the_balances_hold_in_every_file(tmp_path: Path) -> None:
    eta = comparison().case.limits.eta_inverter
    for file in comparison_csv(comparison(), tmp_path):
        table = pd.read_csv(file)
        served = table.grid_to_load_kwh + eta * (table.sun_to_load_kwh + table.battery_to_load_kwh)
        lacking = table.load_kwh + table.idle_kwh - served - table.unserved_load_kwh
        assert abs(lacking).max() < 1e-6
        sun = table.sun_to_load_kwh + table.sun_to_battery_kwh + table.sun_to_grid_kwh + table.spill_kwh
        assert abs(sun - table.sun_kwh).max() < 1e-6


def test_money_in_the_file_is_the_bill_but_for_fixed_charges(tmp_path: Path) -> None:
    comparison_csv(comparison(), tmp_path)
    table = pd.read_csv(tmp_path / "off-peak-first-as-set.csv")
    energy = (
        table.import_kwh * table.import_price_per_kwh - table.export_kwh * table.export_price_per_kwh
    ).sum()
    fixed = comparison().case.prices.fixed_total
    assert energy + fixed == pytest.approx(
        strategy("off-peak-first")["as_set"]["bill"]["total_unrounded"], rel=1e-9
    )


def test_a_check_is_a_document_too() -> None:
    document = json.loads(json_text(check_document(check_summary(small_home().case()))))
    assert document["name"] == "Wren Cottage"
    assert document["steps"] == 97
    assert [item["name"] for item in document["series"]] == [
        "load",
        "other_load",
        "critical_load",
        "idle",
        "sun",
    ]
    assert pd.Timestamp(document["series"][0]["peak_at"]).utcoffset() is not None
    assert [band["name"] for band in document["bands"]] == ["night", "day", "evening"]
