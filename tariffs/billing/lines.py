"""Lines of a bill, and the exact decimals they are made of."""

import datetime as dt
import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from decimal import ROUND_DOWN, ROUND_HALF_EVEN, ROUND_HALF_UP, ROUND_UP, Decimal, InvalidOperation
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from tariffs.errors import TariffError
from tariffs.sheet.rounding import Rounding

_DIGITS = 12  # sums of floats carry noise beyond this; a meter does not
ZERO = Decimal(0)


@dataclass(frozen=True)
class BillLine:
    """One line of a bill.

    Attributes
    ----------
    label : str
        What the reader sees, including any share of a month it stands for.
    kind : str
        ``energy``, ``riders``, ``export``, ``netting`` (kWh only, no money), ``demand``, ``charges``,
        ``credits``, ``minimum`` or ``adjustment``.
    quantity, unit, unit_price : Decimal or None, str, Decimal or None
        How the amount came about. A percentage's quantity is the money it is of.
    amount : Decimal
        Exact; credits are negative.
    billed_amount : Decimal
        As the bill prints it: of rounded kWh, or rounded, where the tariff rounds kWh or lines; else equal to `amount`.
    name : str
        The name in the tariff file, which adjustments can refer to.
    register : str
        The register beside the main meter that it is of; empty for the main meter.
    """

    label: str
    kind: str
    quantity: Decimal | None
    unit: str
    unit_price: Decimal | None
    amount: Decimal
    billed_amount: Decimal
    name: str = ""
    register: str = ""


@dataclass(frozen=True)
class PeriodBill:
    """The bill of one period.

    Attributes
    ----------
    name : str
        ``YYYY-MM``.
    start, end : date
        First and last local date that the series covers.
    lines : tuple of BillLine
        Their exact amounts add up to `total_unrounded`.
    total_unrounded, rounding, total : Decimal
        ``total = total_unrounded + rounding``.
    """

    name: str
    start: dt.date
    end: dt.date
    lines: tuple[BillLine, ...]
    total_unrounded: Decimal
    rounding: Decimal
    total: Decimal

    @property
    def total_of_lines(self) -> Decimal:
        """Sum of the lines as they are printed."""
        return sum((line.billed_amount for line in self.lines), ZERO)


def priced(
    label: str, tags: tuple[str, str], quantity: Decimal, price: Decimal, unit: str = "kWh"
) -> BillLine:
    """Return the line of a quantity at a price; `tags` are the line's kind and its name in the file."""
    kind, name = tags
    amount = quantity * price
    return BillLine(label, kind, quantity, unit, price, amount, amount, name)


def money(label: str, tags: tuple[str, str], amount: Decimal) -> BillLine:
    """Return a line that is an amount by itself."""
    kind, name = tags
    return BillLine(label, kind, None, "", None, amount, amount, name)


@dataclass(frozen=True)
class Placed:
    """A line, and what of its exact amount each part of the period owes.

    Attributes
    ----------
    line : BillLine
    amounts : dict of int to Decimal
        By the part's index in the layout; percentages that change in mid-period are taken of these.
    """

    line: BillLine
    amounts: Mapping[int, Decimal]

    def owed(self, parts: Collection[int]) -> tuple[Decimal, Decimal]:
        """Return the exact and the billed amount that some parts owe."""
        if all(part in parts for part in self.amounts):
            return self.line.amount, self.line.billed_amount
        own = sum((amount for part, amount in self.amounts.items() if part in parts), ZERO)
        return own, own * self.line.billed_amount / self.line.amount if self.line.amount else ZERO


def shared(line: BillLine, shares: Mapping[int, Fraction]) -> Placed:
    """Share a line out over parts in proportion, by days as a rule."""
    whole = sum(shares.values(), Fraction(0))
    return Placed(line, {part: line.amount * ratio(share / whole) for part, share in shares.items()})


def exact(value: float) -> Decimal:
    """Return a measured number as a decimal free of the noise of binary fractions."""
    return Decimal(format(value, f".{_DIGITS}g"))


def exact_sum(values: NDArray[np.float64]) -> Decimal:
    """Return a sum of metered energy as a decimal free of the noise of binary fractions."""
    return exact(math.fsum(values.tolist()))


def ratio(value: Fraction) -> Decimal:
    """Return a fraction as a decimal."""
    return Decimal(value.numerator) / Decimal(value.denominator)


_MODES = {"half-up": ROUND_HALF_UP, "half-even": ROUND_HALF_EVEN, "down": ROUND_DOWN, "up": ROUND_UP}


def rounded_by(value: Decimal, places: int, mode: str) -> Decimal:
    """Round a number to decimal places, as a tariff says."""
    return value.quantize(Decimal(1).scaleb(-places), rounding=_MODES[mode])


def quantized(amount: Decimal, rounding: Rounding, to: Decimal | None = None) -> Decimal:
    """Round money as a tariff says: to its places, or to multiples of an amount."""
    try:
        if to is None:
            return rounded_by(amount, rounding.places, rounding.mode)
        return (rounded_by(amount / to, 0, rounding.mode) * to).quantize(to)
    except InvalidOperation:
        text = f"an amount of {amount:.3g} is no bill; correct the tariff's prices and percentages"
        raise TariffError(text) from None


def rounded_line(line: BillLine, rounding: Rounding) -> Decimal:
    """Round what a line is billed at, if the tariff rounds lines, or lines of its name or group."""
    tags = {line.kind, line.name, line.register}
    for own in rounding.lines:
        if not tags.isdisjoint(own.applies_to):
            return quantized(line.billed_amount, rounding.model_copy(update={"mode": own.mode}), own.to)
    return quantized(line.billed_amount, rounding) if rounding.per == "line" else line.billed_amount


def text(value: Decimal | Fraction, places: int = 3) -> str:
    """Write a number shortly: at most a few places, no trailing zeros."""
    number = value if isinstance(value, Decimal) else ratio(value)
    shown = format(number.quantize(Decimal(1).scaleb(-places), rounding=ROUND_HALF_UP), "f")
    return shown.rstrip("0").rstrip(".") if "." in shown else shown
