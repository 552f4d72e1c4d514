"""What one run of the inverter earned: its bill, wear, hours of backup and what it could not keep."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dispatch.backup import BackupSummary, backup_summary
from dispatch.errors import FlowsError
from dispatch.results import bill_of
from dispatch.rules_scoring import replay, target_level_kwh
from dispatch.settings import Tables, device_space
from dispatch.settings_plain import plain_card
from dispatch.step_costs import lowest_price_per_kwh
from dispatch.strategies import CHOICES, grid_only

if TYPE_CHECKING:
    import tariffs
    from dispatch.case import Case
    from dispatch.flows import Flows

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
