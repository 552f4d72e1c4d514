"""The settings card as one self-contained HTML page, made to be printed and carried to the device."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from dispatch.case.origin import origin_of
from dispatch.formats import currency_decimals, format_hours, format_number, format_span
from dispatch.words.card import card_rows, change_lines, how_to_enter, sections, sun_line
from dispatch.words.card_result import assumption_lines, result_lines, safety_lines, simple_lines
from dispatch.words.notices import cautions
from dispatch.words.origin import origin_words
from dispatch.words.slips import slip_words
from tariffs.reading.clock import MINUTES_PER_DAY, pieces

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from dispatch.cards.card import Window
    from dispatch.search.study import SettingsStudy


STYLE = """
:root { color-scheme: light; }
* { box-sizing: border-box; }
body { font: 15px/1.4 system-ui, "Segoe UI", Roboto, "Helvetica Neue", Arial, sans-serif; color: #1b1f24;
  background: #fff; max-width: 760px; margin: 24px auto; padding: 0 20px; overflow-wrap: break-word; }
h1 { font-size: 24px; line-height: 1.2; margin: 0 0 2px; }
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
.strip { position: relative; height: 24px; margin: 8px 0 0; border: 1px solid #8a949e; background: #f3f5f7; }
.strip svg { position: absolute; inset: 0; width: 100%; height: 100%; }
.strip b { position: absolute; top: 3px; transform: translateX(-50%); font-size: 12px; line-height: 16px;
  padding: 0 4px; background: #fff; }
.hours { position: relative; height: 18px; margin-bottom: 4px; }
.hours span { position: absolute; transform: translateX(-50%); font-size: 12px; color: #4a5560; }
.hours span:first-child { transform: none; }
.hours span:last-child { transform: translateX(-100%); }
ul { margin: 4px 0; padding-left: 20px; }
li { margin: 3px 0; }
.small { font-size: 13px; color: #4a5560; }
@media (max-width: 520px) {
  body { margin: 12px auto; padding: 0 14px; }
  tr.head { display: none; }
  table, tbody, tr, td { display: block; width: auto; }
  table.enter tr { border-bottom: 1px solid #8a949e; padding: 6px 0; }
  table.enter td { border: 0; padding: 1px 0; }
  table.enter td.big { display: inline-block; margin-right: 18px; }
  table.ways tr { padding: 6px 8px; border-bottom: 1px solid #8a949e; }
  table.ways td { display: flex; justify-content: space-between; gap: 12px; border: 0; padding: 1px 0; }
  table.ways td::before { content: attr(data-is); color: #4a5560; font-weight: 400; }
  table.ways td:first-child { font-weight: 700; }
}
@page { size: A4; margin: 12mm; }
@media print {
  body { margin: 0; padding: 0; max-width: none; font-size: 12px; line-height: 1.3; }
  h1 { font-size: 19px; } h2 { font-size: 14px; margin-top: 8px; margin-bottom: 2px; break-after: avoid; }
  p.sub { margin-bottom: 4px; } p.sun { font-size: 13px; padding: 4px 8px; margin: 6px 0; }
  section.plan { margin-top: 6px; } td, th { padding: 2px 6px; } td.big { font-size: 14px; }
  td.why, .small { font-size: 12px; } li { margin: 1px 0; } .strip { height: 20px; margin-top: 4px; }
  .strip b { top: 1px; } .strip, .strip * { print-color-adjust: exact; -webkit-print-color-adjust: exact; }
  .screen { display: none; }
}
"""

HATCHING = (
    '<defs><pattern id="c" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    '<rect width="6" height="6" fill="#fff"/><rect width="3" height="6" fill="#1f6f8b"/></pattern></defs>'
)

LEAST_LABELLED = {"charge": 210, "discharge": 270}  # minutes of a window with room for its word on a phone


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
    if odd := case.slips:
        body += _listed("This looks odd", map(slip_words, odd))
    if sun := sun_line(study):
        body.append(f'<p class="sun">{escape(sun)}</p>')
    for heading, group in sections(study):
        body += _plan(study, heading, group)
    body += _listed("When to change", change_lines(study))
    body += _listed("How to enter it", how_to_enter(study))
    body += _listed("What it earns", [*result_lines(study), *simple_lines(study), *safety_lines(study)])
    body += ['<div class="screen">', *_ways(study)]
    body += [
        *_listed(
            "What this rests on", [*assumption_lines(study), origin_words(origin_of(case.inputs))], small=True
        ),
        "</div>",
    ]
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
    yield '<table class="enter"><tr class="head"><th>Enter</th><th>When</th><th>Level</th><th>Why</th></tr>'
    for row in card_rows(study, group):
        yield (
            f'<tr><td>{escape(row.entry)}</td><td class="big">{escape(row.when)}</td>'
            f'<td class="big">{escape(row.level)}</td><td class="why">{escape(row.why)}</td></tr>'
        )
    yield "</table></section>"


def _clock_strip(study: SettingsStudy, group: int) -> str:
    """Draw the day as a strip: charging hatched, giving solid, with its words, so that it prints without colour.

    Places are shares of the width and words are text of the page, so that a narrow screen makes nothing smaller.
    """
    plan = study.card.plans[group]
    parts = [f'<div class="strip"><svg role="img" aria-label="the day from 0 to 24 h">{HATCHING}']
    marks: list[tuple[Window, str, str]] = [(w, "url(#c)", "charge") for w in plan.charge]
    marks += [(w, "#d98a1f", "discharge") for w in plan.discharge]
    words = []
    for window, fill, word in marks:
        for start, end in pieces(window.start, window.end):
            x, width = start / MINUTES_PER_DAY, (end - start) / MINUTES_PER_DAY
            parts.append(
                f'<rect x="{x:.3%}" y="0" width="{width:.3%}" height="100%" fill="{fill}" stroke="#1b1f24"/>'
            )
            if end - start >= LEAST_LABELLED[word]:
                words.append(f'<b style="left:{x + width / 2:.3%}">{word}</b>')
    hours = "".join(f'<span style="left:{hour / 24:.3%}">{hour}</span>' for hour in range(0, 25, 3))
    return "".join([*parts, "</svg>", *words, f'</div><div class="hours">{hours}</div>'])


def _listed(title: str, lines: Iterable[str], *, small: bool = False) -> Iterator[str]:
    yield f"<h2>{escape(title)}</h2>"
    yield f'<ul class="small">{_items(lines)}</ul>' if small else f"<ul>{_items(lines)}</ul>"


def _items(lines: Iterable[str]) -> str:
    return "".join(f"<li>{escape(line)}</li>" for line in lines)


def _ways(study: SettingsStudy) -> Iterator[str]:
    currency, horizon = study.case.currency, study.case.limits.backup_horizon_hours
    bound = None if study.bound is None else study.bound.compared_cost
    places = currency_decimals(currency)
    heads = (f"bill, {currency}", "wear", "bill + wear", "above the bound", "least backup")
    titles = "".join(f'<th class="num">{head}</th>' for head in heads)
    yield f'<table class="ways"><tr class="head"><th></th>{titles}</tr>'
    for way in study.ways:
        more = (
            f"{format_number(100 * (way.compared_cost - bound) / abs(bound), 1)} %"
            if bound is not None and abs(bound) > 0.005
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
            + "".join(
                f'<td class="num" data-is="{escape(head)}">{escape(cell)}</td>'
                for head, cell in zip(heads, cells, strict=True)
            )
            + "</tr>"
        )
    yield "</table>"
