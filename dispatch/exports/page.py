"""The settings card as one self-contained HTML page, made to be printed and carried to the device."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from dispatch.formats import currency_decimals, format_hours, format_number, format_span
from dispatch.words.card import (
    assumption_lines,
    card_rows,
    change_lines,
    how_to_enter,
    result_lines,
    safety_lines,
    sections,
    sun_line,
)
from dispatch.words.notices import cautions
from tariffs.reading.clock import pieces

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from dispatch.search.study import SettingsStudy
    from dispatch.settings.card import Window


STYLE = """
:root { color-scheme: light; }
* { box-sizing: border-box; }
body { font: 15px/1.4 system-ui, "Segoe UI", Roboto, "Helvetica Neue", Arial, sans-serif; color: #1b1f24;
  background: #fff; max-width: 760px; margin: 24px auto; padding: 0 20px; }
h1 { font-size: 24px; margin: 0 0 2px; }
h2 { font-size: 17px; margin: 22px 0 6px; border-bottom: 2px solid #1b1f24; padding-bottom: 2px; }
p.sub { margin: 0 0 10px; color: #4a5560; }
p.sun { font-size: 16px; font-weight: 600; border: 2px solid #1b1f24; padding: 8px 12px; margin: 12px 0; }
section.plan { break-inside: avoid; margin-top: 16px; }
table { border-collapse: collapse; width: 100%; margin: 6px 0; }
th, td { text-align: left; vertical-align: top; padding: 5px 8px; border-bottom: 1px solid #c9d0d7; }
th { font-weight: 600; border-bottom: 2px solid #8a949e; }
td.big { font-size: 18px; font-weight: 700; white-space: nowrap; }
td.why { color: #4a5560; font-size: 13px; }
td.num, th.num { text-align: right; white-space: nowrap; font-variant-numeric: tabular-nums; }
tr.chosen td { font-weight: 700; background: #eef2f5; }
svg { width: 100%; height: 46px; display: block; margin: 4px 0; }
ul { margin: 4px 0; padding-left: 20px; }
li { margin: 3px 0; }
.small { font-size: 13px; color: #4a5560; }
@page { size: A4; margin: 14mm; }
@media print { body { margin: 0; padding: 0; max-width: none; font-size: 12.5px; } td.big { font-size: 15px; }
  h2 { margin-top: 12px; break-after: avoid; } }
"""

HATCHING = (
    '<defs><pattern id="c" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    '<rect width="6" height="6" fill="#fff"/><rect width="3" height="6" fill="#1f6f8b"/></pattern></defs>'
)


def card_page(study: SettingsStudy) -> str:
    """Write the page.

    Returns
    -------
    str
        HTML that needs nothing from anywhere else.
    """
    case = study.case
    title = f"Battery settings: {case.name}"
    span = format_span(case.times[0].date(), case.times[-1].date())
    facts = f"Tariff {case.tariff.name}; worked out from {span}; clock of {case.scenario.site.time_zone}."
    body = [
        f"<h1>{escape(title)}</h1>",
        f'<p class="sub">{escape(facts)}</p>',
    ]
    if sun := sun_line(study):
        body.append(f'<p class="sun">{escape(sun)}</p>')
    for heading, group in sections(study):
        body += _plan(study, heading, group)
    body += _listed("When to change", change_lines(study))
    body += _listed("How to enter it", how_to_enter(study))
    body += _listed("What it earns", [*result_lines(study), *safety_lines(study)])
    body += _ways(study)
    body += _listed("What this rests on", assumption_lines(study), small=True)
    body += _listed("Cautions", cautions(study.case), small=True)
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n"
        + "\n".join(body)
        + "\n</body>\n</html>\n"
    )


def _plan(study: SettingsStudy, heading: str, group: int) -> Iterator[str]:
    yield '<section class="plan">'
    yield f"<h2>{escape(heading)}</h2>"
    yield _clock_strip(study, group)
    yield "<table><tr><th>Enter</th><th>When</th><th>Level</th><th>Why</th></tr>"
    for row in card_rows(study, group):
        yield (
            f'<tr><td>{escape(row.entry)}</td><td class="big">{escape(row.when)}</td>'
            f'<td class="big">{escape(row.level)}</td><td class="why">{escape(row.why)}</td></tr>'
        )
    yield "</table></section>"


def _clock_strip(study: SettingsStudy, group: int) -> str:
    """Draw the day as a strip: charging hatched, giving solid, with its words, so that it prints without colour."""
    plan = study.card.plans[group]
    parts = [
        '<svg viewBox="0 0 720 46" role="img" aria-label="the day from 0 to 24 h">',
        HATCHING,
        '<rect x="0" y="4" width="720" height="22" fill="#f3f5f7" stroke="#8a949e"/>',
    ]
    marks: list[tuple[Window, str, str, str]] = [(w, "url(#c)", "#1b1f24", "charge") for w in plan.charge]
    marks += [(w, "#d98a1f", "#1b1f24", "discharge") for w in plan.discharge]
    for window, fill, ink, word in marks:
        for start, end in pieces(window.start, window.end):
            x, width = start / 2, (end - start) / 2
            parts.append(
                f'<rect x="{x:g}" y="4" width="{width:g}" height="22" fill="{fill}" stroke="{ink}"/>'
            )
            if width >= 60:
                parts.append(
                    f'<rect x="{x + width / 2 - 29:g}" y="8" width="58" height="14" fill="#fff" opacity="0.85"/>'
                    f'<text x="{x + width / 2:g}" y="19" font-size="12" text-anchor="middle">{word}</text>'
                )
    parts += [
        f'<text x="{min(max(hour * 30, 8), 710)}" y="41" font-size="12" text-anchor="middle">{hour}</text>'
        for hour in range(0, 25, 3)
    ]
    return "".join([*parts, "</svg>"])


def _listed(title: str, lines: Iterable[str], *, small: bool = False) -> Iterator[str]:
    yield f"<h2>{escape(title)}</h2>"
    yield f'<ul class="small">{_items(lines)}</ul>' if small else f"<ul>{_items(lines)}</ul>"


def _items(lines: Iterable[str]) -> str:
    return "".join(f"<li>{escape(line)}</li>" for line in lines)


def _ways(study: SettingsStudy) -> Iterator[str]:
    currency, horizon = study.case.currency, study.case.limits.backup_horizon_hours
    bound, places = study["bound"].compared_cost, currency_decimals(currency)
    heads = (f"bill, {currency}", "wear", "bill + wear", "above the bound", "least backup")
    yield "<table><tr><th></th>" + "".join(f'<th class="num">{head}</th>' for head in heads) + "</tr>"
    for way in study.ways:
        more = (
            f"{format_number(100 * (way.compared_cost - bound) / abs(bound), 1)} %"
            if abs(bound) > 0.005
            else "-"
        )
        cells = (
            *(format_number(value, places) for value in (way.total, way.wear, way.compared_cost)),
            more,
            f"{format_hours(way.least_hours, horizon)} h",
        )
        chosen = ' class="chosen"' if way is study.chosen else ""
        yield (
            f"<tr{chosen}><td>{escape(way.name)}</td>"
            + "".join(f'<td class="num">{escape(cell)}</td>' for cell in cells)
            + "</tr>"
        )
    yield "</table>"
