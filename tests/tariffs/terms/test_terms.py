"""The program's terms and the bill are two statements of one tariff: they must give the same money."""

import math
from decimal import Decimal

import numpy as np
import pytest
from homes.tariff_agree import agree, examples
from homes.tariff_series import even, month
from homes.tariff_shapes import Case, cases
from hypothesis import given

from tariffs import bill, evaluate, parse_tariff, price_steps
from tariffs.terms.evaluate import amounts

FLAT = 'name = "flat"\ncurrency = "EUR"\n[bands.energy]\nimport_price_per_kwh = 0.2\n'


@given(cases())
@examples(150)
def test_terms_equal_the_unrounded_bill_on_every_shape(case: Case) -> None:
    agree(case)


@given(cases(rich=False))
@examples(30)
def test_plain_tariffs_have_no_terms_but_prices(case: Case) -> None:
    priced = price_steps(case.tariff(), case.times, case.dt_hours)
    terms = [priced.blocks, priced.demand, priced.minimums, priced.netting]
    assert not any(terms)
    agree(case)


@given(cases())
@examples(60)
def test_a_bill_adds_up(case: Case) -> None:
    tariff = case.tariff()
    found = bill(tariff, case.times, case.dt_hours, case.import_kwh, case.export_kwh)
    for period in found.periods:
        assert abs(sum(line.amount for line in period.lines) - period.total_unrounded) < Decimal("1e-20")
        assert abs(period.total_unrounded + period.rounding - period.total) < Decimal("1e-20")
        for line in period.lines:
            if found.rounds_kwh:
                continue  # exact amounts are of metered kWh, what is printed of rounded ones
            if line.quantity is not None and line.unit_price is not None and line.kind != "adjustment":
                assert math.isclose(
                    line.quantity * line.unit_price, line.amount, rel_tol=1e-12, abs_tol=1e-12
                )
        if found.rounds_lines and tariff.rounding.total_to is None:
            assert sum(line.billed_amount for line in period.lines) == period.total


@pytest.mark.parametrize(
    ("demand", "kw", "owed"),
    [
        ("price_per_kw = 2", 3.0, 6.0),
        ("price_per_kw = 2\nminimum_kw = 4", 3.0, 8.0),
        ("steps = [{ up_to_kw = 2, price_per_kw = 5 }, { price_per_kw = 1 }]", 3.0, 11.0),
        ("steps = [{ up_to_kw = 2, price_per_kw = 5 }, { price_per_kw = 1 }]", 0.0, 0.0),
        (
            "whole_band = true\nsteps = [{up_to_kw = 2, price_per_kw = 5 }, { price_per_kw = 1, fixed_per_month = 7 }]",
            3.0,
            10.0,
        ),
        ("price_per_kw = 2", 0.0, 0.0),
    ],
)
def test_what_a_peak_costs_by_the_terms(demand: str, kw: float, owed: float) -> None:
    """By hand: one month whose highest hour draws so much."""
    times = month("2025-06")
    bought = np.zeros(len(times))
    bought[40] = kw
    tariff = parse_tariff(FLAT + f"[[demand]]\n{demand}\n")
    priced = price_steps(tariff, times, 1.0)
    assert amounts(priced, bought, np.zeros_like(bought)).billed_kw == ((4.0 if "minimum" in demand else kw),)
    assert evaluate(priced, bought, np.zeros_like(bought)) == pytest.approx(0.2 * kw + owed)
    assert float(bill(tariff, times, 1.0, bought).total_unrounded) == pytest.approx(0.2 * kw + owed)


def test_tiers_of_a_netted_bill_count_what_netting_leaves() -> None:
    """By hand: 300 kWh bought and 100 sold leave 200, of which 150 cost 0.05 more and 50 cost 0.1 more."""
    times = month("2025-06")
    tariff = parse_tariff(
        FLAT
        + '[netting]\nacross = "any-band"\nsurplus = "lost"\norder = ["energy"]\n'
        + '[[blocks]]\nname = "b"\nsteps = [{ up_to_kwh = 150, price_per_kwh = 0.05 }, { price_per_kwh = 0.1 }]\n'
    )
    priced = price_steps(tariff, times, 1.0)
    bought, sold = even(times, 300.0), even(times, 100.0)
    assert amounts(priced, bought, sold).block_kwh == pytest.approx((200.0,))
    assert evaluate(priced, bought, sold) == pytest.approx(200 * 0.2 + 150 * 0.05 + 50 * 0.1)
    assert float(bill(tariff, times, 1.0, bought, sold).total_unrounded) == pytest.approx(52.5)
