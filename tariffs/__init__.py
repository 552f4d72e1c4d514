"""Tariffs as a household meets them: files, the price at each instant, bills to the cent."""

from tariffs.billing.bill import Bill, bill
from tariffs.billing.lines import BillLine, PeriodBill
from tariffs.errors import MeterError, TariffError
from tariffs.meter import Meter, read_meter
from tariffs.sheet.load import load_tariff, parse_tariff
from tariffs.sheet.tariff import Tariff
from tariffs.terms.evaluate import evaluate
from tariffs.terms.price_steps import price_steps
from tariffs.terms.terms import (
    BlockTerm,
    DemandTerm,
    MinimumTerm,
    NettingGroup,
    NettingTerm,
    PricedSteps,
    Schedule,
    Step,
)

__all__ = [
    "Bill",
    "BillLine",
    "BlockTerm",
    "DemandTerm",
    "Meter",
    "MeterError",
    "MinimumTerm",
    "NettingGroup",
    "NettingTerm",
    "PeriodBill",
    "PricedSteps",
    "Schedule",
    "Step",
    "Tariff",
    "TariffError",
    "bill",
    "evaluate",
    "load_tariff",
    "parse_tariff",
    "price_steps",
    "read_meter",
]
