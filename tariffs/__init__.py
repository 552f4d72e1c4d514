"""Tariffs as a household meets them: files, the price at each instant, bills to the cent."""

from tariffs.billing.bill import Bill, bill
from tariffs.billing.lines import BillLine, PeriodBill
from tariffs.errors import MeterError, TariffError
from tariffs.meter import Meter, read_meter
from tariffs.sheet.load import load_tariff, parse_tariff
from tariffs.sheet.tariff import Tariff
from tariffs.terms.evaluate import evaluate
from tariffs.terms.price_steps import price_steps
from tariffs.terms.terms import PricedSteps

__all__ = [
    "Bill",
    "BillLine",
    "Meter",
    "MeterError",
    "PeriodBill",
    "PricedSteps",
    "Tariff",
    "TariffError",
    "bill",
    "evaluate",
    "load_tariff",
    "parse_tariff",
    "price_steps",
    "read_meter",
]
