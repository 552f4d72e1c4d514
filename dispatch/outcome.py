"""What one strategy came to: the records that comparison fills and reports show."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

import tariffs
from dispatch.backup.hours import BackupSummary, backup_summary
from dispatch.case.stored_value import lowest_price_per_kwh
from dispatch.errors import FlowsError, ReconciliationError
from dispatch.rules.replay import replay
from dispatch.rules.score import target_level_kwh
from dispatch.settings.plain import plain_card
from dispatch.settings.space import device_space
from dispatch.settings.tables import Tables
from dispatch.strategies.solve import grid_only
from dispatch.strategies.table import CHOICES

if TYPE_CHECKING:
    import datetime as dt

    import pandas as pd

    from dispatch.case.case import Case
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


BROKEN_KWH = 1e-6


@dataclass(frozen=True)
class Earned:
    """One way of running the system, in money and hours.

    Attributes
    ----------
    name : str
    flows : Flows
    bill : Bill
    wear : float
        Money for wear, beside the bill.
    saving : float
        Against the household without the system (rounded bills).
    stored_change_kwh, stored_change_value : float
        Level at the end less level at the start, and its worth at the period's lowest price.
    backup : BackupSummary
    target_share : float
        Share of instants that leave the backup target (1 without a target).
    floor_broken_hours, unserved_kwh, import_excess_kwh : float
    """

    name: str
    flows: Flows
    bill: tariffs.Bill
    wear: float
    saving: float
    stored_change_kwh: float
    stored_change_value: float
    backup: BackupSummary
    target_share: float
    floor_broken_hours: float
    unserved_kwh: float
    import_excess_kwh: float

    @property
    def status(self) -> str:
        """Whether the whole load is served: "optimal" for a strategy's result, and "cannot serve"."""
        return "cannot serve" if self.unserved_kwh > BROKEN_KWH else "optimal"

    @property
    def total(self) -> float:
        """The rounded bill."""
        return float(self.bill.total)

    @property
    def burden(self) -> float:
        """Bill + wear, less what more is stored at the end than at the start: what ways are compared by."""
        return float(self.bill.total_unrounded) + self.wear - self.stored_change_value


def earned(case: Case, name: str, flows: Flows, reference_total: float) -> Earned:
    """Price and judge one run."""
    bill = bill_of(flows)
    stored = flows["stored"]
    change = float(stored[-1] - case.limits.start_kwh)
    target = target_level_kwh(case)
    met = 1.0 if target is None else float(np.mean(stored >= target - BROKEN_KWH))
    return Earned(
        name=name,
        flows=flows,
        bill=bill,
        wear=flows.wear,
        saving=reference_total - float(bill.total),
        stored_change_kwh=change,
        stored_change_value=change * lowest_price_per_kwh(case),
        backup=backup_summary(case, stored),
        target_share=met,
        floor_broken_hours=float(np.sum(flows["floor_shortfall"] > BROKEN_KWH) * case.dt_hours),
        unserved_kwh=float(flows["unserved_load"].sum()),
        import_excess_kwh=float(flows["import_excess"].sum()),
    )


def reference_bill(case: Case) -> float:
    """Return the rounded bill of the household without the system."""
    return float(bill_of(grid_only(case)).total)


def strategies_as_set(case: Case, reference_total: float) -> dict[str, Earned]:
    """Run the strategies a household can set as an inverter would, entered as the tariff's windows say.

    Parameters
    ----------
    case : Case
    reference_total : float
        Bill of the household without the system.

    Returns
    -------
    dict of str to Earned
        By strategy; empty where the flows break a limit, as where no charger makes good what self-discharge takes
        from an empty battery. The reserve is the lowest level the device takes that keeps the scenario's floor at every
        instant; charging goes up to the highest one.
    """
    space = device_space(case)
    cards = [plain_card(case, space, name, space.reserves[0]) for name in CHOICES]
    try:
        runs = replay(case, Tables(case, space).orders(cards), CHOICES)
    except FlowsError:
        return {}
    return {flows.name: earned(case, flows.name, flows, reference_total) for flows in runs}
