"""The page as one HTML text: template, style, script and data in it, and nothing fetched from anywhere.

The content policy in its head allows only the one style and the one script whose hashes it names, and no network at
all: a name with markup in it is text, whatever a template forgets.
"""

from __future__ import annotations

import base64
import hashlib
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from dispatch.case.origin import origin_of
from dispatch.errors import DispatchError
from dispatch.formats import currency_decimals, format_span
from dispatch.page.answers import answers
from dispatch.page.cards import card_of
from dispatch.page.facts import MONTHS, Found, level_rows, map_rows, month_rows, strategy_rows
from dispatch.page.series import day_series, outage_series
from dispatch.safety.study import month_hour
from dispatch.words.advice import setting_words
from dispatch.words.notices import ASSUMPTIONS, cautions, first_cautions, span_words
from dispatch.words.origin import origin_words
from dispatch.words.slips import slip_words

if TYPE_CHECKING:
    from dispatch.outcome import Outcome

HERE = Path(__file__).parent

MOST_BYTES = 4_000_000


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
    style, script = (
        (HERE / name).read_text(encoding="utf-8").replace("\r\n", "\n") for name in ("page.css", "page.js")
    )
    environment = Environment(
        loader=FileSystemLoader(HERE),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    facts = _facts(found)
    text = environment.get_template("page.html").render(
        **facts,
        style=Markup(style),  # noqa: S704 - the project's own file
        script=Markup(script),  # noqa: S704 - the project's own file
        style_hash=_hash(style),
        script_hash=_hash(script),
        data=Markup(_embedded(_data(found, facts))),  # noqa: S704 - escaped for this place by _embedded
    )
    if (size := len(text.encode())) > MOST_BYTES:
        raise DispatchError(
            f"{found.advice.case.path}: --html: {len(found.run.case.times):,} steps make a page of "
            f"{size / 1e6:.1f} MB, more than {MOST_BYTES / 1e6:g}; give it fewer years"
        )
    return text


def _hash(text: str) -> str:
    return base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def _embedded(data: dict[str, Any]) -> str:
    """Write JSON that may stand in a script element: no character of it can end that element or begin another."""
    text = json.dumps(data, separators=(",", ":"), allow_nan=False)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


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
        "assumptions": [*ASSUMPTIONS, *case.notes, f"{origin_words(origin_of(case.inputs))}."],
        "cautions": cautions(case),
    }


def _shown(run: Outcome) -> str:
    """Name the run that is shown; a plan is never taken for what an inverter does."""
    words = setting_words(run)
    return f"{words} (a plan with foresight, the bound)" if run.basis == "planned" else words


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
