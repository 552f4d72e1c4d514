"""The screen of ``dispatch frontier``: what each level of safety costs, as a table and as a plot in text."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Group
from rich.text import Text

from dispatch.formats import (
    ABSENT,
    currency_decimals,
    format_hours,
    format_moment,
    format_money,
    format_number,
    format_span,
)
from dispatch.report.layout import bulleted, headed, plain_table
from dispatch.words.notices import CAUTIONS, HINDSIGHT, span_words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import RenderableType
    from rich.table import Table

    from dispatch.safety.frontier import Frontier, Price
    from dispatch.safety.levels import AtReserve


PLOT_WIDTH, PLOT_HEIGHT = 66, 16


LETTERS = {"reserve-first": "R", "solar-first": "S", "off-peak-first": "O"}


NAMES = {"percent": "% of nominal", "hours": "h of critical load", "kwh": "kWh"}


def frontier_report(found: Frontier) -> Group:
    """Put the screen of ``dispatch frontier`` together.

    Parameters
    ----------
    found : Frontier

    Returns
    -------
    rich.console.Group
        Fits 80 columns.
    """
    case = found.case
    span = format_span(case.times[0].date(), case.times[-1].date())
    parts: list[RenderableType] = [
        Text(case.name, style="bold"),
        Text(f"{span}; least-cost plan at {len(found.levels)} levels, {case.currency}"),
    ]
    parts += headed("What safety costs", [bulleted(_answers(found))])
    parts += headed("Bill + wear against hours of backup", _plot(found))
    parts += headed("Level by level", [_table(found), *_legend(found)])
    parts += headed("What this rests on", [bulleted(_assumptions(found))])
    parts += headed("Cautions", [bulleted(CAUTIONS)])
    worst = max(level.residual_kwh for level in found.levels)
    footer = f"HiGHS: {len(found.levels)} schedules optimal; largest violation {worst:.0e} kWh; {found.seconds:.1f} s."
    parts += ["", Text(footer, style="dim")]
    return Group(*parts)


def _answers(found: Frontier) -> Iterator[str]:
    case, levels = found.case, found.levels
    first, last = levels[0], levels[-1]
    yield (
        f"From no reserve ({format_hours(first.carried_hours)} h) to the highest level "
        f"({format_hours(last.carried_hours)} h): {format_money(last.burden - first.burden, case.currency)} more "
        f"{span_words(case)}."
    )
    if found.knee is None:
        yield "No knee: every hour costs about the same."
    else:
        knee = levels[found.knee]
        before, after = levels[found.knee - 1], levels[found.knee + 1]
        money = format_money(knee.burden - first.burden, case.currency)
        yield (
            f"The knee is at {_level_words(found, knee)}, for {money}: just "
            f"below it an hour more costs {_slope(found, before, knee)}, just above {_slope(found, knee, after)}."
        )
    at = _stated(found)
    if at is not None and (price := found.prices[at]) is not None:
        yield (
            f"Near the reserve of the file ({format_hours(found.stated_hours)} h): {_price(found, price)} "
            f"{span_words(case)} for one more hour, so about twice that for two."
        )
    yield f"{HINDSIGHT}."


def _level_words(found: Frontier, level: AtReserve) -> str:
    hours = f"{format_hours(level.carried_hours)} h"
    return hours if found.measure == "hours" else f"{format_number(level.amount, 1)} % of nominal, {hours}"


def _slope(found: Frontier, low: AtReserve, high: AtReserve) -> str:
    hours = high.carried_hours - low.carried_hours
    if hours <= 1e-9:
        return "nothing that can be told"
    return format_money((high.burden - low.burden) / hours, found.case.currency)


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
    points = [(level.carried_hours, level.burden, "*") for level in found.levels]
    if found.knee is not None:
        knee = found.levels[found.knee]
        points.append((knee.carried_hours, knee.burden, "K"))
    points += [
        (mark.least_hours, mark.burden, LETTERS[mark.strategy])
        for mark in found.marks
        if mark.strategy in LETTERS
    ]
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
    yield Text(f"{'':>10} +{'-' * PLOT_WIDTH}")
    ends = f"{'':>11}0{'hours of backup at the worst moment':^{PLOT_WIDTH - 6}}{right:>6.1f}"
    yield Text(ends, no_wrap=True, overflow="crop")
    yield Text(f"{found.case.currency}, bill + wear {span_words(found.case)}. {_letters(found)}", style="dim")


def _letters(found: Frontier) -> str:
    words = ["* levels of the least-cost plan"]
    if found.knee is not None:
        words.append("K the knee")
    words += [f"{LETTERS[m.strategy]} {m.strategy}" for m in found.marks if m.strategy in LETTERS]
    return ", ".join(words) + (" (at the reserve of the file)." if len(words) > 2 else ".")


def _table(found: Frontier) -> Table:
    case = found.case
    places = currency_decimals(case.currency)
    in_percent = found.measure == "percent"
    table = plain_table()
    heads = [("reserve\n%" if in_percent else "reserve\nhours", 9)]
    heads += [("promised\nhours", 9)] if in_percent else []
    heads += [(f"bill\n{case.currency}", 10), ("wear\n", 8), ("bill + wear\n", 11)]
    heads += [("an hour more\ncosts", 16), ("", 9)]
    for heading, width in heads:
        table.add_column(heading, justify="right", width=width)
    stated = _stated(found)
    for number, (level, price) in enumerate(zip(found.levels, found.prices, strict=True)):
        amounts = [format_number(level.amount, 1 if in_percent else 2)]
        if in_percent:
            amounts.append(format_hours(level.carried_hours, case.limits.backup_horizon_hours))
        table.add_row(
            *amounts,
            format_number(float(level.bill.total), places),
            format_number(level.wear, places),
            format_number(level.burden, places),
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
    return "knee" if number == found.knee else "as file" if number == stated else ""


def _legend(found: Frontier) -> Iterator[RenderableType]:
    lines = [
        f"{mark.strategy} leaves at least {format_hours(mark.least_hours)} h ({mark.least_percent:.1f} % stored) for "
        f"{format_money(mark.burden, found.case.currency)}, at the reserve of the file"
        for mark in found.marks
    ]
    for level in found.levels:
        if level.broken_hours > 0:
            frame = level.flows["floor_shortfall"]
            first, last = (level.flows.case.times[i] for i in (frame.nonzero()[0][0], frame.nonzero()[0][-1]))
            lines.append(
                f"{format_number(level.amount, 1)} {NAMES[found.measure]} cannot be held in {level.broken_hours:g} h: "
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


def _assumptions(found: Frontier) -> Iterator[str]:
    yield (
        "Every level is the least-cost plan of the whole span under that reserve: a bound for any setting, planned "
        "with perfect foresight."
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
    yield from found.case.notes
