"""Two plain tariffs as TOML text, for rules added behind them."""

from decimal import Decimal

from tariffs import Bill

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
    """Return what each bill comes to."""
    return [period.total for period in found.periods]
