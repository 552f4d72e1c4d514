"""Where trading with oneself, or wasting energy, would pay: binaries on exactly those steps."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from dispatch.solver import AT_MOST

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dispatch.case import Case
    from dispatch.tariff_columns import Sheet

    Floats = NDArray[np.float64]
    Side = tuple[tuple[str, ...], Floats]

PAYS = 1e-9  # money per kWh; a gain below this from trading with oneself is rounding


def forbid_self_trading(sheet: Sheet) -> None:
    """Let no step both buy and sell where that would pay, nor charge and discharge where wasting would."""
    case, dt = sheet.case, sheet.case.dt_hours
    limits, steps = case.limits, len(case.times)
    buy, sell = lowest_buying(case), highest_selling(case)
    if "export" in sheet.families:
        need = case.load_kwh + case.idle_kwh + case.other_kwh + limits.grid_charge_kw * dt
        most_export = np.full(steps, limits.inverter_kw * dt)
        _one_of(
            sheet, "trade", np.flatnonzero(sell > buy + PAYS), (("import",), need), (("export",), most_export)
        )
    into = (("grid_to_battery", "sun_to_battery"), np.full(steps, limits.total_charge_kw * dt))
    out = (
        ("battery_to_load", "battery_to_grid"),
        np.full(steps, limits.inverter_kw * dt / limits.eta_inverter),
    )
    _one_of(sheet, "burn", np.flatnonzero(buy < -PAYS), into, out)


def _one_of(sheet: Sheet, name: str, steps: NDArray[np.intp], first: Side, second: Side) -> None:
    """State for these steps that one of two sums of families is 0; each side comes with the most it can be."""
    if not len(steps):
        return
    which = sheet.statement.family(name, len(steps), 0.0, 1.0, integer=True)
    # Σ first ≤ most·which;  Σ second ≤ most·(1 - which)
    for place, ((names, most), sign) in enumerate(((first, -1.0), (second, 1.0))):
        families = [sheet.families[family] for family in names if family in sheet.families]
        sheet.statement.row_family(
            f"{name}_{place}",
            AT_MOST,
            (
                (
                    [*((family[t], 1.0) for family in families), (w, sign * float(most[t]))],
                    place * float(most[t]),
                )
                for t, w in zip(steps.tolist(), which, strict=True)
            ),
        )


def lowest_buying(case: Case) -> Floats:
    """Return the least that one more bought kWh can cost in each step, shape (n,)."""
    buy = case.prices.import_price_per_kwh.copy()
    for block in case.prices.blocks:
        if not block.of_export:
            lowest = min(float(step.prices.min()) for step in block.schedule.classes)
            if not block.netted:
                buy[block.steps] += lowest
    for term in case.prices.netting:
        if term.across != "any-band":
            for group in term.groups:
                buy[group.steps] -= group.value_per_kwh
    return buy


def highest_selling(case: Case) -> Floats:
    """Return the most that one more sold kWh can earn in each step, shape (n,)."""
    sell = case.prices.export_price_per_kwh.copy()
    for block in case.prices.blocks:
        if block.of_export:
            sell[block.steps] -= min(float(step.prices.min()) for step in block.schedule.classes)
    for term in case.prices.netting:
        if term.across == "any-band":
            paid = term.leftover_price_per_kwh if term.leftover == "paid" else 0.0
            most = max([paid, *(group.value_per_kwh for group in term.groups)])
            for group in term.groups:
                sell[group.steps] += most
    return sell
