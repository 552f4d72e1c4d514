"""One home through many years, as sentences for screen and page alike."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dispatch.formats import format_money

if TYPE_CHECKING:
    from collections.abc import Iterator

    from dispatch.fleet.years import Setting, Years


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
    currency, best, safest, spread = found.case.currency, found.best, found.safest, found.spread
    yield (
        f"{format_money(best.mean_saving, currency)} a year on average; {format_money(best.worst_saving, currency)} "
        f"in the worst, {best.worst_year}; nine years of ten between {format_money(spread.p05, currency)} and "
        f"{format_money(spread.p95, currency)}"
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
    yield f"Alone, {changed:,} of {len(found.years):,} years would have been set otherwise"
