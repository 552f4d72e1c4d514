"""Tariffs as a household meets them: files, the price at each instant, bills to the cent."""

from tariffs.billing import Bill, BillLine, PeriodBill, bill
from tariffs.errors import MeterError, TariffError
from tariffs.loading import load_tariff, parse_tariff
from tariffs.model import Tariff
from tariffs.prices import price_steps
from tariffs.terms import BlockTerm, DemandTerm, MinimumTerm, NettingTerm, PricedSteps, evaluate

__all__ = [
    "Bill",
    "BillLine",
    "BlockTerm",
    "DemandTerm",
    "MeterError",
    "MinimumTerm",
    "NettingTerm",
    "PeriodBill",
    "PricedSteps",
    "Tariff",
    "TariffError",
    "bill",
    "evaluate",
    "load_tariff",
    "parse_tariff",
    "price_steps",
]
