"""What one strategy came to: the records that comparison fills and reports show."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import tariffs
from dispatch.errors import ReconciliationError

if TYPE_CHECKING:
    import datetime as dt

    import pandas as pd

    from dispatch.backup import BackupSummary
    from dispatch.case import Case
    from dispatch.flows import Flows

RECONCILE_RELATIVE = 1e-6


@dataclass(frozen=True)
class Shortfall:
    """A promise a strategy could not keep.

    Attributes
    ----------
    kind : str
        ``unserved_load``, ``import_excess``, ``floor_shortfall`` or ``closing_shortfall``.
    kwh, hours : float
        Σ over the steps for the first two; for the levels the deepest shortfall. Hours it lasted (0 for closing).
    first, last, worst : Timestamp
        Start of the first, last and worst step.
    worst_kwh : float
        The worst step's shortfall.
    """

    kind: str
    kwh: float
    hours: float
    first: pd.Timestamp
    last: pd.Timestamp
    worst: pd.Timestamp
    worst_kwh: float


@dataclass(frozen=True)
class StrategyResult:
    """One strategy in money, energy and hours. Energies in kWh over the case; a figure it lacks is None."""

    name: str
    status: str
    flows: Flows
    bill: tariffs.Bill
    saving: float
    wear: float
    seconds: float
    import_kwh: float
    export_kwh: float
    sun_used_kwh: float | None
    spilled_kwh: float | None
    cycles: float | None
    idle_kwh: float
    idle_cost: float | None
    import_kwh_by_band: dict[str, float]
    floor_broken_hours: float | None
    unserved_kwh: float
    import_excess_kwh: float
    closing_shortfall_kwh: float | None
    stored_change_kwh: float | None
    stored_change_value: float | None
    backup: BackupSummary | None
    shortfalls: tuple[Shortfall, ...]
    stage_values: dict[str, float]
    residual_kwh: float
    reconciliation: float
    gap: float | None

    @property
    def total(self) -> float:
        """The rounded bill as a number, for arithmetic."""
        return float(self.bill.total)

    @property
    def burden(self) -> float:
        """Bill + wear: what strategies are ranked by."""
        return float(self.bill.total_unrounded) + self.wear


@dataclass(frozen=True)
class PeakDayStrategy:
    """One strategy on one peak day: energy cost, lowest level [kWh] with the end of its step, hours left then."""

    cost: float
    lowest_kwh: float | None
    lowest_at: pd.Timestamp | None
    backup_hours: float | None


@dataclass(frozen=True)
class PeakDay:
    """One of the local days on which the household without the system pays most for energy."""

    date: dt.date
    grid_only_cost: float
    by_strategy: dict[str, PeakDayStrategy]


def bill_of(flows: Flows) -> tariffs.Bill:
    """Price a flow table under its case's tariff, from the meter's readings alone."""
    case = flows.case
    return tariffs.bill(case.tariff, case.times, case.dt_hours, flows["import"], flows["export"])


def reconcile(case: Case, name: str, program_money: float, bill: tariffs.Bill) -> float:
    """Compare the program's money with the unrounded bill; return their relative difference.

    Parameters
    ----------
    program_money : float
        Energy money of the program's own objective, without wear and fixed charges.
    bill : Bill
        Priced by ``tariffs.billing`` from the flows alone.

    Raises
    ------
    ReconciliationError
        If they differ by more than 1e-6 of the larger.
    """
    expected = program_money + case.prices.fixed_total
    actual = float(bill.total_unrounded)
    difference = abs(expected - actual)
    # A bill near zero is the small difference of large lines; its own lines give the scale then.
    scale = max(abs(expected), abs(actual), abs(program_money), abs(case.prices.fixed_total))
    if difference > RECONCILE_RELATIVE * scale + 1e-9:
        raise ReconciliationError(
            f"{case.path}: {name}: the program's money {expected:.8g} and the bill {actual:.8g} {case.currency} "
            "disagree; nothing is shown. Please report this scenario and tariff"
        )
    return difference / scale if scale else 0.0
