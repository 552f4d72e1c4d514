"""Settings for other programs and for paper: JSON documents and a Markdown card."""

from __future__ import annotations

import re
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import pandas as pd

from dispatch.cards.card_file import card_document
from dispatch.case.origin import origin_of
from dispatch.exports.outcome import outcome_document
from dispatch.formats import format_hours, format_money, format_span
from dispatch.words.card import card_rows, change_lines, event_dates, how_to_enter, sections, sun_line
from dispatch.words.card_result import assumption_lines, result_lines, safety_lines, simple_lines
from dispatch.words.origin import origin_words, stamp
from dispatch.words.slips import slip_words
from tariffs.reading.refusals import visible

if TYPE_CHECKING:
    from dispatch.search.other_years import Range
    from dispatch.search.study import SettingsStudy


def settings_document(study: SettingsStudy) -> dict[str, Any]:
    """Put a study into plain JSON types.

    Returns
    -------
    dict
        Keys are stable: more may be added, none is renamed. ``card`` has the keys of a card file; ``ways`` are
        plain, found (or entered), re-planned, reachable and bound (best plan where it is not proven; none where
        ``unplanned`` says why). Energy in kWh, money in ``currency``.
    """
    case = study.case
    return {
        "scenario": case.name,
        "currency": case.currency,
        "time_zone": case.scenario.site.time_zone,
        "start": case.times[0].isoformat(),
        "end": (case.times[-1] + pd.Timedelta(hours=case.dt_hours)).isoformat(),
        "steps": len(case.times),
        "dt_hours": float(case.dt_hours),
        "card": card_document(study.card, study.space.groups),
        "entered": study.entered,
        "reasons": [
            {
                "season": study.space.groups[line.group].season,
                "days": study.space.groups[line.group].days,
                "kind": line.kind,
                "index": line.index,
                "worth": None if line.worth is None else line.worth.money,
                "breaks": [] if line.worth is None else list(line.worth.breaks),
                "target_met_fraction_without": None if line.worth is None else line.worth.met_fraction,
                "why": line.why,
            }
            for line in study.lines
        ],
        "sun_worth": None if study.sun is None else study.sun.money,
        "sun_breaks": [] if study.sun is None else list(study.sun.breaks),
        "raise_costs": [-worth.money for worth in study.raises],
        "event_days": [date.isoformat() for date in event_dates(study)],
        "season_changes": [{"date": date.isoformat(), "season": season} for date, season in study.changes],
        "reference_total": study.reference_total,
        "ways": [outcome_document(way) for way in study.ways],
        "gap": {"money": study.gap, "percent": _percent(study.gap, study["reachable"].compared_cost)},
        "rules_cost": study.rules_cost,
        "unplanned": study.unplanned or None,
        "robustness": {
            "years": study.robustness.years,
            "seed": study.robustness.seed,
            "bill": _range(study.robustness.bill),
            "saving": _range(study.robustness.saving),
            "minimum_backup_hours": _range(study.robustness.minimum_backup_hours),
            "below_plain": _range(study.robustness.below_plain),
            "cheaper_than_plain_fraction": study.robustness.cheaper_fraction,
            "keeps_target_fraction": study.robustness.keeps_target_fraction,
            "keeps_reserve_fraction": study.robustness.keeps_reserve_fraction,
        },
        "candidates": 0 if study.search is None else study.search.candidates,
        "search": None if study.search is None else asdict(study.search),
        "assumptions": [*assumption_lines(study), *how_to_enter(study)],
        **stamp(case),
        "notes": list(case.notes),
    }


def _percent(part: float, whole: float) -> float | None:
    return 100 * part / abs(whole) if abs(whole) > 1e-9 else None


def _range(values: Range) -> dict[str, float]:
    return {"p05": values.low, "median": values.median, "p95": values.high}


def card_markdown(study: SettingsStudy) -> str:
    """Write the card as Markdown."""
    case = study.case
    lines = [f"# Battery settings: {_plain(case.name)}", ""]
    span = format_span(case.times[0].date(), case.times[-1].date())
    lines += [f"{span}; tariff {_plain(case.tariff.name)}.", ""]
    if odd := case.slips:
        lines += ["## This looks odd", "", *(f"- {_plain(slip_words(slip))}" for slip in odd), ""]
    if sun := sun_line(study):
        lines += [f"**{_plain(sun)}**", ""]
    for heading, group in sections(study):
        lines += [f"## {_plain(heading)}", "", "| enter | when | level | why |", "|---|---|---|---|"]
        lines += [
            f"| {' | '.join(map(_plain, (row.entry, row.when, row.level, row.why)))} |"
            for row in card_rows(study, group)
        ]
        lines.append("")
    for title, body in (
        ("When to change", change_lines(study)),
        ("How to enter", how_to_enter(study)),
        ("What it earns", [*result_lines(study), *simple_lines(study), *safety_lines(study)]),
    ):
        lines += [f"## {title}", "", *(f"- {_plain(line)}" for line in body), ""]
    lines += _ways_table(study)
    rests = [*assumption_lines(study), origin_words(origin_of(case.inputs))]
    lines += ["## What this rests on", "", *(f"- {_plain(line)}" for line in rests)]
    return "\n".join(lines) + "\n"


_MARKS = re.compile(r"[\\`*\[\]<>|]|(?<!\w)_|_(?!\w)")


def _plain(text: str) -> str:
    """Write text so that Markdown shows it as it is: on one line, no mark of its own, nothing unseen."""
    return _MARKS.sub(r"\\\g<0>", visible(" ".join(text.split())))


def _ways_table(study: SettingsStudy) -> list[str]:
    currency, horizon = study.case.currency, study.case.limits.backup_horizon_hours
    lines = ["| way | bill | wear | bill + wear | least backup |", "|---|---:|---:|---:|---:|"]
    lines += [
        f"| {way.name} | {format_money(way.total, currency)} | {format_money(way.wear, currency)} | "
        f"{format_money(way.compared_cost, currency)} | {format_hours(way.least_hours, horizon)} h |"
        for way in study.ways
    ]
    return [*lines, ""]
