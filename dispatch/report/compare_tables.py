"""The report's tables: runs side by side, money by month, worst moments, shortfalls, dearest days."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from dispatch.formats import (
    ABSENT,
    currency_decimals,
    fitting_decimals,
    format_date,
    format_hours,
    format_kwh,
    format_moment,
    format_month,
    format_number,
    percent_down,
)
from dispatch.report.layout import money_places, plain_table

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from rich.table import Table

    from dispatch.comparison.compare import Comparison, PeakDay
    from dispatch.outcome import Outcome, Shortfall

    Values = Sequence[float | None]


LABEL_WIDTH = 20
COLUMN_WIDTH = 9
"""Six strategies of nine characters, a space before each, and the label make 80 columns."""

BROKEN_PROMISES = {
    "unserved_load": "load not served",
    "import_excess": "import above the grid limit",
    "floor_shortfall": "reserve floor broken",
    "closing_shortfall": "closing level missed",
}
"""Kinds of shortfall in the reader's words."""


def columns_of(comparison: Comparison) -> tuple[Outcome, ...]:
    """Return the runs that stand side by side: no system, sun alone, what can be set, the best plan; where found."""
    advice, planned = comparison.advice, comparison.planned
    runs = (advice.no_system, planned.get("sun-only"), *advice.outcomes.values(), comparison.best_plan)
    return tuple(run for run in runs if run is not None)


def strategy_columns(table: Table, comparison: Comparison) -> None:
    """Add one right-aligned column per run; the one to set is marked in words and in weight.

    Parameters
    ----------
    table : rich.table.Table
        Changed in place.
    comparison : Comparison
    """
    for run in columns_of(comparison):
        first, _, rest = run.name.rpartition("-")
        chosen = run is comparison.advice.chosen and run.serves
        mark = "SET THIS" if chosen else {"least-cost": _mark(run)}.get(run.name, "")
        table.add_column(
            f"{mark}\n{first}-\n{rest}",
            justify="right",
            width=COLUMN_WIDTH,
            style="bold" if chosen else "",
            overflow="fold",
        )


def _mark(best: Outcome) -> str:
    return "best yet" if best.stopped else "bound"


def side_by_side(comparison: Comparison) -> Table:
    """Lay the strategies side by side: money, energy, battery, hours of backup.

    Parameters
    ----------
    comparison : Comparison
        The finished comparison.

    Returns
    -------
    rich.table.Table
        80 columns wide; rows that are zero for every strategy and say nothing are left out.
    """
    table = plain_table()
    table.add_column("", width=LABEL_WIDTH, overflow="fold")
    strategy_columns(table, comparison)
    results = columns_of(comparison)
    if not all(result.serves for result in results):
        verdicts = ["" if result.serves else "cannot serve" for result in results]
        table.add_row(Text("cannot serve all", style="bold"), *verdicts)
    for heading, rows in (
        (f"Money, {comparison.case.currency}", _money_rows(comparison)),
        ("Energy, kWh", _energy_rows(comparison)),
        ("Battery", _battery_rows(comparison)),
        ("Backup, hours", _backup_rows(comparison)),
    ):
        table.add_row(Text(heading, style="bold underline"))
        for label, cells in rows:
            table.add_row(f" {label}", *cells)
    return table


def _numbers(values: Values, decimals: int | None = None) -> list[str]:
    places = fitting_decimals(values, most=1) if decimals is None else decimals
    return [format_number(value, places) for value in values]


def _money_places(comparison: Comparison) -> int:
    return money_places(comparison.case.currency, [run.total for run in columns_of(comparison)], COLUMN_WIDTH)


def _any(values: Values, above: float = 0.0) -> bool:
    return any(value is not None and abs(value) > above for value in values)


def _money_rows(comparison: Comparison) -> Iterator[tuple[str, list[str]]]:
    results, places = columns_of(comparison), _money_places(comparison)
    wear = [result.wear if result.backup else None for result in results]
    yield "bill", _numbers([result.total for result in results], places)
    if _any(wear):
        yield "battery wear", _numbers(wear, places)
        yield "bill + wear", _numbers([result.compared_cost for result in results], places)
    yield "saved in all", _numbers([result.saving for result in results], places)
    yield "idle draw, in bill", _numbers([result.idle_cost for result in results], places)


def _energy_rows(comparison: Comparison) -> Iterator[tuple[str, list[str]]]:
    case, results = comparison.case, columns_of(comparison)
    yield "bought", _numbers([result.sum_kwh("import") for result in results])
    bands = case.prices.band_names
    if len(bands) > 1:
        for band in bands:
            yield f"  {band}", _numbers([result.import_kwh_by_band[band] for result in results])
    sold = [result.sum_kwh("export") for result in results]
    if _any(sold) or case.limits.feed_in == "grid":
        yield "sold", _numbers(sold)
    if case.sun_kwh.any():
        yield "sun used", _numbers([result.sun_used_kwh for result in results])
        if case.limits.feed_in != "none":
            yield (
                ("sun fed in" if case.limits.feed_in == "grid" else "sun to rest of home"),
                _numbers([_sun_fed_in_kwh(result) for result in results]),
            )
        yield (
            "sun spilled",
            _numbers([result.sum_kwh("spill") if result.flows.has_system else None for result in results]),
        )
    yield "system's idle draw", _numbers([float(result.flows.idle_kwh.sum()) for result in results])
    unserved = [result.sum_kwh("unserved_load") for result in results]
    if _any(unserved, above=1e-6):
        yield "load not served", _numbers(unserved, 2)
    excess = [result.sum_kwh("import_excess") for result in results]
    if _any(excess, above=1e-6):
        yield "above import limit", _numbers(excess, 2)


def _sun_fed_in_kwh(result: Outcome) -> float | None:
    """Sun given to the rest of the house and the grid, so that used, fed in and spilled make the whole."""
    return float(result.flows["sun_to_grid"].sum()) if result.flows.has_system else None


def _battery_rows(comparison: Comparison) -> Iterator[tuple[str, list[str]]]:
    results = columns_of(comparison)
    yield "full cycles", _numbers([result.cycles for result in results], 1)
    yield "below floor, hours", _numbers([result.floor_broken_hours for result in results], 1)
    reserve = [result.reserve_percent for result in results]
    yield "reserve set to, %", _numbers(reserve, 0)
    short = [result.flows.closing_shortfall_kwh for result in results]
    if _any(short, above=1e-6):
        yield "short at end, kWh", _numbers(short, 2)
    change = [result.stored_change_kwh for result in results]
    if _any(change, above=5e-3):
        value = [result.stored_change_value for result in results]
        yield "gained by end, kWh", _numbers(change, 2)
        yield "  worth at least", _numbers(value, _money_places(comparison))


def _backup_rows(comparison: Comparison) -> Iterator[tuple[str, list[str]]]:
    case, results = comparison.case, columns_of(comparison)
    horizon = case.limits.backup_horizon_hours
    backups = [result.backup for result in results]
    for label, figure in (
        ("minimum", "minimum"),
        ("5 % of time below", "p05"),
        ("median", "median"),
        ("minimum with sun", "with_sun_minimum"),
        ("median with sun", "with_sun_median"),
    ):
        if "sun" in label and not case.sun_kwh.any():
            continue
        yield (
            label,
            [format_hours(getattr(backup, figure) if backup else None, horizon) for backup in backups],
        )
    target = case.scenario.backup.target_hours
    if target is not None:
        yield (
            f"{target:g} h kept, % time",
            [percent_down(result.target_share) if result.backup else ABSENT for result in results],
        )


def bills_by_month(comparison: Comparison) -> Table:
    """List bill + wear of every month, the saving of what is set, and the totals.

    Parameters
    ----------
    comparison : Comparison
        The finished comparison.
    """
    advice, places = comparison.advice, _money_places(comparison)
    runs = (advice.no_system, *advice.outcomes.values())
    table = plain_table()
    table.add_column(f"\n{comparison.case.currency}", width=12)
    for run in runs:
        mark = "SET THIS\n" if run is advice.chosen else "\n"
        table.add_column(
            f"{mark}{run.name}", justify="right", width=15, style="bold" if run is advice.chosen else ""
        )
    table.add_column("saved as\nset", justify="right", width=9)
    costs = [run.period_costs for run in runs]
    chosen = advice.chosen.period_costs
    for name in costs[0]:
        saved = costs[0][name] - chosen[name]
        table.add_row(
            format_month(name), *_numbers([cost[name] for cost in costs], places), *_numbers([saved], places)
        )
    table.add_section()
    totals = [sum(cost.values()) for cost in costs]
    table.add_row(
        "total",
        *_numbers(totals, places),
        *_numbers([totals[0] - sum(chosen.values())], places),
        style="bold",
    )
    return table


def worst_moments(comparison: Comparison) -> Table:
    """Name the instant at which each strategy leaves the fewest hours of backup.

    Parameters
    ----------
    comparison : Comparison
        The finished comparison.

    Returns
    -------
    rich.table.Table
        Strategy, moment, energy stored then, hours left without and with sun.
    """
    case = comparison.case
    horizon, step = case.limits.backup_horizon_hours, case.dt_hours
    table = plain_table()
    table.add_column("worst moment\nto lose the grid", width=17)
    table.add_column("when", width=23)
    for heading in ("stored\nkWh", "hours\nleft", "hours\nwith sun"):
        table.add_column(heading, justify="right", width=8)
    for result in comparison.advice.outcomes.values():
        if result.backup is None:
            continue
        elapsed = (result.backup.worst_at - case.times[0]).total_seconds() / 3600
        at = round(elapsed / step) - 1
        table.add_row(
            result.name,
            format_moment(result.backup.worst_at),
            format_number(float(result.flows["stored"][at]), 2),
            format_hours(float(result.backup.hours[at]), horizon),
            format_hours(float(result.backup.hours_with_sun[at]), horizon),
        )
    return table


def shortfall_lines(results: Iterable[Outcome]) -> list[str]:
    """Say in a sentence each what a strategy could not keep, by how much and when.

    Returns
    -------
    list of str
        Empty where every promise is kept.
    """
    return [f"{result.name}: {shortfall_text(item)}" for result in results for item in result.shortfalls]


def shortfall_text(item: Shortfall) -> str:
    """Describe one shortfall.

    Parameters
    ----------
    item : Shortfall
        From a strategy's result.

    Returns
    -------
    str
        For example ``load not served: 3.2 kWh in 4 h, first ... last ..., worst ...``.
    """
    what = BROKEN_PROMISES.get(item.kind, item.kind.replace("_", " "))
    if item.kind == "closing_shortfall":
        return f"{what} by {format_kwh(item.kwh)}"
    deepest = "by up to " if item.kind == "floor_shortfall" else ""
    span = f"first {format_moment(item.first)}, last {format_moment(item.last)}"
    worst = f"worst {format_moment(item.worst)} ({format_kwh(item.worst_kwh)})"
    return f"{what}: {deepest}{format_kwh(item.kwh)} in {item.hours:g} h; {span}; {worst}"


def peak_days(comparison: Comparison) -> Table:
    """List the dearest days: the energy bill of the day, the lowest level, and the hours left then.

    Parameters
    ----------
    comparison : Comparison
        The finished comparison.

    Returns
    -------
    rich.table.Table
        Three rows a day, one for each strategy that can be set.
    """
    currency, horizon = comparison.case.currency, comparison.case.limits.backup_horizon_hours
    table = plain_table()
    table.add_column("day", width=16)
    table.add_column(f"no system\n{currency}", justify="right", width=10)
    table.add_column("  strategy", width=17)
    for heading, width in (
        (f"{currency}\nthat day", 10),
        ("lowest\nkWh", 8),
        ("at\n", 6),
        ("hours\nleft", 7),
    ):
        table.add_column(heading, justify="right", width=width)
    for day in comparison.peak_days:
        _add_peak_day(table, day, comparison.advice.strategy, currency, horizon)
    return table


def _add_peak_day(table: Table, day: PeakDay, chosen: str, currency: str, horizon: float) -> None:
    places = currency_decimals(currency)
    for row, (name, run) in enumerate(day.runs.items()):
        when = run.lowest_at
        table.add_row(
            format_date(day.date) if row == 0 else "",
            format_number(day.no_system_cost, places) if row == 0 else "",
            f"  {name}",
            format_number(run.cost, places),
            format_number(run.lowest_kwh, 2),
            # a level met at the day's last instant is that day's 24:00, not the next day's 00:00
            f"{when:%H:%M}" if when.date() == day.date else "24:00",
            format_hours(run.backup_hours, horizon),
            style="bold" if name == chosen else "",
        )
