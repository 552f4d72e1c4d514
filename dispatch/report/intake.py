"""The screen of ``dispatch import``: everything that was understood, first; then what is left to look at."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Group
from rich.text import Text

from dispatch.formats import format_kwh, format_moment, format_month, format_number, format_span, format_step
from dispatch.report.layout import bulleted, headed, plain_table

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table

    from dispatch.intake.read import Understood
    from tariffs.records.convert import Converted


_PER_LINE = 4


_NAMES = {
    "load_kwh": "load",
    "import_kwh": "bought",
    "export_kwh": "fed in",
    "production_kwh": "made",
}


def import_report(made: Understood, written: str | None = None) -> Group:
    """Put the whole screen of ``dispatch import`` together.

    Parameters
    ----------
    made : Understood
    written : str, optional
        The file that was written; None where gaps forbid it.

    Returns
    -------
    rich.console.Group
        Fits 80 columns.
    """
    grid = made.grid
    totals = ", ".join(f"{_NAMES[name]} {format_kwh(_sum(values))}" for name, values in made.columns.items())
    lines = [
        f"{len(grid.times):,} steps of {format_step(made.dt_hours)}, clock of {grid.times.tz}",
        f"{made.shape}; {made.load_how}",
        _gap_line(made),
        _peak_line(made),
    ]
    parts: list[RenderableType] = [
        Text(f"{made.path.name}: {totals}", style="bold"),
        Text(format_span(grid.times[0], grid.times[-1])),
        bulleted(lines),
    ]
    parts += headed("kWh by month", [_months(made)])
    if made.doubts or grid.repairs:
        parts += headed("Look at", [bulleted([*grid.repairs, *made.doubts])])
    parts += headed("How it was understood", [bulleted(made.facts)])
    if written is not None:
        parts += [
            "",
            Text(f"Written: {written} ({', '.join(('time', *made.columns))})"),
            Text(_next(made, written)),
        ]
    return Group(*parts)


def _sum(values: object) -> float:
    import numpy as np  # noqa: PLC0415 - the module is loaded with its command only

    return float(np.nansum(np.asarray(values)))


def _gap_line(made: Understood) -> str:
    gaps = made.grid.gaps()
    share = made.estimated_fraction()
    estimated = (
        "no reading marked as estimated"
        if not share
        else f"{100 * share:.2g} % of readings estimated by the utility"
    )
    if not gaps:
        return f"no gaps; {estimated}"
    hours = sum(gap.count for gap in gaps) * made.dt_hours
    first = gaps[0]
    return (
        f"{len(gaps):,} gap{'s' * (len(gaps) > 1)}, {format_number(hours, 2)} h without a reading, first "
        f"{format_moment(first.start)} for {format_number(first.count * made.dt_hours, 2)} h; {estimated}"
    )


def _peak_line(made: Understood) -> str:
    moment, kwh = made.highest_hour()
    return (
        f"highest hour {format_moment(moment)} with {format_kwh(kwh)}; usual level from 1 to 5 at night "
        f"{format_number(made.night_kw(), 3)} kW"
    )


def _months(made: Understood) -> Table:
    """Lay months out several to a line; with several columns one to a line."""
    months = made.by_month()
    table = plain_table()
    table.show_header = False
    table.box = None
    if len(made.columns) == 1:
        table.padding = (0, 2, 0, 0)
        for _ in range(_PER_LINE):
            table.add_column(no_wrap=True)
            table.add_column(justify="right", no_wrap=True)
        cells = [
            cell
            for name, sums in months.items()
            for cell in (format_month(name), format_number(sums[made.leading], 1))
        ]
        for at in range(0, len(cells), 2 * _PER_LINE):
            table.add_row(*cells[at : at + 2 * _PER_LINE])
        return table
    table.show_header = True
    table.padding = (0, 2, 0, 0)
    table.add_column("")
    for name in made.columns:
        table.add_column(_NAMES[name], justify="right")
    for name, sums in months.items():
        table.add_row(format_month(name), *(format_number(value, 1) for value in sums.values()))
    return table


def _next(made: Understood, written: str) -> str:
    if "load_kwh" in made.columns:
        use = f'csv = "{written}", column = "load_kwh" under [load] of a scenario'
        return f"Next: {use}; or: dispatch new HOME --load {written}"
    return f"Next: dispatch bill TARIFF.toml {written}"


def record_report(made: Converted, written: str) -> Group:
    """Put the screen of ``dispatch import-tariff`` together.

    Parameters
    ----------
    made : Converted
    written : str
        The file.

    Returns
    -------
    rich.console.Group
        Fits 80 columns.
    """
    record = made.record
    title = f"{record.utility}: {record.name}" if record.utility else record.name
    held = f"in force from {record.start or 'no stated day'} to {record.end or 'further notice'}"
    count = len(made.left)
    parts: list[RenderableType] = [
        Text(f"{title}: written to {written}", style="bold"),
        Text(f"{held}; {count} thing{'s' * (count != 1)} of the record could not be carried over"),
    ]
    if made.left:
        parts += headed("Not carried over", [bulleted(made.left)])
    holidays = (
        "Records hold no holidays and no taxes: compare with the sheet, and add [holidays] if it has any."
    )
    parts += headed("How the rest was written", [bulleted([*made.carried, holidays])])
    parts += [
        "",
        Text(f"Next: dispatch bill {written} METER.csv --time-zone ZONE, and compare with a real bill."),
    ]
    return Group(*parts)
