"""The command line: arguments, files, exit codes, and the one Console.

stdout carries the result and nothing else; messages and progress go to stderr. Exit codes: 0 done, 1 no
answer exists (the message says why), 2 input that cannot be used, 130 interrupted.

Everything heavy is imported inside the commands, so that ``dispatch --help`` answers at once.
"""

# ruff: noqa: PLC0415 - imports inside functions are the point
from __future__ import annotations

import enum
from typing import Annotated

import typer

from dispatch.cli.ahead import register as register_ahead_commands
from dispatch.cli.cache import keep_results
from dispatch.cli.cache import register as register_cache_command
from dispatch.cli.equipment import register as register_equipment_commands
from dispatch.cli.fleet import register as register_fleet_commands
from dispatch.cli.intake import register as register_intake_commands
from dispatch.cli.memory import give_back
from dispatch.cli.outages import register as register_outage_commands
from dispatch.cli.settings import register as register_settings_commands
from dispatch.cli.size import register as register_size_command
from dispatch.cli.tariffs import register as register_tariff_commands
from dispatch.cli.terminal import (
    WIDTH,
    AsJson,
    Commands,
    CsvDirectory,
    Full,
    PageFile,
    ParquetDirectory,
    ScenarioPath,
    be_quiet,
    deliver,
    progress_bar,
    promised,
    refusals,
    write,
)

app = typer.Typer(
    cls=Commands,
    name="dispatch",
    help="Compare how a home with a backup battery can run on a time-of-use tariff: the bill of each strategy, "
    "and the hours of backup it leaves.",
    epilog="Example: dispatch compare scenarios/alder-row",
    no_args_is_help=True,
    rich_markup_mode=None,  # plain help: rich would double the time to the first line
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": WIDTH},
)


def _version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import PackageNotFoundError, version

        try:
            write(f"dispatch {version('tou-dispatch')}\n")
        except PackageNotFoundError:  # run from its sources
            write("dispatch, not installed\n")
        raise typer.Exit


@app.callback()
def main(
    version: Annotated[  # noqa: ARG001 - its callback has done it by now
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and leave.")
    ] = False,
    quiet: Annotated[
        bool, typer.Option("--quiet", "-q", help="No progress on stderr; may stand behind a command too.")
    ] = False,
) -> None:
    """Compare how a home with a backup battery can run on a time-of-use tariff.

    The bill of each strategy, and the hours of backup it leaves.
    """
    if quiet:
        be_quiet()


COMPARE_TABLES = ("grid-only", "*-as-set", "*-planned")


class Subject(enum.StrEnum):
    """What a schema can be had of."""

    SCENARIO = "scenario"
    TARIFF = "tariff"


@app.command(
    short_help="What to set, what it saves, how long it lasts.",
    epilog="Example: dispatch compare scenarios/alder-row --csv flows",
)
def compare(  # noqa: PLR0913, PLR0917 - one per option
    scenario: ScenarioPath,
    full: Full = False,
    as_json: AsJson = False,
    csv: CsvDirectory = None,
    parquet: ParquetDirectory = None,
    html: PageFile = None,
) -> None:
    """Say which strategy and reserve to set, what that saves, and how many hours of backup it leaves.

    Every strategy is run as an inverter does at every reserve the device takes; plans with perfect foresight stand
    beside as the bound. --csv writes the steps of every run, as set and planned by name. Exit code 1 if no strategy can
    serve the load, 2 if the scenario cannot be used.
    """
    give_back()  # in other commands it costs more time than the memory is worth
    tables = {"--csv": csv, "--parquet": parquet}
    with refusals(scenario), promised({"--html": html}, tables, COMPARE_TABLES, [scenario]):
        from dispatch import door

        with progress_bar() as progress:
            result = door.compare(scenario, progress)
        deliver(result, as_json=as_json, full=full, csv=csv, parquet=parquet, html=html)


@app.command(
    short_help="Validate and summarise a scenario without solving.",
    epilog="Example: dispatch check scenarios/alder-row",
)
def check(scenario: ScenarioPath, as_json: AsJson = False) -> None:
    """Validate a scenario with its series and tariff, and summarise it without solving.

    Exit code 2, with one message naming every problem, if it cannot be used.
    """
    with refusals(scenario):
        from dispatch import door

        deliver(door.check(scenario), as_json=as_json)


@app.command(
    short_help="Print the JSON Schema of a scenario or tariff file.",
    epilog="Example: dispatch schema scenario > scenario.schema.json",
)
def schema(
    subject: Annotated[Subject, typer.Argument(help="Which kind of file.")],
) -> None:
    """Print the JSON Schema of a scenario or tariff file, for editors that check and complete TOML."""
    with refusals():
        import json

        from dispatch.scenario.model import Scenario
        from tariffs import Tariff

        model = Scenario if subject is Subject.SCENARIO else Tariff
        write(json.dumps(model.model_json_schema(), indent=2) + "\n")


register_outage_commands(app)


register_settings_commands(app)


register_ahead_commands(app)


register_tariff_commands(app)


register_intake_commands(app)
register_equipment_commands(app)
register_size_command(app)
register_fleet_commands(app)


register_cache_command(app)


keep_results(app)
