"""The command ``settings``."""

# ruff: noqa: PLC0415 - imports inside functions are the point
from __future__ import annotations

from pathlib import Path  # noqa: TC003 - typer reads the annotations when it runs
from typing import Annotated

import typer

from dispatch.cli.terminal import AsJson, Full, ScenarioPath, deliver, progress_bar, promised, refusals


def register(app: typer.Typer) -> None:
    """Add the command to the application."""
    app.command(
        name="settings",
        short_help="Find the windows and levels to enter on the device.",
        epilog="Example: dispatch settings scenarios/alder-row --html card.html --ics card.ics",
    )(settings)


def settings(  # noqa: PLR0913, PLR0917 - one per option
    scenario: ScenarioPath,
    as_json: AsJson = False,
    full: Full = False,
    card: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", dir_okay=False, help="Score the settings of this card file instead of searching."
        ),
    ] = None,
    save: Annotated[
        Path | None,
        typer.Option(metavar="FILE", dir_okay=False, help="Write the card as a file that --card reads."),
    ] = None,
    markdown: Annotated[
        Path | None, typer.Option(metavar="FILE", dir_okay=False, help="Write the card as Markdown.")
    ] = None,
    html: Annotated[
        Path | None, typer.Option(metavar="FILE", dir_okay=False, help="Write the card as a page to print.")
    ] = None,
    ics: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", dir_okay=False, help="Write season changes, raises and event days as a calendar."
        ),
    ] = None,
    windows: Annotated[
        bool, typer.Option("--windows", help="With --ics: every day's windows as entries too.")
    ] = False,
    year: Annotated[
        int | None,
        typer.Option(min=1971, max=2099, help="First year of the calendar; default: that of the data."),
    ] = None,
) -> None:
    """Find the best windows and levels a person can enter, and say what they earn as the inverter runs them.

    The card is never worse than the tariff's own windows; beside it stand a plan made anew every midnight and the
    bound of a plan that knew the whole year. Exit code 2 if scenario or card cannot be used.
    """
    targets = {"--save": save, "--markdown": markdown, "--html": html, "--ics": ics}
    with refusals(scenario), promised(targets, inputs=[scenario, card]):
        import datetime as dt

        from dispatch import door

        with progress_bar() as progress:
            result = door.settings(scenario, card, progress)
        files = {"toml": save, "md": markdown, "html": html, "ics": ics}
        door.card_files(result.study, files, dt.datetime.now(dt.UTC), year, windows=windows)
        deliver(result, as_json=as_json, full=full)
