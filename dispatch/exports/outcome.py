"""One run as plain JSON types, and its steps as a table: the same keys wherever a run is handed out."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import pandas as pd

from dispatch.exports.bill import terms_document
from dispatch.exports.files import plain
from dispatch.words.origin import stamp

if TYPE_CHECKING:
    from dispatch.case.case import Case
    from dispatch.outcome import Outcome


def _proof(run: Outcome) -> dict[str, Any]:
    assert run.proof is not None  # noqa: S101 - of planned runs
    return {**plain(run.proof), "stopped": run.proof.stopped, "least_possible": run.least_possible}


def head(case: Case) -> dict[str, Any]:
    """Say what every document begins with: the home, its clock, its span, its limits."""
    return {
        "scenario": case.name,
        "currency": case.currency,
        "time_zone": case.scenario.site.time_zone,
        "start": case.times[0].isoformat(),
        "end": (case.times[-1] + pd.Timedelta(hours=case.dt_hours)).isoformat(),
        "steps": len(case.times),
        "dt_hours": float(case.dt_hours),
        "target_hours": case.scenario.backup.target_hours,
        "share_of_instants_fraction": case.scenario.backup.share_of_instants_fraction,
        **stamp(case),
    }


def outcome_document(run: Outcome) -> dict[str, Any]:
    """Put one run into plain JSON types.

    Returns
    -------
    dict
        ``bill_and_wear`` is bill + wear, unrounded; ``compared_cost`` takes off what more is stored at the end, and
        ``saving`` is the unrounded bill without the system less that. Energy in kWh over the period.
    """
    flows, uses = run.flows, run.flows.uses_battery
    return {
        "name": run.name,
        "basis": run.basis,
        "status": run.status,
        "reserve_percent": run.reserve_percent,
        "start_kwh": run.case.limits.start_kwh if uses else None,
        "closing_kwh": run.case.limits.closing_kwh if uses else None,
        "bill": {
            "total": float(run.bill.total),
            "total_unrounded": float(run.bill.total_unrounded),
            "months": {period.name: float(period.total) for period in run.bill.periods},
        },
        "wear": run.wear,
        "bill_and_wear": run.bill_and_wear,
        "compared_cost": run.compared_cost,
        "saving": run.saving,
        "bill_and_wear_by_period": run.period_costs,
        "import_kwh": run.sum_kwh("import"),
        "import_kwh_by_band": run.import_kwh_by_band,
        "export_kwh": run.sum_kwh("export"),
        "sun_used_kwh": run.sun_used_kwh,
        "spilled_kwh": run.sum_kwh("spill") if flows.has_system else None,
        "cycles": run.cycles,
        "idle_kwh": float(flows.idle_kwh.sum()),
        "idle_cost": run.idle_cost,
        "floor_broken_hours": run.floor_broken_hours,
        "unserved_kwh": run.sum_kwh("unserved_load"),
        "import_excess_kwh": run.sum_kwh("import_excess"),
        "closing_shortfall_kwh": flows.closing_shortfall_kwh if uses else None,
        "stored_change_kwh": run.stored_change_kwh,
        "stored_change_value": run.stored_change_value,
        **_backup(run),
        "shortfalls": plain(run.shortfalls),
        "reconciliation": run.reconciliation,
        **(_proof(run) if run.proof is not None else {}),
        **terms_document(run),
    }


def _backup(run: Outcome) -> dict[str, Any]:
    backup = run.backup
    if backup is None:
        return dict.fromkeys(
            (
                "backup_hours",
                "backup_hours_with_sun",
                "carries_critical_peak",
                "critical_peak_kw",
                "target_met_fraction",
            )
        )
    return {
        "backup_hours": {
            "min": backup.minimum,
            "p05": backup.p05,
            "median": backup.median,
            "worst_at": backup.worst_at.isoformat(),
        },
        "backup_hours_with_sun": {
            "min": backup.with_sun_minimum,
            "p05": backup.with_sun_p05,
            "median": backup.with_sun_median,
            "worst_at": backup.with_sun_worst_at.isoformat(),
        },
        "carries_critical_peak": backup.carries_critical_peak,
        "critical_peak_kw": backup.critical_peak_kw,
        "target_met_fraction": run.target_share,
    }


def step_table(run: Outcome) -> pd.DataFrame:
    """Lay one run's steps out with everything needed to check or re-solve them.

    Returns
    -------
    pandas.DataFrame
        n rows. ``time`` (step start, ISO 8601 with offset), the given series in kWh per step, prices per kWh,
        the floor, then every flow in kWh per step; ``stored_kwh`` is at the step's end. Without the system idle
        draw and sun are zero and ``stored_kwh`` is empty: its table must balance too.
    """
    case = run.case
    system = 1.0 if run.flows.has_system else 0.0
    given = {
        "time": [moment.isoformat() for moment in case.times],
        "load_kwh": case.load_kwh,
        "other_kwh": case.other_kwh,
        "idle_kwh": case.idle_kwh * system,
        "sun_kwh": case.sun_kwh * system,
        "critical_kwh": case.critical_kwh,
        "import_price_per_kwh": case.prices.import_price_per_kwh,
        "export_price_per_kwh": case.prices.export_price_per_kwh,
        "floor_kwh": case.floor_kwh,
    }
    return pd.DataFrame(given).join(run.flows.frame.reset_index(drop=True))


def csv_text(table: pd.DataFrame) -> str:
    """Write text and floats as ``DataFrame.to_csv`` does, NaN as nothing, in a third of its time."""
    columns = [
        values
        if isinstance(values[0], str)
        else ["" if math.isnan(value) else repr(value) for value in values]
        for values in (table[name].to_list() for name in table)
    ]
    rows = map(",".join, zip(*columns, strict=True))
    return "\n".join((",".join(table.columns), *rows, ""))
