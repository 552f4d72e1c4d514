"""What one run comes to: bill, wear, flows and backup. One record, whoever made the flows."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Literal

import numpy as np

import tariffs
from dispatch.case.stored_value import lowest_price_per_kwh
from dispatch.errors import ReconciliationError
from dispatch.flows import TOLERANCE_KWH
from dispatch.outages.hours import BackupSummary, backup_summary
from dispatch.rules.score import target_level_kwh
from dispatch.strategies.solve import grid_only
from tariffs.terms.shared_out import unit_prices

if TYPE_CHECKING:
    import pandas as pd

    from dispatch.arrays import Floats
    from dispatch.case.case import Case
    from dispatch.flows import Flows
    from dispatch.strategies.solved import Solved


RECONCILE_RELATIVE = 1e-6

Basis = Literal["as set", "planned", "no system"]


@dataclass(frozen=True)
class Shortfall:
    """A promise a run could not keep.

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
class Proof:
    """What the solver proved of a planned run.

    Attributes
    ----------
    stage_values : dict of str to float
        Optimum of every stage, in order.
    residual_kwh : float
        Worst violation of any row or bound.
    gap : float or None
        Relative gap of the yes-or-no decisions; None where there are none.
    seconds : float
        Time of solving.
    unproven : float
        The gap as an amount: how much less the best plan may cost. [currency]
    hard : str
        What made the yes-or-no decisions hard, where their search was stopped before the gap asked; else empty.
    """

    stage_values: dict[str, float]
    residual_kwh: float
    gap: float | None
    seconds: float
    unproven: float = 0.0
    hard: str = ""

    @property
    def stopped(self) -> bool:
        """Whether the search was stopped: the best plan found, not proven."""
        return bool(self.hard)


@dataclass(frozen=True)
class Outcome:
    """One run in money, energy and hours.

    Attributes
    ----------
    name : str
        The strategy, or what the settings are called.
    basis : str
        ``as set``: as an inverter runs it, seeing only the present; ``planned``: knowing the whole period;
        ``no system``: from the meter alone.
    flows : Flows
        Its case has the run's own reserve, start and closing level.
    bill : Bill
    reference : float
        Unrounded bill of the household without the system, which the saving is against. [currency]
    reconciliation : float
        Relative difference between the bill and the same flows priced by the program's own terms.
    proof : Proof or None
        Of planned runs.
    reserve_percent : float or None
        The reserve as entered on the device, percent of nominal; None where none was entered.
    """

    name: str
    basis: Basis
    flows: Flows
    bill: tariffs.Bill
    reference: float
    reconciliation: float
    proof: Proof | None = None
    reserve_percent: float | None = None
    shortfalls: tuple[Shortfall, ...] = field(init=False)

    def __post_init__(self) -> None:
        """Find the promises that could not be kept."""
        object.__setattr__(self, "shortfalls", _shortfalls(self.flows))

    # ---- money ---------------------------------------------------------------------------------------------

    @property
    def case(self) -> Case:
        """The case as it was run."""
        return self.flows.case

    @property
    def total(self) -> float:
        """The rounded bill as a number, for arithmetic."""
        return float(self.bill.total)

    @cached_property
    def wear(self) -> float:
        """Money for wear, beside the bill."""
        return self.flows.wear

    @property
    def bill_and_wear(self) -> float:
        """Bill + wear, unrounded."""
        return float(self.bill.total_unrounded) + self.wear

    @property
    def compared_cost(self) -> float:
        """Bill + wear, less the worth of what more is stored at the end: what everything is ranked by."""
        return self.bill_and_wear - (self.stored_change_value or 0.0)

    @property
    def least_possible(self) -> float:
        """What no plan of its kind can cost less than, in the same measure; its own cost where that is proven."""
        return self.compared_cost - (self.proof.unproven if self.proof is not None else 0.0)

    @property
    def bound(self) -> float:
        """What to call the bound where this is a plan: its own cost, unless the search for a better one was stopped."""
        return self.least_possible if self.stopped else self.compared_cost

    @property
    def saving(self) -> float:
        """What the household without the system pays more, in the same measure."""
        return self.reference - self.compared_cost

    @cached_property
    def stored_change_kwh(self) -> float | None:
        """Level at the end less level at the start; None where the battery lies idle."""
        if not self.flows.uses_battery:
            return None
        return float(self.flows["stored"][-1] - self.case.limits.start_kwh)

    @cached_property
    def stored_change_value(self) -> float | None:
        """Its worth at the period's lowest price."""
        change = self.stored_change_kwh
        return None if change is None else change * lowest_price_per_kwh(self.case)

    @cached_property
    def idle_cost(self) -> float | None:
        """The system's own draw at what bought energy cost in its steps, blocks and netting shared out."""
        if not self.flows.has_system:
            return None
        flows = self.flows
        prices = unit_prices(self.case.prices, flows["import"], flows["export"])
        return float(flows.idle_kwh @ prices.import_per_kwh)

    @cached_property
    def period_costs(self) -> dict[str, float]:
        """Bill + wear of each billing period."""
        prices, flows = self.case.prices, self.flows
        worn = np.zeros(len(prices.period))
        if flows.has_system:
            worn = self.case.limits.wear_per_kwh * flows.cells_out_kwh
        wear = np.bincount(prices.period, weights=worn, minlength=len(prices.period_names)).tolist()
        return {
            period.name: float(period.total_unrounded) + money
            for period, money in zip(self.bill.periods, wear, strict=True)
        }

    # ---- energy --------------------------------------------------------------------------------------------

    @cached_property
    def cycles(self) -> float | None:
        """Full cycles of the usable energy."""
        limits = self.case.limits
        if not self.flows.uses_battery:
            return None
        return float(self.flows.cells_out_kwh.sum() / (limits.full_kwh - limits.empty_kwh))

    @property
    def sun_used_kwh(self) -> float | None:
        """Sun that served the load or charged the battery."""
        flows = self.flows
        return float(flows["sun_to_load"].sum() + flows["sun_to_battery"].sum()) if flows.has_system else None

    def sum_kwh(self, family: str) -> float:
        """Sum one family of flows over the period."""
        return float(self.flows[family].sum())

    @property
    def import_kwh_by_band(self) -> dict[str, float]:
        """Energy bought at each named price."""
        prices, bought = self.case.prices, self.flows["import"]
        return {
            band: float(bought[prices.band == index].sum()) for index, band in enumerate(prices.band_names)
        }

    # ---- promises ------------------------------------------------------------------------------------------

    @property
    def serves(self) -> bool:
        """Whether the whole load is served in daily use."""
        return self.sum_kwh("unserved_load") <= TOLERANCE_KWH

    @property
    def status(self) -> str:
        """``optimal`` or ``best found`` (planned), ``runs`` (as set) or ``cannot serve``."""
        if not self.serves:
            return "cannot serve"
        if self.basis == "as set":
            return "runs"
        return "best found" if self.stopped else "optimal"

    @property
    def stopped(self) -> bool:
        """Whether this is the best plan found before the search for a better one was stopped."""
        return self.proof is not None and self.proof.stopped

    @property
    def floor_broken_hours(self) -> float | None:
        """Hours below the reserve; None where the battery lies idle."""
        if not self.flows.uses_battery:
            return None
        return float(np.sum(self.flows["floor_shortfall"] > TOLERANCE_KWH) * self.case.dt_hours)

    @cached_property
    def backup(self) -> BackupSummary | None:
        """Hours of backup at the end of every step; None where the battery lies idle."""
        return backup_summary(self.case, self.flows["stored"]) if self.flows.uses_battery else None

    @property
    def least_hours(self) -> float | None:
        """Fewest hours of backup, without sun; None where the battery lies idle. [h]."""
        return None if self.backup is None else self.backup.minimum

    @cached_property
    def target_share(self) -> float:
        """Share of instants that leave the backup target (1 without a target)."""
        target = target_level_kwh(self.case)
        if target is None:
            return 1.0
        return (
            float(np.mean(self.flows["stored"] >= target - TOLERANCE_KWH)) if self.flows.uses_battery else 0.0
        )

    @property
    def meets_target(self) -> bool:
        """Whether the target is left at the wanted share of instants."""
        return self.target_share >= share_wanted(self.case) - 1e-12


def share_wanted(case: Case) -> float:
    """Return the share of instants at which the target must hold; 0 without a target."""
    backup = case.scenario.backup
    return 0.0 if backup.target_hours is None else backup.share_of_instants_fraction


def bill_of(flows: Flows) -> tariffs.Bill:
    """Price a flow table under its case's tariff, from the meter's readings alone."""
    case = flows.case
    bought, sold = flows["import"], flows["export"]
    return tariffs.bill(case.tariff, case.times, case.dt_hours, bought, sold, others=case.others)


def as_set_outcome(flows: Flows, reference: float, reserve_percent: float | None) -> Outcome:
    """Price and judge a run of the inverter.

    Parameters
    ----------
    flows : Flows
    reference : float
        Unrounded bill of the household without the system. [currency]
    reserve_percent : float or None
        The reserve entered.

    Raises
    ------
    ReconciliationError
        If the bill and the same flows priced by the program's terms disagree.
    """
    bill = bill_of(flows)
    difference = reconcile(flows.case, flows.name, _terms_money(flows), bill)
    return Outcome(flows.name, "as set", flows, bill, reference, difference, None, reserve_percent)


def planned_outcome(solved: Solved, reference: float, reserve_percent: float | None = None) -> Outcome:
    """Price and judge a solved plan; parameters and errors as :func:`as_set_outcome`."""
    flows = solved.flows
    bill = bill_of(flows)
    difference = reconcile(flows.case, flows.name, solved.money, bill)
    proof = Proof(
        solved.stage_values, solved.residual, solved.gap, solved.seconds, solved.unproven, solved.hard
    )
    return Outcome(flows.name, "planned", flows, bill, reference, difference, proof, reserve_percent)


def without_system(case: Case) -> Outcome:
    """Return the household without the system, which every saving is against."""
    flows = grid_only(case)
    bill = bill_of(flows)
    difference = reconcile(case, flows.name, _terms_money(flows), bill)
    return Outcome(flows.name, "no system", flows, bill, float(bill.total_unrounded), difference)


def _terms_money(flows: Flows) -> float:
    """Price flows that no program decided by the terms a program would be given."""
    prices = flows.case.prices
    return tariffs.evaluate(prices, flows["import"], flows["export"]) - prices.fixed_total


def reconcile(case: Case, name: str, program_money: float, bill: tariffs.Bill) -> float:
    """Compare the program's money with the unrounded bill; return their relative difference.

    Parameters
    ----------
    case : Case
    name : str
        What the message calls the run.
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


def _shortfalls(flows: Flows) -> tuple[Shortfall, ...]:
    case, found = flows.case, []
    for kind in ("unserved_load", "import_excess", "floor_shortfall"):
        slack: Floats = flows[kind]
        broken = np.flatnonzero(slack > TOLERANCE_KWH)
        if len(broken):
            worst = int(np.argmax(slack))
            found.append(
                Shortfall(
                    kind=kind,
                    kwh=float(slack[worst] if kind == "floor_shortfall" else slack.sum()),
                    hours=len(broken) * case.dt_hours,
                    first=case.times[broken[0]],
                    last=case.times[broken[-1]],
                    worst=case.times[worst],
                    worst_kwh=float(slack[worst]),
                )
            )
    if flows.closing_shortfall_kwh > TOLERANCE_KWH:
        end, kwh = case.times[-1], flows.closing_shortfall_kwh
        found.append(Shortfall("closing_shortfall", kwh, 0.0, end, end, end, kwh))
    return tuple(found)
