"""The screen of ``dispatch import``: everything that was understood, first; then what is left to look at."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Group
from rich.text import Text

from dispatch.formats import format_kwh, format_moment, format_month, format_number, format_span, format_step
from dispatch.report.layout import bulleted, headed, plain_table
from tariffs.reading.toml import toml_text

if TYPE_CHECKING:
    import pandas as pd
    from rich.console import RenderableType
    from rich.table import Table

    from dispatch.arrays import Floats
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
        use = f'csv = {toml_text(written)}, column = "load_kwh" under [load] of a scenario'
        return f"Next: {use}; or: dispatch new HOME --load {written}"
    return f"Next: dispatch bill TARIFF.toml {written}"


def profile_report(times: pd.DatetimeIndex, load_kwh: Floats, kind: str, written: str) -> Group:
    """Put the screen of ``dispatch profile`` together.

    Parameters
    ----------
    times : DatetimeIndex, shape (n,)
    load_kwh : ndarray of float, shape (n,)
        Energy in each step. [kWh]
    kind : str
        The kind of household.
    written : str
        The file.

    Returns
    -------
    rich.console.Group
        Fits 80 columns.
    """
    step_hours = (times[1] - times[0]).total_seconds() / 3600
    peak = int(load_kwh.argmax())
    night = load_kwh[(times.hour >= 1) & (times.hour < 5)].mean() / step_hours
    peak_kw = float(load_kwh[peak]) / step_hours
    at_night = f"mean from 1 to 5 at night {format_number(float(night), 3)} kW"
    source = "BDEW standard load profile H0, the mean of many German homes: smoother than any one home"
    made = "drawn from common habits; no source, and no heating, cooling or vehicle in it"
    lines = [
        f"{len(times):,} steps of {format_step(step_hours)}, clock of {times.tz}",
        f"highest step {format_moment(times[peak])} with {format_number(peak_kw, 2)} kW; {at_night}",
        source if kind == "bdew-h0" else made,
        "not this home's own readings: every screen that uses it says so. Import yours when you have them.",
    ]
    return Group(
        Text(
            f"A typical load ({kind}), not measured: {format_kwh(_sum(load_kwh))} in {times[0].year}",
            style="bold",
        ),
        bulleted(lines),
        "",
        Text(f"Written: {written} (time, typical_load_kwh)"),
    )


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
