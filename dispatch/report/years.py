"""The screen of ``dispatch years``: one home through many years, and the setting that is best over all."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Group
from rich.text import Text

from dispatch.formats import format_money, format_number, percent_down
from dispatch.report.layout import bulleted, headed, money_places, named, plain_table

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import RenderableType
    from rich.table import Table

    from dispatch.fleet.years import Setting, Years

SHOWN = 10
"""Years shown unless everything is asked for: the worst first."""


def years_report(found: Years, *, full: bool = False) -> Group:
    """Put the screen of ``dispatch years`` together.

    Parameters
    ----------
    found : Years
    full : bool
        Whether every year, and how to read it, follow.
    """
    parts: list[RenderableType] = [
        named(found.case),
        Text(
            f"{len(found.years):,} years, {found.case.currency}, under today's tariff {found.case.tariff.name}"
        ),
    ]
    headline = f"Set {_words(found.best)}: it saves most over these years"
    parts += headed("What to set", [Text(headline, style="bold"), bulleted(_facts(found))])
    parts += ["", _table(found, full=full)]
    if full:
        parts += headed("How to read it", [bulleted(_notes())])
    else:
        parts.append(Text("Worst years first. All years and how to read it: --full", style="dim"))
    return Group(*parts)


def _words(setting: Setting) -> str:
    return f"{setting.strategy}, reserve {setting.reserve_percent:g}%"


def _facts(found: Years) -> Iterator[str]:
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
        yield f"In the worst year {_words(safest)} saves most: {worst} ({safest.worst_year})"
    if not best.keeps_target:
        yield "No setting serves the load and keeps the backup target in every year"
    changed = sum(
        (year.strategy, year.reserve_percent) != (best.strategy, best.reserve_percent) for year in found.years
    )
    yield f"Alone, {changed:,} of {len(found.years):,} years would have been set otherwise"


def _table(found: Years, *, full: bool) -> Table:
    years = sorted(found.years, key=lambda year: (year.saving, year.name))
    shown = found.years if full else years[:SHOWN]
    places = money_places(found.case.currency, [year.no_system_bill for year in shown], 8)
    table = plain_table()
    table.add_column("year", width=15, overflow="fold")
    for name, width in (
        ("without\nsystem", 9),
        ("saved", 9),
        ("target\nkept, %", 8),
        ("saved with\nown best", 11),
    ):
        table.add_column(name, justify="right", width=width)
    table.add_column("  own best", width=18)
    table.add_column("saved as\nplanned", justify="right", width=9)
    for year in shown:
        table.add_row(
            year.name,
            format_number(year.no_system_bill, places),
            format_number(year.saving, places),
            percent_down(year.keeps_target_fraction),
            format_number(year.own_saving, places),
            f"  {year.strategy.removesuffix('-first')} {year.reserve_percent:g}%",
            format_number(year.bound_saving, places),
        )
    return table


def _notes() -> Iterator[str]:
    yield (
        "Every year begins with the level it ends with and is priced by today's tariff, stretched over its dates; "
        "announced days stay on theirs."
    )
    yield (
        "As set: an inverter that sees only the present. Planned: a plan that knew the whole year, at that year's own "
        "reserve; no device can know it."
    )
    yield (
        "Years of weather that were are no promise of those to come. A drawn year shuffles the home's own days: it "
        "brings no weather the data never saw."
    )
