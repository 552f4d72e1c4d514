"""The commands about outages: backup, outage, frontier."""

# ruff: noqa: PLC0415, PLR0913, PLR0917 - imports inside functions are the point; options are arguments

from __future__ import annotations

import enum
from pathlib import Path
from typing import Annotated

import typer

from dispatch.cli.terminal import (
    AsJson,
    CsvDirectory,
    Full,
    PageFile,
    ParquetDirectory,
    ScenarioPath,
    deliver,
    progress_bar,
    promised,
    refusals,
)

BACKUP_TABLES, OUTAGE_TABLES, FRONTIER_TABLES = (
    ("backup_hours", "backup_month_hour"),
    ("outage_*",),
    ("frontier",),
)


class Choice(enum.StrEnum):
    """The strategies whose battery can be asked about."""

    RESERVE_FIRST = "reserve-first"
    SOLAR_FIRST = "solar-first"
    OFF_PEAK_FIRST = "off-peak-first"
    LEAST_COST = "least-cost"


class Measured(enum.StrEnum):
    """What reserve levels are counted in."""

    PERCENT = "percent"
    HOURS = "hours"


StrategyOption = Annotated[
    Choice | None, typer.Option("--strategy", help="The strategy to look at; default: the recommended one.")
]

ReserveOption = Annotated[
    str | None,
    typer.Option("--reserve", metavar="LEVEL", help="Another reserve on the device, such as 40% or 4.2kWh."),
]

CardOption = Annotated[
    Path | None,
    typer.Option(
        "--card", metavar="FILE", dir_okay=False, help="A card file: what dispatch settings --save wrote."
    ),
]

Planned = Annotated[
    bool, typer.Option("--planned", help="The plan with perfect foresight instead of what the inverter does.")
]


def backup(
    scenario: ScenarioPath,
    at: Annotated[
        str | None,
        typer.Option(
            metavar="TIME", help="A clock time such as 20:00, or a date and time in the data; default: any."
        ),
    ] = None,
    level: Annotated[
        str | None, typer.Option(metavar="LEVEL", help="What the battery holds then, such as 62% or 6.5kWh.")
    ] = None,
    strategy: StrategyOption = None,
    reserve: ReserveOption = None,
    card: CardOption = None,
    planned: Planned = False,
    full: Full = False,
    as_json: AsJson = False,
    csv: CsvDirectory = None,
    parquet: ParquetDirectory = None,
    html: PageFile = None,
) -> None:
    """Show how many hours the battery lasts, as the inverter leaves it, and what more hours would cost.

    With --full: by month and hour, the worst moments and why, what the inverter carries, filling up again, and, with
    [outages] in the scenario, what a year of outages is expected to leave unserved. Exit code 2 if the scenario cannot
    be used, or TIME, LEVEL or card do not fit it.
    """
    tables = {"--csv": csv, "--parquet": parquet}
    with refusals(scenario), promised({"--html": html}, tables, BACKUP_TABLES, [scenario, card]):
        from dispatch import door

        with progress_bar() as progress:
            result = door.backup(
                scenario,
                at=at,
                level=level,
                strategy=strategy.value if strategy else None,
                reserve=reserve,
                card=card,
                planned=planned,
                progress=progress,
            )
        deliver(result, as_json=as_json, full=full, csv=csv, parquet=parquet, html=html)


def outage(
    scenario: ScenarioPath,
    at: Annotated[
        str, typer.Option(metavar="TIME", help="When the grid fails: ISO date and time on the site's clock.")
    ],
    hours: Annotated[float, typer.Option(metavar="HOURS", help="How long it stays away.")],
    strategy: StrategyOption = None,
    reserve: ReserveOption = None,
    card: CardOption = None,
    planned: Planned = False,
    full: Full = False,
    as_json: AsJson = False,
    csv: CsvDirectory = None,
    parquet: ParquetDirectory = None,
) -> None:
    """Play one outage from what the inverter as set holds then, and the recharge after it.

    When and for how long the lights go out with what is recommended (or asked for), the other strategies beside it;
    with --full step by step. Exit code 2 if the scenario cannot be used or the time lies outside its data.
    """
    tables = {"--csv": csv, "--parquet": parquet}
    with refusals(scenario), promised({}, tables, OUTAGE_TABLES, [scenario, card]):
        from dispatch import door

        result = door.outage(
            scenario,
            at,
            hours,
            strategy=strategy.value if strategy else None,
            reserve=reserve,
            card=card,
            planned=planned,
        )
        deliver(result, as_json=as_json, full=full, csv=csv, parquet=parquet)


def frontier(
    scenario: ScenarioPath,
    measure: Annotated[
        Measured, typer.Option(help="Count reserve levels in percent or in hours.")
    ] = Measured.HOURS,
    levels: Annotated[int, typer.Option(metavar="N", help="How many levels, 21 to 201.")] = 21,
    to: Annotated[
        float | None,
        typer.Option(metavar="LEVEL", help="Highest level; default: the most the battery holds."),
    ] = None,
    full: Full = False,
    as_json: AsJson = False,
    csv: CsvDirectory = None,
    parquet: ParquetDirectory = None,
    html: PageFile = None,
) -> None:
    """Show what safety costs: the cheapest setting at 21 levels of safety, as set, and the best plan beside it.

    Exit code 2 if the scenario cannot be used, 1 if a level has no answer.
    """
    tables = {"--csv": csv, "--parquet": parquet}
    with refusals(scenario), promised({"--html": html}, tables, FRONTIER_TABLES, [scenario]):
        from dispatch import door

        with progress_bar() as progress:
            result = door.frontier(scenario, measure.value, levels, to, progress)
        deliver(result, as_json=as_json, full=full, csv=csv, parquet=parquet, html=html)


def register(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    app.command(
        short_help="How many hours the battery lasts, and what more would cost.",
        epilog="Example: dispatch backup scenarios/alder-row --at 20:00",
    )(backup)
    app.command(
        short_help="Play one outage from what the inverter holds then.",
        epilog="Example: dispatch outage scenarios/alder-row --at 2025-01-14T17 --hours 18",
    )(outage)
    app.command(
        short_help="What safety costs, level by level.",
        epilog="Example: dispatch frontier scenarios/alder-row --measure percent",
    )(frontier)
