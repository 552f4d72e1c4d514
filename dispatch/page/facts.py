"""What the page shows, as plain figures and sentences: no markup here, and no figure that is not elsewhere too."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from dispatch.formats import (
    ABSENT,
    currency_decimals,
    format_hours,
    format_money,
    format_month,
    format_number,
    percent_down,
)
from dispatch.page.cards import card_of
from dispatch.safety.frontier import cheapest_settings
from dispatch.words.advice import monthly_savings, setting_words
from tariffs.terms.shared_out import step_costs

if TYPE_CHECKING:
    from dispatch.advice.recommend import Recommendation
    from dispatch.arrays import Floats
    from dispatch.comparison.compare import Comparison
    from dispatch.outcome import Outcome
    from dispatch.safety.answers import Quick
    from dispatch.safety.frontier import Frontier
    from dispatch.safety.study import MonthHour


MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

WEAR, REST = "wear of the battery", "other charges"

SHADES = 6


@dataclass(frozen=True)
class Found:
    """What a page is made of.

    Attributes
    ----------
    advice : Recommendation
    quick : Quick
        The hours told first.
    run : Outcome
        The run whose days, months and outages are shown; what is set unless another was asked for.
    comparison : Comparison or None
        The plans with foresight beside the strategies, where they were solved.
    frontier : Frontier or None
        The plans with foresight beside the curve of safety, where they were solved.
    """

    advice: Recommendation
    quick: Quick
    run: Outcome
    comparison: Comparison | None = None
    frontier: Frontier | None = None


def strategy_rows(found: Found) -> list[dict[str, Any]]:
    """Lay the strategies out side by side, what is set first, then by cost; figures beside their text."""
    advice = found.advice
    case, currency = advice.case, advice.case.currency
    places, horizon = currency_decimals(currency), case.limits.backup_horizon_hours
    runs = sorted(advice.outcomes.values(), key=lambda run: (run is not advice.chosen, run.compared_cost))
    rows = []
    for run in runs:
        least = run.backup.minimum if run.backup else 0.0
        evening = found.quick.evenings[run.name]
        plan = None if found.comparison is None else found.comparison.planned.get(run.name)
        rows.append(
            {
                "name": run.name,
                "set": run is advice.chosen and run.serves,
                "serves": run.serves,
                "reserve": "full" if run.name == "reserve-first" else f"{run.reserve_percent:g} %",
                "bill": format_number(run.total, places),
                "wear": format_number(run.wear, places),
                "cost": format_number(run.compared_cost, places),
                "saving": run.saving,
                "saving_text": format_number(run.saving, places),
                "least": least,
                "least_text": format_hours(least, horizon),
                "evening": evening,
                "evening_text": format_hours(evening, horizon),
                "kept": percent_down(run.target_share),
                "planned": ABSENT if plan is None else format_number(plan.compared_cost, places),
            }
        )
    return rows


def month_rows(found: Found) -> dict[str, Any]:
    """Split what the run saves in each billing period by the price at which it is saved.

    Returns
    -------
    dict
        ``names`` of the parts: prices, then wear and other charges where there are any; ``rows`` with ``label``,
        ``parts`` and ``total``, which is the saving of the period: the parts add up to it.
    """
    advice, run = found.advice, found.run
    prices = advice.case.prices
    bands = len(prices.band_names)
    place = prices.period * bands + prices.band

    def money(outcome: Outcome) -> Floats:
        costs = step_costs(prices, outcome.flows["import"], outcome.flows["export"])
        count = len(prices.period_names) * bands
        found: Floats = np.bincount(place, weights=costs, minlength=count).astype(np.float64)
        return found.reshape(-1, bands)

    by_band = money(advice.no_system) - money(run)
    worn: Floats = np.bincount(
        prices.period,
        weights=run.case.limits.wear_per_kwh * run.flows.cells_out_kwh,
        minlength=len(prices.period_names),
    ).astype(np.float64)
    saved = monthly_savings(advice, run)
    totals = np.array([saved[name] for name in prices.period_names])
    rest = totals - by_band.sum(axis=1) + worn
    parts: dict[str, Floats] = {name: by_band[:, at] for at, name in enumerate(prices.band_names)}
    if np.abs(worn).max() > 5e-3:
        parts[WEAR] = -worn
    if np.abs(rest).max() > 5e-3:
        parts[REST] = rest
    places = currency_decimals(advice.case.currency)
    rows = [
        {
            "label": format_month(name),
            "parts": [float(values[at]) for values in parts.values()],
            "texts": [format_number(float(values[at]), places) for values in parts.values()],
            "total": float(totals[at]),
            "total_text": format_number(float(totals[at]), places),
        }
        for at, name in enumerate(prices.period_names)
    ]
    return {"names": list(parts), "rows": rows}


def level_rows(found: Found) -> list[dict[str, Any]]:
    """List the settings that what safety costs is made of, each with its bill, hours and card.

    What is set now is among them, wherever the search for the cheapest left it out.
    """
    advice = found.advice
    case, chosen = advice.case, advice.chosen
    promised: list[tuple[float | None, Outcome | None]]
    if found.frontier is not None:
        pairs = list(zip(found.frontier.levels, found.frontier.settings, strict=True))
        promised = [(level.bound, run) for level, run in pairs]
    else:
        promised = [(None, run) for _, run in cheapest_settings(advice)]
    kept: dict[tuple[str, float], tuple[Outcome, float | None]] = {}
    for bound, run in promised:
        if run is not None:
            kept[_key(run)] = (run, bound)  # the bound of the highest level a setting answers
    kept.setdefault(_key(chosen), (chosen, None))
    order = sorted(kept.values(), key=lambda each: (each[0].least_hours or 0.0, each[0].compared_cost))
    places, horizon = currency_decimals(case.currency), case.limits.backup_horizon_hours
    return [
        {
            "strategy": run.name,
            "reserve_percent": run.reserve_percent,
            "setting": setting_words(run),
            "set": _key(run) == _key(chosen),
            "least": run.least_hours,
            "least_text": format_hours(run.least_hours, horizon),
            "usual_text": format_hours(run.backup.median if run.backup else None, horizon),
            "cost": run.compared_cost,
            "cost_text": format_number(run.compared_cost, places),
            "bill_text": format_money(run.total, case.currency),
            "wear_text": format_money(run.wear, case.currency),
            "saving_text": format_money(run.saving, case.currency),
            "more_text": format_number(run.compared_cost - chosen.compared_cost, places),
            "bound": bound,
            "bound_text": format_number(bound, places),
            "card": card_of(case, run.name, run.reserve_percent or 0.0),
        }
        for run, bound in order
    ]


def _key(run: Outcome) -> tuple[str, float]:
    return run.name, run.reserve_percent or 0.0


def map_rows(found: MonthHour, horizon_hours: float) -> list[dict[str, Any]]:
    """Lay usual and fewest hours out by hour of the day (rows) and month (columns), with a shade for each.

    Whole hours rounded down, as everywhere.
    """
    known = found.median[~np.isnan(found.median)]
    top = float(known.max()) if len(known) else 0.0

    def cell(value: float) -> tuple[str, int | None]:
        if np.isnan(value):
            return "", None
        text = f"{horizon_hours:g}+" if value >= horizon_hours - 1e-9 else f"{int(value + 1e-6)}"
        return text, min(int(value / top * SHADES), SHADES - 1) if top > 0 else 0

    return [
        {
            "hour": f"{hour:02d}",
            "usual": [cell(float(found.median[month, hour])) for month in range(12)],
            "fewest": [cell(float(found.least[month, hour])) for month in range(12)],
        }
        for hour in range(24)
    ]
