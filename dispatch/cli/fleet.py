"""The commands for many homes and many years: fleet, years, synthetic."""

# ruff: noqa: PLC0415, PLR0913, PLR0917 - imports inside functions are the point; options are arguments
from __future__ import annotations

import sys
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dispatch.cli.terminal import (
    AsJson,
    Full,
    PageFile,
    ScenarioPath,
    deliver,
    progress_bar,
    refusals,
    wrapped,
    write,
)

if TYPE_CHECKING:
    from collections.abc import Iterator


def fleet(
    homes: Annotated[
        Path,
        typer.Argument(
            metavar="FOLDER|TABLE",
            help="A folder of scenario folders, or a CSV table with the column scenario (and home, tariff).",
        ),
    ],
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", file_okay=False, help="Where the results are kept.")
    ] = Path("results"),
    tariff: Annotated[
        list[Path] | None,
        typer.Option(metavar="FILE", help="Every home under this tariff too; may be repeated."),
    ] = None,
    planned: Annotated[
        bool, typer.Option("--planned", help="Also the bound of each home: a plan that knew the whole year.")
    ] = False,
    workers: Annotated[
        int, typer.Option(min=0, metavar="N", help="Processes on this machine; 0: this one alone.")
    ] = 2,
    scheduler: Annotated[
        str | None,
        typer.Option(metavar="ADDRESS", help="A running Dask scheduler, tcp://HOST:PORT, in their place."),
    ] = None,
    html: PageFile = None,
    full: Full = False,
    as_json: AsJson = False,
) -> None:
    """Say what to set in every home of a group, what they save, and what the group does to the grid.

    Results are kept as Parquet, as they finish. Run again after a stop or a change: what is done and unchanged is
    skipped. A home that cannot be used is one row with its reason. Exit code 2 if there is no home.
    """
    with refusals(homes):
        from dispatch import door

        with told_when_stopped(out), progress_bar() as progress:
            result = door.fleet(
                homes,
                out,
                tariff or (),
                planned=planned,
                workers=workers,
                scheduler=scheduler,
                progress=progress,
            )
        deliver(result, as_json=as_json, full=full, html=html)


@contextmanager
def told_when_stopped(out: Path) -> Iterator[None]:
    """Say on stderr, when a person stops the run, that nothing finished is lost."""
    try:
        yield
    except KeyboardInterrupt:
        sys.stderr.write(
            wrapped(f"\nstopped; what is finished is in {out}: the same command goes on from there") + "\n"
        )
        raise


def synthetic(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="New or empty.")],
    count: Annotated[int, typer.Option(min=1, metavar="N", help="Homes.")] = 100,
    seed: Annotated[int, typer.Option(metavar="N", min=0, help="The same seed draws the same homes.")] = 1,
) -> None:
    """Draw invented homes, all different, for demonstrations and benchmarks of dispatch fleet."""
    with refusals(folder):
        from dispatch.arrays import quiet
        from dispatch.fleet.synthetic import draw_fleet

        with progress_bar() as progress:
            written = draw_fleet(folder, count, seed, progress or quiet)
        write(f"{len(written):,} homes in {folder}; next: dispatch fleet {folder}\n")


def years(
    scenario: ScenarioPath,
    year: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="[YEAR.csv]...", help="One file a year, with the columns the scenario's series have."
        ),
    ] = None,
    drawn: Annotated[
        int, typer.Option(min=0, metavar="N", help="Also years drawn from the scenario's own days.")
    ] = 0,
    seed: Annotated[int, typer.Option(metavar="N", min=0, help="The same seed draws the same years.")] = 1,
    unplanned: Annotated[
        bool, typer.Option("--as-set-only", help="Without the plans, which take longest.")
    ] = False,
    html: PageFile = None,
    full: Full = False,
    as_json: AsJson = False,
) -> None:
    """Run one home through many years: how the saving varies, and which setting is best over all and in the worst.

    Every year is priced by the scenario's tariff. Exit code 2 if a year or the scenario cannot be used.
    """
    with refusals(scenario):
        from dispatch import door

        with progress_bar() as progress:
            result = door.years(
                scenario, year or (), drawn=drawn, seed=seed, planned=not unplanned, progress=progress
            )
        deliver(result, as_json=as_json, full=full, html=html)


def register(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    app.command(
        short_help="Many homes at once: what each should set, what the group saves and loads.",
        epilog="Example: dispatch fleet homes --out results",
    )(fleet)
    app.command(
        short_help="Draw invented homes for dispatch fleet.",
        epilog="Example: dispatch synthetic homes --count 100",
    )(synthetic)
    app.command(
        short_help="One home through many years: the spread, the best setting over all.",
        epilog="Example: dispatch years scenarios/quay-loft --drawn 10",
    )(years)
