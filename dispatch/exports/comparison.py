"""The comparison as files for other programs: one JSON document, and the flows of every run as CSV.

The two together hold every number the program used, unrounded, so that anyone can solve the year again.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dispatch.exports.files import plain, write_files
from dispatch.exports.outcome import csv_text, head, outcome_document, step_table
from dispatch.words.advice import monthly_savings, reason_words, verdict_words
from dispatch.words.notices import ASSUMPTIONS
from dispatch.words.origin import made_from
from dispatch.words.slips import odd_documents
from dispatch.words.would_serve import what_would_serve

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd

    from dispatch.advice.recommend import MoreHours, Recommendation
    from dispatch.case.check import CheckSummary
    from dispatch.comparison.compare import Comparison
    from dispatch.safety.answers import Quick


def comparison_document(comparison: Comparison, quick: Quick) -> dict[str, Any]:
    """Put a comparison into plain JSON types.

    Returns
    -------
    dict
        Keys are stable: more may be added, none is ever renamed. A strategy's own keys are the plan with foresight,
        ``as_set`` is what the inverter does; a figure that a run does not have is null.
    """
    case, advice = comparison.case, comparison.advice
    names = ("grid-only", *comparison.planned, *comparison.unplanned)
    return {
        **head(case),
        "recommendation": recommendation_document(advice),
        "worst_moment": plain(quick.worst),
        "usual_evening": plain(quick.evening),
        "more_hours": more_document(quick.more),
        "bound_gap": comparison.bound_gap,
        "strategies": [_strategy(comparison, name) for name in names],
        "bound": comparison.bound,
        "peak_days": [_peak_day(day) for day in plain(comparison.peak_days)],
        "would_serve": what_would_serve(comparison),
        "limits": plain(case.limits),
        "clipped_sun_kwh": float(case.clipped_sun_kwh),
        "notes": list(case.notes),
        "assumptions": list(ASSUMPTIONS),
    }


def recommendation_document(advice: Recommendation) -> dict[str, Any]:
    """Put what to set, and why, into plain JSON types."""
    chosen = advice.chosen
    return {
        "strategy": advice.strategy,
        "reserve_percent": advice.reserve_percent,
        "reserve_kwh": advice.reserve_percent / 100.0 * advice.case.limits.full_kwh,
        "serves": advice.answers,
        "meets_target": advice.meets_target,
        "target_met_fraction": chosen.target_share,
        "saving": chosen.saving,
        "compared_cost": chosen.compared_cost,
        "without_system": advice.no_system.bill_and_wear,
        "saving_by_period": monthly_savings(advice, chosen),
        "sentence": verdict_words(advice),
        "reasons": [
            {
                "kind": reason.kind,
                "strategy": reason.strategy,
                "reserve_percent": None if reason.outcome is None else reason.outcome.reserve_percent,
                "more": reason.more,
                "sentence": reason_words(advice, reason),
            }
            for reason in advice.reasons
        ],
    }


def more_document(more: MoreHours) -> dict[str, Any]:
    """Put the price of more hours into plain JSON types; ``cost`` is null where no setting keeps them."""
    run = more.outcome
    return {
        "extra_hours": more.extra_hours,
        "hours": more.hours,
        "strategy": None if run is None else run.name,
        "reserve_percent": None if run is None else run.reserve_percent,
        "least_hours": None if run is None or run.backup is None else run.backup.minimum,
        "cost": more.cost,
    }


def _strategy(comparison: Comparison, name: str) -> dict[str, Any]:
    advice = comparison.advice
    plan = comparison.planned.get(name, advice.no_system)
    run = advice.outcomes.get(name)
    figures = outcome_document(plan)
    if name in comparison.unplanned:
        none = dict.fromkeys(figures)
        figures = {
            **none,
            "name": name,
            "basis": "planned",
            "status": "no plan",
            "why": comparison.unplanned[name],
        }
    return {
        **figures,
        "as_set": None if run is None else outcome_document(run),
        "foresight_worth": None if run is None else comparison.foresight(name),
    }


def _peak_day(day: dict[str, Any]) -> dict[str, Any]:
    return {"date": day["date"], "grid_only_cost": day["no_system_cost"], "strategies": day["runs"]}


def check_document(summary: CheckSummary) -> dict[str, Any]:
    """Put a summary made without solving into plain JSON types: its own field names."""
    document: dict[str, Any] = plain(summary, leave=("slips", "origin"))
    return {**document, "looks_odd": odd_documents(summary.slips), **made_from(summary.origin)}


def comparison_csv(comparison: Comparison, directory: Path) -> tuple[Path, ...]:
    """Write every run's steps: ``<strategy>-as-set.csv``, ``<strategy>-planned.csv`` and ``grid-only.csv``.

    Parameters
    ----------
    comparison : Comparison
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
    advice = comparison.advice
    tables: dict[str, pd.DataFrame] = {"grid-only": step_table(advice.no_system)}
    tables |= {f"{name}-as-set": step_table(run) for name, run in advice.outcomes.items()}
    tables |= {f"{name}-planned": step_table(plan) for name, plan in comparison.planned.items()}
    return write_files(directory, {f"{name}.csv": csv_text(table) for name, table in tables.items()})
