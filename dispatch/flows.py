"""The step-by-step result table, which checks its own balance, bounds and signs whoever made it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dispatch.errors import FlowsError

if TYPE_CHECKING:
    import pandas as pd

    from dispatch.arrays import Floats
    from dispatch.case.case import Case


TOLERANCE_KWH = 1e-6

COLUMNS = (
    "import_kwh",
    "export_kwh",
    "grid_to_load_kwh",
    "grid_to_battery_kwh",
    "sun_to_load_kwh",
    "sun_to_battery_kwh",
    "sun_to_grid_kwh",
    "spill_kwh",
    "battery_to_load_kwh",
    "battery_to_grid_kwh",
    "stored_kwh",
    "unserved_load_kwh",
    "import_excess_kwh",
    "floor_shortfall_kwh",
)


@dataclass(frozen=True)
class Flows:
    """Energy flows of one strategy over a case.

    Parameters
    ----------
    case : Case
    name : str
        The strategy.
    frame : DataFrame
        Index: the case's times (tz-aware, labelled by step start). Columns: ``COLUMNS``, kWh in the step, all
        ≥ 0; ``stored_kwh`` is at the **end** of the step (NaN without a system).
    closing_shortfall_kwh : float
        What the last level lacks of the closing level.
    has_system, uses_battery : bool
        False for the household without the system; False where the battery lies idle.

    Raises
    ------
    FlowsError
        If any balance, bound or sign is broken by more than 1e-6 kWh; names the step.
    """

    case: Case
    name: str
    frame: pd.DataFrame
    closing_shortfall_kwh: float = 0.0
    has_system: bool = True
    uses_battery: bool = True

    def __post_init__(self) -> None:
        if tuple(self.frame.columns) != COLUMNS or not self.frame.index.equals(self.case.times):
            raise FlowsError(
                f"{self.name}: the flow table must have the case's times and the columns {', '.join(COLUMNS)}"
            )
        self._check_signs()
        if self.has_system:
            self._check_balances()
            self._check_bounds()
            self._check_needless()
        else:
            self._check_meter_only()

    def __getitem__(self, name: str) -> Floats:
        """Return the column ``<name>_kwh`` as an array, shape (n,)."""
        return self.frame[f"{name}_kwh"].to_numpy()

    @property
    def idle_kwh(self) -> Floats:
        """The system's own draw in each step, shape (n,); zero without a system."""
        return self.case.idle_kwh if self.has_system else np.zeros(len(self.case.times))

    @property
    def cells_out_kwh(self) -> Floats:
        """Energy leaving the cells in each step, shape (n,)."""
        return (self["battery_to_load"] + self["battery_to_grid"]) / self.case.limits.eta_discharge

    @property
    def wear(self) -> float:
        """Money for wear, not part of any bill."""
        return float(self.case.limits.wear_per_kwh * self.cells_out_kwh.sum())

    def stored_before_kwh(self) -> Floats:
        """Level at the **start** of each step, shape (n,)."""
        return np.concatenate([[self.case.limits.start_kwh], self["stored"][:-1]])

    # ---- checks --------------------------------------------------------------------------------------------

    def _refuse(self, excess: Floats, what: str) -> None:
        """Raise where ``excess`` is above tolerance (NaN counts as broken)."""
        broken = ~(excess <= TOLERANCE_KWH)
        if np.any(broken):
            step = int(np.argmax(np.where(np.isnan(excess), np.inf, excess)))
            raise FlowsError(
                f"{self.case.path}: {self.name}: {what} broken by {excess[step]:.3g} kWh at "
                f"{self.case.times[step].isoformat()} ({int(broken.sum())} steps in all); please report this scenario"
            )

    def _check_signs(self) -> None:
        for column in COLUMNS:
            if column == "stored_kwh" and not self.has_system:
                continue
            self._refuse(-self.frame[column].to_numpy(), f"{column} ≥ 0")
        self._refuse(np.minimum(self["import"], self["export"]), "not importing and exporting at once")

    def _check_meter_only(self) -> None:
        case = self.case
        self._refuse(np.abs(self["import"] - case.load_kwh - case.other_kwh), "the meter balance")
        self._refuse(np.abs(self["grid_to_load"] - case.load_kwh), "the load balance")

    def _check_balances(self) -> None:
        case, limits = self.case, self.case.limits
        eta = limits.eta_inverter
        to_grid = eta * (self["sun_to_grid"] + self["battery_to_grid"])
        meter = self["grid_to_load"] + self["grid_to_battery"] + case.other_kwh - to_grid
        self._refuse(np.abs(self["import"] - self["export"] - meter), "the meter balance")
        served = self["grid_to_load"] + eta * (self["sun_to_load"] + self["battery_to_load"])
        self._refuse(
            np.abs(served + self["unserved_load"] - case.load_kwh - case.idle_kwh), "the load balance"
        )
        sun = self["sun_to_load"] + self["sun_to_battery"] + self["sun_to_grid"] + self["spill"]
        self._refuse(np.abs(sun - case.sun_kwh), "the sun balance")
        keep = 1 - limits.self_discharge_per_hour * case.dt_hours
        stored = keep * self.stored_before_kwh() + self._into_cells() - self.cells_out_kwh
        self._refuse(np.abs(self["stored"] - stored), "the storage balance")

    def _into_cells(self) -> Floats:
        limits = self.case.limits
        return limits.eta_charger * self["grid_to_battery"] + limits.eta_dc * self["sun_to_battery"]

    def _check_bounds(self) -> None:
        case, limits, dt = self.case, self.case.limits, self.case.dt_hours
        through_inverter = limits.eta_inverter * (
            self["sun_to_load"] + self["battery_to_load"] + self["sun_to_grid"] + self["battery_to_grid"]
        )
        plug = self["grid_to_load"] + self["grid_to_battery"]
        checks: list[tuple[Floats, float | None, str]] = [
            (self["grid_to_battery"], limits.grid_charge_kw, "charging.grid_w"),
            (self["grid_to_battery"] + self["sun_to_battery"], limits.total_charge_kw, "charging.combined_w"),
            (through_inverter, limits.inverter_kw, "inverter.continuous_w"),
            (self["grid_to_load"], limits.bypass_kw, "inverter.bypass_w"),
            (plug, limits.ac_input_kw, "charging.ac_input_w"),
            (self["import"] - self["import_excess"], limits.import_limit_kw, "grid.import_limit_kw"),
            (
                self["export"],
                limits.export_limit_kw if limits.feed_in == "grid" else 0.0,
                "grid.export_limit_kw",
            ),
        ]
        for energy, limit_kw, name in checks:
            if limit_kw is not None:
                self._refuse(energy - limit_kw * dt, f"the limit {name}")
        lost = limits.self_discharge_per_hour * dt * limits.full_kwh
        self._refuse(
            np.where(case.may_charge, 0.0, self._into_cells() - lost), "surroundings.no_charging_below_c"
        )
        if limits.feed_in == "none":
            self._refuse(self["sun_to_grid"] + self["battery_to_grid"], 'grid.feed_in = "none"')
        if not limits.battery_feed_in:
            self._refuse(self["battery_to_grid"], "grid.battery_feed_in = false")
        if limits.taper_hours:
            share = -math.expm1(-dt / limits.taper_hours)
            room = (limits.full_kwh - self.stored_before_kwh()) * share
            self._refuse(self._into_cells() - np.maximum(room, 0.0), "the charging taper")
        if self.uses_battery:
            self._refuse(limits.empty_kwh - self["stored"], "the empty level")
            self._refuse(self["stored"] - limits.ceiling_kwh, "the ceiling level")
            self._refuse(case.floor_kwh - self["stored"] - self["floor_shortfall"], "the reserve floor")
            closing = limits.closing_kwh - self["stored"][-1:] - self.closing_shortfall_kwh
            self._refuse(closing, "the closing level")

    def _check_needless(self) -> None:
        """No step may charge and discharge at once where sending the energy straight was possible."""
        limits, dt = self.case.limits, self.case.dt_hours
        into, out = (
            self["grid_to_battery"] + self["sun_to_battery"],
            self["battery_to_load"] + self["battery_to_grid"],
        )
        bypass_room = (
            np.full(len(into), np.inf)
            if limits.bypass_kw is None
            else limits.bypass_kw * dt - self["grid_to_load"]
        )
        # Around a full bypass the battery is the only other way from the grid to the load.
        around_bypass = np.where(
            bypass_room <= TOLERANCE_KWH, np.minimum(self["grid_to_battery"], self["battery_to_load"]), 0.0
        )
        self._refuse(np.minimum(into, out) - around_bypass, "not charging and discharging at once")
