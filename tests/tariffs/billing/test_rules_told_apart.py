"""Rules of bills that only a close case tells from their likeliest mistake; each small enough to check by hand."""

from __future__ import annotations

from decimal import Decimal

import numpy as np
import pandas as pd
import pytest
from homes.tariff_series import amounts, even_bill, month

from tariffs import bill, evaluate, parse_tariff, price_steps

FLAT = """
name = "flat"
currency = "EUR"
[bands.energy]
import_price_per_kwh = 0.20
"""


def one_hour(kwh: float) -> tuple[pd.DatetimeIndex, np.ndarray]:
    """A month of hours with all its energy in the tenth."""
    times = month("2025-06")
    energy = np.zeros(len(times))
    energy[9] = kwh
    return times, energy


# --- rounding per line


def test_a_tax_on_rounded_lines_is_of_what_they_were_rounded_to() -> None:
    text = FLAT + '[rounding]\nper = "line"\n[[charges]]\nname = "meter"\nper_month = 0.125\n'
    text += '[[adjustments]]\nname = "tax"\npercent = 100'
    times, energy = one_hour(0.625)
    (period,) = bill(parse_tariff(text), times, 1.0, energy).periods
    # 0.125 twice, each printed as 0.13: the tax is of 0.26, where the exact 0.250 would give 0.25
    assert [line.billed_amount for line in period.lines] == [Decimal(x) for x in ("0.13", "0.13", "0.26")]
    assert (period.total, period.total_unrounded) == (Decimal("0.52"), Decimal("0.5"))
    assert period.rounding == Decimal("0.02")


def test_a_top_up_brings_the_printed_lines_to_the_minimum_exactly() -> None:
    text = FLAT + '[minimum]\nper_month = 10\n[rounding]\nper = "line"'
    times, energy = one_hour(0.525)  # 0.105, printed as 0.11
    (period,) = bill(parse_tariff(text), times, 1.0, energy).periods
    assert [line.billed_amount for line in period.lines] == [Decimal("0.11"), Decimal("9.89")]
    assert (period.total, period.total_unrounded) == (Decimal(10), Decimal(10))


# --- quantities


def test_losses_raise_what_is_bought_and_never_what_is_fed_in() -> None:
    text = (
        FLAT
        + """
    [[riders]]
    name = "levy"
    price_per_kwh = 0.01
    [[riders]]
    name = "feed-in bonus"
    of = "export"
    price_per_kwh = -0.03
    [losses]
    loss_factor = 1.10
    applies_to = ["riders"]
    """
    )
    times = month("2025-06")
    found = even_bill(text, times, 100, export_kwh=50)
    assert amounts(found) == {"energy": 20, "levy × 1.1 losses": 1.1, "feed-in bonus": -1.5}
    energy, fed = np.full(len(times), 100 / len(times)), np.full(len(times), 50 / len(times))
    priced = price_steps(parse_tariff(text), times, 1.0)
    assert evaluate(priced, energy, fed) == pytest.approx(float(found.total_unrounded))


def test_what_is_fed_in_at_hourly_prices_is_an_amount_of_energy_at_a_price_to_the_household(
    tmp_path: object,
) -> None:
    rows = pd.date_range("2025-06-01", periods=2, freq="h", tz="Europe/Berlin")
    with open(f"{tmp_path}/prices.csv", "w", encoding="utf-8") as file:  # noqa: PTH123 - tmp_path comes untyped
        file.write(
            "\n".join(
                [
                    "time,sold_per_mwh",
                    *(f"{at.isoformat()},{p}" for at, p in zip(rows, (40, 80), strict=True)),
                ]
            )
        )
    text = (
        'time_zone = "Europe/Berlin"\n'
        + FLAT
        + '[hourly_prices]\ncsv = "prices.csv"\nexport_column = "sold_per_mwh"\n'
    )
    found = bill(parse_tariff(text, f"{tmp_path}/tariff.toml"), rows, 1.0, [0.0, 0.0], [3.0, 1.0])
    (line,) = found.periods[0].lines
    assert (line.quantity, line.unit, line.unit_price, line.amount) == (
        Decimal(4),
        "kWh",
        Decimal("-0.05"),
        Decimal("-0.2"),
    )


# --- classes of whole-band prices

CLASSES = """
name = "classes"
currency = "EUR"
[bands.use]
[blocks]
name = "class"
whole_band = true
steps = [
  { up_to_kwh = 100, price_per_kwh = 1 },
  { up_to_kwh = 300, price_per_kwh = 2 },
  { price_per_kwh = 3 },
]
"""


@pytest.mark.parametrize(
    ("kwh", "price"), [(100.0004, 1), (100.0006, 2), (300.0004, 2), (300.0006, 3)], ids=str
)
def test_a_class_is_decided_to_half_a_watt_hour(kwh: float, price: int) -> None:
    """What a meter's digits cannot show moves nobody into a dearer class."""
    times, energy = one_hour(kwh)
    found = bill(parse_tariff(CLASSES), times, 1.0, energy)
    assert found.total_unrounded == Decimal(str(kwh)) * price
    assert evaluate(price_steps(parse_tariff(CLASSES), times, 1.0), energy, 0 * energy) == pytest.approx(
        kwh * price
    )


def test_the_class_is_named_by_its_own_limits() -> None:
    names = ("up to 100 kWh", "up to 300 kWh", "above 300 kWh")
    for kwh, held in zip((50, 200, 400), names, strict=True):
        (line,) = bill(parse_tariff(CLASSES), *one_hour(kwh)[:1], 1.0, one_hour(kwh)[1]).periods[0].lines
        assert line.label.startswith(f"class, {held}: ")


# --- netting


def test_energy_netted_twice_in_one_part_of_a_bill_is_billed_twice() -> None:
    """A season that comes back within one billing period: two stretches of netting, one band and season."""
    text = """
    name = "seasons"
    currency = "EUR"
    [[seasons]]
    name = "fair"
    from = "06-10"
    to = "06-20"
    [[seasons]]
    name = "dear"
    from = "06-21"
    to = "06-09"
    [bands.use]
    import_price_per_kwh = { fair = 0.10, dear = 0.30 }
    [netting]
    across = "any-band"
    """
    times = month("2025-06")
    energy = np.zeros(len(times))
    for day, kwh in (("2025-06-05", 3.0), ("2025-06-15", 5.0), ("2025-06-25", 7.0)):
        energy[int(times.searchsorted(pd.Timestamp(day, tz=times.tz)))] = kwh
    found = bill(parse_tariff(text), times, 1.0, energy)
    assert found.total == Decimal("3.50")  # (3 + 7) · 0.30 + 5 · 0.10
    assert evaluate(price_steps(parse_tariff(text), times, 1.0), energy, 0 * energy) == pytest.approx(3.5)


# --- events


def test_an_event_of_each_version_has_that_versions_price() -> None:
    text = (
        FLAT
        + """
    [[events]]
    name = "hot day"
    dates = [2025-06-05, 2025-06-25]
    hours = "17:00-18:00"
    adder_per_kwh = 1
    [[versions]]
    valid_from = 2025-06-11
    events = [{ name = "hot day", adder_per_kwh = 2 }]
    """
    )
    times = month("2025-06")
    found = bill(parse_tariff(text), times, 1.0, np.ones(len(times)))
    events = [line for line in found.periods[0].lines if line.name == "hot day"]
    assert [(line.quantity, line.unit_price) for line in events] == [
        (Decimal(1), Decimal(1)),
        (Decimal(1), Decimal(2)),
    ]


# --- which demand, which months


def test_hours_of_use_count_by_the_demand_they_name() -> None:
    text = """
    name = "two demands"
    currency = "EUR"
    [bands.energy]
    [[demand]]
    name = "all day"
    price_per_kw = 0
    [[demand]]
    name = "at night"
    price_per_kw = 0
    hours = "00:00-06:00"
    [[blocks]]
    name = "use"
    demand = "at night"
    steps = [{ up_to_hours = 10, price_per_kwh = 0.30 }, { price_per_kwh = 0.10 }]
    """
    times, energy = one_hour(4.0)  # 4 kW at nine in the morning
    energy[1] = 2.0  # 2 kW at night: ten hours of use are 20 kWh, not 40
    energy[30:60] += 1.0
    (period,) = bill(parse_tariff(text), times, 1.0, energy).periods
    assert float(energy.sum()) == 36.0
    assert period.total == Decimal("7.60")  # 20 x 0.30 + 16 x 0.10


def test_a_minimum_by_the_month_is_owed_for_every_month_of_a_bill() -> None:
    text = FLAT + "[minimum]\nper_month = 10\n[billing]\nperiod_months = 2\n"
    times = pd.date_range("2025-05-01", "2025-07-01", freq="h", tz="Europe/Lisbon", inclusive="left")
    (period,) = bill(parse_tariff(text), times, 1.0, np.zeros(len(times))).periods
    assert period.total == Decimal(20)


@pytest.mark.parametrize(("months", "unit", "owed"), [(1, "kW", 5), (2, "kW-month", 10)])
def test_demand_is_owed_for_every_month_and_its_unit_says_so(months: int, unit: str, owed: int) -> None:
    text = FLAT + f'[[demand]]\nname = "power"\nprice_per_kw = 2.5\n[billing]\nperiod_months = {months}\n'
    end = "2025-06-01" if months == 1 else "2025-07-01"
    times = pd.date_range("2025-05-01", end, freq="h", tz="Europe/Lisbon", inclusive="left")
    energy = np.zeros(len(times))
    energy[9] = 2.0
    (period,) = bill(parse_tariff(text), times, 1.0, energy).periods
    lines = [line for line in period.lines if line.kind == "demand"]
    assert [(line.unit, line.amount) for line in lines] == [(unit, Decimal(owed))]


def test_a_minimum_counts_what_energy_costs_in_the_terms_too() -> None:
    tariff = parse_tariff(FLAT + "[minimum]\nper_month = 10\n")
    times, energy = one_hour(100.0)  # 20.00, above the minimum
    priced, sold = price_steps(tariff, times, 1.0), np.zeros(len(times))
    assert evaluate(priced, energy, sold) == pytest.approx(20.0)
    assert evaluate(priced, energy / 4, sold) == pytest.approx(10.0)
