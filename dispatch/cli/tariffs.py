"""The commands about tariffs: bill, tariffs."""

# ruff: noqa: PLC0415, PLR0913, PLR0917 - imports inside functions are the point; options are arguments
from __future__ import annotations

from pathlib import Path  # noqa: TC003 - typer reads the annotations when it runs
from typing import Annotated

import typer

from dispatch.cli.terminal import (
    AsJson,
    CsvDirectory,
    Full,
    ParquetDirectory,
    ScenarioPath,
    deliver,
    progress_bar,
    promised,
    refusals,
)

BILL_TABLES = ("bill",)


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
    csv: CsvDirectory = None,
    parquet: ParquetDirectory = None,
) -> None:
    """Price a meter's readings under a tariff, line by line for every billing period.

    Steps of 5 to 60 minutes, labelled by their start. Exit code 2 if tariff or readings cannot be used.
    """
    tables = {"--csv": csv, "--parquet": parquet}
    with refusals(meter), promised({}, tables, BILL_TABLES, [tariff, meter]):
        from dispatch import door

        result = door.bill(tariff, meter, time_zone=time_zone, bought=bought or (), sold=sold or ())
        deliver(result, as_json=as_json, csv=csv, parquet=parquet)


def compare_tariffs(
    scenario: ScenarioPath,
    tariff: Annotated[list[Path], typer.Argument(help="Tariff files to hold against the scenario's own.")],
    full: Full = False,
    as_json: AsJson = False,
) -> None:
    """Find which tariff and strategy together are cheapest for a household, side by side.

    The scenario's own tariff is always among them. A tariff that does not fit the household is shown with its reason.
    Exit code 1 if none could be compared, 2 if a file cannot be used.
    """
    with refusals(scenario):
        from dispatch import door

        with progress_bar() as progress:
            result = door.tariffs(scenario, tariff, progress)
        deliver(result, as_json=as_json, full=full)


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
