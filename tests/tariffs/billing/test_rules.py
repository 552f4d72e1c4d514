"""Rules of bills, each on a case small enough to check by hand."""

import math
import pickle
from decimal import Decimal
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from homes.tariff_series import amounts, even_bill, lines, month, steps, year
from homes.tariff_shapes import Case, cases
from hypothesis import given, settings
from hypothesis import strategies as st

from tariffs import Bill, Tariff, TariffError, bill, evaluate, parse_tariff, price_steps

FLAT = """
name = "flat"
currency = "EUR"
[bands.energy]
import_price_per_kwh = 0.20
"""
TWO = """
name = "two"
currency = "EUR"
other_hours = "night"
[bands]
day = { import_price_per_kwh = 0.30 }
night = { import_price_per_kwh = 0.10 }
[[windows]]
band = "day"
hours = "08:00-20:00"
"""


def totals(found: Bill) -> list[Decimal]:
    return [period.total for period in found.periods]


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


# --- export


def test_export_is_credited_by_window_in_money() -> None:
    text = TWO.replace("0.30 }", "0.30, export_price_per_kwh = 0.12 }")
    found = even_bill(text, month("2025-06"), 0, export_kwh=100)
    assert amounts(found) == {"day export": -6}
    assert found.total == -6


def test_export_blocks() -> None:
    text = FLAT + '[blocks]\nname = "feed-in"\nof = "export"\nlimits_for_days = 1\n'
    text += "steps = [{ up_to_kwh = 8, price_per_kwh = 0.12 }, { price_per_kwh = 0.05 }]"
    found = even_bill(text, month("2025-06"), 0, export_kwh=300)
    assert amounts(found) == {"feed-in: up to 240 kWh": -28.8, "feed-in: above 240 kWh": -3}


NETTED = """
[netting]
across = "any-band"
order = ["day", "night"]
"""


def netted(text: str, imports: list[tuple[float, float]], exports: list[float]) -> Bill:
    """Bill months with given (day, night) imports and day exports."""
    times = steps("2025-01-01", f"2025-{len(imports) + 1:02d}-01")
    energy, fed = np.zeros(len(times)), np.zeros(len(times))
    for number, ((day, night), export) in enumerate(zip(imports, exports, strict=True)):
        first = int(times.searchsorted(pd.Timestamp(f"2025-{number + 1:02d}-10", tz=times.tz)))
        energy[first + 9], energy[first + 22], fed[first + 12] = day, night, export
    tariff = parse_tariff(text)
    found = bill(tariff, times, 1.0, energy, fed)
    assert evaluate(price_steps(tariff, times, 1.0), energy, fed) == pytest.approx(
        float(found.total_unrounded)
    )
    return found


def test_netting_spends_in_the_tariffs_order() -> None:
    found = netted(TWO + NETTED, [(10, 10), (10, 10)], [15, 12])
    assert totals(found) == [Decimal("0.50"), Decimal("0.80")]
    reverse = netted(TWO + NETTED.replace('"day", "night"', '"night", "day"'), [(10, 10), (10, 10)], [15, 12])
    assert totals(reverse) == [Decimal("1.50"), Decimal("2.40")]


def test_credits_are_spent_at_once_even_where_prices_rise() -> None:
    # waiting for March, ten times as dear, would suit the household; the tariff does not wait
    rising = (
        TWO + NETTED + "[[versions]]\nvalid_from = 2025-03-01\nbands = { day = { import_price_per_kwh = 3 } }"
    )
    found = netted(rising, [(0, 0), (10, 0), (10, 0)], [12, 0, 0])
    assert totals(found) == [0, 0, Decimal("24.00")]
    assert [line.label for line in found.periods[0].lines] == [
        "exported and set off or credited",
        "credits carried forward",
    ]


def test_credits_stay_in_their_band() -> None:
    text = TWO + '[netting]\nacross = "same-band"\n'
    assert totals(netted(text, [(0, 10), (10, 10)], [15, 0])) == [1, 1]
    first = TWO + '[netting]\nacross = "same-band-first"\norder = ["night", "day"]\n'
    assert totals(netted(first, [(10, 10), (10, 10)], [15, 0])) == [Decimal("0.50"), 4]


def test_settlement_once_a_year() -> None:
    text = TWO + NETTED + 'settlement = "02-28"\nsettlement_price_per_kwh = 0.04'
    found = netted(text, [(10, 0), (10, 0), (10, 0)], [100, 0, 0])
    assert totals(found) == [0, Decimal("-3.20"), 3]  # 80 kWh are left at the end of February, and paid


def test_surplus_paid_or_lost_each_month() -> None:
    paid = TWO + NETTED + 'surplus = "paid"\nsurplus_price_per_kwh = 0.05'
    assert totals(netted(paid, [(10, 0), (10, 0)], [30, 0])) == [-1, 3]
    lost = TWO + NETTED + 'surplus = "lost"'
    assert totals(netted(lost, [(10, 0), (10, 0)], [30, 0])) == [0, 3]


def test_credits_from_before_and_riders_that_are_not_netted() -> None:
    text = TWO + NETTED + "opening_kwh = { all = 5 }\n"
    text += '[[riders]]\nname = "levy"\nprice_per_kwh = 0.01\nnetted = false'
    assert totals(netted(text, [(10, 0)], [2])) == [Decimal("0.90") + Decimal("0.10")]


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


# --- events and price series


def test_an_event_across_midnight_belongs_to_its_date() -> None:
    text = TWO + '[events]\ndates = [2025-01-31]\nhours = "22:00-02:00"\nadder_per_kwh = 1\n'
    times = steps("2025-01-01", "2025-03-01")
    priced = price_steps(parse_tariff(text), times, 1.0)
    held = times[priced.event]
    assert [str(at)[:16] for at in held] == [
        "2025-01-31 22:00",
        "2025-01-31 23:00",
        "2025-02-01 00:00",
        "2025-02-01 01:00",
    ]
    assert priced.import_price_per_kwh[priced.event] == pytest.approx([1.1] * 4)
    found = bill(parse_tariff(text), times, 1.0, np.ones(len(times)))
    assert [line.amount for p in found.periods for line in p.lines if line.label == "event"] == [2, 2]


def test_day_colours_by_event_windows() -> None:
    text = (
        TWO.replace(
            "[bands]",
            "[bands]\nred = { import_price_per_kwh = 0.70 }\nred-night = { import_price_per_kwh = 0.15 }",
        )
        + """
    [events]
    name = "red days"
    dates = [2025-01-15]
    windows = [
      { band = "red", hours = "06:00-22:00" },
      { band = "red-night", hours = "22:00-06:00" },
    ]
    """
    )
    priced = price_steps(parse_tariff(text), steps("2025-01-15", "2025-01-17"), 1.0)
    names = [priced.band_names[at] for at in priced.band]
    assert (
        names
        == ["night"] * 6 + ["red"] * 16 + ["red-night"] * 8 + ["night"] * 2 + ["day"] * 12 + ["night"] * 4
    )


@pytest.mark.parametrize("on_price", [True, False])
def test_events_are_priced_in_the_bill_as_in_the_steps(on_price: bool) -> None:
    price = 'band = "critical"' if on_price else "adder_per_kwh = 0.6"
    bands = "[bands]\ncritical = { import_price_per_kwh = 0.9 }" if on_price else "[bands]"
    text = TWO.replace("[bands]", bands) + f'[events]\ndates = [2025-06-03]\nhours = "17:00-19:00"\n{price}'
    found = even_bill(text, month("2025-06"), 720)
    expected = 358 * 0.3 + 360 * 0.1 + 2 * (0.9 if on_price else 0.3 + 0.6)
    assert float(found.total_unrounded) == pytest.approx(expected)


def hourly(tmp_path: object, prices: list[float], extra: str = "", minutes: int = 60) -> Tariff:
    rows = pd.date_range("2025-06-01", periods=len(prices), freq=f"{minutes}min", tz="Europe/Berlin")
    lines = [f"{at.isoformat()},{price}" for at, price in zip(rows, prices, strict=True)]
    folder = str(tmp_path)
    with open(f"{folder}/prices.csv", "w", encoding="utf-8") as file:  # noqa: PTH123 - tmp_path comes untyped
        file.write("\n".join(["time,day_ahead_per_mwh", *lines]))
    text = 'name = "spot"\ncurrency = "EUR"\ntime_zone = "Europe/Berlin"\n'
    text += f'[hourly_prices]\ncsv = "prices.csv"\nimport_column = "day_ahead_per_mwh"\n{extra}'
    return parse_tariff(text, f"{folder}/tariff.toml")


def test_hourly_prices_with_negative_ones_markup_and_tax(tmp_path: object) -> None:
    tariff = hourly(
        tmp_path,
        [-50, 0, 100, 250],
        '[riders]\nname = "markup"\nprice_per_kwh = 0.02\n[[adjustments]]\nname = "VAT"\npercent = 20',
    )
    times = pd.date_range("2025-06-01", periods=4, freq="60min", tz="Europe/Berlin")
    priced = price_steps(tariff, times, 1.0)
    assert priced.hourly
    assert priced.import_price_per_kwh == pytest.approx([-0.036, 0.024, 0.144, 0.324])
    found = bill(tariff, times, 1.0, [4, 3, 2, 1])
    assert float(found.total_unrounded) == pytest.approx(1.2 * (-0.2 + 0.2 + 0.25 + 0.2))


def test_a_tax_on_hourly_prices_leaves_what_is_fed_in_alone(tmp_path: Path) -> None:
    rows = "".join(f"2025-06-01T{hour:02d}:00Z,0.30,0.10\n" for hour in range(4))
    (tmp_path / "prices.csv").write_text("time,bought_per_kwh,sold_per_kwh\n" + rows, encoding="utf-8")
    text = 'name = "spot"\ncurrency = "EUR"\n[hourly_prices]\ncsv = "prices.csv"\n'
    text += 'import_column = "bought_per_kwh"\nexport_column = "sold_per_kwh"\n'
    text += '[[adjustments]]\nname = "tax"\npercent = 10\napplies_to = ["OF"]\n'
    times = pd.date_range("2025-06-01", periods=4, freq="60min", tz="UTC")
    bought, sold = np.array([1.0, 2, 3, 4]), np.array([1.0, 1, 1, 2])
    for of, tax in (("hourly prices", 0.3), ("hourly prices, export", -0.05)):
        tariff = parse_tariff(text.replace("OF", of), str(tmp_path / "tariff.toml"))
        found = bill(tariff, times, 1.0, bought, sold)
        terms = evaluate(price_steps(tariff, times, 1.0), bought, sold)
        assert terms == pytest.approx(float(found.total_unrounded))
        assert [label for label, _ in lines(found)[:2]] == ["hourly prices", "hourly prices, export"]
        assert amounts(found, "adjustment") == {"tax +10%": tax}


def test_a_row_a_day_over_a_clock_change_is_told(tmp_path: Path) -> None:
    rows = ["2025-03-29T00:00+01:00,0.2", "2025-03-30T00:00+01:00,0.2", "2025-03-31T00:00+02:00,0.3"]
    (tmp_path / "prices.csv").write_text("\n".join(["time,price_per_kwh", *rows]), encoding="utf-8")
    text = (
        'name = "days"\ncurrency = "EUR"\ntime_zone = "Europe/Berlin"\n[hourly_prices]\ncsv = "prices.csv"\n'
    )
    with pytest.raises(
        TariffError, match=r"a row a day cannot hold over a change .* write a row for each hour"
    ):
        parse_tariff(text + 'import_column = "price_per_kwh"\n', str(tmp_path / "tariff.toml"))


def test_finer_steps_than_the_price_rows(tmp_path: object) -> None:
    tariff = hourly(tmp_path, [100, 200])
    times = pd.date_range("2025-06-01", periods=8, freq="15min", tz="Europe/Berlin")
    assert price_steps(tariff, times, 0.25).import_price_per_kwh == pytest.approx([0.1] * 4 + [0.2] * 4)


def test_prices_that_change_inside_a_step_or_run_out(tmp_path: object) -> None:
    times = pd.date_range("2025-06-01", periods=3, freq="60min", tz="Europe/Berlin")
    with pytest.raises(TariffError, match=r"changes inside a step.*2025-05-31T22:00Z"):
        price_steps(hourly(tmp_path, [1.0] * 12, minutes=15), times, 1.0)
    with pytest.raises(TariffError, match=r"no price for 1 of 3 steps.*first missing 2025-06-01T00:00Z"):
        price_steps(hourly(tmp_path, [1.0] * 2), times, 1.0)


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
