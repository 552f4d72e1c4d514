"""Metered energy to a bill: exact decimal lines, adjusted in the tariff's order, rounded as it says.

Nothing here uses the effective prices of `tariffs.prices`; the two share only which price holds when and
what is measured.
"""

from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace
from decimal import Context, Decimal, localcontext

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from tariffs.billing.items import item_lines
from tariffs.billing.lines import (
    ZERO,
    BillLine,
    PeriodBill,
    Placed,
    money,
    quantized,
    ratio,
    shared,
    text,
)
from tariffs.billing.tiers import Measured, billed_demand
from tariffs.billing.usage import Floats, usage_by_part
from tariffs.errors import TariffError
from tariffs.meter import NONE_BESIDE, OtherReadings
from tariffs.periods.cells import block_cells
from tariffs.periods.demand import demand_cells
from tariffs.periods.layout import Layout, lay_out
from tariffs.periods.registers import lay_registers
from tariffs.periods.runs import Run, turns
from tariffs.sheet.tariff import EVERYTHING, Adjustment, Tariff
from tariffs.sheet.usage import Minimum

__all__ = ["Bill", "BillLine", "PeriodBill", "bill"]
_EXACT = Context(prec=40)


@dataclass(frozen=True)
class Bill:
    """All periods' bills of a series.

    Attributes
    ----------
    tariff_name, currency : str
    periods : tuple of PeriodBill
    rounds_lines : bool
        Whether lines are rounded one by one (then print `billed_amount`), or each period's total.
    """

    tariff_name: str
    currency: str
    periods: tuple[PeriodBill, ...]
    rounds_lines: bool = False

    @property
    def total(self) -> Decimal:
        """Sum of the periods' rounded totals."""
        return sum((period.total for period in self.periods), ZERO)

    @property
    def total_unrounded(self) -> Decimal:
        """Sum of every line before any rounding."""
        with localcontext(_EXACT):
            return sum((period.total_unrounded for period in self.periods), ZERO)


def bill(  # noqa: PLR0913 - what is metered beside the main meter is rare, and stands last
    tariff: Tariff,
    times: pd.DatetimeIndex,
    dt_hours: float,
    import_kwh: ArrayLike,
    export_kwh: ArrayLike | None = None,
    *,
    others: OtherReadings = NONE_BESIDE,
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
    others : OtherReadings, optional
        What is metered beside them.

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
        measured = replace(
            _measured(layout, bought, sold, others),
            registers=[
                (one.name, _measured(one.layout, one.bought, one.sold, NONE_BESIDE))
                for one in lay_registers(layout, others)
            ],
        )
        periods = tuple(_period_bill(measured, index) for index in range(len(layout.periods)))
    return Bill(tariff.name, tariff.currency, periods, tariff.rounding.per == "line")


def _measured(layout: Layout, bought: Floats, sold: Floats, others: OtherReadings) -> Measured:
    demand = demand_cells(layout, others)
    return Measured(
        layout=layout,
        bought=bought,
        sold=sold,
        usage=usage_by_part(layout, bought, sold),
        blocks=block_cells(layout),
        demand=demand,
        billed_kw=billed_demand(demand, bought),
    )


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


def _period_bill(measured: Measured, index: int) -> PeriodBill:
    layout = measured.layout
    lines = [placed.line for placed in _period_lines(measured, index)]
    exact = sum((line.amount for line in lines), ZERO)
    total = quantized(sum((line.billed_amount for line in lines), ZERO), layout.tariff.rounding)
    steps = layout.steps_of(index)
    return PeriodBill(
        name=layout.periods[index].name,
        start=layout.dates[layout.date[steps.start]],
        end=layout.dates[layout.date[steps.stop - 1]],
        lines=tuple(lines),
        total_unrounded=exact,
        rounding=total - exact,
        total=total,
    )


def _period_lines(measured: Measured, index: int) -> list[Placed]:
    """Return the lines of one period, exact and as billed side by side."""
    layout = measured.layout
    rounding = layout.tariff.rounding
    lines = item_lines(measured, index)
    for name, register in measured.registers:
        lines += [
            replace(placed, line=replace(placed.line, register=name))
            for placed in item_lines(register, index)
        ]
    if rounding.per == "line":
        lines = [_billed(placed, quantized(placed.line.amount, rounding)) for placed in lines]
    for turn in turns(layout, index):
        if isinstance(turn.item, Adjustment):
            lines.append(_adjusted(layout, turn.item, turn.run, lines))
        else:
            lines += _topped_up(layout, turn.item, turn.run, lines)
    return lines


def _billed(placed: Placed, amount: Decimal) -> Placed:
    return replace(placed, line=replace(placed.line, billed_amount=amount))


def _adjusted(layout: Layout, item: Adjustment, run: Run, lines: list[Placed]) -> Placed:
    rounding = layout.tariff.rounding
    counted = [placed for placed in lines if _in_base(placed.line, item.applies_to, item.not_to)]
    base, billed_base = _owed(counted, run.parts)
    rate = item.percent / 100
    exact = rate * base
    billed = quantized(rate * billed_base, rounding) if rounding.per == "line" else exact
    label = f"{item.name} {item.percent:+f}%"
    line = BillLine(label, "adjustment", billed_base, layout.tariff.currency, rate, exact, billed, item.name)
    return Placed(line, {part: rate * _owed(counted, (part,))[0] for part in run.parts})


def _topped_up(layout: Layout, item: Minimum, run: Run, lines: list[Placed]) -> list[Placed]:
    rounding = layout.tariff.rounding
    per_day, per_month = item.per_day or ZERO, item.per_month or ZERO
    least = per_day * ratio(run.days) + per_month * ratio(run.months)
    wanted = () if EVERYTHING in item.applies_to else item.applies_to
    base, billed_base = _owed([placed for placed in lines if _in_base(placed.line, wanted, ())], run.parts)
    exact, billed = max(least - base, ZERO), max(least - billed_base, ZERO)
    if rounding.per == "line":
        billed = quantized(billed, rounding)
    if not exact and not billed:
        return []
    line = money(f"{item.name}: top-up to {text(least, 4)}", ("minimum", item.name), exact)
    return [shared(replace(line, billed_amount=billed), {at: layout.parts[at].days for at in run.parts})]


def _owed(lines: Iterable[Placed], parts: Collection[int]) -> tuple[Decimal, Decimal]:
    """Add up the exact and the billed amounts that parts of a period owe."""
    amounts = [placed.owed(parts) for placed in lines]
    return sum((exact for exact, _ in amounts), ZERO), sum((billed for _, billed in amounts), ZERO)


def _in_base(line: BillLine, wanted: tuple[str, ...], barred: tuple[str, ...]) -> bool:
    """Tell whether a line is named by its group or its name, and not excepted; no names means every line."""
    named = not wanted or line.kind in wanted or line.name in wanted or line.register in wanted
    return named and not {line.kind, line.name, line.register} & set(barred)
