"""Metered energy to a bill: exact decimal lines, adjusted in the tariff's order, rounded as it says.

Nothing here uses the effective prices of `tariffs.prices`; the two share only which price holds when and
what is measured.
"""

from dataclasses import dataclass, replace
from decimal import Context, Decimal, localcontext

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from tariffs.billing.export_credit import Credit
from tariffs.billing.items import item_lines
from tariffs.billing.lines import ZERO, BillLine, PeriodBill, Placed, quantized, rounded_line
from tariffs.billing.rebates import rebate_lines
from tariffs.billing.tiers import Measured, billed_demand
from tariffs.billing.turns import with_turns
from tariffs.billing.usage import Floats, usage_by_part
from tariffs.billing.whole_kwh import side_by_side
from tariffs.errors import TariffError
from tariffs.meter import NONE_BESIDE, OtherReadings
from tariffs.periods.blocks import block_cells
from tariffs.periods.credit import BEFORE
from tariffs.periods.demand import demand_cells
from tariffs.periods.layout import Layout, lay_out
from tariffs.periods.rebates import rebate_events
from tariffs.periods.registers import lay_registers
from tariffs.sheet.tariff import Tariff

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
    rounds_kwh : bool
        Whether kWh are rounded before they are priced (then print `billed_amount` too).
    """

    tariff_name: str
    currency: str
    periods: tuple[PeriodBill, ...]
    rounds_lines: bool = False
    rounds_kwh: bool = False

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
            credit=_account(tariff),
            rebates=rebate_events(layout),
        )
        periods = tuple(_period_bill(measured, index) for index in range(len(layout.periods)))
    by_line, whole_kwh = tariff.rounding.per == "line", tariff.rounding.kwh_places is not None
    return Bill(tariff.name, tariff.currency, periods, by_line, whole_kwh)


def _account(tariff: Tariff) -> Credit | None:
    """Open the account of what exports earn, where they are not paid in money."""
    if tariff.export_credit is None:
        return None
    account = Credit(tariff.export_credit)
    opening = tariff.export_credit.opening_amount
    account.exact.lots, account.billed.lots = ([(BEFORE, opening)] if opening else [] for _ in range(2))
    return account


def _measured(layout: Layout, bought: Floats, sold: Floats, others: OtherReadings) -> Measured:
    demand, rounding = demand_cells(layout, others), layout.tariff.rounding
    return Measured(
        layout=layout,
        bought=bought,
        sold=sold,
        usage=usage_by_part(layout, bought, sold),
        rounded=() if rounding.kwh_places is None else usage_by_part(layout, bought, sold, rounding),
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
    rounding = layout.tariff.rounding
    total = quantized(sum((line.billed_amount for line in lines), ZERO), rounding, rounding.total_to)
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
    rounding = measured.layout.tariff.rounding
    lines = _all_items(measured, index)
    if measured.rounded:
        lines = side_by_side(lines, _all_items(measured.of_rounded(), index))
    lines = [
        replace(placed, line=replace(placed.line, billed_amount=rounded_line(placed.line, rounding)))
        for placed in lines
    ]
    if measured.credit is not None:
        lines = measured.credit.earn(lines, measured.layout.tariff.currency)
    return with_turns(measured, index, lines)


def _all_items(measured: Measured, index: int) -> list[Placed]:
    lines = item_lines(measured, index)
    lines += rebate_lines(measured.rebates, measured.bought, measured.layout.parts_of(index))
    for name, register in measured.registers:
        lines += [
            replace(placed, line=replace(placed.line, register=name))
            for placed in item_lines(register, index)
        ]
    return lines
