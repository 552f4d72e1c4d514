"""A version that begins in mid-period: what it leaves as it was is billed as if it had not begun.

All bills here are worked by hand.
"""

import datetime as dt
from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest
from homes.tariff_agree import agree, examples
from homes.tariff_series import amounts, even, lines, month, steps
from homes.tariff_shapes import Case, cases
from hypothesis import given
from hypothesis import strategies as st

from tariffs import Bill, bill, evaluate, parse_tariff, price_steps

TIERS = """
name = "tiers"
currency = "EUR"
[bands.use]
[blocks]
steps = [{ up_to_kwh = 250, price_per_kwh = 0.20 }, { price_per_kwh = 0.60 }]
[[riders]]
name = "fuel"
price_per_kwh = 0.058
[[charges]]
name = "meter rent"
per_month = 3.00
[minimum]
per_month = 30
applies_to = ["energy"]
"""

SLABS = """
name = "slabs"
currency = "INR"
[bands.use]
[[charges]]
name = "meter rent"
per_month = 4.00
[blocks]
whole_band = true
steps = [{ up_to_kwh = 100, price_per_kwh = 0.5 }, { price_per_kwh = 2.00 }]
"""

SAME_FUEL = """
[[versions]]
valid_from = 2025-06-11
riders = [{ name = "fuel", price_per_kwh = 0.058 }]
"""


def early(text: str, kwh: float, days: int = 10) -> Bill:
    """Bill a June of which all energy falls in its first days, and hold the terms against it."""
    tariff, times = parse_tariff(text), month("2025-06")
    energy = np.zeros(len(times))
    energy[: days * 24] = kwh / (days * 24)
    found = bill(tariff, times, 1.0, energy)
    terms = evaluate(price_steps(tariff, times, 1.0), energy, np.zeros(len(times)))
    assert terms == pytest.approx(float(found.total_unrounded), rel=1e-12)
    return found


def test_a_rider_repeated_changes_nothing() -> None:
    # 200 kWh: 200 x 0.20 = 40.00, fuel 200 x 0.058 = 11.60; 40.00 lies above the minimum of 30
    alone = early(TIERS.replace("3.00", "0"), 200)
    assert alone.total == Decimal("51.60")
    assert early(TIERS.replace("3.00", "0") + SAME_FUEL, 200) == alone


def test_a_meter_rent_that_changes_leaves_the_slab_alone() -> None:
    # 80 kWh x 0.5 = 40 and a rent of 4.00; from the 11th on 4.50: a third of 4.00 and two thirds of 4.50
    assert early(SLABS, 80).total == Decimal("44.00")
    change = '[[versions]]\nvalid_from = 2025-06-11\ncharges = [{ name = "meter rent", per_month = 4.50 }]\n'
    assert lines(early(SLABS + change, 80)) == [
        ("blocks, up to 100 kWh: all", 40.0),
        ("meter rent (10 of 30 days)", 1.3333),
        ("meter rent (20 of 30 days)", 3.0),
    ]


def test_a_tax_that_changes_is_shared_by_days_where_the_line_is_for_the_whole_month() -> None:
    # tiers 40.00, a third of it taxed at 10 %, two thirds at 25 %; fuel, all used in the first part, at 10 %
    text = TIERS + '[[adjustments]]\nname = "tax"\npercent = 10\nnot_to = ["charges"]\n'
    text += '[[versions]]\nvalid_from = 2025-06-11\nadjustments = [{ name = "tax", percent = 25 }]\n'
    found = early(text, 200)
    assert amounts(found, "adjustment") == {
        "tax +10%": round(0.10 * (40 / 3 + 11.6), 4),
        "tax +25%": round(0.25 * 80 / 3, 4),
    }


def test_a_minimum_that_changes_is_shared_by_days_and_nothing_else_is() -> None:
    # tiers 40.00: a third of it stands against a third of 30, two thirds against two thirds of 90
    text = TIERS + "[[versions]]\nvalid_from = 2025-06-11\nminimum = { per_month = 90 }\n"
    assert lines(early(text, 200), "minimum") == [("minimum bill: top-up to 60", round(60 - 80 / 3, 4))]


def test_tier_prices_that_change_share_the_limits_by_days() -> None:
    # 250 kWh x 10/30 = 83.333 at 0.20, the rest of the first ten days' 200 kWh at 0.60; nothing used later
    text = TIERS + "[[versions]]\nvalid_from = 2025-06-11\n"
    text += "blocks = [{ steps = [{ up_to_kwh = 250, price_per_kwh = 0.25 }, { price_per_kwh = 0.60 }] }]\n"
    assert lines(early(text, 200), "energy") == [
        ("blocks: up to 83.333 kWh (10 of 30 days)", 16.6667),
        ("blocks: above 83.333 kWh (10 of 30 days)", 70.0),
    ]


def test_netting_runs_on_where_no_price_changes() -> None:
    text = """
    name = "seesaw"
    currency = "USD"
    [bands]
    day = { import_price_per_kwh = 0.30 }
    [netting]
    [[charges]]
    name = "meter"
    per_month = 5
    """
    times = month("2025-06")
    bought, sold = np.zeros(len(times)), np.zeros(len(times))
    bought[:240], sold[240:] = 0.5, 0.25
    change = '[[versions]]\nvalid_from = 2025-06-11\ncharges = [{ name = "meter", per_month = 5 }]\n'
    alone, split = (bill(parse_tariff(one), times, 1.0, bought, sold) for one in (text, text + change))
    assert alone == split  # 120 kWh bought, 120 set off against them
    assert alone.total == Decimal(5)


HALF_YEAR = """
name = "half-yearly"
currency = "GBP"
[bands.use]
import_price_per_kwh = 0.10
[billing]
period_months = 6
part_periods = "by-days"
[[credits]]
name = "spring credit"
per_month = -60
months = [5]
[[charges]]
name = "winter charge"
per_month = 8
months = [1, 2]
"""


@pytest.mark.parametrize(
    ("end", "credit", "charge"),
    [
        ("2025-05-01", None, 16),  # January to April: the credit of May is not yet owed
        ("2025-05-12", round(-60 * 11 / 31, 4), 16),
        ("2025-07-01", -60, 16),
        ("2025-02-15", None, 12),
    ],
)
def test_seasonal_amounts_of_a_period_covered_in_part(end: str, credit: float | None, charge: float) -> None:
    times = steps("2025-01-01", end)
    found = bill(parse_tariff(HALF_YEAR), times, 1.0, even(times, 100))
    credited = [amount for _, amount in lines(found, "credits")]
    assert credited == ([] if credit is None else [credit])
    assert [amount for _, amount in lines(found, "charges")] == [charge]


def test_a_month_covered_in_part_says_for_which_days_it_is() -> None:
    times = steps("2025-01-01", "2025-05-12")
    found = bill(parse_tariff(HALF_YEAR), times, 1.0, even(times, 100))
    assert lines(found, "credits")[0][0] == "spring credit (11 of 31 days)"


def test_seasonal_amounts_may_be_owed_whole() -> None:
    times = steps("2025-01-01", "2025-05-01")
    text = HALF_YEAR.replace('"by-days"', '"whole"')
    found = bill(parse_tariff(text), times, 1.0, even(times, 100))
    assert lines(found, "credits") == [("spring credit", -60)]


def test_a_demand_price_that_stays_over_a_season_change_is_one_line() -> None:
    text = """
    name = "kW"
    currency = "USD"
    billing = { read_dates = [2025-04-16, 2025-05-16] }
    [[seasons]]
    name = "winter"
    from = "11-01"
    to = "04-30"
    [[seasons]]
    name = "summer"
    from = "05-01"
    to = "10-31"
    [bands.use]
    import_price_per_kwh = 0.1
    [[demand]]
    name = "power"
    price_per_kw = { winter = 4, summer = 4 }
    """
    times = steps("2025-04-16", "2025-05-16")
    found = bill(parse_tariff(text), times, 1.0, even(times, 720))
    assert lines(found, "demand") == [("power", 4)]
    dearer = parse_tariff(text.replace("summer = 4", "summer = 6"))
    assert lines(bill(dearer, times, 1.0, even(times, 720)), "demand") == [
        ("power (15 of 30 days)", 2),
        ("power (15 of 30 days)", 3),
    ]


@given(cases(), st.integers(1, 40))
@examples(60)
def test_a_version_that_says_nothing_new_leaves_every_bill_as_it_is(case: Case, days: int) -> None:
    on = case.times[0].date() + dt.timedelta(days=days)
    text = "\n".join(line for line in case.text.splitlines() if not line.startswith('"versions"'))
    plain = replace(case, text=text)
    again = replace(case, text=text + f'\n"versions" = [{{ "valid_from" = {on}, "charges" = [] }}]')
    one, other = (bill(c.tariff(), c.times, c.dt_hours, c.import_kwh, c.export_kwh) for c in (plain, again))
    assert [period.name for period in one.periods] == [period.name for period in other.periods]
    for before, after in zip(one.periods, other.periods, strict=True):
        assert [line.label for line in before.lines] == [line.label for line in after.lines]
        assert [float(line.amount) for line in after.lines] == pytest.approx(
            [float(line.amount) for line in before.lines], rel=1e-9, abs=1e-9
        )
        assert after.total == before.total
        # metered kWh are sums of twelve digits, and what is added up may cancel in the total
        size = sum(abs(float(line.amount)) for line in before.lines)
        assert float(after.total_unrounded) == pytest.approx(
            float(before.total_unrounded), abs=1e-11 * size + 1e-9
        )
    agree(again)
