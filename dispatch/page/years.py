"""The page of many years: what each saves with the one setting that is best over all."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dispatch.formats import currency_decimals, format_money, format_number, percent_down
from dispatch.page.answers import Told
from dispatch.page.fill import fill
from dispatch.words.notices import cautions, first_cautions
from dispatch.words.years import NOTES, over_words, span_of, years_lines, years_words

if TYPE_CHECKING:
    from dispatch.fleet.years import Year, Years


def years_page(found: Years) -> str:
    """Write the page.

    Parameters
    ----------
    found : Years
    """
    case, best, safest = found.case, found.best, found.safest
    lines = [f"{line}." for line in years_lines(found)]
    planned = all(year.bound_saving is not None for year in found.years)
    facts = {
        "name": case.name,
        "count": years_words(found),
        "tariff": case.tariff.name,
        "zone": case.scenario.site.time_zone,
        "currency": case.currency,
        "setting": over_words(best),
        "answers": (
            Told("What to set", over_words(best), ("It saves most over these years.", *lines[-1:])),
            Told(
                "What it saves",
                f"{format_money(best.mean_saving, case.currency)} {span_of(found)} on average",
                (lines[0],),
            ),
            Told(
                "The worst year",
                f"{format_money(best.worst_saving, case.currency)}, {best.worst_year}",
                (lines[1], f"Most in its worst year: {over_words(safest)}."),
            ),
            Told("The backup target", *_target(found)),
        ),
        "planned": planned,
        "years": [_row(year, currency_decimals(case.currency)) for year in found.years],
        "first_cautions": first_cautions(case),
        "notes": NOTES,
        "cautions": cautions(case),
    }
    return fill("years", facts, {"years": [_drawn(year, case.currency) for year in found.years]})


def _target(found: Years) -> tuple[str, tuple[str, ...]]:
    target = found.case.scenario.backup.target_hours
    if target is None:
        return "none stated", ("The reserve of the file is what is promised.",)
    least = min(found.years, key=lambda year: year.keeps_target_fraction)
    kept = f"Kept least in {least.name}: {percent_down(least.keeps_target_fraction)}% of moments."
    figure = (
        f"{target:g} h kept in every year"
        if found.best.keeps_target
        else f"{target:g} h not kept in every year"
    )
    return figure, (kept,)


def _row(year: Year, places: int) -> dict[str, str]:
    return {
        "name": year.name,
        "without": format_number(year.no_system_bill, places),
        "saved": format_number(year.saving, places),
        "kept": percent_down(year.keeps_target_fraction),
        "own": f"{year.strategy}, {year.reserve_percent:g}%",
        "own_saved": format_number(year.own_saving, places),
        "bound": format_number(year.bound_saving, places),
    }


def _drawn(year: Year, currency: str) -> dict[str, Any]:
    places = currency_decimals(currency)
    return {
        "name": year.name,
        "saving": year.saving,
        "saving_text": format_number(year.saving, places),
        "bound": year.bound_saving,
        "bound_text": format_number(year.bound_saving, places),
    }
