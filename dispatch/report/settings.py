"""The screens of ``dispatch settings`` and ``dispatch tonight``, as rich renderables for 80 columns."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from rich.console import Group
from rich.text import Text

from dispatch.formats import (
    format_date,
    format_hours,
    format_moment,
    format_money,
    format_number,
    format_span,
)
from dispatch.report.layout import bulleted, headed, plain_table
from dispatch.words.card import (
    assumption_lines,
    card_rows,
    change_lines,
    how_to_enter,
    result_lines,
    safety_lines,
    sections,
    share_text,
    simple_lines,
    sun_line,
)
from dispatch.words.notices import cautions
from dispatch.words.tonight import charge_text

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import RenderableType
    from rich.table import Table

    from dispatch.ahead.tonight import Tonight
    from dispatch.search.study import SettingsStudy


BAR_WIDTH = 20


def settings_report(study: SettingsStudy) -> Group:
    """Put the screen of ``dispatch settings`` together.

    Parameters
    ----------
    study : SettingsStudy

    Returns
    -------
    rich.console.Group
        Fits 80 columns.
    """
    case = study.case
    title = "Your settings" if study.entered else "Settings to enter"
    parts: list[RenderableType] = [
        Text(f"{title}: {case.name}", style="bold"),
        Text(f"{format_span(case.times[0].date(), case.times[-1].date())}; tariff {case.tariff.name}"),
    ]
    if sun := sun_line(study):
        parts += ["", Text(sun, style="bold")]
    for heading, group in sections(study):
        parts += headed(heading, [_card_table(study, group)])
    parts += headed("When to change", [bulleted(change_lines(study))])
    parts += headed("How to enter it", [bulleted(how_to_enter(study))])
    parts += headed(
        "What it earns", [bulleted([*result_lines(study), *simple_lines(study), *safety_lines(study)])]
    )
    parts += headed(f"Side by side, {case.currency}", [_ways_table(study)])
    parts += headed("What this rests on", [bulleted([*assumption_lines(study), *case.notes])])
    parts += headed("Cautions", [bulleted(cautions(case))])
    return Group(*parts)


def _card_table(study: SettingsStudy, group: int) -> Table:
    table = plain_table()
    table.add_column("enter", width=20)
    table.add_column("when", width=13)
    table.add_column("level", width=17)
    table.add_column("why", width=27, overflow="fold")
    for row in card_rows(study, group):
        table.add_row(row.entry, row.when, row.level, row.why)
    return table


def _ways_table(study: SettingsStudy) -> Table:
    currency, horizon = study.case.currency, study.case.limits.backup_horizon_hours
    table = plain_table()
    table.add_column("", width=12)
    for heading, width in (
        ("bill\n", 12),
        ("wear\n", 10),
        ("bill +\nwear", 12),
        ("more than\nthe bound", 11),
        ("least\nbackup h", 10),
        ("target met\n% of time", 12),
    ):
        table.add_column(heading, justify="right", width=width)
    bound = study["bound"].compared_cost
    has_target = study.case.scenario.backup.target_hours is not None
    for way in study.ways:
        more = 100 * (way.compared_cost - bound) / abs(bound) if abs(bound) > 0.005 else None
        table.add_row(
            way.name,
            *(
                format_money(v, currency).removeprefix(f"{currency} ")
                for v in (way.total, way.wear, way.compared_cost)
            ),
            "-" if more is None else f"{format_number(more, 1)} %",
            format_hours(way.least_hours, horizon),
            share_text(way.target_share).removesuffix(" %") if has_target else "-",
            style="bold" if way is study.chosen else "",
        )
    return table


# ---- tonight -----------------------------------------------------------------------------------------------
def tonight_report(plan: Tonight) -> Group:
    """Put the screen of ``dispatch tonight`` together.

    Parameters
    ----------
    plan : Tonight

    Returns
    -------
    rich.console.Group
        Fits 80 columns.
    """
    case = plan.case
    percent = 100 * plan.level_kwh / case.limits.full_kwh
    parts: list[RenderableType] = [
        Text(f"Tonight: {case.name}", style="bold"),
        Text(f"{format_moment(plan.at)}; battery at {percent:.0f} % ({plan.level_kwh:.2f} kWh)"),
    ]
    parts += headed("What to set", [Text(_advice(plan), style="bold"), bulleted(_why(plan))])
    parts += headed("Hour by hour", [_hours(plan)])
    parts += headed("What this rests on", [bulleted(_grounds(plan))])
    parts += headed("Cautions", [bulleted(cautions(case))])
    return Group(*parts)


def _advice(plan: Tonight) -> str:
    text = charge_text(plan.charge)
    return text[:1].upper() + text[1:] + "."


def _why(plan: Tonight) -> Iterator[str]:
    flows, half = plan.plan.flows, plan.half_plan.flows
    currency = plan.case.currency
    if plan.charge is None:
        yield "What is stored and the sun to come carry the dear hours, or charging would not pay for its losses."
    else:
        value = float(plan.plan.value_per_kwh[int(np.argmax(plan.times >= plan.charge.ends)) - 1])
        yield f"A kWh stored when the charge ends is worth {format_money(value, currency)} in this plan."
    lowest = int(np.argmin(flows["stored"]))
    when = plan.times[lowest] + (plan.times[1] - plan.times[0])
    low = 100 * flows["stored"][lowest] / plan.case.limits.full_kwh
    yield f"Lowest level: {low:.0f} % at {format_moment(when)}."
    day = format_date(plan.half_date)
    same = charge_text(plan.half_charge) == charge_text(plan.charge)
    text = "the same" if same else charge_text(plan.half_charge)
    prices = plan.import_price_per_kwh
    more = float((half["import"] - flows["import"]) @ prices)
    sun = float(plan.expected.sun_kwh[[t.date() == plan.half_date for t in plan.times]].sum())
    if sun <= 0:
        yield f"No sun is expected on {day}."
        return
    less = 100 * float(flows["stored"][-1] - half["stored"][-1]) / plan.case.limits.full_kwh
    ends = f", and the battery ends {less:.0f} % lower" if less >= 0.5 else ""
    yield (
        f"If the sun of {day} is half of the {sun:.1f} kWh expected: {text}; "
        f"the hours shown then cost {format_money(more, currency)} more to buy{ends}."
    )


def _hours(plan: Tonight) -> Table:
    case, flows = plan.case, plan.plan.flows
    table = plain_table()
    for heading, width in (
        ("time", 10),
        ("price", 16),
        ("load", 7),
        ("sun", 7),
        ("grid in", 8),
        ("gives", 7),
    ):
        table.add_column(heading, justify="left" if heading in {"time", "price"} else "right", width=width)
    table.add_column("level", justify="right", width=6)
    table.add_column(" ", width=BAR_WIDTH - 2)
    full, last = case.limits.full_kwh, None
    for i, moment in enumerate(plan.times):
        day = f"{moment:%a} " if moment.date() != last else "    "
        last = moment.date()
        level = flows["stored"][i] / full
        gives = case.limits.eta_inverter * (flows["battery_to_load"][i] + flows["battery_to_grid"][i])
        table.add_row(
            f"{day}{moment:%H:%M}",
            f"{plan.band[i][:9]} {format_number(plan.import_price_per_kwh[i], 4)}",
            format_number(plan.expected.load_kwh[i], 2),
            _or_dash(plan.expected.sun_kwh[i]),
            _or_dash(flows["grid_to_battery"][i]),
            _or_dash(gives),
            f"{100 * level:.0f} %",
            " " + "#" * round(level * (BAR_WIDTH - 4)),
        )
    return table


def _or_dash(value: float) -> str:
    return format_number(value, 2) if value > 0.005 else "-"


def _grounds(plan: Tonight) -> Iterator[str]:
    yield f"Forecast: {plan.source}."
    if "simple" in plan.source:
        yield (
            "Simple means: load as the mean of the same weekday and clock time in the last 4 weeks; sun as the "
            "clearest of the last 30 days at each clock time, times the share of it that the last 3 days brought."
        )
    yield (
        "Energies in kWh per step; 'grid in' is what the grid puts into the battery, 'gives' what the battery "
        "delivers to the load. The level is at the end of the step."
    )
    yield (
        f"The plan covers {len(plan.times) * plan.case.dt_hours:g} h; what is stored at its end counts at what a kWh "
        "was worth a day earlier in the plan. Plan again tomorrow."
    )
    yield from plan.notes
