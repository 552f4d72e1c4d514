"""Planned beside as set: the same figures on every form, and a recommendation that rests on the latter."""

from __future__ import annotations

import io
import json
from functools import lru_cache

import numpy as np
import pytest
from homes.small_home import small_home
from rich.console import Console

import tariffs
from dispatch import Comparison, compare
from dispatch.comparison.recommendation import recommend
from dispatch.exports.comparison import document
from dispatch.report.compare import comparison_report
from dispatch.rules.replay import replay
from dispatch.settings.plain import plain_card
from dispatch.settings.space import device_space
from dispatch.settings.tables import Tables
from dispatch.strategies.table import CHOICES


@lru_cache(maxsize=1)
def compared() -> Comparison:
    return compare(small_home(days=14).case())


def screen() -> str:
    console = Console(file=io.StringIO(), width=80, color_system=None, legacy_windows=False, _environ={})
    console.print(comparison_report(compared()))
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue()


def test_every_settable_strategy_is_run_and_billed_as_entered() -> None:
    comparison = compared()
    case = comparison.case
    assert tuple(comparison.as_set) == CHOICES
    space = device_space(case)
    for name, run in comparison.as_set.items():
        card = plain_card(case, space, name, space.reserves[0])
        flows = replay(case, Tables(case, space).orders([card]), (name,))[0]
        bill = tariffs.bill(case.tariff, case.times, case.dt_hours, flows["import"], flows["export"])
        assert run.bill.total == bill.total
        assert np.array_equal(run.flows["stored"], flows["stored"])


def test_the_rules_of_each_strategy_show_in_its_flows() -> None:
    runs = compared().as_set
    assert runs["reserve-first"].flows["battery_to_load"].sum() == 0
    solar = runs["solar-first"].flows
    kept_up = solar["grid_to_battery"][solar.stored_before_kwh() > solar.case.floor_kwh.max() * 1.2]
    assert kept_up.sum() == pytest.approx(0.0, abs=1e-9)  # the grid only keeps the reserve up
    price = compared().case.prices.import_price_per_kwh
    giving = runs["off-peak-first"].flows["battery_to_load"] > 1e-9
    assert price[giving].min() > price.min()


def test_the_recommendation_rests_on_figures_as_set() -> None:
    comparison = compared()
    assert comparison.recommendation.basis == "as set"
    planned = recommend(comparison.case, comparison.strategies)
    assert planned.basis == "planned"
    chosen = comparison.recommendation.strategy
    assert chosen is not None
    burdens = {name: run.burden for name, run in comparison.as_set.items() if run.target_share >= 1.0}
    assert chosen == min(burdens, key=lambda name: burdens[name])


def test_screen_and_document_say_the_same() -> None:
    comparison = compared()
    plain = json.loads(json.dumps(document(comparison), allow_nan=False))
    text = screen()
    by_name = {entry["name"]: entry for entry in plain["strategies"]}
    for name, run in comparison.as_set.items():
        line = next(line for line in text.splitlines() if line.startswith(name) and line.count(".") >= 4)
        assert f"{comparison[name].total:,.2f}" in line
        assert f"{run.total:,.2f}" in line
        assert by_name[name]["as_set"]["bill"]["total"] == run.total
        assert by_name[name]["foresight_worth"] == pytest.approx(comparison.foresight(name))
    for name in ("grid-only", "sun-only", "least-cost"):
        assert by_name[name]["as_set"] is None
    assert text.count("Foresight was worth") == 1


def test_where_an_empty_battery_would_fall_further_there_is_nothing_as_set() -> None:
    """No charger and a reserve at empty: the plan keeps some sun for the night's losses, an inverter does not."""
    comparison = compare(
        small_home(
            days=4,
            battery={"self_discharge_per_hour_fraction": 0.002, "depth_of_discharge_fraction": 0.9},
            charging={"grid_w": 0},
            reserve=None,
        ).case()
    )
    assert comparison.as_set == {}
    assert comparison.recommendation.basis == "planned"
    assert "knowing the whole period in advance" in " ".join(console_text(comparison).split())


def console_text(comparison: Comparison) -> str:
    console = Console(file=io.StringIO(), width=80, color_system=None, legacy_windows=False, _environ={})
    console.print(comparison_report(comparison))
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue()
