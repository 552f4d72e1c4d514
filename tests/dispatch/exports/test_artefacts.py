"""What ``compare --json --csv`` leaves behind is enough to check every schedule and to solve the year again."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
from homes.drafts import Draft, plain_draft
from oracles.household import household_from_artefacts
from oracles.oracle import STRATEGIES, optimum
from oracles.stepcheck import FLOWS, broken_rules
from terminal import run

if TYPE_CHECKING:
    from pathlib import Path

Artefacts = tuple[dict[str, Any], dict[str, pd.DataFrame]]
OWNED_UP_TO = ("import_excess", "floor_shortfall")  # to own up to more than is broken is no lie
PRICES = [0.11] * 7 + [0.33] * 4 + [0.19] * 6 + [0.33] * 3 + [0.19] * 2 + [0.11] * 2


def home() -> Draft:
    """Draw a home over the night clocks go forward, with every kind of loss, limit and promise."""
    times = pd.date_range("2025-03-29", "2025-04-01", freq="h", tz="Europe/Berlin", inclusive="left")
    random = np.random.default_rng(20250329)
    hour = times.hour.to_numpy()
    evening = np.exp(-(((hour - 19) / 3) ** 2))
    sun = np.maximum(0, np.sin((hour - 6) / 12 * np.pi)) * random.uniform(0.2, 1.0, len(times))
    draft = plain_draft(
        PRICES,
        export_price=[0.06] * 24,
        site={"time_zone": "Europe/Berlin"},
        battery={
            "pack_kwh": 2.7,
            "pack_count": 2,
            "depth_of_discharge_fraction": 0.9,
            "charger_efficiency_fraction": 0.93,
            "solar_charge_efficiency_fraction": 0.96,
            "discharge_efficiency_fraction": 0.95,
            "self_discharge_per_hour_fraction": 0.0004,
            "ceiling": {"percent": 96.0},
            "start": {"percent": 55.0},
            "closing": {"percent": 60.0},
            "taper_hours": 0.4,
            "wear_per_kwh": 0.015,
        },
        inverter={"continuous_w": 2300.0, "efficiency_fraction": 0.92, "idle_on_w": 27.0, "bypass_w": 3100.0},
        charging={"grid_w": 1300.0, "ac_input_w": 3600.0, "solar_w": 2500.0, "combined_w": [1500.0, 2800.0]},
        grid={"import_limit_kw": 4.2, "export_limit_kw": 1.5, "battery_feed_in": True},
        reserve={"hours": 4.5},
        backup={"target_hours": 4.0},
        other_load={"watts": 140.0},
        sun={"csv": "series.csv", "column": "sun_kw"},
    )
    columns = {
        "load_kw": np.round(0.25 + 1.9 * evening * random.uniform(0.5, 1, len(times)), 4),
        "sun_kw": 2.8 * sun,
    }
    tariff = {**draft.tariff, "charges": [{"name": "meter", "per_day": 0.37}]}
    return replace(draft.changed(repeats=False), times=times, columns=columns, tariff=tariff)


@pytest.fixture(scope="module")
def artefacts(tmp_path_factory: pytest.TempPathFactory) -> Artefacts:
    """Run the command as a user would; keep its JSON and the CSV of every strategy, nothing else."""
    folder: Path = tmp_path_factory.mktemp("home")
    path = home().write(folder)
    done = run("compare", path, "--json", "--csv", folder / "flows")
    assert done.returncode == 0, done.stderr
    tables = {
        name: pd.read_csv(folder / "flows" / f"{name}{'' if name == 'grid-only' else '-planned'}.csv")
        for name in STRATEGIES
    }
    return json.loads(done.stdout), tables


def entry(document: dict[str, Any], name: str) -> dict[str, Any]:
    return next(found for found in document["strategies"] if found["name"] == name)


def test_every_schedule_passes_an_independent_walk(
    artefacts: Artefacts,
) -> None:
    document, tables = artefacts
    for name in STRATEGIES:
        broken = broken_rules(
            tables[name],
            document["limits"],
            name,
            dt_hours=document["dt_hours"],
            closing_shortfall_kwh=entry(document, name)["closing_shortfall_kwh"] or 0.0,
        )
        assert broken == [], name


@pytest.mark.parametrize("name", STRATEGIES)
def test_bill_and_wear_can_be_solved_for_again(artefacts: Artefacts, name: str) -> None:
    """Charges that no flow changes are had from the household without the system: bill less energy."""
    document, tables = artefacts
    without = tables["grid-only"]
    energy = float((without["import_kwh"] * without["import_price_per_kwh"]).sum())
    charges = entry(document, "grid-only")["bill"]["total_unrounded"] - energy
    assert charges == pytest.approx(3 * 0.37, abs=1e-9)
    house = household_from_artefacts(document, tables[name])
    shown = entry(document, name)
    again = optimum(house, name, through="cost")
    assert shown["bill"]["total_unrounded"] + shown["wear"] == pytest.approx(again.cost + charges, rel=1e-6)
    assert shown["unserved_kwh"] == pytest.approx(again.stages["unserved_load"], abs=1e-6)


def test_money_is_in_the_table_too(artefacts: Artefacts) -> None:
    document, tables = artefacts
    for name in STRATEGIES:
        table, shown = tables[name], entry(document, name)
        column = {str(key): table[key].to_numpy(dtype=np.float64) for key in table.columns.drop("time")}
        money = column["import_kwh"] @ column["import_price_per_kwh"]
        money -= column["export_kwh"] @ column["export_price_per_kwh"]
        assert shown["bill"]["total_unrounded"] == pytest.approx(float(money) + 3 * 0.37, rel=1e-9)
        cells_out = (column["battery_to_load_kwh"] + column["battery_to_grid_kwh"]).sum()
        wear = document["limits"]["wear_per_kwh"] * cells_out / document["limits"]["eta_discharge"]
        assert shown["wear"] == pytest.approx(float(wear), rel=1e-9, abs=1e-12)


# --- can the walk find fault? ---------------------------------------------------------------------------------


@pytest.mark.parametrize("flow", [*(name for name in FLOWS if name not in OWNED_UP_TO), "stored"])
def test_walk_notices_one_changed_number(artefacts: Artefacts, flow: str) -> None:
    document, tables = artefacts
    for name in ("least-cost", "solar-first"):
        table = tables[name].copy()
        energy = table[f"{flow}_kwh"].to_numpy(dtype=np.float64, copy=True)
        energy[energy.argmax()] += 0.01
        table[f"{flow}_kwh"] = energy
        assert broken_rules(table, document["limits"], name, dt_hours=1.0), name


def test_walk_notices_a_promise_broken_in_silence(artefacts: Artefacts) -> None:
    document, tables = artefacts
    table = tables["least-cost"].assign(floor_kwh=5.1)
    found = broken_rules(table, document["limits"], "least-cost", dt_hours=1.0)
    assert any("below the floor" in problem for problem in found)
    owned_up_to = table.assign(floor_shortfall_kwh=5.1)
    assert broken_rules(owned_up_to, document["limits"], "least-cost", dt_hours=1.0) == []


LIMIT_CHANGES = [
    ("grid_charge_kw", 0.2, "grid charger"),
    ("total_charge_kw", 0.2, "combined charging"),
    ("inverter_kw", 0.3, "inverter"),
    ("bypass_kw", 0.2, "bypass"),
    ("ac_input_kw", 0.2, "plug"),
    ("import_limit_kw", 0.2, "import limit"),
    ("export_limit_kw", 0.0, "export limit"),
    ("taper_hours", 9.0, "taper"),
    ("ceiling_kwh", 3.0, "outside empty and ceiling"),
    ("empty_kwh", 4.5, "outside empty and ceiling"),
    ("closing_kwh", 5.0, "below the closing level"),
    ("eta_inverter", 0.91, "does not balance"),
    ("eta_charger", 0.9, "the flows make it"),
    ("eta_discharge", 0.9, "the flows make it"),
    ("self_discharge_per_hour", 0.001, "the flows make it"),
    ("start_kwh", 3.0, "the flows make it"),
    ("feed_in", "house", "export where none"),
    ("feed_in", "none", "fed in where nothing may be"),
]


@pytest.mark.parametrize(("limit", "value", "says"), LIMIT_CHANGES, ids=str)
def test_walk_notices_every_limit(artefacts: Artefacts, limit: str, value: float | str, says: str) -> None:
    document, tables = artefacts
    narrow = {**document["limits"], limit: value}
    found = broken_rules(tables["least-cost"], narrow, "least-cost", dt_hours=1.0)
    assert any(says in problem for problem in found), found[:3]
