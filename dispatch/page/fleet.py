"""The page of a fleet: what many homes save, what wins, and what they do to the grid together."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from dispatch.formats import ABSENT, currency_decimals, format_hours, format_money, format_number
from dispatch.page.answers import Told
from dispatch.page.facts import SHADES
from dispatch.page.fill import fill
from dispatch.words.fleet import (
    MONTHS,
    NOTES,
    grid_lines,
    homes_words,
    hours_words,
    loser_words,
    losing_words,
    peak_words,
    run_lines,
    spread_words,
    unusable_words,
    why_words,
)
from dispatch.words.notices import group_cautions

if TYPE_CHECKING:
    from dispatch.arrays import Floats
    from dispatch.fleet.run import Ran
    from dispatch.fleet.summary import Bars, Group, Spread, Summary, Winner


MOST_REASONS = 100

_KW_PER_MW = 1000.0


def fleet_page(summary: Summary, ran: Ran) -> str:
    """Write the page.

    Parameters
    ----------
    summary : Summary
    ran : Ran
        What the run did.
    """
    groups = [_group(group, several=len(summary.groups) > 1) for group in summary.groups]
    facts = {
        "homes": homes_words(summary),
        "directory": summary.directory,
        "run_lines": list(run_lines(ran)),
        "months": MONTHS,
        "groups": groups,
        "unusable": unusable_words(summary),
        "reasons": summary.reasons[:MOST_REASONS],
        "reasons_left": len(summary.reasons) > MOST_REASONS,
        "notes": NOTES,
        "cautions": group_cautions(),
    }
    drawn = [_drawn(group, facts) for group, facts in zip(summary.groups, groups, strict=True)]
    return fill("fleet", facts, {"groups": drawn})


def _group(group: Group, *, several: bool) -> dict[str, Any]:
    load, scale, own = group.load, _Scale(group), "Each home's own tariff"
    places = currency_decimals(group.currency)
    return {
        "title": f"{group.tariff or own}, {group.currency}" if several else group.tariff or "The answers",
        "currency": group.currency,
        "homes": f"{group.homes:,}",
        "answers": _answers(group),
        "saving_rows": _bar_rows(group.saving_bars),
        "hours_rows": _bar_rows(group.hours_bars),
        "beyond_saving": _beyond(group.saving_bars),
        "beyond_hours": _beyond(group.hours_bars),
        "spreads": list(_spreads(group, places)),
        "winners": [{"strategy": one.strategy, "cells": _cells(one, places)} for one in group.winners],
        "why": [f"{why_words(winner, group.currency)}." for winner in group.winners],
        "grid": [f"{line}." for line in grid_lines(group)],
        "unit": scale.unit,
        "month_rows": [
            (
                name,
                [scale.text(float(each[month].max())) for each in (load.before, load.after, load.staggered)]
                if load.before[month].any()
                else [ABSENT] * 3,
            )
            for month, name in enumerate(MONTHS)
        ],
        "maps": {
            "rise": scale.rows(load.after - load.before),
            "before": scale.rows(load.before),
            "after": scale.rows(load.after),
            "staggered": scale.rows(load.staggered),
        },
        "losing": f"{losing_words(group).capitalize()}{'; the worst:' if group.losers else '.'}",
        "losers": [f"{loser_words(loser, group.currency)}." for loser in group.losers],
    }


def _answers(group: Group) -> tuple[Told, ...]:
    load, first, currency = group.load, group.winners[0], group.currency
    share = f"{100 * first.share:.0f}%"
    reserve = f"Half of these homes keep a reserve of {first.reserve_percent.median:g}% or more."
    others = [f"{100 * one.share:.0f}% {one.strategy}" for one in group.winners[1:]]
    rest = f"The others: {', '.join(others)}." if others else "It is best for every home."
    worst = (
        f" The worst loses {format_money(-group.losers[0].saving_per_year, currency)} a year."
        if group.losers
        else ""
    )
    missing = group.missing_target_homes
    target = (
        "The backup target is kept in every home."
        if not missing
        else f"In {missing:,} homes nothing keeps the backup target."
    )
    change = load.peak_after.kw - load.peak_before.kw
    figure = f"{format_number(abs(change), 1)} kW {'more' if change > 0 else 'less'} at the peak"
    return (
        Told("What to set", f"{first.strategy} in {share} of homes", (reserve, rest)),
        Told(
            "What they save",
            f"{format_money(group.saving_per_year.median, currency)} a year, half of them more",
            (spread_words(group), f"{losing_words(group).capitalize()}.{worst}"),
        ),
        Told(
            "How long they last",
            f"{format_hours(group.least_hours.median)} h at the worst moment, half of them more",
            (hours_words(group), target),
        ),
        Told(
            "What they do to the grid",
            figure,
            (
                f"{peak_words(load.peak_before)} without the systems, {peak_words(load.peak_after)} as set.",
                f"With each start drawn by lot, at no cost to the home: {peak_words(load.peak_staggered)}.",
            ),
        ),
    )


def _bar_rows(bars: Bars) -> list[tuple[str, str]]:
    names = [f"{low:,g} to {high:,g}" for low, high in pairwise(bars.edges)]
    return [(name, f"{homes:,}") for name, homes in zip(names, bars.homes, strict=True)]


def _beyond(bars: Bars) -> str:
    begins = "Each bar is named by where it begins"
    return f"{begins}; the outermost hold those beyond, too." if len(bars.homes) > 1 else f"{begins}."


def _spreads(group: Group, places: int) -> list[tuple[str, list[str]]]:
    def values(spread: Spread) -> tuple[float, ...]:
        return (spread.mean, spread.p05, spread.p25, spread.median, spread.p75, spread.p95)

    rows = [
        (
            f"Saves a year, {group.currency}",
            [format_number(one, places) for one in values(group.saving_per_year)],
        )
    ]
    if group.foresight_per_year is not None:
        name = f"Perfect foresight: more ({group.bound_homes:,} homes)"
        rows.append((name, [format_number(one, places) for one in values(group.foresight_per_year)]))
    rows.append(("Fewest hours of backup", [format_hours(one) for one in values(group.least_hours)]))
    return rows


def _cells(winner: Winner, places: int) -> list[str]:
    return [
        f"{winner.homes:,}",
        f"{100 * winner.share:.0f}%",
        f"{winner.reserve_percent.median:g}%",
        format_number(None if winner.ahead is None else winner.ahead.median, places),
        f"{winner.only_one_homes:,}",
        f"{100 * winner.with_sun_share:.0f}%",
        format_number(winner.usable_kwh.median, 1),
    ]


class _Scale:
    """Powers of a group in kW or MW, so that a cell of a map never holds more than four characters."""

    def __init__(self, group: Group) -> None:
        load = group.load
        most = float(max(np.abs(each).max() for each in (load.before, load.after, load.staggered)))
        self.unit, self.divisor = ("MW", _KW_PER_MW) if most >= _KW_PER_MW else ("kW", 1.0)
        self.places = 0 if most / self.divisor >= 100 else 1 if most / self.divisor >= 10 else 2

    def text(self, power_kw: float) -> str:
        """Write a power."""
        return format_number(power_kw / self.divisor, self.places)

    def rows(self, power_kw: Floats) -> list[dict[str, Any]]:
        """Lay powers out by hour (rows) and month (columns), with a shade for each that is above nothing."""
        most = max(float(power_kw.max()), 1e-9)
        return [
            {
                "hour": f"{hour:02d}",
                "cells": [
                    (self.text(float(value)), min(int(max(value, 0.0) / most * SHADES), SHADES - 1))
                    for value in power_kw[:, hour]
                ],
            }
            for hour in range(24)
        ]


def _drawn(group: Group, facts: dict[str, Any]) -> dict[str, Any]:
    """Choose what the script draws from."""
    scale, load = _Scale(group), group.load

    def counted(bars: Bars) -> dict[str, Any]:
        return {"edges": bars.edges, "homes": bars.homes, "names": [f"{edge:,g}" for edge in bars.edges[:-1]]}

    tens = sorted(
        {name for winner in group.winners for name in winner.reserves},
        key=lambda name: int(name.split("-")[0]),
    )
    return {
        "saving": counted(group.saving_bars),
        "hours": counted(group.hours_bars),
        "tens": tens,
        "winners": [{"strategy": winner.strategy, "reserves": winner.reserves} for winner in group.winners],
        "unit": facts["unit"],
        "places": scale.places,
        "month": load.peak_after.month - 1,
        "load": {
            name: np.round(power / scale.divisor, 4).tolist()
            for name, power in (("before", load.before), ("after", load.after), ("staggered", load.staggered))
        },
    }
