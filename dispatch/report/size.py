"""The screen of ``dispatch size``: the best next step, then what every number of packs with every panels brings."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Group
from rich.text import Text

from dispatch.formats import ABSENT, format_hours, format_number
from dispatch.report.layout import bulleted, headed, money_places, plain_table
from dispatch.words import size as words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import RenderableType
    from rich.table import Table

    from dispatch.sizing.next_step import Judged, NextStep
    from dispatch.sizing.parts import Panels
    from dispatch.sizing.size import Cell, Sized


ROWS_AT_FIRST = 6

COLUMNS_AT_FIRST = 5


def size_report(sized: Sized, step: NextStep, *, full: bool = False) -> Group:
    """Put the screen of ``dispatch size`` together.

    Parameters
    ----------
    sized : Sized
    step : NextStep
    full : bool
        Every cell with its setting, money and hours, and what it rests on.

    Returns
    -------
    rich.console.Group
        Fits 80 columns; the short form 24 lines.
    """
    parts: list[RenderableType] = [Text(words.headline(sized, step), style="bold")]
    parts.append(bulleted(_answer(sized, step)))
    parts += ["", _grid(sized, step, full=full)]
    if not full:
        parts.append(Text(_key(sized, step), style="dim"))
        return Group(*parts)
    parts += headed("Money, by parts", [_money_table(sized, step)])
    parts += headed("Hours and life, by parts", [_hours_table(sized)])
    best = step.best
    if best is not None and best.doubts:
        said = [words.doubt_words(doubt, sized.case.currency) for doubt in best.doubts]
        parts += headed("One doubt at a time: net present value", [bulleted(said)])
    parts += headed("What it rests on", [bulleted(words.assumptions(sized))])
    parts += headed("Before you buy", [bulleted(words.CAUTIONS)])
    parts += headed("How to read it", [bulleted(words.notes(sized))])
    return Group(*parts)


def _key(sized: Sized, step: NextStep) -> str:
    marks = []
    if step.best is not None:
        marks.append("< best")
    if sized.now is not None and (step.best is None or not step.best.purchase.is_nothing):
        marks.append("= now")
    if any(cell.outcome is not None and not cell.outcome.meets_target for cell in sized.cells):
        marks.append("! misses the target")
    return f"As set; {', '.join([*marks, 'hours without sun'])}. All: --full"


def _answer(sized: Sized, step: NextStep) -> Iterator[str]:
    best = step.best
    if best is not None and not best.purchase.is_nothing:
        yield words.money_line(sized, best)
        yield words.hours_line(sized, best.purchase)
    elif (now := next((one.purchase for one in step.judged if one.purchase.is_nothing), None)) is not None:
        yield words.hours_line(sized, now)
    if (line := words.doubt_line(sized, step)) is not None:
        yield line
    for each in step.steps:
        if best is None or each.purchase is not best.purchase:
            yield words.step_line(sized, each)


def _grid(sized: Sized, step: NextStep, *, full: bool) -> Table:
    """Rows of packs, columns of panels: the saving a year; hours with the panels there are."""
    currency = sized.case.currency
    best = None if step.best is None else step.best.purchase.cell
    columns = sized.panels if full else _columns(sized, best)
    rows = _rows(sized, step, best, full=full)
    usual = sized.now.parts.panels if sized.now is not None else sized.panels[-1]
    shown = [[sized.cell(packs, one, units) for one in columns] for units, packs in rows]
    savings = [cell.saving_per_year for row in shown for cell in row if cell is not None]
    places = money_places(currency, savings, 7)
    table = plain_table()
    several = len({units for units, _ in rows}) > 1
    table.add_column("units\nx packs" if several else "\npacks", justify="right", width=7)
    table.add_column("least\nh", justify="right", width=7)
    table.add_column("kept\nfull h", justify="right", width=8)
    for at, panels in enumerate(columns):
        label = words.panels_words(panels.name, panels.factor)[:11]
        over = f"saved, {currency}" if at == 0 else "a year" if at == 1 else ""
        table.add_column(f"{over}\n{label}", justify="right", width=11)
    for (units, packs), row in zip(rows, shown, strict=True):
        at_usual = sized.cell(packs, usual, units)
        table.add_row(
            f"{units} x {packs}" if several else f"{packs}",
            *_row_hours(sized, at_usual),
            *(_saving(sized, cell, best, places) for cell in row),
        )
    return table


def _row_hours(sized: Sized, cell: Cell | None) -> tuple[str, str]:
    if cell is None or cell.outcome is None:
        return ABSENT, ABSENT
    horizon = sized.case.limits.backup_horizon_hours
    return format_hours(cell.least_hours, horizon), format_hours(cell.most_hours, horizon)


def _saving(sized: Sized, cell: Cell | None, best: Cell | None, places: int) -> Text:
    if cell is None:
        return Text("")
    if not cell.works or cell.outcome is None:
        return Text("cannot")
    mark = "" if cell.outcome.meets_target else "!"
    here = " " if cell is not sized.now and cell is not best else "<" if cell is best else "="
    text = f"{format_number(cell.saving_per_year, places)}{mark}{here}"
    return Text(text, style="bold" if cell is best else "")


def _columns(sized: Sized, best: Cell | None) -> tuple[Panels, ...]:
    panels = sized.panels
    if len(panels) <= COLUMNS_AT_FIRST:
        return panels
    wanted = {panels[0]} | {cell.parts.panels for cell in (sized.now, best) if cell is not None}
    for one in panels:
        if len(wanted) < COLUMNS_AT_FIRST:
            wanted.add(one)
    return tuple(one for one in panels if one in wanted)


def _rows(sized: Sized, step: NextStep, best: Cell | None, *, full: bool) -> list[tuple[int, int]]:
    rows = list(dict.fromkeys((cell.parts.unit_count, cell.parts.pack_count) for cell in sized.cells))
    most = ROWS_AT_FIRST - (len(step.steps) > 2)
    if full or len(rows) <= most:
        return rows
    held = {(cell.parts.unit_count, cell.parts.pack_count) for cell in (sized.now, best) if cell is not None}
    places = [rows.index(row) for row in held] or [0]
    middle = (min(places) + max(places)) // 2
    first = min(max(middle - most // 2, 0), len(rows) - most)
    kept = rows[first : first + most]
    return [row for row in rows if row in kept or row in held]


def _money_table(sized: Sized, step: NextStep) -> Table:
    judged = {id(one.purchase.cell): one for one in step.judged}
    has_plans = any(cell.planned is not None for cell in sized.cells)
    table = plain_table()
    table.add_column("packs,\npanels", width=13, overflow="fold")
    table.add_column("\nset", width=19, overflow="fold")
    for heading, width in (
        ("bill\na year", 8),
        ("saving\na year", 8),
        ("planned\nsaving" if has_plans else "price", 8),
        ("pay-\nback y", 7),
        ("net\nvalue", 8),
        ("worth\nup to", 8),
    ):
        table.add_column(heading, justify="right", width=width)
    for cell in sized.cells:
        table.add_row(*_money_row(sized, cell, judged.get(id(cell)), has_plans=has_plans))
    return table


def _money_row(sized: Sized, cell: Cell, judged: Judged | None, *, has_plans: bool) -> tuple[str, ...]:
    label = _label(sized, cell)
    if cell.outcome is None:
        return label, "does not work", *[ABSENT] * 6
    planned = None if cell.planned is None else cell.planned.saving / cell.years
    bought = judged is not None and not judged.purchase.is_nothing
    price = judged.purchase.price if judged is not None and bought else None
    return (
        label,
        words.set_words(cell),
        format_number(cell.outcome.total / cell.years),
        format_number(cell.saving_per_year),
        format_number(planned if has_plans else price),
        format_number(judged.payback_years if judged is not None and bought else None, 1),
        format_number(judged.npv if judged is not None and bought else None),
        format_number(judged.worth if judged is not None and bought else None),
    )


def _hours_table(sized: Sized) -> Table:
    table = plain_table()
    table.add_column("packs,\npanels", width=13, overflow="fold")
    for heading, width in (
        ("least\nh", 7),
        ("usual\nh", 7),
        ("kept\nfull h", 8),
        ("all on\nleast h", 8),
        ("all on\nusual h", 8),
        ("cycles\na year", 8),
        ("life\nyears", 7),
        ("dark kWh\na year", 9),
    ):
        table.add_column(heading, justify="right", width=width)
    horizon = sized.case.limits.backup_horizon_hours
    for cell in sized.cells:
        if cell.outcome is None:
            table.add_row(_label(sized, cell), *[ABSENT] * 8)
            continue
        hours = (
            *(cell.least_hours, cell.usual_hours, cell.most_hours, cell.least_all_hours),
            cell.usual_all_hours,
        )
        table.add_row(
            _label(sized, cell),
            *(format_hours(value, horizon) for value in hours),
            format_number(cell.cycles_per_year),
            format_number(None if cell.ageing is None else cell.ageing.years_to_80, 1),
            format_number(None if cell.loss is None else cell.loss.unserved_kwh, 2),
        )
    return table


def _label(sized: Sized, cell: Cell) -> str:
    parts = cell.parts
    several = len({one.parts.unit_count for one in sized.cells}) > 1
    units = f"{parts.unit_count} x " if several else ""
    mark = " =" if cell is sized.now else ""
    return f"{units}{parts.pack_count}, {parts.panels.name}{mark}"
