"""The page of one home: what it says and what its script draws from."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dispatch.case.origin import origin_of
from dispatch.errors import DispatchError
from dispatch.formats import currency_decimals, format_span
from dispatch.page.answers import answers
from dispatch.page.cards import card_of
from dispatch.page.facts import MONTHS, Found, level_rows, map_rows, month_rows, strategy_rows
from dispatch.page.fill import MOST_BYTES, fill
from dispatch.page.series import day_series, outage_series
from dispatch.safety.study import month_hour
from dispatch.words.advice import setting_words
from dispatch.words.notices import ASSUMPTIONS, cautions, first_cautions, span_words
from dispatch.words.origin import origin_words
from dispatch.words.plans import unproven_words
from dispatch.words.slips import slip_words

if TYPE_CHECKING:
    from dispatch.outcome import Outcome


def page(found: Found) -> str:
    """Write the page.

    Parameters
    ----------
    found : Found

    Returns
    -------
    str
        HTML of at most 4 MB.

    Raises
    ------
    DispatchError
        If the data are too long for one page.
    """
    facts = _facts(found)
    text = fill("page", facts, _data(found, facts))
    if (size := len(text.encode())) > MOST_BYTES:
        raise DispatchError(
            f"{found.advice.case.path}: --html: {len(found.run.case.times):,} steps make a page of "
            f"{size / 1e6:.1f} MB, more than {MOST_BYTES / 1e6:g}; give it fewer years"
        )
    return text


def _facts(found: Found) -> dict[str, Any]:
    advice, run = found.advice, found.run
    case, backup = advice.case, found.run.backup
    assert backup is not None  # noqa: S101 - only runs with a battery are put on a page
    horizon = case.limits.backup_horizon_hours
    target = case.scenario.backup.target_hours
    return {
        "name": case.name,
        "serves": advice.chosen.serves,
        "currency": case.currency,
        "tariff": case.tariff.name,
        "span": format_span(case.times[0].date(), case.times[-1].date()),
        "zone": case.scenario.site.time_zone,
        "money_span": span_words(case),
        "answers": answers(found),
        "first_cautions": first_cautions(case),
        "odd": [slip_words(slip) for slip in case.slips],
        "asked": run is not advice.chosen,
        "shown": _shown(run),
        "strategies": strategy_rows(found),
        "planned": found.comparison is not None,
        "bounded": found.frontier is not None,
        "target": None if target is None else f"{target:g}",
        "months": month_rows(found),
        "levels": level_rows(found),
        "map": map_rows(month_hour(run.case, backup.hours), horizon),
        "map_months": MONTHS,
        "card": card_of(case, advice.strategy, advice.reserve_percent),
        "has_sun": bool(case.sun_kwh.any()),
        "assumptions": [
            *_unproven(found),
            *ASSUMPTIONS,
            *case.notes,
            f"{origin_words(origin_of(case.inputs))}.",
        ],
        "cautions": cautions(case),
    }


def _unproven(found: Found) -> list[str]:
    return [] if found.comparison is None else list(unproven_words(found.comparison))


def _shown(run: Outcome) -> str:
    """Name the run that is shown; a plan is never taken for what an inverter does."""
    words = setting_words(run)
    if run.basis != "planned":
        return words
    return f"{words} ({'the best plan found' if run.stopped else 'a plan with foresight, the bound'})"


def _data(found: Found, facts: dict[str, Any]) -> dict[str, Any]:
    """Choose what the script draws from; the texts beside the figures are those of the tables."""
    drawn = ("name", "set", "saving", "saving_text", "least", "least_text", "evening", "evening_text")
    return {
        "currency": facts["currency"],
        "places": currency_decimals(facts["currency"]),
        "has_sun": facts["has_sun"],
        "strategies": [{key: row[key] for key in drawn} for row in facts["strategies"]],
        "months": {
            "names": facts["months"]["names"],
            "rows": [
                [row["label"], row["parts"], row["total"], row["total_text"]]
                for row in facts["months"]["rows"]
            ],
        },
        "levels": facts["levels"],
        "day": day_series(found.run),
        "outage": outage_series(found.run),
    }
