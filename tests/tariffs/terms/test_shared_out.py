"""Step by step, energy costs what the bill says it costs: tiers and netting shared out by energy."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from homes.small_home import small_home
from homes.tariff_rich import rich_home
from homes.tariff_shapes import Case, cases
from hypothesis import HealthCheck, given, settings

import tariffs
from dispatch.case.stored_value import lowest_price_per_kwh
from dispatch.comparison.compare import compare
from dispatch.strategies.solve import grid_only
from tariffs.billing.summed import summed_lines
from tariffs.terms.evaluate import amounts, block_cost, counted_values
from tariffs.terms.event_days import event_totals
from tariffs.terms.peak_demand import peak_demand
from tariffs.terms.shared_out import step_costs, unit_prices

if TYPE_CHECKING:
    from numpy.typing import NDArray

EXAMPLES = settings(
    max_examples=80,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)


def energy_part(prices: tariffs.PricedSteps, bought: NDArray[np.float64], sold: NDArray[np.float64]) -> float:
    """The bill without fixed charges, demand, what counts other money, and what blocks of no step owe, by the terms."""
    found = amounts(prices, bought, sold)
    rest = prices.fixed_total
    for term, kw in zip(prices.demand, found.billed_kw, strict=True):
        rest += sum(schedule(kw) for schedule in term.schedules)
    values = counted_values(prices, found, bought, sold)
    rest += sum(term.topup_factor * values[term.order] for term in prices.counting)
    for at, block in enumerate(prices.blocks):
        if not len(block.steps):
            rest += block_cost(block, block.schedule, found, at)
    return tariffs.evaluate(prices, bought, sold) - rest


@given(cases())
@EXAMPLES
def test_step_costs_sum_to_the_energy_part_of_every_bill(case: Case) -> None:
    prices = tariffs.price_steps(case.tariff(), case.times, case.dt_hours)
    costs = step_costs(prices, case.import_kwh, case.export_kwh)
    unit = unit_prices(prices, case.import_kwh, case.export_kwh)
    size = float(abs(case.import_kwh * unit.import_per_kwh).sum() + abs(costs).sum())
    wanted = energy_part(prices, case.import_kwh, case.export_kwh)
    assert math.isclose(costs.sum(), wanted, rel_tol=1e-9, abs_tol=1e-9 * size + 1e-9)


@given(cases())
@EXAMPLES
def test_summed_lines_add_up_to_the_bill(case: Case) -> None:
    bill = tariffs.bill(case.tariff(), case.times, case.dt_hours, case.import_kwh, case.export_kwh)
    lines = summed_lines(bill)
    assert abs(sum(line.amount for line in lines) - bill.total_unrounded) < 1e-15
    if bill.rounds_lines and case.tariff().rounding.total_to is None:
        assert sum(line.billed_amount for line in lines) == pytest.approx(bill.total)
    assert len(lines) <= sum(len(period.lines) for period in bill.periods)


def test_a_tier_costs_each_hour_its_share_by_energy() -> None:
    case = rich_home().case()
    bought = np.full(len(case.times), 0.5)
    costs = step_costs(case.prices, bought, np.zeros_like(bought))
    # October holds one day of the four: 24 h of 0.5 kWh under a limit of 90/30 a day, the rest beyond it
    october = case.times.month == 10
    tiers = 1.05 * (3.0 * 0.01 + 9.0 * 0.06)
    night = october & (case.times.hour < 7)
    assert costs[night] == pytest.approx(0.5 * (1.05 * 0.07 + tiers / 12.0))
    assert costs[october].sum() == pytest.approx(1.05 * 0.5 * (9 * 0.07 + 11 * 0.16 + 4 * 0.9) + tiers)


def test_peak_days_and_idle_cost_hold_the_tiers() -> None:
    dear = rich_home(blocks=[{"name": "steps", "steps": [{"price_per_kwh": 0.5}]}])
    with_tiers, without = compare(dear.case()), compare(rich_home(blocks=None).case())
    tiered, plain = with_tiers.planned["sun-only"], without.planned["sun-only"]
    idle_kwh = float(tiered.flows.idle_kwh.sum())
    more = (tiered.idle_cost or 0.0) - (plain.idle_cost or 0.0)
    assert more == pytest.approx(1.05 * 0.5 * idle_kwh)
    assert sum(day.no_system_cost for day in with_tiers.peak_days) == pytest.approx(
        energy_part(
            with_tiers.case.prices,
            with_tiers.advice.no_system.flows["import"],
            with_tiers.advice.no_system.flows["export"],
        )
    )


def test_event_days_are_those_of_the_file_and_hold_their_own_energy() -> None:
    case = rich_home().case()
    bought = grid_only(case)["import"]
    hours = np.arange(len(case.times), dtype=float)
    events = event_totals(case.prices, bought, np.zeros_like(bought), hours)
    assert events is not None
    assert [day.date.isoformat() for day in events.days] == ["2025-10-31", "2025-11-02"]
    first = events.days[0]
    held = (case.times.hour >= 17) & (case.times.hour < 21)
    on_day = case.times.date == first.date
    assert first.start == case.times[17]
    assert first.event_hours == 4.0
    assert first.import_kwh == pytest.approx(bought[held & on_day].sum())
    assert first.day_import_kwh == pytest.approx(bought[on_day].sum())
    # at 0.9 and the levy, the tiers above that
    assert first.cost > 1.05 * 0.9 * first.import_kwh
    assert first.backup_hours == 16.0  # at the end of the step before
    assert events.least_backup_hours == 16.0
    assert events.total("event_hours") == 8.0
    plain = rich_home(events=None).case()
    assert event_totals(plain.prices, bought, np.zeros_like(bought)) is None


def test_hours_of_an_event_day_are_hours_whatever_the_step() -> None:
    case = replace(small_home(step_minutes=15), tariff=rich_home().tariff).case()
    bought = np.ones(len(case.times))
    events = event_totals(case.prices, bought, np.zeros_like(bought))
    assert events is not None
    assert [day.event_hours for day in events.days] == [4.0, 4.0]


def test_demand_is_the_highest_of_each_month_and_says_at_least() -> None:
    case = rich_home().case()
    bought = grid_only(case)["import"]
    found = peak_demand(case.prices, bought, np.zeros_like(bought))
    assert [peak.period for peak in found] == ["2025-10", "2025-11"]
    held = (case.times.hour >= 17) & (case.times.hour < 21)
    for peak, month in zip(found, (10, 11), strict=True):
        assert peak.at_least
        assert peak.measured_kw == pytest.approx(bought[held & (case.times.month == month)].max())
        assert peak.billed_kw == peak.measured_kw
    minimum = rich_home(demand=[{"name": "power", "price_per_kw": 1.0, "minimum_kw": 9.0}]).case()
    raised = peak_demand(minimum.prices, bought, np.zeros_like(bought))[0]
    assert (raised.billed_kw, raised.at_least) == (9.0, False)
    assert raised.measured_kw < 9.0


def test_labels_that_differ_only_by_days_become_one_line() -> None:
    case = rich_home().case()
    bill = tariffs.bill(case.tariff, case.times, 1.0, np.full(len(case.times), 0.5), None)
    lines = {(line.name, line.unit_price): line for line in summed_lines(bill)}
    first = next(line for (name, _), line in lines.items() if name == "steps")
    assert first.label == "steps: up to ..."  # 3 kWh for one day, 9 for three
    assert first.quantity == 12
    (meter,) = [line for line in lines.values() if line.name == "meter"]
    assert meter.quantity == 4
    assert [line.kind for line in summed_lines(bill)] == [
        *["energy"] * 5,
        "demand",
        "charges",
        "adjustment",
    ]


def test_a_stored_kwh_has_a_worth_under_tiers_alone() -> None:
    home = small_home(days=3)
    tiers = {
        "name": "tiers",
        "currency": "CAD",
        "bands": {"use": {"import_price_per_kwh": 0.0}},
        "blocks": [
            {"name": "steps", "steps": [{"up_to_kwh": 1000.0, "price_per_kwh": 0.21}, {"price_per_kwh": 0.3}]}
        ],
    }
    case = replace(home, tariff=tiers).case()
    assert lowest_price_per_kwh(case) == pytest.approx(0.21)
    paid = {"name": "paid", "currency": "CAD", "bands": {"use": {"import_price_per_kwh": -0.04}}}
    assert lowest_price_per_kwh(replace(home, tariff=paid).case()) == 0.0
