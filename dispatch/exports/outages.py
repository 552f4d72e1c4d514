"""Backup, outage and frontier as JSON documents and CSV files, every figure unrounded.

Keys are stable: more may be added, none is ever renamed. Energy in kWh, power in kW, money in ``currency``, times
ISO 8601 with offset; a figure that does not exist is null.
"""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

import pandas as pd

from dispatch.case.transfer import transfer_gap
from dispatch.exports.comparison import more_document, recommendation_document
from dispatch.exports.files import plain, write_files
from dispatch.exports.outcome import head
from dispatch.outages.generator import generator_fit
from dispatch.outages.outage import STEP_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from dispatch.case.case import Case
    from dispatch.outages.outage import Played
    from dispatch.outcome import Outcome
    from dispatch.safety.frontier import Frontier
    from dispatch.safety.levels import Level
    from dispatch.safety.study import BackupStudy


def backup_document(study: BackupStudy) -> dict[str, Any]:
    """Put what ``dispatch backup`` shows into plain JSON types."""
    outcome = study.outcome
    backup = outcome.backup
    return {
        **head(study.case),
        "limits": plain(study.case.limits),
        "strategy": outcome.name,
        "basis": outcome.basis,
        "reserve_percent": outcome.reserve_percent,
        "chosen_by": study.chosen_by,
        "recommendation": recommendation_document(study.advice),
        "answer": plain(study.answer),
        "usual_evening": plain(study.evening),
        "target_met_fraction": outcome.target_share,
        "backup_hours": {str(percent): pair[0] for percent, pair in study.percentiles.items()},
        "backup_hours_with_sun": {str(percent): pair[1] for percent, pair in study.percentiles.items()},
        "worst_at": None if backup is None else backup.worst_at.isoformat(),
        "month_hour": plain(study.month_hour),
        "worst_moments": plain(study.worst),
        "peak_days": [
            {"date": day.date, "grid_only_cost": day.no_system_cost, **plain(day.runs[outcome.name])}
            for day in study.peak_days
        ],
        "inverter": plain(study.inverter),
        "transfer": plain(transfer_gap(study.case)),
        "generator_input": plain(generator_fit(study.case)),
        "recharge": plain(study.recharges),
        "most_hours": study.most_hours,
        "more_hours": [more_document(more) for more in study.more],
        "outages": _outages(study),
        "shortfalls": plain(outcome.shortfalls),
        "notes": list(study.case.notes),
    }


def _outages(study: BackupStudy) -> dict[str, Any] | None:
    if study.rates is None:
        return None
    advice = study.advice
    costs = {
        run.name: run.bill_and_wear for run in (advice.no_system, *advice.outcomes.values(), study.outcome)
    }
    rates: dict[str, Any] = plain(study.rates)
    return {
        **rates,
        "saidi_hours": study.rates.saidi_hours,
        "strategies": [{**plain(loss), "bill_and_wear": costs[loss.strategy]} for loss in study.losses],
    }


def backup_csv(study: BackupStudy, directory: Path) -> tuple[Path, ...]:
    """Write ``backup_hours.csv`` (every instant) and ``backup_month_hour.csv``."""
    case, outcome = study.case, study.outcome
    if outcome.backup is None:
        return ()
    instants = case.times + pd.Timedelta(hours=case.dt_hours)
    hours = pd.DataFrame(
        {
            "instant": [moment.isoformat() for moment in instants],
            "stored_kwh": outcome.flows["stored"],
            "floor_kwh": case.floor_kwh,
            "backup_hours": outcome.backup.hours,
            "backup_hours_with_sun": outcome.backup.hours_with_sun,
            "all_load_hours": outcome.backup.all_hours,
            "all_load_hours_with_sun": outcome.backup.all_hours_with_sun,
        }
    )
    places = pd.MultiIndex.from_product([range(1, 13), range(24)], names=["month", "hour"])
    table = study.month_hour
    month_hour = pd.DataFrame(
        {"least_hours": table.least.ravel(), "median_hours": table.median.ravel()}, index=places
    )
    return write_files(
        directory,
        {
            "backup_hours.csv": hours.to_csv(index=False, lineterminator="\n"),
            "backup_month_hour.csv": month_hour.to_csv(lineterminator="\n"),
        },
    )


def outage_document(case: Case, plays: Sequence[Played]) -> dict[str, Any]:
    """Put what ``dispatch outage`` shows into plain JSON types."""
    first = plays[0]
    return {
        **head(case),
        "limits": plain(case.limits),
        "transfer": plain(transfer_gap(case)),
        "generator_input": plain(generator_fit(case)),
        "begins": first.begins.isoformat(),
        "ends": first.ends.isoformat(),
        "hours": (first.ends - first.begins).total_seconds() / 3600,
        "strategies": [_played(play) for play in plays],
        "notes": list(case.notes),
    }


_TOLD_APART = {
    "begins",
    "ends",
    "dark",
    "appliances",
    "recharges",
    "steps",
    "events",
    "fuel_days",
    "first_trip",
    "tank_empty_at",
}
"""Fields of an outage that are written in a form of their own."""

_DC = ("sun_to_load", "sun_to_battery", "spill", "battery_to_load")
"""Flows of a step on the DC side; all others are AC, and ``stored_kwh`` is in the cells."""


def _sided(play: Played) -> pd.DataFrame:
    """Name the side of every energy: ``wanted_ac_kwh``, ``spill_dc_kwh``."""
    names = {f"{name}_kwh": f"{name}_{'dc' if name in _DC else 'ac'}_kwh" for name in STEP_COLUMNS}
    return play.steps.rename(columns=names)


def _played(play: Played) -> dict[str, Any]:
    figures = {
        field.name: getattr(play, field.name)
        for field in dataclasses.fields(play)
        if field.name not in _TOLD_APART
    }
    return {
        **plain(figures),
        "first_trip": plain(play.first_trip),
        "tank_empty_at": plain(play.tank_empty_at),
        "dark_hours": play.dark_hours,
        "lights_out_at": play.dark[0].begins.isoformat() if play.dark else None,
        "dark": [
            {"begins": spell.begins.isoformat(), "ends": spell.ends.isoformat(), "hours": spell.hours}
            for spell in play.dark
        ],
        "generator_days": [plain(day._asdict()) for day in play.fuel_days],
        "events": [plain(event._asdict()) for event in play.events],
        "appliances": plain(play.appliances),
        "recharge": plain(play.recharges),
        "steps": [{**row, "begins": row["begins"].isoformat()} for row in _sided(play).to_dict("records")],
    }


def outage_csv(plays: Sequence[Played], directory: Path) -> tuple[Path, ...]:
    """Write ``outage_<strategy>.csv``, one row per step of the outage."""
    texts = {}
    for play in plays:
        steps = _sided(play).assign(begins=[moment.isoformat() for moment in play.steps["begins"]])
        texts[f"outage_{play.strategy}.csv"] = steps.to_csv(index=False, lineterminator="\n")
    return write_files(directory, texts)


def frontier_document(found: Frontier) -> dict[str, Any]:
    """Put what ``dispatch frontier`` shows into plain JSON types.

    Returns
    -------
    dict
        ``levels[].as_set`` is the cheapest setting that keeps as much, ``levels[].price_per_hour`` the interval between
        the slopes of the plans on either side, with the central difference.
    """
    return {
        **head(found.case),
        "limits": plain(found.case.limits),
        "measure": found.measure,
        "strategy": "least-cost",
        "recommendation": recommendation_document(found.advice),
        "levels": _levels(found),
        "knee": None if found.knee is None else found.levels[found.knee].amount,
        "stated_hours": found.stated_hours,
        "seconds": found.seconds,
        "notes": list(found.case.notes),
    }


def _levels(found: Frontier) -> list[dict[str, Any]]:
    rows = zip(found.levels, found.prices, found.settings, strict=True)
    return [
        {
            **_level(level),
            "price_per_hour": plain(price),
            "as_set": None if setting is None else _setting(setting),
            "knee": number == found.knee,
        }
        for number, (level, price, setting) in enumerate(rows)
    ]


def _setting(run: Outcome) -> dict[str, Any]:
    return {
        "strategy": run.name,
        "reserve_percent": run.reserve_percent,
        "least_hours": run.backup.minimum if run.backup else None,
        "bill": float(run.bill.total),
        "wear": run.wear,
        "compared_cost": run.compared_cost,
    }


def _level(level: Level) -> dict[str, Any]:
    plan, floor = None if isinstance(level.found, str) else level.found, level.case.floor_kwh
    bill = None if plan is None else plan.bill
    return {
        level.measure: level.amount,
        "status": "no plan" if plan is None else plan.status,
        "promised_hours": level.carried_hours,
        "least_hours": level.least_hours,
        "floor_least_kwh": float(floor.min()),
        "floor_most_kwh": float(floor.max()),
        "bill": {
            "total": None if bill is None else float(bill.total),
            "total_unrounded": None if bill is None else float(bill.total_unrounded),
        },
        "wear": None if plan is None else plan.wear,
        "bill_and_wear": level.cost,
        "bound": level.bound,
        "why": level.found if isinstance(level.found, str) else None,
        "floor_broken_hours": None if plan is None else plan.floor_broken_hours,
        "floor_capped_hours": level.capped_hours,
        "residual_kwh": plan.proof.residual_kwh if plan is not None and plan.proof else None,
    }


def frontier_csv(found: Frontier, directory: Path) -> tuple[Path, ...]:
    """Write ``frontier.csv``, one row per level, plan and setting side by side."""
    rows = []
    for level in _levels(found):
        bill, price, setting = level.pop("bill"), level.pop("price_per_hour") or {}, level.pop("as_set") or {}
        rows.append(
            {
                **level,
                "bill_total": bill["total"],
                "bill_total_unrounded": bill["total_unrounded"],
                **{f"price_per_hour_{side}": price.get(side) for side in ("low", "high", "central")},
                **{
                    f"as_set_{key}": setting.get(key)
                    for key in ("strategy", "reserve_percent", "least_hours", "bill", "wear", "compared_cost")
                },
            }
        )
    text = pd.DataFrame(rows).to_csv(index=False, lineterminator="\n")
    return write_files(directory, {"frontier.csv": text})
