"""Metered energy to a bill: exact decimal lines, adjusted in the tariff's order, rounded as it says.

Nothing here uses the effective prices of `tariffs.prices`; the two share only which band holds when.
"""

import datetime as dt
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, Context, Decimal, localcontext
from fractions import Fraction

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from tariffs.errors import TariffError
from tariffs.model import Adjustment, Charge, Rounding, Tariff
from tariffs.periods import Layout, Part, lay_out

Floats = NDArray[np.float64]
Rounder = Callable[[Decimal], Decimal]
_EXACT = Context(prec=40)
_KWH_DIGITS = 12  # sums of floats carry noise beyond this; a meter does not
_ZERO = Decimal(0)


@dataclass(frozen=True)
class BillLine:
    """One line of a bill.

    Attributes
    ----------
    label : str
        What the reader sees, including any share of a month it stands for.
    kind : str
        ``energy``, ``export``, ``charges`` or ``adjustment``.
    quantity, unit, unit_price : Decimal or None, str, Decimal or None
        How the amount came about.
    amount : Decimal
        Exact; credits are negative.
    billed_amount : Decimal
        As the bill prints it: rounded where the tariff rounds per line, else equal to `amount`.
    name : str
        The name in the tariff file, which adjustments can refer to.
    """

    label: str
    kind: str
    quantity: Decimal | None
    unit: str
    unit_price: Decimal | None
    amount: Decimal
    billed_amount: Decimal
    name: str = ""


@dataclass(frozen=True)
class PeriodBill:
    """The bill of one period; `end` is the last local date it covers."""

    name: str
    start: dt.date
    end: dt.date
    lines: tuple[BillLine, ...]
    total_unrounded: Decimal
    rounding: Decimal
    total: Decimal


@dataclass(frozen=True)
class Bill:
    """All periods' bills of a series."""

    tariff_name: str
    currency: str
    periods: tuple[PeriodBill, ...]

    @property
    def total(self) -> Decimal:
        """Sum of the periods' rounded totals."""
        return sum((period.total for period in self.periods), _ZERO)

    @property
    def total_unrounded(self) -> Decimal:
        """Sum of every line before any rounding."""
        with localcontext(_EXACT):
            return sum((period.total_unrounded for period in self.periods), _ZERO)


def bill(
    tariff: Tariff,
    times: pd.DatetimeIndex,
    dt_hours: float,
    import_kwh: ArrayLike,
    export_kwh: ArrayLike | None = None,
) -> Bill:
    """Price metered energy under a tariff.

    Parameters
    ----------
    tariff : Tariff
    times : DatetimeIndex, length n
        Starts of the steps; tz-aware, regular.
    dt_hours : float
        Length of each step. [h]
    import_kwh, export_kwh : array, shape (n,)
        Energy within each step, both >= 0; no export means none. [kWh]

    Returns
    -------
    Bill
        One `PeriodBill` per billing period the series touches.

    Raises
    ------
    TariffError
        If the series and the tariff do not fit each other, or energy is negative or not a number.
    """
    layout = lay_out(tariff, times, dt_hours)
    bought = _energy(tariff, "import_kwh", import_kwh, len(times))
    sold = _energy(
        tariff, "export_kwh", np.zeros(len(times)) if export_kwh is None else export_kwh, len(times)
    )
    with localcontext(_EXACT):
        periods = tuple(_period_bill(layout, index, bought, sold) for index in range(len(layout.periods)))
    return Bill(tariff.name, tariff.currency, periods)


def _energy(tariff: Tariff, name: str, values: ArrayLike, count: int) -> Floats:
    energy = np.asarray(values, dtype=np.float64)
    if energy.shape != (count,):
        raise TariffError(
            f"{tariff.source}: {name} must have one value per step (got {energy.shape}, {count} steps); "
            "give both series on the same times"
        )
    bad = np.flatnonzero(~(np.isfinite(energy) & (energy >= 0)))
    if bad.size:
        raise TariffError(
            f"{tariff.source}: {name} must be a number >= 0 in every step "
            f"(got {energy[bad[0]]} in step {int(bad[0])}); put energy fed in under export_kwh"
        )
    return energy


def _period_bill(layout: Layout, index: int, bought: Floats, sold: Floats) -> PeriodBill:
    period, rounding = layout.periods[index], layout.tariff.rounding
    lines: list[BillLine] = []
    for part in layout.parts:
        if part.period == index:
            lines += _part_lines(layout, part, bought, sold)
    exact = sum((line.amount for line in lines), _ZERO)
    total = _quantized(sum((line.billed_amount for line in lines), _ZERO), rounding)
    own = np.flatnonzero(layout.period == index)
    return PeriodBill(
        name=period.name,
        start=layout.dates[layout.date[own[0]]],
        end=layout.dates[layout.date[own[-1]]],
        lines=tuple(lines),
        total_unrounded=exact,
        rounding=total - exact,
        total=total,
    )


def _part_lines(layout: Layout, part: Part, bought: Floats, sold: Floats) -> list[BillLine]:
    """Return the lines of one part: once exact, once as billed, side by side."""
    sheet, rounding = layout.sheet(part.version), layout.tariff.rounding
    lines = [*_energy_lines(layout, part, bought, sold), *_charge_lines(layout, part)]
    if rounding.per == "line":
        lines = [_billed(line, _quantized(line.amount, rounding)) for line in lines]
    for adjustment in sheet.adjustments:
        lines.append(_adjusted(adjustment, lines, rounding))
    return lines


def _billed(line: BillLine, amount: Decimal) -> BillLine:
    return BillLine(
        line.label, line.kind, line.quantity, line.unit, line.unit_price, line.amount, amount, line.name
    )


def _quantized(amount: Decimal, rounding: Rounding) -> Decimal:
    mode = ROUND_HALF_UP if rounding.mode == "half-up" else ROUND_HALF_EVEN
    return amount.quantize(Decimal(1).scaleb(-rounding.places), rounding=mode)


def exact_kwh(values: Floats) -> Decimal:
    """Return a sum of metered energy as a decimal free of the noise of binary fractions."""
    return Decimal(format(math.fsum(values.tolist()), f".{_KWH_DIGITS}g"))


def ratio(value: Fraction) -> Decimal:
    """Return a fraction as a decimal."""
    return Decimal(value.numerator) / Decimal(value.denominator)


def _energy_lines(layout: Layout, part: Part, bought: Floats, sold: Floats) -> Iterator[BillLine]:
    sheet = layout.sheet(part.version)
    band, season = layout.band[part.steps], layout.season[part.steps]
    for kind, energy in (("energy", bought[part.steps]), ("export", sold[part.steps])):
        for name, held in sheet.bands.items():
            mine = band == layout.band_names.index(name)
            by_price: dict[Decimal, list[str]] = {}
            for seen in np.unique(season[mine]).tolist():
                label = layout.season_names[seen]
                price = held.import_price(label) if kind == "energy" else -held.export_price(label)
                by_price.setdefault(price, []).append(label)
            for price, seasons in by_price.items():
                indices = [layout.season_names.index(label) for label in seasons]
                kwh = exact_kwh(energy[mine & np.isin(season, indices)])
                if kwh and (price or kind == "energy"):
                    label = f"{name}{' export' if kind == 'export' else ''}"
                    if len(by_price) > 1:
                        label += f", {' and '.join(seasons)}"
                    amount = kwh * price
                    yield BillLine(label, kind, kwh, "kWh", price, amount, amount, name)


def _charge_lines(layout: Layout, part: Part) -> Iterator[BillLine]:
    for charge in layout.sheet(part.version).charges:
        if charge.per_day is not None:
            yield _fixed(charge, "day", ratio(part.days), charge.per_day, charge.name)
        if charge.per_month is not None:
            label = charge.name
            if part.months != 1:
                label += f" ({_days_text(part.days)} of {layout.periods[part.period].days} days)"
            yield _fixed(charge, "month", ratio(part.months), charge.per_month, label)


def _days_text(days: Fraction) -> str:
    return format(float(days), ".4g")


def _fixed(charge: Charge, unit: str, quantity: Decimal, price: Decimal, label: str) -> BillLine:
    amount = quantity * price
    return BillLine(label, "charges", quantity, unit, price, amount, amount, charge.name)


def _adjusted(adjustment: Adjustment, lines: list[BillLine], rounding: Rounding) -> BillLine:
    base = [line for line in lines if _in_base(line, adjustment)]
    rate = adjustment.percent / 100
    exact = rate * sum((line.amount for line in base), _ZERO)
    billed_base = sum((line.billed_amount for line in base), _ZERO)
    billed = _quantized(rate * billed_base, rounding) if rounding.per == "line" else exact
    label = f"{adjustment.name} {adjustment.percent:+f}%"
    return BillLine(label, "adjustment", billed_base, "", rate, exact, billed, adjustment.name)


def _in_base(line: BillLine, adjustment: Adjustment) -> bool:
    wanted = (
        not adjustment.applies_to or line.kind in adjustment.applies_to or line.name in adjustment.applies_to
    )
    return wanted and line.kind not in adjustment.not_to and line.name not in adjustment.not_to
