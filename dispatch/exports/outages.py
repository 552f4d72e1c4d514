"""Backup, outage and frontier as JSON documents and CSV files, every figure unrounded.

Keys are stable: more may be added, none is ever renamed. Energy in kWh, power in kW, money in ``currency``, times
ISO 8601 with offset; a figure that does not exist is null.
"""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING, Any

import pandas as pd

from dispatch.backup.generator import generator_fit
from dispatch.backup.outage import STEP_COLUMNS
from dispatch.case.transfer import transfer_gap
from dispatch.exports.files import write_files

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from dispatch.backup.outage import Played
    from dispatch.backup.recharge import Recharge
    from dispatch.case.case import Case
    from dispatch.safety.frontier import Frontier
    from dispatch.safety.levels import AtReserve
    from dispatch.safety.study import BackupDetail, More


def _head(case: Case) -> dict[str, Any]:
    return {
        "scenario": case.name,
        "currency": case.currency,
        "time_zone": case.scenario.site.time_zone,
        "steps": len(case.times),
        "dt_hours": float(case.dt_hours),
        "limits": dataclasses.asdict(case.limits),
    }


def _table(figures: NDArray[Any]) -> list[list[float | None]]:
    return [[None if math.isnan(value) else float(value) for value in row] for row in figures]


def _recharge(row: Recharge) -> dict[str, Any]:
    return {**dataclasses.asdict(row), "begins": row.begins.isoformat()}


def backup_document(detail: BackupDetail) -> dict[str, Any]:
    """Put what ``dispatch backup`` shows into plain JSON types.

    Parameters
    ----------
    detail : BackupDetail

    Returns
    -------
    dict
    """
    comparison, result = detail.comparison, detail.result
    case, backup = comparison.case, result.backup
    return {
        **_head(case),
        "strategy": result.name,
        "chosen_by": detail.chosen_by,
        "backup_hours": {str(percent): pair[0] for percent, pair in detail.percentiles.items()},
        "backup_hours_with_sun": {str(percent): pair[1] for percent, pair in detail.percentiles.items()},
        "worst_at": None if backup is None else backup.worst_at.isoformat(),
        "month_hour": {"least": _table(detail.picture.least), "median": _table(detail.picture.median)},
        "worst_moments": [{**dataclasses.asdict(m), "at": m.at.isoformat()} for m in detail.worst],
        "peak_days": [
            {
                "date": day.date.isoformat(),
                "grid_only_cost": day.grid_only_cost,
                "cost": day.by_strategy[result.name].cost,
                "lowest_kwh": day.by_strategy[result.name].lowest_kwh,
                "backup_hours": day.by_strategy[result.name].backup_hours,
            }
            for day in comparison.peak_days
        ],
        "inverter": dataclasses.asdict(detail.inverter),
        "transfer": _transfer(case),
        "generator_input": _generator_input(case),
        "recharge": [_recharge(row) for row in detail.recharges],
        "most_hours": detail.most_hours,
        "more_hours": [_more(more) for more in detail.more],
        "outages": _outages(detail),
        "shortfalls": [
            {"kind": item.kind, "kwh": item.kwh, "hours": item.hours, "first": item.first.isoformat()}
            for item in result.shortfalls
        ],
        "notes": list(case.notes),
    }


def _more(more: More) -> dict[str, Any]:
    return {
        "extra_hours": more.extra_hours,
        "hours": more.hours,
        "reserve_percent": more.percent,
        "cost": more.cost,
        "bill": None if more.at is None else float(more.at.bill.total),
        "wear": None if more.at is None else more.at.wear,
    }


def _outages(detail: BackupDetail) -> dict[str, Any] | None:
    rates = detail.rates
    if rates is None:
        return None
    burden = {result.name: result.burden for result in detail.comparison.strategies}
    return {
        "saifi_per_year": rates.saifi_per_year,
        "caidi_hours": rates.caidi_hours,
        "saidi_hours": rates.saidi_hours,
        "fixed_hours": list(rates.fixed_hours),
        "momentary": rates.momentary,
        "strategies": [
            {**dataclasses.asdict(loss), "bill_and_wear": burden[loss.strategy]} for loss in detail.losses
        ],
    }


def backup_csv(detail: BackupDetail, directory: Path) -> tuple[Path, ...]:
    """Write ``backup_hours.csv`` (every instant) and ``backup_month_hour.csv``."""
    case, result = detail.comparison.case, detail.result
    if result.backup is None:
        return ()
    instants = case.times + pd.Timedelta(hours=case.dt_hours)
    hours = pd.DataFrame(
        {
            "instant": [moment.isoformat() for moment in instants],
            "stored_kwh": result.flows["stored"],
            "floor_kwh": case.floor_kwh,
            "backup_hours": result.backup.hours,
            "backup_hours_with_sun": result.backup.hours_with_sun,
            "all_load_hours": result.backup.all_hours,
            "all_load_hours_with_sun": result.backup.all_hours_with_sun,
        }
    )
    places = pd.MultiIndex.from_product([range(1, 13), range(24)], names=["month", "hour"])
    picture = pd.DataFrame(
        {"least_hours": detail.picture.least.ravel(), "median_hours": detail.picture.median.ravel()},
        index=places,
    )
    return write_files(
        directory,
        {
            "backup_hours.csv": hours.to_csv(index=False, lineterminator="\n"),
            "backup_month_hour.csv": picture.to_csv(lineterminator="\n"),
        },
    )


def outage_document(case: Case, plays: Sequence[Played]) -> dict[str, Any]:
    """Put what ``dispatch outage`` shows into plain JSON types.

    Parameters
    ----------
    case : Case
    plays : sequence of Played

    Returns
    -------
    dict
    """
    first = plays[0]
    return {
        **_head(case),
        "transfer": _transfer(case),
        "generator_input": _generator_input(case),
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


def _generator_input(case: Case) -> dict[str, Any] | None:
    fit = generator_fit(case)
    return None if fit is None else dataclasses.asdict(fit)


def _transfer(case: Case) -> dict[str, Any] | None:
    gap = transfer_gap(case)
    return None if gap is None else dataclasses.asdict(gap)


def _moment(at: pd.Timestamp | None) -> str | None:
    return None if at is None else str(at.isoformat())


def _played(play: Played) -> dict[str, Any]:
    plain = {
        field.name: getattr(play, field.name)
        for field in dataclasses.fields(play)
        if field.name not in _TOLD_APART
    }
    return {
        **plain,
        "first_trip": _moment(play.first_trip),
        "tank_empty_at": _moment(play.tank_empty_at),
        "dark_hours": play.dark_hours,
        "lights_out_at": play.dark[0].begins.isoformat() if play.dark else None,
        "dark": [
            {"begins": spell.begins.isoformat(), "ends": spell.ends.isoformat(), "hours": spell.hours}
            for spell in play.dark
        ],
        "generator_days": [{**day._asdict(), "begins": day.begins.isoformat()} for day in play.fuel_days],
        "events": [{**event._asdict(), "at": event.at.isoformat()} for event in play.events],
        "appliances": [dataclasses.asdict(one) for one in play.appliances],
        "recharge": [_recharge(row) for row in play.recharges],
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

    Parameters
    ----------
    found : Frontier

    Returns
    -------
    dict
        ``levels[].price_per_hour`` is the interval between the slopes on either side, with the central difference.
    """
    return {
        **_head(found.case),
        "measure": found.measure,
        "strategy": "least-cost",
        "levels": _levels(found),
        "knee": None if found.knee is None else found.levels[found.knee].amount,
        "stated_hours": found.stated_hours,
        "strategies": [dataclasses.asdict(mark) for mark in found.marks],
        "seconds": found.seconds,
        "notes": list(found.case.notes),
    }


def _levels(found: Frontier) -> list[dict[str, Any]]:
    return [
        {
            **_level(level),
            "price_per_hour": None if price is None else dataclasses.asdict(price),
            "knee": number == found.knee,
        }
        for number, (level, price) in enumerate(zip(found.levels, found.prices, strict=True))
    ]


def _level(level: AtReserve) -> dict[str, Any]:
    return {
        level.measure: level.amount,
        "status": "optimal" if level.serves else "cannot serve",
        "promised_hours": level.carried_hours,
        "least_hours": float(level.hours.min()),
        "floor_least_kwh": float(level.floor.level_kwh.min()),
        "floor_most_kwh": float(level.floor.level_kwh.max()),
        "bill": {"total": float(level.bill.total), "total_unrounded": float(level.bill.total_unrounded)},
        "wear": level.wear,
        "bill_and_wear": level.burden,
        "floor_broken_hours": level.broken_hours,
        "floor_capped_hours": level.capped_hours,
        "residual_kwh": level.residual_kwh,
    }


def frontier_csv(found: Frontier, directory: Path) -> tuple[Path, ...]:
    """Write ``frontier.csv``, one row per level."""
    rows = []
    for level in _levels(found):
        bill, price = level.pop("bill"), level.pop("price_per_hour") or {}
        rows.append(
            {
                **level,
                "bill_total": bill["total"],
                "bill_total_unrounded": bill["total_unrounded"],
                **{f"price_per_hour_{side}": price.get(side) for side in ("low", "high", "central")},
            }
        )
    text = pd.DataFrame(rows).to_csv(index=False, lineterminator="\n")
    return write_files(directory, {"frontier.csv": text})
