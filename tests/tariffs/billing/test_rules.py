"""Rules of bills, each on a case small enough to check by hand."""

import math
import pickle
from decimal import Decimal

import numpy as np
import pytest
from homes.tariff_plain import FLAT, TWO, totals
from homes.tariff_series import amounts, even_bill, lines, month, steps, year
from homes.tariff_shapes import Case, cases
from hypothesis import given, settings
from hypothesis import strategies as st

from tariffs import TariffError, bill, parse_tariff, price_steps

# --- fixed amounts and parts of months


def test_part_months_pay_by_days_and_say_so() -> None:
    times = steps("2025-01-21", "2025-03-01")
    found = even_bill(FLAT + "[charges]\nper_month = 31\nper_day = 1", times, 0)
    assert lines(found, "charges") == [
        ("standing charge", 11),
        ("standing charge (11 of 31 days)", 11),
        ("standing charge", 28),
        ("standing charge", 31),
    ]
    assert totals(found) == [11 + 11, 28 + 31]


def test_part_months_may_pay_whole() -> None:
    text = FLAT + '[charges]\nper_month = 31\n[billing]\npart_periods = "whole"'
    assert even_bill(text, steps("2025-01-21", "2025-03-01"), 0).total == 62


def test_a_day_covered_in_part_counts_in_part() -> None:
    times = steps("2025-01-01", "2025-01-02")[6:]
    assert even_bill(FLAT + "[charges]\nper_day = 4", times, 0).total == 3


def test_a_year_of_days_has_365() -> None:
    found = even_bill(FLAT + "[charges]\nper_day = 1", year(2025), 0)
    assert found.total == 365
    assert even_bill(FLAT + "[charges]\nper_day = 1", year(2024), 0).total == 366


def test_months_for_thirty_days() -> None:
    text = FLAT + "[charges]\nper_month = 30\n[billing]\nmonth_days = 30"
    assert totals(even_bill(text, steps("2025-01-01", "2025-03-01"), 0)) == [31, 28]


def test_charges_and_credits_in_given_months() -> None:
    # pge.com and rateatlas.org/california/rate-details: a climate credit of $36.18 in April and October
    text = FLAT + '[[credits]]\nname = "climate credit"\nper_month = -36.18\nmonths = [4, 10]'
    text += "\n[charges]\nper_month = 1\nmonths = [1]"
    found = even_bill(text, year(2025), 0)
    assert {period.name: period.total for period in found.periods if period.total} == {
        "2025-01": 1,
        "2025-04": Decimal("-36.18"),
        "2025-10": Decimal("-36.18"),
    }


def test_months_of_longer_periods() -> None:
    text = (
        FLAT
        + "[[charges]]\nname = 'all'\nper_month = 10\n[[charges]]\nname = 'one'\nper_month = 1\nmonths = [2]\n"
    )
    found = even_bill(text + "[billing]\nperiod_months = 2", steps("2025-01-01", "2025-05-01"), 0)
    assert totals(found) == [21, 20]


def test_meter_read_dates() -> None:
    text = FLAT + "[charges]\nper_month = 10\n[billing]\nread_dates = [2025-01-14, 2025-02-13, 2025-03-15]"
    found = even_bill(text, steps("2025-01-14", "2025-03-15"), 60)
    assert [(period.name, str(period.start), str(period.end)) for period in found.periods] == [
        ("2025-01", "2025-01-14", "2025-02-12"),
        ("2025-02", "2025-02-13", "2025-03-14"),
    ]
    assert sum(totals(found)) == 60 * Decimal("0.20") + 20


def test_two_reads_in_one_month_are_named_by_their_days() -> None:
    text = FLAT + "[billing]\nread_dates = [2025-01-01, 2025-01-31, 2025-03-02]"
    found = even_bill(text, steps("2025-01-01", "2025-03-02"), 1)
    assert [period.name for period in found.periods] == ["2025-01-01", "2025-01-31"]


def test_reads_that_do_not_enclose_the_series_are_refused() -> None:
    text = FLAT + "[billing]\nread_dates = [2025-01-14, 2025-02-13]"
    with pytest.raises(TariffError, match=r"read_dates.*2025-01-14 to 2025-03-14.*add a read"):
        even_bill(text, steps("2025-01-14", "2025-03-15"), 1)


# --- adjustments, rounding, minimum


def test_adjustments_stand_in_order_on_their_base() -> None:
    text = (
        FLAT
        + """
    [charges]
    name = "meter"
    per_month = 50
    [[adjustments]]
    name = "rebate"
    percent = -10
    applies_to = ["energy"]
    [[adjustments]]
    name = "tax"
    percent = 20
    not_to = "rebate"
    [[adjustments]]
    name = "levy on tax"
    percent = 1
    applies_to = ["tax", "meter"]
    [[adjustments]]
    name = "discount"
    percent = -50
    """
    )
    found = amounts(even_bill(text, month("2025-01"), 500), "adjustment")
    assert found == {"rebate -10%": -10, "tax +20%": 30, "levy on tax +1%": 0.8, "discount -50%": -85.4}


@pytest.mark.parametrize(
    ("kwh", "mode", "total"),
    [(1, "half-up", "0.13"), (1, "half-even", "0.12"), (3, "half-up", "0.38"), (3, "half-even", "0.38")],
)
def test_halves_round_as_stated(kwh: float, mode: str, total: str) -> None:
    text = FLAT.replace("0.20", "0.125") + f'[rounding]\nmode = "{mode}"'
    assert even_bill(text, month("2025-01"), kwh).total == Decimal(total)


def test_rounding_per_line_is_of_lines_and_of_taxes_on_rounded_lines() -> None:
    text = TWO + '[rounding]\nper = "line"\n[[adjustments]]\nname = "tax"\npercent = 50'
    times = steps("2025-01-01", "2025-01-02")
    energy = np.zeros(24)
    energy[[9, 22]] = 0.35, 0.25  # 0.105 and 0.025
    found = bill(parse_tariff(text), times, 1.0, energy)
    assert [line.billed_amount for line in found.periods[0].lines] == [
        Decimal("0.11"),
        Decimal("0.03"),
        Decimal("0.07"),
    ]
    assert (found.total, found.total_unrounded) == (Decimal("0.21"), Decimal("0.195"))
    assert found.periods[0].rounding == Decimal("0.015")


def test_the_noise_of_binary_fractions_does_not_reach_the_cent() -> None:
    text = FLAT.replace("0.20", "0.05")
    times = month("2025-06")
    energy = np.zeros(len(times))
    energy[:3] = 0.3
    assert math.fsum(energy) < 0.9  # added as floats it is not what was metered
    assert bill(parse_tariff(text), times, 1.0, energy).total == Decimal("0.05")  # 0.045 exactly, half up


def test_minimum_bill_tops_up_what_it_names() -> None:
    # rateatlas.org/california/rate-details (PG&E): minimum of $0.40317 a day: 12.0951 in a month of 30 days
    text = FLAT + "[minimum]\nper_day = 0.40317\n"
    assert even_bill(text, month("2025-06"), 0).total == Decimal("12.10")
    found = even_bill(text, month("2025-06"), 50)
    assert amounts(found) == {"energy": 10, "minimum bill: top-up to 12.0951": 2.0951}
    assert even_bill(text, month("2025-06"), 100).total == 20


def test_a_minimum_by_the_month_is_owed_for_part_of_one() -> None:
    text = FLAT + "[minimum]\nper_month = 30\n"
    found = even_bill(text, steps("2025-06-01", "2025-06-16"), 10)  # half of June
    assert amounts(found) == {"energy": 2, "minimum bill: top-up to 15": 13}


@pytest.mark.parametrize(
    ("applies_to", "total"),
    [
        # energy 20, credit -5, tax of 10 % on all that stands before it; at least 40
        ('["energy"]', 20 - 5 + 20 + 3.5),  # the top-up comes first and is taxed with the rest
        ('["energy", "tax"]', 20 - 5 + 1.5 + 18.5),
        ('["everything"]', 20 - 5 + 1.5 + 23.5),
    ],
)
def test_where_the_minimum_stands(applies_to: str, total: float) -> None:
    text = (
        FLAT
        + f"""
    [minimum]
    per_month = 40
    applies_to = {applies_to}
    [[credits]]
    name = "credit"
    per_month = -5
    [[adjustments]]
    name = "tax"
    percent = 10
    """
    )
    found = even_bill(text, month("2025-06"), 100)
    assert float(found.total_unrounded) == pytest.approx(total)


def test_riders_and_losses() -> None:
    text = (
        TWO
        + """
    [[riders]]
    name = "transmission"
    price_per_kwh = 0.01
    [[riders]]
    name = "night levy"
    price_per_kwh = 0.02
    bands = "night"
    [losses]
    loss_factor = 1.05
    applies_to = ["energy", "transmission"]
    """
    )
    assert amounts(even_bill(text, month("2025-06"), 200)) == {
        "day × 1.05 losses": 31.5,
        "night × 1.05 losses": 10.5,
        "transmission × 1.05 losses": 2.1,
        "night levy": 2,
    }


# --- versions


def test_a_version_changes_only_what_it_names() -> None:
    text = (
        TWO
        + """
    [[charges]]
    name = "meter"
    per_month = 30
    [[charges]]
    name = "fund"
    per_month = 3
    [[versions]]
    valid_from = 2025-06-11
    bands = { day = { import_price_per_kwh = 0.60 } }
    charges = [{ name = "meter", per_month = 60 }]
    """
    )
    found = even_bill(text, month("2025-06"), 60)
    assert amounts(found, "charges") == {
        "meter (10 of 30 days)": 10,
        "meter (20 of 30 days)": 40,
        "fund": 3,
    }
    energy = [float(line.amount) for line in found.periods[0].lines if line.kind == "energy"]
    assert energy == [3, 12, 3]


def test_blocks_of_a_month_whose_prices_change_share_their_limits_by_days() -> None:
    text = """
    name = "tiers"
    currency = "EUR"
    [bands.use]
    [blocks]
    steps = [{ up_to_kwh = 30, price_per_kwh = 1 }, { price_per_kwh = 2 }]
    [[versions]]
    valid_from = 2025-06-11
    blocks = [{ steps = [{ up_to_kwh = 30, price_per_kwh = 3 }, { price_per_kwh = 4 }] }]
    """
    found = even_bill(text, month("2025-06"), 60)
    assert [float(line.amount) for line in found.periods[0].lines] == [10, 20, 60, 80]


def test_blocks_by_season_in_a_period_of_two_seasons() -> None:
    text = """
    name = "tiers"
    currency = "EUR"
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
    [[blocks]]
    name = "winter tiers"
    seasons = "winter"
    steps = [{ up_to_kwh = 1000, price_per_kwh = 1 }, { price_per_kwh = 2 }]
    [[blocks]]
    name = "summer tiers"
    seasons = "summer"
    steps = [{ up_to_kwh = 600, price_per_kwh = 1 }, { price_per_kwh = 2 }]
    """
    found = even_bill(text, steps("2025-04-16", "2025-05-16"), 1200)
    assert amounts(found) == {
        "winter tiers: up to 500 kWh (15 of 30 days)": 500,
        "winter tiers: above 500 kWh (15 of 30 days)": 200,
        "summer tiers: up to 300 kWh (15 of 30 days)": 300,
        "summer tiers: above 300 kWh (15 of 30 days)": 600,
    }


# --- whatever the tariff


@given(st.integers(1, 2000), st.integers(0, 300))
@settings(max_examples=25, deadline=None)
def test_a_telescopic_bill_rises_with_use_and_never_jumps(kwh: int, more: int) -> None:
    text = """
    name = "tiers"
    currency = "EUR"
    [bands.use]
    [blocks]
    steps = [
      { up_to_kwh = 100, price_per_kwh = 0.1 },
      { up_to_kwh = 400, price_per_kwh = 0.2 },
      { price_per_kwh = 0.15 },
    ]
    """
    less, greater = (even_bill(text, month("2025-06"), use).total_unrounded for use in (kwh, kwh + more))
    assert 0 <= greater - less <= Decimal("0.2") * more


def test_the_same_series_in_utc_gives_the_same_bill() -> None:
    text = TWO.replace('currency = "EUR"', 'currency = "EUR"\ntime_zone = "America/Toronto"')
    energy = np.random.default_rng(7).random(8760)
    local = bill(parse_tariff(text), year(2025), 1.0, energy)
    assert bill(parse_tariff(text), year(2025).tz_convert("UTC"), 1.0, energy) == local


@given(cases())
@settings(max_examples=15, deadline=None)
def test_a_tariff_survives_the_way_to_another_process(case: Case) -> None:
    tariff = case.tariff()
    again = pickle.loads(pickle.dumps(tariff))  # noqa: S301 - our own bytes
    assert again == tariff
    assert again.source == tariff.source
    once, twice = (price_steps(one, case.times, case.dt_hours) for one in (tariff, again))
    assert np.array_equal(once.import_price_per_kwh, twice.import_price_per_kwh)


def test_doubled_prices_double_the_bill() -> None:
    energy = np.random.default_rng(8).random(8760)
    once = bill(parse_tariff(TWO), year(2025), 1.0, energy).total_unrounded
    doubled = TWO.replace("0.30", "0.60").replace("0.10", "0.20")
    assert bill(parse_tariff(doubled), year(2025), 1.0, energy).total_unrounded == 2 * once


def test_quarter_hours_and_hours_of_one_load_give_one_bill() -> None:
    energy = np.random.default_rng(9).random(8760)
    hours = bill(parse_tariff(TWO), year(2025), 1.0, energy).total
    quarters = bill(parse_tariff(TWO), year(2025, minutes=15), 0.25, np.repeat(energy / 4, 4)).total
    assert hours == quarters


@pytest.mark.parametrize("bad", [-0.001, float("nan"), float("inf")])
def test_energy_that_no_meter_shows_is_refused(bad: float) -> None:
    energy = np.ones(24)
    energy[3] = bad
    with pytest.raises(TariffError, match=r"import_kwh must be a number >= 0.*step 3"):
        bill(parse_tariff(FLAT), steps("2025-01-01", "2025-01-02"), 1.0, energy)


def test_series_of_different_length_are_refused() -> None:
    with pytest.raises(TariffError, match=r"one value per step.*24 steps"):
        bill(parse_tariff(FLAT), steps("2025-01-01", "2025-01-02"), 1.0, np.ones(23))


def test_steps_out_of_order_or_without_zone_are_refused() -> None:
    times = steps("2025-01-01", "2025-01-02")
    with pytest.raises(TariffError, match=r"not regular.*2025-01-01T02:00"):
        price_steps(parse_tariff(FLAT), times[[0, 2, 3]], 1.0)
    with pytest.raises(TariffError, match="no time zone"):
        price_steps(parse_tariff(FLAT), times.tz_localize(None), 1.0)
