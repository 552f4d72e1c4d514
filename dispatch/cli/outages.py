"""The commands about outages: backup, outage, frontier."""

# ruff: noqa: PLC0415, PLR0913, PLR0917 - imports inside functions are the point; options are arguments
from __future__ import annotations

import enum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dispatch.cli.terminal import (
    AsJson,
    ParquetDirectory,
    ScenarioPath,
    load,
    progress_bar,
    refusals,
    show,
    write,
)

if TYPE_CHECKING:
    from typing import Any

    from dispatch.backup.outage import Played
    from dispatch.case.case import Case


class Plan(enum.StrEnum):
    """The strategies whose battery can be asked about."""

    RESERVE_FIRST = "reserve-first"
    SOLAR_FIRST = "solar-first"
    OFF_PEAK_FIRST = "off-peak-first"
    LEAST_COST = "least-cost"


class Measured(enum.StrEnum):
    """What reserve levels are counted in."""

    PERCENT = "percent"
    HOURS = "hours"


CsvDirectory = Annotated[
    Path | None,
    typer.Option(
        "--csv",
        metavar="DIR",
        file_okay=False,
        help="Also write the figures as CSV files into this directory.",
    ),
]


def backup(
    scenario: ScenarioPath,
    strategy: Annotated[
        Plan | None, typer.Option(help="The strategy to look at; default: the recommended one.")
    ] = None,
    as_json: AsJson = False,
    csv: CsvDirectory = None,
    parquet: ParquetDirectory = None,
) -> None:
    """Show how many hours the battery lasts from every instant, and what more hours would cost.

    When the hours are few and why, by month and hour; what the inverter carries; how long filling up again takes; and,
    with [outages] in the scenario, what a year of outages is expected to leave unserved. Exit code 2 if the scenario
    cannot be used.
    """
    with refusals(scenario):
        from dispatch.comparison.compare import compare
        from dispatch.program.program import Program
        from dispatch.safety.study import backup_detail, require_carried

        with progress_bar() as progress:
            case = load(scenario)
            require_carried(case)
            comparison = compare(case, progress)
            detail = backup_detail(comparison, Program(case), strategy.value if strategy else None, progress)
        from dispatch.exports import outages as exports_outages

        if csv is not None:
            exports_outages.backup_csv(detail, csv)
        if parquet is not None:
            from dispatch.exports.parquet import beside_csv

            beside_csv(lambda place: exports_outages.backup_csv(detail, place), parquet)
        if as_json:
            _write_json(exports_outages.backup_document(detail))
        else:
            from dispatch.report.backup import backup_report

            show(backup_report(detail))


def outage(
    scenario: ScenarioPath,
    at: Annotated[
        str, typer.Option(metavar="TIME", help="When the grid fails: ISO date and time on the site's clock.")
    ],
    hours: Annotated[float, typer.Option(metavar="HOURS", help="How long it stays away.")],
    strategy: Annotated[
        Plan | None, typer.Option(help="The strategy drawn step by step; default: the recommended one.")
    ] = None,
    as_json: AsJson = False,
    csv: CsvDirectory = None,
    parquet: ParquetDirectory = None,
) -> None:
    """Play one outage step by step under every strategy, and the recharge after it.

    What was stored when it began, the load served, the sun caught, the generator's hours, when and for how long the
    lights go out. Exit code 2 if the scenario cannot be used or the time lies outside its data.
    """
    with refusals(scenario):
        from dispatch.backup.outage import span_of
        from dispatch.safety.study import require_carried

        with progress_bar() as progress:
            case = load(scenario)
            require_carried(case)
            span = span_of(case, at, hours)
            from dispatch.backup.outage import play
            from dispatch.comparison.compare import compare

            comparison = compare(case, progress)
            plays = [
                play(case, result.flows, span)
                for result in comparison.strategies
                if result.backup is not None or not result.flows.has_system
            ]
        wanted = (
            strategy.value if strategy else comparison.recommendation.strategy or Plan.OFF_PEAK_FIRST.value
        )
        _show_outage(case, plays, wanted, (csv, parquet), as_json=as_json)


def _show_outage(
    case: Case, plays: list[Played], wanted: str, places: tuple[Path | None, Path | None], *, as_json: bool
) -> None:
    from dispatch.exports import outages as exports_outages

    csv, parquet = places
    if csv is not None:
        exports_outages.outage_csv(plays, csv)
    if parquet is not None:
        from dispatch.exports.parquet import beside_csv

        beside_csv(lambda place: exports_outages.outage_csv(plays, place), parquet)
    if as_json:
        _write_json(exports_outages.outage_document(case, plays))
    else:
        from dispatch.report.outage import outage_report

        shown = next(play for play in plays if play.strategy == wanted)
        show(outage_report(case, plays, shown))


def frontier(
    scenario: ScenarioPath,
    measure: Annotated[
        Measured, typer.Option(help="Count reserve levels in percent or in hours.")
    ] = Measured.HOURS,
    levels: Annotated[int, typer.Option(metavar="N", help="How many levels, 21 or more.")] = 21,
    to: Annotated[
        float | None,
        typer.Option(metavar="LEVEL", help="Highest level; default: the most the battery holds."),
    ] = None,
    as_json: AsJson = False,
    csv: CsvDirectory = None,
    parquet: ParquetDirectory = None,
) -> None:
    """Show what safety costs: the bill at 21 reserve levels, and the price of one more hour of backup.

    Every level is a true optimum of the whole span. Exit code 2 if the scenario cannot be used, 1 if a level has no
    answer.
    """
    with refusals(scenario):
        from dispatch.safety.frontier import frontier as trace_frontier
        from dispatch.safety.frontier import ladder

        with progress_bar() as progress:
            case = load(scenario)
            rungs = ladder(case, measure.value, levels, to)
            from dispatch.comparison.compare import compare
            from dispatch.program.program import Program
            from dispatch.strategies.table import CHOICES

            comparison = compare(case, progress, names=CHOICES)
            found = trace_frontier(Program(case), rungs, comparison.strategies, progress)
        from dispatch.exports import outages as exports_outages

        if csv is not None:
            exports_outages.frontier_csv(found, csv)
        if parquet is not None:
            from dispatch.exports.parquet import beside_csv

            beside_csv(lambda place: exports_outages.frontier_csv(found, place), parquet)
        if as_json:
            _write_json(exports_outages.frontier_document(found))
        else:
            from dispatch.report.frontier import frontier_report

            show(frontier_report(found))


def _write_json(document: dict[str, Any]) -> None:
    from dispatch.exports.files import json_text

    write(json_text(document))


def register(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    app.command(
        short_help="How many hours the battery lasts, and what more would cost.",
        epilog="Example: dispatch backup scenarios/alder-row --strategy off-peak-first",
    )(backup)
    app.command(
        short_help="Play one outage step by step under every strategy.",
        epilog="Example: dispatch outage scenarios/alder-row --at 2025-01-14T17 --hours 18",
    )(outage)
    app.command(
        short_help="The bill against the reserve, and the price of one more hour.",
        epilog="Example: dispatch frontier scenarios/alder-row --measure percent",
    )(frontier)
