"""What a kWh left in the battery at the end is worth."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tariffs.terms.shared_out import unit_prices

if TYPE_CHECKING:
    from dispatch.case.case import Case


def lowest_price_per_kwh(case: Case) -> float:
    """Return the cheapest step's price of energy for the household without the system: what a stored kWh is worth.

    Blocks count at what they cost that household on average, so that a tiered tariff has a price too; never negative.
    [currency/kWh]
    """
    bought = case.load_kwh + case.other_kwh
    lowest = float(unit_prices(case.prices, bought, np.zeros(len(bought))).import_per_kwh.min())
    # a price below nothing pays for buying; to have stored is no burden
    return max(lowest, 0.0)
