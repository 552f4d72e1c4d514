"""Results as files for other programs: one JSON document, and each strategy's flows as CSV.

The two together hold every number the program used, unrounded, so that anyone can solve the year again.
"""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING, Any

import pandas as pd

from dispatch.exports.bill import terms_document
from dispatch.exports.files import write_files
from dispatch.exports.settings import way_document
from dispatch.words.notices import ASSUMPTIONS
from dispatch.words.would_serve import what_would_serve

if TYPE_CHECKING:
    from pathlib import Path

    from dispatch.case.case import Case
    from dispatch.case.check import CheckSummary
    from dispatch.comparison.compare import Comparison
    from dispatch.outcome import PeakDay, Shortfall, StrategyResult


def document(comparison: Comparison) -> dict[str, Any]:
    """Put a comparison into plain JSON types.

    Parameters
    ----------
    comparison : Comparison
        The finished comparison.

    Returns
    -------
    dict
        Keys are stable: more may be added, none is ever renamed. Energy in kWh, money in ``currency``,
        times ISO 8601 with offset. A figure that a strategy does not have is None.
    """
    case = comparison.case
    return {
        "scenario": case.name,
        "currency": case.currency,
        "time_zone": case.scenario.site.time_zone,
        "start": case.times[0].isoformat(),
        "end": (case.times[-1] + pd.Timedelta(hours=case.dt_hours)).isoformat(),
        "steps": len(case.times),
        "dt_hours": float(case.dt_hours),
        "strategies": [
            {**_strategy(result), **_as_set(comparison, result.name), **terms_document(case, result)}
            for result in comparison.strategies
        ],
        "peak_days": [_peak_day(day) for day in comparison.peak_days],
        "recommendation": dataclasses.asdict(comparison.recommendation),
        "would_serve": what_would_serve(comparison),
        "limits": dataclasses.asdict(case.limits),
        "clipped_sun_kwh": float(case.clipped_sun_kwh),
        "notes": list(case.notes),
        "assumptions": list(ASSUMPTIONS),
    }


def _as_set(comparison: Comparison, name: str) -> dict[str, Any]:
    """Return the strategy as an inverter runs it, and what foresight was worth; None for what nobody can set."""
    if name not in comparison.as_set:
        return {"as_set": None, "foresight_worth": None}
    run = comparison.as_set[name]
    return {
        "as_set": {**way_document(run), **terms_document(comparison.case, run)},
        "foresight_worth": comparison.foresight(name),
    }


def check_document(summary: CheckSummary) -> dict[str, Any]:
    """Put a summary made without solving into plain JSON types.

    Parameters
    ----------
    summary : CheckSummary
        From :func:`dispatch.case.check.check_summary`.

    Returns
    -------
    dict
        The summary's own field names; times ISO 8601 with offset, energy in kWh.
    """
    facts = dataclasses.asdict(summary)
    for series in facts["series"]:
        series["peak_at"] = series["peak_at"].isoformat()
    return {
        **facts,
        "path": str(summary.path),
        "start": summary.start.isoformat(),
        "end": summary.end.isoformat(),
    }


def _strategy(result: StrategyResult) -> dict[str, Any]:
    return {
        "name": result.name,
        "status": result.status,
        "seconds": result.seconds,
        "gap": result.gap,
        "bill": {
            "total": float(result.bill.total),
            "total_unrounded": float(result.bill.total_unrounded),
            "months": {period.name: float(period.total) for period in result.bill.periods},
        },
        "saving": result.saving,
        "wear": result.wear,
        "import_kwh": result.import_kwh,
        "import_kwh_by_band": dict(result.import_kwh_by_band),
        "export_kwh": result.export_kwh,
        "sun_used_kwh": result.sun_used_kwh,
        "spilled_kwh": result.spilled_kwh,
        "cycles": result.cycles,
        "idle_kwh": result.idle_kwh,
        "idle_cost": result.idle_cost,
        "floor_broken_hours": result.floor_broken_hours,
        "unserved_kwh": result.unserved_kwh,
        "import_excess_kwh": result.import_excess_kwh,
        "closing_shortfall_kwh": result.closing_shortfall_kwh,
        "stored_change_kwh": result.stored_change_kwh,
        "stored_change_value": result.stored_change_value,
        **_backup(result),
        "shortfalls": [_shortfall(shortfall) for shortfall in result.shortfalls],
    }


def _backup(result: StrategyResult) -> dict[str, Any]:
    backup = result.backup
    if backup is None:
        return dict.fromkeys(
            ("backup_hours", "backup_hours_with_sun", "carries_critical_peak", "critical_peak_kw")
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
    }


def _shortfall(shortfall: Shortfall) -> dict[str, Any]:
    return {
        "kind": shortfall.kind,
        "kwh": shortfall.kwh,
        "hours": shortfall.hours,
        "first": shortfall.first.isoformat(),
        "last": shortfall.last.isoformat(),
        "worst": shortfall.worst.isoformat(),
    }


def _peak_day(day: PeakDay) -> dict[str, Any]:
    return {
        "date": day.date.isoformat(),
        "grid_only_cost": day.grid_only_cost,
        "strategies": {
            name: {
                "cost": outcome.cost,
                "lowest_kwh": outcome.lowest_kwh,
                "lowest_at": None if outcome.lowest_at is None else outcome.lowest_at.isoformat(),
                "backup_hours": outcome.backup_hours,
            }
            for name, outcome in day.by_strategy.items()
        },
    }


def flow_table(case: Case, result: StrategyResult) -> pd.DataFrame:
    """Lay one strategy's steps out with everything needed to check or re-solve them.

    Parameters
    ----------
    case : Case
        The resolved scenario, n steps.
    result : StrategyResult
        One strategy of the comparison.

    Returns
    -------
    pandas.DataFrame
        n rows. ``time`` (step start, ISO 8601 with offset), the given series in kWh per step, prices per kWh,
        the floor, then every flow of the program in kWh per step; ``stored_kwh`` is at the step's end. For
        ``grid-only`` idle draw and sun are zero and ``stored_kwh`` is empty: there is no system.
    """
    # a household without a system has neither idle draw nor panels: its file must balance too
    system = 1.0 if result.flows.has_system else 0.0
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
    return pd.DataFrame(given).join(result.flows.frame.reset_index(drop=True))


def write_csv(comparison: Comparison, directory: Path) -> tuple[Path, ...]:
    """Write one ``<strategy>.csv`` per strategy into a directory, made if need be.

    Parameters
    ----------
    comparison : Comparison
        The finished comparison.
    directory : pathlib.Path
        Existing files of the same names are replaced, all others left alone.

    Returns
    -------
    tuple of pathlib.Path
        The files written. Floats have every digit needed to read them back unchanged.

    Raises
    ------
    OSError
        If the directory cannot be made or written. Files appear only when all of them are complete.
    """
    texts = {
        f"{result.name}.csv": _csv_text(flow_table(comparison.case, result))
        for result in comparison.strategies
    }
    return write_files(directory, texts)


def write_comparison_parquet(comparison: Comparison, directory: Path) -> tuple[Path, ...]:
    """Write the same tables as `write_csv`, as ``<strategy>.parquet``, bit for bit.

    Raises
    ------
    OSError
        If the directory cannot be made or written.
    """
    from dispatch.exports.parquet import write_tables  # noqa: PLC0415 - only who asks for it needs the library

    tables = {result.name: flow_table(comparison.case, result) for result in comparison.strategies}
    return write_tables(directory, tables)


def _csv_text(table: pd.DataFrame) -> str:
    """Write text and floats as ``DataFrame.to_csv`` does, NaN as nothing, in a third of its time."""
    columns = [
        values
        if isinstance(values[0], str)
        else ["" if math.isnan(value) else repr(value) for value in values]
        for values in (table[name].to_list() for name in table)
    ]
    rows = map(",".join, zip(*columns, strict=True))
    return "\n".join((",".join(table.columns), *rows, ""))
