"""The commands ``tonight`` and ``storm``."""

# ruff: noqa: PLC0415 - imports inside functions are the point
from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from dispatch.cli.terminal import AsJson, ScenarioPath, deliver, refusals

At = Annotated[str, typer.Option(metavar="TIME", help="Now: a date and time on the site's clock.")]
Level = Annotated[str, typer.Option(metavar="LEVEL", help="What the battery holds: 62% or 6.5kWh.")]
Full = Annotated[bool, typer.Option("--full", help="Also every hour, what it rests on, and the cautions.")]
Forecast = Annotated[
    Path | None,
    typer.Option(
        metavar="FILE",
        dir_okay=False,
        help="CSV with time and any of load_kw, sun_kw, other_kw (or _w, _wh, _kwh); the rest is taken from the past.",
    ),
]
Recent = Annotated[
    Path | None,
    typer.Option(
        metavar="FILE", dir_okay=False, help="CSV of the last weeks' readings, columns as in --forecast."
    ),
]


def register(app: typer.Typer) -> None:
    """Add these commands to the application."""
    app.command(
        name="tonight",
        short_help="Say what to enter tonight, from today's level.",
        epilog="Example: dispatch tonight scenarios/alder-row --at 2025-01-14T18:00 --level 62%",
    )(tonight)
    app.command(
        name="storm",
        short_help="Prepare the battery for a storm: what to set, by when at the latest.",
        epilog="Example: dispatch storm scenarios/alder-row --at 2025-01-14T18:00 --level 62% "
        "--from 2025-01-16T06:00 --hours 20",
    )(storm)


def tonight(  # noqa: PLR0913, PLR0917 - one per option
    scenario: ScenarioPath,
    at: At,
    level: Level,
    forecast: Forecast = None,
    recent: Recent = None,
    reserve: Annotated[
        float | None, typer.Option(metavar="PERCENT", help="A reserve for now, in place of the scenario's.")
    ] = None,
    so_far_kwh: Annotated[
        float | None,
        typer.Option(min=0, metavar="KWH", help="Bought in this billing month so far: for tiers."),
    ] = None,
    so_far_kw: Annotated[
        float | None,
        typer.Option(
            min=0, metavar="KW", help="Highest demand of this billing month so far: for demand charges."
        ),
    ] = None,
    hours: Annotated[float, typer.Option(help="How far to plan, 12 to 72 hours.")] = 36.0,
    full: Full = False,
    as_json: AsJson = False,
) -> None:
    """Say what to enter for the next day or two, and how long the battery lasts if the grid fails.

    TIME may lie in the data or after them. Without files, load and sun are those of the last weeks' days, or of days
    of the same time of year. Exit code 2 if time, level or a file cannot be used.
    """
    with refusals(scenario):
        from dispatch import door

        result = door.tonight(
            scenario,
            at,
            level,
            forecast=forecast,
            recent=recent,
            reserve_percent=reserve,
            so_far_kwh=so_far_kwh,
            so_far_kw=so_far_kw,
            hours=hours,
        )
        deliver(result, as_json=as_json, full=full)


def storm(  # noqa: PLR0913, PLR0917 - one per option
    scenario: ScenarioPath,
    at: At,
    level: Level,
    begins: Annotated[str, typer.Option("--from", metavar="TIME", help="When the storm begins.")],
    hours: Annotated[float, typer.Option(help="How long it lasts, in hours.")],
    forecast: Forecast = None,
    recent: Recent = None,
    full: Full = False,
    as_json: AsJson = False,
) -> None:
    """Say what to set before a storm, the latest hour to start charging, what it costs, and what it carries.

    The level wanted carries the critical load through the storm without sun, as far as the battery can. Exit code 2
    if a time, the level or a file cannot be used, or the storm is over.
    """
    with refusals(scenario):
        from dispatch import door

        result = door.storm(scenario, at, level, begins, hours, forecast=forecast, recent=recent)
        deliver(result, as_json=as_json, full=full)
