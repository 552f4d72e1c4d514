"""Tariffs as a household meets them: files, the price at each instant, bills to the cent."""

from tariffs.billing import Bill, BillLine, PeriodBill, bill
from tariffs.errors import MeterError, TariffError
from tariffs.loading import load_tariff, parse_tariff
from tariffs.meter import Meter, read_meter
from tariffs.model import Tariff
from tariffs.prices import price_steps
from tariffs.terms import (
    BlockTerm,
    DemandTerm,
    MinimumTerm,
    NettingGroup,
    NettingTerm,
    PricedSteps,
    Schedule,
    Step,
)
from tariffs.terms_evaluate import evaluate

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
