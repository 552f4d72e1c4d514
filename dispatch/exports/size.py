"""The grid of sizes as JSON and CSV, money and hours by parts."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING, Any

from dispatch.exports.files import as_cell, plain, write_files
from dispatch.exports.outcome import head
from dispatch.words.size import headline, purchase_words

if TYPE_CHECKING:
    from pathlib import Path

    from dispatch.sizing.next_step import Judged, NextStep
    from dispatch.sizing.size import Cell, Sized


def size_document(sized: Sized, step: NextStep) -> dict[str, Any]:
    """Put the grid and the best next step into plain JSON types.

    Returns
    -------
    dict
        Keys are stable: more may be added, none is renamed. Money is a year's unless the key says otherwise; figures
        that do not exist (a life without end, a price that is not stated) are null.
    """
    judged = {id(one.purchase.cell): one for one in step.judged}
    return {
        **head(sized.case),
        "sentence": headline(sized, step),
        "why": step.why,
        "years_of_data": sized.years,
        "grid_only_bill_per_year": float(sized.no_system.bill.total) / sized.years,
        "sizing": plain(sized.sizing),
        "panels": [
            {"name": one.name, "factor": one.factor, "price": one.price, "strings": plain(one.strings)}
            for one in sized.panels
        ],
        "now": None if sized.now is None else _row(sized.now, None),
        "best": None if step.best is None else _purchase(sized, step.best),
        "best_with_doubts_against": None if step.best_low is None else _purchase(sized, step.best_low),
        "best_with_doubts_in_favour": None if step.best_high is None else _purchase(sized, step.best_high),
        "next_sizes": [_purchase(sized, one) for one in step.steps],
        "cells": [{**_row(cell, judged.get(id(cell))), "refusal": cell.refusal} for cell in sized.cells],
    }


def size_csv(sized: Sized, step: NextStep, directory: Path) -> tuple[Path, ...]:
    """Write ``size.csv``: one row per set of parts."""
    judged = {id(one.purchase.cell): one for one in step.judged}
    rows = [_row(cell, judged.get(id(cell))) for cell in sized.cells]
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows({**row, "panels": as_cell(row["panels"])} for row in rows)
    return write_files(directory, {"size.csv": out.getvalue()})


def _row(cell: Cell, judged: Judged | None) -> dict[str, Any]:
    run, bought = cell.outcome, judged is not None and not judged.purchase.is_nothing
    ageing, loss = cell.ageing, cell.loss
    return {
        "pack_count": cell.parts.pack_count,
        "unit_count": cell.parts.unit_count,
        "panels": cell.parts.panels.name,
        "panels_factor": cell.parts.panels.factor,
        "strategy": None if run is None else run.name,
        "reserve_percent": None if run is None else run.reserve_percent,
        "status": "does not work" if run is None else run.status,
        "meets_target": None if run is None else run.meets_target,
        "bill_per_year": None if run is None else run.total / cell.years,
        "wear_per_year": None if run is None else run.wear / cell.years,
        "saving_per_year": None if run is None else cell.saving_per_year,
        "planned_saving_per_year": None if cell.planned is None else cell.planned.saving / cell.years,
        "least_hours": None if run is None else cell.least_hours,
        "usual_hours": None if run is None else cell.usual_hours,
        "kept_full_least_hours": None if run is None else cell.most_hours,
        "least_hours_everything_on": None if run is None else cell.least_all_hours,
        "usual_hours_everything_on": None if run is None else cell.usual_all_hours,
        "cycles_per_year": None if run is None else cell.cycles_per_year,
        "years_to_80_percent": None
        if ageing is None or ageing.years_to_80 == float("inf")
        else ageing.years_to_80,
        "unserved_kwh_per_year": None if loss is None else loss.unserved_kwh,
        "unserved_money_per_year": None if loss is None else loss.money,
        "price": judged.purchase.price if judged is not None and bought else None,
        "gain_per_year": judged.purchase.gain.total if judged is not None and bought else None,
        "payback_years": judged.payback_years if judged is not None and bought else None,
        "discounted_payback_years": judged.discounted_payback_years
        if judged is not None and bought
        else None,
        "worth": judged.worth if judged is not None and bought else None,
        "net_present_value": judged.npv if judged is not None and bought else None,
        "net_present_value_low": judged.npv_low if judged is not None and bought else None,
        "net_present_value_high": judged.npv_high if judged is not None and bought else None,
    }


def _purchase(sized: Sized, judged: Judged) -> dict[str, Any]:
    purchase = judged.purchase
    return {
        "buy": purchase_words(sized, purchase),
        "added_packs": purchase.added_packs,
        "added_units": purchase.added_units,
        "added_panels": purchase.added_panels,
        "more_least_hours": purchase.more_hours,
        "more_hours_kept_full": purchase.more_most_hours,
        "gain_from_packs_per_year": purchase.gain.packs,
        "gain_from_panels_per_year": purchase.gain.panels,
        "pack_fade_per_year_fraction": purchase.gain.pack_fade,
        "doubts": plain(judged.doubts),
        "cell": _row(purchase.cell, judged),
    }
