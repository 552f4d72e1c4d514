"""Lines of several bills as one each: quantity times price is the amount, whatever its sign."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
from homes.tariff_series import even_bill, steps

from tariffs import bill, parse_tariff
from tariffs.billing.summed import summed_lines

if TYPE_CHECKING:
    from pathlib import Path


def test_prices_of_each_hour_become_their_mean_with_its_sign(tmp_path: Path) -> None:
    """By hand, four hours of June and four of July: 6 kWh bought for -0.60, 4 kWh sold for 0.24."""
    times = pd.date_range("2025-06-30T20:00", periods=8, freq="h", tz="Europe/Berlin")
    bought = [0.2, 0.1, -0.1, -0.2, -0.3, -0.3, 0.1, 0.1]
    sold = [0.04, 0.08] * 4
    rows = [f"{at.isoformat()},{b},{s}\n" for at, b, s in zip(times, bought, sold, strict=True)]
    (tmp_path / "prices.csv").write_text(
        "time,bought_per_kwh,sold_per_kwh\n" + "".join(rows), encoding="utf-8"
    )
    text = (
        'name = "spot"\ncurrency = "EUR"\ntime_zone = "Europe/Berlin"\n[hourly_prices]\ncsv = "prices.csv"\n'
        'import_column = "bought_per_kwh"\nexport_column = "sold_per_kwh"\n'
    )
    found = bill(
        parse_tariff(text, str(tmp_path / "tariff.toml")),
        times,
        1.0,
        [1.0] * 6 + [0.0] * 2,
        [0.0] * 6 + [2.0] * 2,
    )
    assert [(line.quantity, line.unit_price, line.amount) for line in summed_lines(found)] == [
        (Decimal(6), Decimal("-0.1"), Decimal("-0.6")),
        (Decimal(4), Decimal("-0.06"), Decimal("-0.24")),
    ]


def test_every_other_line_keeps_the_price_it_was_billed_at() -> None:
    text = """
    name = "two months"
    currency = "EUR"
    [bands.energy]
    import_price_per_kwh = 0.2
    export_price_per_kwh = 0.05
    [charges]
    per_day = 0.5
    [[adjustments]]
    name = "rebate"
    percent = -10
    applies_to = ["energy"]
    """
    found = even_bill(text, steps("2025-06-01", "2025-08-01"), 610.0, export_kwh=61.0)
    lines = {line.kind: line for line in summed_lines(found)}
    assert {kind: (float(line.quantity or 0), line.unit_price) for kind, line in lines.items()} == {
        "energy": (610.0, Decimal("0.2")),
        "export": (61.0, Decimal("-0.05")),
        "charges": (61.0, Decimal("0.5")),
        "adjustment": (122.0, Decimal("-0.1")),
    }
    assert float(lines["adjustment"].amount) == -12.2


def test_a_price_stays_itself_where_kilowatt_hours_are_rounded() -> None:
    text = """
    name = "whole"
    currency = "EUR"
    [bands.energy]
    import_price_per_kwh = 0.2
    [rounding]
    kwh_places = 0
    """
    (line,) = summed_lines(even_bill(text, steps("2025-06-01", "2025-08-01"), 100.7))
    assert (line.unit_price, float(line.quantity or 0)) == (Decimal("0.2"), 101.0)
    assert float(line.amount) == pytest.approx(0.2 * 100.7)  # of what was metered, before rounding


TWO_MONTHS = """
name = "two months"
currency = "EUR"
[bands.energy]
import_price_per_kwh = 0.2
export_price_per_kwh = 0.1
[charges]
per_month = 3
[minimum]
per_month = 10
applies_to = {applies_to}
[[adjustments]]
name = "tax"
percent = 10
"""


@pytest.mark.parametrize(
    ("applies_to", "kinds", "tax", "topped_up"),
    [
        # June 20 + 3; July 2 - 0.5 + 3, and 8 beside the energy, all of it taxed
        ("['energy']", ["energy", "export", "charges", "minimum", "adjustment"], 2.3 + 1.25, 8.0),
        # July 4.5 with 0.45 of tax: 5.05 are missing
        ("['everything']", ["energy", "export", "charges", "adjustment", "minimum"], 2.3 + 0.45, 5.05),
    ],
)
def test_lines_stand_in_the_order_of_the_bill_although_not_every_month_has_all(
    applies_to: str, kinds: list[str], tax: float, topped_up: float
) -> None:
    times = steps("2025-06-01", "2025-08-01")
    june = times.month == 6
    bought, sold = np.where(june, 100 / june.sum(), 10 / 744), np.where(june, 0.0, 5 / 744)
    lines = summed_lines(
        bill(parse_tariff(TWO_MONTHS.format(applies_to=applies_to)), times, 1.0, bought, sold)
    )
    assert [line.kind for line in lines] == kinds
    found = {line.kind: line for line in lines}
    assert float(found["adjustment"].amount) == pytest.approx(tax)
    assert float(found["minimum"].amount) == pytest.approx(topped_up)
    assert (found["minimum"].quantity, found["minimum"].unit_price) == (None, None)


def test_energy_at_two_prices_stays_two_lines_and_part_months_become_one() -> None:
    text = """
    name = "dearer"
    currency = "EUR"
    [bands.energy]
    import_price_per_kwh = 0.2
    [charges]
    per_month = 31
    [[versions]]
    valid_from = 2025-03-01
    [versions.bands.energy]
    import_price_per_kwh = 0.3
    """
    found = even_bill(text, steps("2025-01-21", "2025-04-01", zone="UTC"), 70.0)  # 1 kWh a day
    lines = summed_lines(found)
    assert [(line.label, line.unit_price) for line in lines] == [
        ("energy", Decimal("0.2")),
        ("energy", Decimal("0.3")),
        ("standing charge", Decimal(31)),
    ]
    assert [float(line.quantity or 0) for line in lines] == pytest.approx([39.0, 31.0, 2 + 11 / 31])
