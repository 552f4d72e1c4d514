"""The commands ``settings`` and ``tonight``."""

# ruff: noqa: PLC0415 - imports inside functions are the point
from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dispatch.cli.terminal import AsJson, ScenarioPath, load, progress_bar, refusals, show, write

if TYPE_CHECKING:
    from dispatch.search.study import SettingsStudy


File = Annotated[Path | None, typer.Option(metavar="FILE", dir_okay=False)]


def register(app: typer.Typer) -> None:
    """Add these commands to the application."""
    app.command(
        name="settings",
        short_help="Find the windows and levels to enter on the device.",
        epilog="Example: dispatch settings scenarios/alder-row --html card.html --ics card.ics",
    )(settings)
    app.command(
        name="tonight",
        short_help="Plan the next day or two from today's level.",
        epilog="Example: dispatch tonight scenarios/alder-row --at 2025-01-14T18:00 --level 62%",
    )(tonight)


def settings(  # noqa: PLR0913, PLR0917 - one per option
    scenario: ScenarioPath,
    as_json: AsJson = False,
    full: Annotated[
        bool, typer.Option("--full", help="Everything: reasons, plan and bound, assumptions, cautions.")
    ] = False,
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
            metavar="FILE",
            dir_okay=False,
            help="Write season changes, raised reserves and event days as a calendar.",
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
    with refusals(scenario):
        from dispatch.search.study import study
        from dispatch.settings.card_file import read_card
        from dispatch.settings.space import device_space

        with progress_bar() as progress:
            case = load(scenario)
            given = None if card is None else read_card(card, case, device_space(case))
            result = study(case, progress, given)
        files = {"toml": save, "md": markdown, "html": html, "ics": ics}
        _write_files(result, files, year, windows=windows)
        if as_json:
            from dispatch.exports.files import json_text
            from dispatch.exports.settings import settings_document

            write(json_text(settings_document(result)))
        else:
            from dispatch.report.settings import settings_report
            from dispatch.report.settings_answer import settings_answer

            show(settings_report(result) if full else settings_answer(result))


def _write_files(
    result: SettingsStudy, files: dict[str, Path | None], year: int | None, *, windows: bool
) -> None:
    """Write what was asked for; every text is made before the first file appears."""
    import datetime as dt

    from dispatch.exports.calendar import settings_calendar
    from dispatch.exports.files import write_files
    from dispatch.exports.page import card_page
    from dispatch.exports.settings import card_markdown
    from dispatch.settings.card_file import card_toml

    makers = {
        "toml": lambda: card_toml(result.card, result.space.groups),
        "md": lambda: card_markdown(result),
        "html": lambda: card_page(result),
        "ics": lambda: settings_calendar(result, dt.datetime.now(dt.UTC), year, windows=windows),
    }
    texts = {path: makers[kind]() for kind, path in files.items() if path is not None}
    for path, text in texts.items():
        write_files(path.parent, {path.name: text})


def tonight(  # noqa: PLR0913, PLR0917 - one per option
    scenario: ScenarioPath,
    at: Annotated[
        str, typer.Option(metavar="TIME", help="Now: a date and time in the data, on the site's clock.")
    ],
    level: Annotated[str, typer.Option(metavar="LEVEL", help="What the battery holds: 62% or 6.5kWh.")],
    forecast: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            dir_okay=False,
            help="CSV with time and any of load_kw, sun_kw, other_kw (or _w, _wh, _kwh); the rest is forecast simply.",
        ),
    ] = None,
    hours: Annotated[float, typer.Option(help="How far to plan, 12 to 72 hours.")] = 36.0,
    as_json: AsJson = False,
) -> None:
    """Plan the next day or two from today's level, and say how far to charge tonight.

    Without a forecast file, load and sun are forecast from the scenario's own past before TIME. Exit code 2 if time,
    level or forecast cannot be used.
    """
    with refusals(scenario):
        from dispatch.ahead.tonight import tonight as plan_tonight

        result = plan_tonight(load(scenario), at, level, forecast=forecast, hours=hours)
        if as_json:
            from dispatch.exports.files import json_text
            from dispatch.exports.settings import tonight_document

            write(json_text(tonight_document(result)))
        else:
            from dispatch.report.settings import tonight_report

            show(tonight_report(result))
