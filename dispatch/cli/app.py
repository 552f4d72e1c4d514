"""The command line: arguments, files, exit codes, and the one Console.

stdout carries the result and nothing else; messages and progress go to stderr. Exit codes: 0 done, 1 no
answer exists (the message says why), 2 input that cannot be used, 130 interrupted.

Everything heavy is imported inside the commands, so that ``dispatch --help`` answers at once.
"""

# ruff: noqa: PLC0415 - imports inside functions are the point
from __future__ import annotations

import enum
from pathlib import Path  # noqa: TC003 - typer reads the annotations when it runs
from typing import TYPE_CHECKING, Annotated

import typer

from dispatch.cli.cache import keep_results
from dispatch.cli.cache import register as register_cache_command
from dispatch.cli.outages import register as register_outage_commands
from dispatch.cli.settings import register as register_settings_commands
from dispatch.cli.tariffs import register as register_tariff_commands
from dispatch.cli.terminal import (
    NO_ANSWER,
    WIDTH,
    AsJson,
    ScenarioPath,
    load,
    progress_bar,
    refusals,
    show,
    stop,
    write,
)

if TYPE_CHECKING:
    from dispatch.arrays import Progress
    from dispatch.case.case import Case
    from dispatch.comparison.compare import Comparison


app = typer.Typer(
    name="dispatch",
    help="Compare how a home with a backup battery can run on a time-of-use tariff: the bill of each strategy, "
    "and the hours of backup it leaves.",
    epilog="Example: dispatch compare scenarios/alder-row",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,  # plain help: rich would double the time to the first line
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": WIDTH},
)


class Subject(enum.StrEnum):
    """What a schema can be had of."""

    SCENARIO = "scenario"
    TARIFF = "tariff"


@app.command(
    short_help="Show each strategy's bill and backup hours, and which to set.",
    epilog="Example: dispatch compare scenarios/alder-row --csv flows",
)
def compare(
    scenario: ScenarioPath,
    as_json: AsJson = False,
    csv: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            file_okay=False,
            help="Also write the flows of every step, one <strategy>.csv each, into this directory.",
        ),
    ] = None,
) -> None:
    """Solve a year under every strategy and show bills and backup hours side by side.

    The report begins with which strategy to set for the scenario's backup target. Exit code 1 if no strategy can
    serve the load, 2 if the scenario cannot be used.
    """
    with refusals(scenario):
        with progress_bar() as progress:
            comparison = _solve(load(scenario), progress)
        _show_comparison(comparison, csv, as_json=as_json)


@app.command(
    short_help="Validate and summarise a scenario without solving.",
    epilog="Example: dispatch check scenarios/alder-row",
)
def check(scenario: ScenarioPath, as_json: AsJson = False) -> None:
    """Validate a scenario with its series and tariff, and summarise it without solving.

    Exit code 2, with one message naming every problem, if it cannot be used.
    """
    with refusals(scenario):
        from dispatch.case.check import check_summary
        from dispatch.exports.comparison import check_document
        from dispatch.exports.files import json_text

        summary = check_summary(load(scenario))
        if as_json:
            write(json_text(check_document(summary)))
        else:
            from dispatch.report.check import check_report

            show(check_report(summary))


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


def _solve(case: Case, progress: Progress | None) -> Comparison:
    from dispatch.comparison.compare import compare as compare_strategies

    return compare_strategies(case, progress)


def _show_comparison(comparison: Comparison, csv: Path | None, *, as_json: bool) -> None:
    from dispatch.exports.comparison import document, write_csv
    from dispatch.exports.files import json_text

    if csv is not None:
        write_csv(comparison, csv)
    if as_json:
        write(json_text(document(comparison)))
    else:
        from dispatch.report.compare import comparison_report

        show(comparison_report(comparison))
    from dispatch.words.would_serve import what_would_serve

    if (reason := what_would_serve(comparison)) is not None:
        stop(reason, NO_ANSWER)


register_outage_commands(app)


register_settings_commands(app)


register_tariff_commands(app)


register_cache_command(app)


keep_results(app)
