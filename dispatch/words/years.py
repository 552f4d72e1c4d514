"""One home through many years, as sentences for screen and page alike."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dispatch.formats import format_money
from dispatch.words.notices import YEAR_DAYS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from dispatch.fleet.years import Setting, Years


MANY = 20
"""From so many years on, nine of ten are a statement."""

NOTES = (
    (
        "Every year begins with the level it ends with and is priced by today's tariff, stretched over its dates; "
        "announced days stay on theirs."
    ),
    (
        "As set: an inverter that sees only the present. Planned: a plan that knew the whole year, at that year's own "
        "reserve; no device can know it."
    ),
    (
        "Years of weather that were are no promise of those to come. A drawn year shuffles the home's own days: it "
        "brings no weather the data never saw."
    ),
)
"""How the figures of many years are meant."""


def over_words(setting: Setting) -> str:
    """Name a setting: strategy and reserve."""
    return f"{setting.strategy}, reserve {setting.reserve_percent:g}%"


def years_lines(found: Years) -> Iterator[str]:
    """Say what the setting saves over the years, in the worst of them, and whether it keeps the target."""
    currency, best, safest = found.case.currency, found.best, found.safest
    yield (
        f"{format_money(best.mean_saving, currency)} {span_of(found)} on average; "
        f"{format_money(best.worst_saving, currency)} in the worst, {best.worst_year}; {_range_words(found)}"
    )
    if (safest.strategy, safest.reserve_percent) == (best.strategy, best.reserve_percent):
        yield "The same setting is best in the worst year"
    else:
        worst = format_money(safest.worst_saving, currency)
        yield f"In the worst year {over_words(safest)} saves most: {worst} ({safest.worst_year})"
    if not best.keeps_target:
        yield "No setting serves the load and keeps the backup target in every year"
    changed = sum(
        (year.strategy, year.reserve_percent) != (best.strategy, best.reserve_percent) for year in found.years
    )
    if changed:
        yield f"Alone, {changed:,} of {len(found.years):,} years would have been set otherwise"
    else:
        yield "Every year alone would have been set so"


def years_words(found: Years) -> str:
    """Count the years: ``10 years``, ``3 spans of 83 days``."""
    count = len(found.years)
    if span_of(found) == "a year":
        return f"{count:,} year{'s' * (count != 1)}"
    return f"{count:,} span{'s' * (count != 1)} of {found.days:g} days"


def span_of(found: Years) -> str:
    """Say what money is for: a year, or the days the data hold."""
    return "a year" if YEAR_DAYS[0] <= found.days <= YEAR_DAYS[1] else f"over {found.days:g} days"


def _range_words(found: Years) -> str:
    savings = [year.saving for year in found.years]
    few = len(savings) < MANY
    ends = (min(savings), max(savings)) if few else (found.spread.p05, found.spread.p95)
    low, high = (format_money(amount, found.case.currency) for amount in ends)
    return f"{'all' if few else 'nine years of ten'} between {low} and {high}"
