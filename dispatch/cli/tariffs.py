"""The commands about tariffs: bill, tariffs."""

# ruff: noqa: PLC0415, PLR0913, PLR0917 - imports inside functions are the point; options are arguments
from __future__ import annotations

from pathlib import Path  # noqa: TC003 - typer reads the annotations when it runs
from typing import TYPE_CHECKING, Annotated

import typer

from dispatch.cli.terminal import (
    NO_ANSWER,
    AsJson,
    ParquetDirectory,
    ScenarioPath,
    load,
    progress_bar,
    refusals,
    show,
    stop,
    write,
)

if TYPE_CHECKING:
    from dispatch.comparison.tariffs import TariffChoice


def bill(
    tariff: Annotated[Path, typer.Argument(help="The tariff file.")],
    meter: Annotated[
        Path, typer.Argument(metavar="METER.csv", help="Readings: time,import_kwh and, if any, export_kwh.")
    ],
    time_zone: Annotated[
        str | None,
        typer.Option(metavar="ZONE", help="The tariff's clock, where its file names none (IANA name)."),
    ] = None,
    bought: Annotated[
        list[str] | None,
        typer.Option(
            "--import",
            metavar="COLUMN",
            help="Column bought from the grid, in place of import_kwh; repeat to add several up. Its unit is its "
            "ending: _kwh, _wh (energy in the step), _kw or _w (mean power).",
        ),
    ] = None,
    sold: Annotated[
        list[str] | None,
        typer.Option("--export", metavar="COLUMN", help="Column fed into the grid, likewise."),
    ] = None,
    as_json: AsJson = False,
    csv: Annotated[
        Path | None,
        typer.Option(metavar="DIR", file_okay=False, help="Also write bill.csv into this directory."),
    ] = None,
    parquet: ParquetDirectory = None,
) -> None:
    """Price a meter's readings under a tariff, line by line for every billing period.

    Steps of 15, 30 or 60 minutes, labelled by their start. Exit code 2 if tariff or readings cannot be used.
    """
    with refusals(meter):
        from dispatch.exports import bill as exports_bill
        from tariffs.meter_bill import meter_bill

        made = meter_bill(tariff, meter, time_zone, bought or (), sold or ())
        if csv is not None:
            exports_bill.bill_csv(made, csv)
        if parquet is not None:
            from dispatch.exports.parquet import beside_csv

            beside_csv(lambda place: exports_bill.bill_csv(made, place), parquet)
        if as_json:
            write(exports_bill.exact_json(exports_bill.bill_document(made)))
        else:
            from dispatch.report.bill import bill_report

            show(bill_report(made))


def compare_tariffs(
    scenario: ScenarioPath,
    tariff: Annotated[list[Path], typer.Argument(help="Tariff files to hold against the scenario's own.")],
    as_json: AsJson = False,
) -> None:
    """Find which tariff and strategy together are cheapest for a household, side by side.

    The scenario's own tariff is always among them. A tariff that does not fit the household is shown with its reason.
    Exit code 1 if none could be compared, 2 if a file cannot be used.
    """
    with refusals(scenario):
        from dispatch.comparison.tariffs import choose_tariff

        with progress_bar() as progress:
            choice = choose_tariff(load(scenario), tariff, progress)
        _show_choice(choice, as_json=as_json)


def _show_choice(choice: TariffChoice, *, as_json: bool) -> None:
    if as_json:
        from dispatch.exports.files import json_text
        from dispatch.exports.tariffs import choice_document

        write(json_text(choice_document(choice)))
    else:
        from dispatch.report.tariffs import choice_report

        show(choice_report(choice))
    if (reason := choice.no_answer()) is not None:
        stop(reason, NO_ANSWER)


def register(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    app.command(
        short_help="Price a meter's readings under a tariff, line by line.",
        epilog="\b\nExample: dispatch bill scenarios/alder-row/tariff.toml \\\n"
        "    scenarios/alder-row/series.csv --import load_kw --import other_kw",
    )(bill)
    app.command(
        name="tariffs",
        short_help="Which tariff and strategy together are cheapest.",
        epilog="\b\nExample: dispatch tariffs scenarios/alder-row \\\n    scenarios/alder-row/tariff-demand.toml",
    )(compare_tariffs)
