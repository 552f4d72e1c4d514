"""The command about how much to buy."""

# ruff: noqa: PLC0415 - imports inside functions are the point
from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

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

if TYPE_CHECKING:
    from collections.abc import Sequence


SIZE_TABLES = ("size",)


def size(  # noqa: PLR0913, PLR0917 - one per option
    scenario: ScenarioPath,
    packs: Annotated[
        int | None,
        typer.Option(min=1, help="Most packs looked at; default: the scenario's, or what the units take."),
    ] = None,
    panels: Annotated[
        str | None,
        typer.Option(
            metavar="LIST",
            help="Multiples of the scenario's panels to look at, such as 0,1,1.5; none always is.",
        ),
    ] = None,
    planned: Annotated[
        bool, typer.Option("--planned", help="Also solve the plan of least cost for every set of parts.")
    ] = False,
    full: Full = False,
    as_json: AsJson = False,
    csv: CsvDirectory = None,
    parquet: ParquetDirectory = None,
) -> None:
    """Say how much to buy: every number of packs with every amount of panels as it would be set, and what it is worth.

    Prices, the price of money, tariff growth and fading stand under [sizing]. Exit code 1 if no set of parts serves
    the load, 2 if the scenario cannot be used.
    """
    tables = {"--csv": csv, "--parquet": parquet}
    with refusals(scenario), promised({}, tables, SIZE_TABLES, [scenario]):
        from dispatch import door

        factors = _factors(panels)
        with progress_bar() as progress:
            result = door.size(scenario, most_packs=packs, panels=factors, planned=planned, progress=progress)
        deliver(result, as_json=as_json, full=full, csv=csv, parquet=parquet)


def _factors(text: str | None) -> Sequence[float] | None:
    from dispatch.errors import ScenarioError

    if text is None:
        return None
    try:
        found = [float(word) for word in text.split(",")]
    except ValueError:
        found = [-1.0]
    if any(not 0.0 <= factor <= 1000.0 for factor in found):
        raise ScenarioError(f"--panels: not a list of multiples (got '{text}'); write such as 0,1,1.5")
    return sorted(set(found))


def register(app: typer.Typer) -> None:
    """Add this command to the command line."""
    app.command(
        short_help="How much to buy: packs by panels, payback, hours.",
        epilog="Example: dispatch size scenarios/alder-row --packs 6 --panels 0,1,2",
    )(size)
