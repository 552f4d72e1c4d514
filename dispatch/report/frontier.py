"""The screen of ``dispatch frontier``: what each level of safety costs, as a table and as a plot in text."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from rich.console import Group
from rich.text import Text

from dispatch.formats import (
    ABSENT,
    currency_decimals,
    format_hours,
    format_moment,
    format_money,
    format_number,
)
from dispatch.report.layout import Wide, bulleted, headed, money_places, plain_table, title_of
from dispatch.words.advice import setting_words
from dispatch.words.notices import cautions, span_words
from dispatch.words.plans import best_found_words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import RenderableType
    from rich.table import Table

    from dispatch.outcome import Outcome
    from dispatch.safety.frontier import Frontier, Price
    from dispatch.safety.levels import Level


PLOT_WIDTH, PLOT_HEIGHT, PLOT_COLUMNS = 66, 16, 79

_STEPS_HOURS = (0.1, 0.2, 0.5, 1.0, 2.0, 3.0, 6.0, 12.0, 24.0, 48.0, 96.0)

SHORT_ROWS = 9
"""Settings on the first screen; more are thinned out evenly."""

LETTERS = {"reserve-first": "R", "solar-first": "S", "off-peak-first": "O"}
NAMES = {"percent": "% of nominal", "hours": "h of critical load", "kwh": "kWh"}


def frontier_report(found: Frontier, *, full: bool = False) -> Group:
    """Put the screen of ``dispatch frontier`` together.

    Parameters
    ----------
    found : Frontier
    full : bool
        Whether the plot, every level and what they rest on follow the answer.

    Returns
    -------
    rich.console.Group
        Fits 80 columns; without ``full`` 24 lines.
    """
    case = found.case
    facts = f"{len(found.levels)} levels, as set and planned, {case.currency}"
    parts: list[RenderableType] = [title_of(case, facts)]
    parts += headed("What safety costs", [bulleted(_answers(found)), _short(found)])
    if not full:
        return Group(
            *parts, Text("Every level, the curve of the plans, what it rests on: --full", style="dim")
        )
    told = Text(f"(Drawn on a screen of {PLOT_COLUMNS} columns or more.)", style="dim")
    drawn = Wide(Group(*_plot(found)), told, PLOT_COLUMNS)
    parts += headed("Bill + wear against hours of backup", [drawn])
    parts += headed("Level by level", [_table(found), *_legend(found)])
    parts += headed("What this rests on", [bulleted(_assumptions(found))])
    parts += headed("Cautions", [bulleted(cautions(case))])
    parts += ["", Text(_footer(found), style="dim")]
    return Group(*parts)


def _footer(found: Frontier) -> str:
    plans = [level.found for level in found.levels if not isinstance(level.found, str)]
    worst = max((plan.proof.residual_kwh for plan in plans if plan.proof), default=0.0)
    stopped = sum(plan.stopped for plan in plans)
    counts = [f"{len(plans) - stopped} schedules optimal"]
    counts += [f"{stopped} STOPPED before they were proven"] if stopped else []
    counts += [f"NO PLAN at {len(found.levels) - len(plans)}"] if len(plans) < len(found.levels) else []
    return f"HiGHS: {', '.join(counts)}; largest violation {worst:.0e} kWh; {found.seconds:.1f} s."


def _answers(found: Frontier) -> Iterator[str]:
    case, chosen = found.case, found.advice.chosen
    least = chosen.backup.minimum if chosen.backup else 0.0
    yield (
        f"Set now: {setting_words(chosen)}, never less than {format_hours(least)} h, "
        f"{format_money(chosen.compared_cost, case.currency)} {span_words(case)} (bill + wear)"
    )
    kept = [run for run in found.settings if run is not None]
    if len({id(run) for run in kept}) > 1:
        low, high = kept[0], kept[-1]
        yield (
            f"From {setting_words(low)} ({_least(low)} h) to {setting_words(high)} ({_least(high)} h) as set: "
            f"{format_money(high.compared_cost - low.compared_cost, case.currency)} more {span_words(case)}"
        )
    if kept and len(kept) < len(found.settings):
        scan = found.advice.scan
        most = float(scan.least_hours[scan.serves].max())
        yield f"Above {format_hours(most)} h at every moment no setting of this battery goes"
    if found.knee is not None:
        knee = _level_words(found, found.levels[found.knee])
        yield f"In the plans with foresight the price climbs faster beyond {knee} (the knee)"


def _least(run: Outcome) -> str:
    return format_hours(run.backup.minimum if run.backup else None)


def _is_set(found: Frontier, run: Outcome) -> bool:
    advice = found.advice
    return run.name == advice.strategy and run.reserve_percent == advice.reserve_percent


def _short(found: Frontier) -> Table:
    """List the settings that differ, each with the price of its hours; the bound beside."""
    case = found.case
    places = money_places(case.currency, [found.advice.no_system.total])
    table = plain_table()
    for heading, width in (
        ("at least\nhours", 8),
        (" set\n", 28),
        (f"bill + wear\nas set, {case.currency}", 16),
        ("more than\nline above", 12),
        ("best plan\n(bound)", 11),
    ):
        table.add_column(heading, justify="left" if width == 28 else "right", width=width)
    rows: list[tuple[Level, Outcome]] = []
    for level, run in zip(found.levels, found.settings, strict=True):
        if run is not None and (not rows or run is not rows[-1][1]):
            rows.append((level, run))
    if len(rows) > SHORT_ROWS:
        rows = [rows[round(at)] for at in np.linspace(0, len(rows) - 1, SHORT_ROWS).tolist()]
    for number, (level, run) in enumerate(rows):
        more = run.compared_cost - rows[number - 1][1].compared_cost if number else None
        table.add_row(
            _least(run),
            f" {setting_words(run).partition(' (')[0]}",
            format_number(run.compared_cost, places),
            format_number(more, places),
            format_number(level.bound, places),
            style="bold" if _is_set(found, run) else "",
        )
    return table


def _level_words(found: Frontier, level: Level) -> str:
    hours = f"{format_hours(level.carried_hours)} h"
    return hours if found.measure == "hours" else f"{format_number(level.amount, 1)} % of nominal, {hours}"


def _price(found: Frontier, price: Price) -> str:
    currency = found.case.currency
    low, high = format_money(price.low, currency), format_money(price.high, currency)
    if low == high:
        return low
    return f"{low} to {format_number(price.high, currency_decimals(currency))}"


def _stated(found: Frontier) -> int | None:
    """Index of the level nearest to what the file's own reserve carries."""
    hours = found.stated_hours
    gaps = [abs(level.carried_hours - hours) for level in found.levels]
    return gaps.index(min(gaps)) if gaps else None


def _plot(found: Frontier) -> Iterator[RenderableType]:
    """Draw the levels as dots, the knee as K, and the strategies as letters at the least they leave."""
    points = [(level.carried_hours, level.cost, "*") for level in found.levels if level.cost is not None]
    if found.knee is not None:
        knee = found.levels[found.knee]
        points.append((knee.carried_hours, knee.plan.bill_and_wear, "K"))
    points += [
        (run.backup.minimum, run.compared_cost, "s")
        for run in found.settings
        if run is not None and run.backup
    ]
    points += [
        (run.backup.minimum, run.compared_cost, LETTERS[run.name])
        for run in found.advice.outcomes.values()
        if run.backup
    ]
    # what is set is drawn last, over whatever lies under it
    points.sort(key=lambda point: point[2] == LETTERS[found.advice.strategy])
    right = max(point[0] for point in points) or 1.0
    low, high = min(point[1] for point in points), max(point[1] for point in points)
    height = high - low or 1.0
    rows = [[" "] * (PLOT_WIDTH + 1) for _ in range(PLOT_HEIGHT)]
    for hours, money, letter in points:
        row = PLOT_HEIGHT - 1 - round((money - low) / height * (PLOT_HEIGHT - 1))
        rows[row][round(hours / right * PLOT_WIDTH)] = letter
    decimals = 0 if high >= 1000 else currency_decimals(found.case.currency)
    for number, marks in enumerate(rows):
        money = high - height * number / (PLOT_HEIGHT - 1)
        label = format_number(money, decimals) if number % 5 == 0 else ""
        yield Text(f"{label:>10} |{''.join(marks)}", no_wrap=True, overflow="crop")
    yield from _hours_axis(right)
    yield Text(f"{found.case.currency}, bill + wear {span_words(found.case)}. {_letters(found)}", style="dim")


def _hours_axis(right: float) -> Iterator[Text]:
    """Draw the axis with about six round marks, and what it counts under it."""
    step = next((each for each in _STEPS_HOURS if right / each <= 7), right)
    axis, figures = ["-"] * (PLOT_WIDTH + 1), [" "] * (PLOT_WIDTH + 2)
    for mark in range(int(right / step + 1e-9) + 1):
        at = round(mark * step / right * PLOT_WIDTH)
        axis[at] = "+" if at else "-"
        figure = f"{mark * step:g}"
        first = max(at - len(figure) // 2, 0)
        figures[first : first + len(figure)] = figure
    yield Text(f"{'':>10} +{''.join(axis)}", no_wrap=True, overflow="crop")
    yield Text(f"{'':>12}{''.join(figures).rstrip()}", no_wrap=True, overflow="crop")
    yield Text(f"{'':>12}{'hours of backup at the worst moment':^{PLOT_WIDTH}}".rstrip(), no_wrap=True)


def _letters(found: Frontier) -> str:
    words = ["s as set", "* least-cost plan with foresight (bound)"]
    if found.knee is not None:
        words.append("K its knee")
    chosen = found.advice.strategy
    words += [f"{LETTERS[name]} {name}{' (SET)' * (name == chosen)}" for name in found.advice.outcomes]
    return ", ".join(words) + " (as set, each at its own reserve)."


def _table(found: Frontier) -> Table:
    case = found.case
    places = currency_decimals(case.currency)
    in_percent = found.measure == "percent"
    table = plain_table()
    heads = [("reserve\n%" if in_percent else "reserve\nhours", 9)]
    heads += [("promised\nhours", 9)] if in_percent else []
    heads += [("as set:\nset", 20), (f"bill + wear\n{case.currency}", 11), ("planned:\nbill + wear", 11)]
    heads += [("an hour more\ncosts", 15), ("", 7)]
    for heading, width in heads:
        table.add_column(heading, justify="right", width=width)
    stated = _stated(found)
    rows = zip(found.levels, found.prices, found.settings, strict=True)
    for number, (level, price, run) in enumerate(rows):
        amounts = [format_number(level.amount, 1 if in_percent else 2)]
        if in_percent:
            amounts.append(format_hours(level.carried_hours, case.limits.backup_horizon_hours))
        table.add_row(
            *amounts,
            ABSENT if run is None else f"{run.name} {run.reserve_percent:g}%",
            format_number(None if run is None else run.compared_cost, places),
            format_number(level.cost, places),
            _interval(price, places),
            _remark(found, number, stated),
            style="bold" if number in {found.knee, stated} else "",
        )
    return table


def _interval(price: Price | None, places: int) -> str:
    if price is None:
        return ABSENT
    low, high = format_number(price.low, places), format_number(price.high, places)
    return low if low == high else f"{low} - {high}"


def _remark(found: Frontier, number: int, stated: int | None) -> str:
    level = found.levels[number]
    if level.broken_hours > 0 or level.capped_hours > 0:
        return "not held"
    if isinstance(level.found, str) or level.found.stopped:
        return "no plan" if isinstance(level.found, str) else "best"
    return "knee" if number == found.knee else "as set" if number == stated else ""


def _legend(found: Frontier) -> Iterator[RenderableType]:
    lines = []
    for level in found.levels:
        broken = level.broken_hours
        if broken > 0:
            frame = level.plan.flows["floor_shortfall"]
            first, last = (level.plan.case.times[i] for i in (frame.nonzero()[0][0], frame.nonzero()[0][-1]))
            lines.append(
                f"{format_number(level.amount, 1)} {NAMES[found.measure]} cannot be held in {broken:g} h: "
                f"first {format_moment(first)}, last {format_moment(last)}"
            )
        if level.capped_hours > 0:
            lines.append(
                f"{format_number(level.amount, 1)} {NAMES[found.measure]} is more than the battery may hold in "
                f"{level.capped_hours:g} h; capped there"
            )
    if lines:
        yield ""
        yield bulleted(lines)


def _unproven(found: Frontier) -> Iterator[str]:
    """Say what is known of the plans whose search was stopped, of the first of each kind."""
    plans = [level for level in found.levels if not isinstance(level.found, str) and level.found.stopped]
    if plans:
        at = _level_words(found, plans[0])
        yield f"'best' marks plans whose search was stopped; at {at}: {best_found_words(plans[0].plan)}."
    none = [level for level in found.levels if isinstance(level.found, str)]
    if none:
        yield f"'no plan' marks levels without one; at {_level_words(found, none[0])}: {none[0].found}."


def _assumptions(found: Frontier) -> Iterator[str]:
    yield (
        "As set: the cheapest strategy and reserve the device can be set to that keeps at least as much at every "
        "moment, run as an inverter does."
    )
    yield (
        "Planned: the least-cost plan of the whole span under that reserve, with perfect foresight: a bound for any "
        "setting. The price of an hour is of the plans."
    )
    yield (
        "Hours promised are what the reserve alone carries from the worst instant, without sun: critical load and the "
        "system's idle draw."
    )
    yield (
        "The price of an hour more lies between the slopes to the level below and to the level above; the central "
        "difference in the JSON and CSV lies between them."
    )
    yield "The knee is the level farthest below the straight line from the first to the last."
    yield from _unproven(found)
    yield from found.case.notes
