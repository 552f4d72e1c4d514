"""What is fed in, on bills small enough to check by hand: prices, blocks, netting."""

from decimal import Decimal

import numpy as np
import pandas as pd
import pytest
from homes.tariff_plain import FLAT, TWO, totals
from homes.tariff_series import amounts, even_bill, month, steps

from tariffs import Bill, bill, evaluate, parse_tariff, price_steps


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
