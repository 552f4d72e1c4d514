"""The commands about parts: hardware, strings, cable, sun, generator, care."""

# ruff: noqa: PLC0415, PLR0913, PLR0917 - imports inside functions are the point; options are arguments
from __future__ import annotations

import enum
from pathlib import Path
from typing import Annotated, Any

import typer

from dispatch.cli.terminal import AsJson, Full, ScenarioPath, deliver, promised, refusals


class Strands(enum.StrEnum):
    """Makes of conductor."""

    SOLID = "solid"
    STRANDED = "stranded"
    FLEXIBLE = "flexible"


class Metal(enum.StrEnum):
    """Metals of conductor."""

    COPPER = "copper"
    ALUMINIUM = "aluminium"


PartsPath = Annotated[
    Path,
    typer.Argument(metavar="FILE", help="A scenario, or a file with [solar] alone."),
]


def hardware(scenario: ScenarioPath, full: Full = False, as_json: AsJson = False) -> None:
    """Show what the parts do: what limits charging, time to full and runtimes for each number of packs.

    With starting surge per appliance against the inverter, what one more pack changes, and what switching the outputs
    off when away saves; dispatch size says what more parts are worth. Exit code 2 if the parts do not fit together.
    """
    with refusals(scenario):
        from dispatch import door

        deliver(door.hardware(scenario), as_json=as_json, full=full)


def strings(
    file: PartsPath,
    modules: Annotated[
        int | None, typer.Option(help="List every way to wire so many modules, best first, instead.")
    ] = None,
    module: Annotated[
        str | None, typer.Option(help="Name of the module; default: the first. Alone: how many of it fit.")
    ] = None,
    full: Full = False,
    as_json: AsJson = False,
) -> None:
    """Check how panels are strung against the solar inputs, list the ways to string so many, or tell how many fit.

    A file without strings, or --module alone, asks how many of that module the inputs take.

    Voltage at the coldest, working voltage at the hottest, short-circuit and operating current, power. Exit code 2 if
    the strings of the file are dangerous or cannot work, 1 if so many modules cannot be wired.
    """
    with refusals(file):
        from dispatch import door

        deliver(door.strings(file, modules=modules, module=module), as_json=as_json, full=full, keep=file)


def cable(
    file: Annotated[
        Path | None,
        typer.Argument(metavar="[FILE]", help="A scenario, or a file with [solar]: its strings' cables."),
    ] = None,
    amps: Annotated[float | None, typer.Option(help="Current, in A; without FILE.")] = None,
    volts: Annotated[float | None, typer.Option(help="Voltage of the circuit, in V.")] = None,
    length_m: Annotated[float | None, typer.Option(help="Length one way, in m.")] = None,
    length_ft: Annotated[float | None, typer.Option(help="Instead: length one way, in feet.")] = None,
    awg: Annotated[int | None, typer.Option(help="Gauge of the conductor.")] = None,
    mm2: Annotated[float | None, typer.Option(help="Instead: its cross-section, in mm2.")] = None,
    strands: Annotated[Strands, typer.Option(help="Make of the conductor.")] = Strands.STRANDED,
    metal: Annotated[Metal, typer.Option(help="Metal of the conductor.")] = Metal.COPPER,
    conductor_c: Annotated[float, typer.Option(help="Temperature of the conductor, in C.")] = 75.0,
    as_json: AsJson = False,
) -> None:
    """Show what a two-wire DC cable loses, and how long each usual size may be for 1, 2 and 3 %.

    For the strings of a file, or for one cable: --amps 9.5 --volts 96 --length-m 18 --awg 10.
    """
    with refusals(file):
        from dispatch import door

        stated: dict[str, Any] = (
            {}
            if file is not None
            else {
                "awg": awg,
                "area_mm2": mm2,
                "length_m": length_m,
                "length_ft": length_ft,
                "strands": strands.value,
                "metal": metal.value,
                "conductor_c": conductor_c,
            }
        )
        deliver(door.cable(file, amps=amps, volts=volts, **stated), as_json=as_json)


def sun(
    file: PartsPath,
    weather: Annotated[
        str | None,
        typer.Option(metavar="FILE", help="TMY3, EPW or CSV weather, or clear-sky; default: the scenario's."),
    ] = None,
    year: Annotated[
        int | None,
        typer.Option(help="Year to lay the weather over; default: the scenario's period, or 2025."),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(metavar="CSV", dir_okay=False, help="Also write the series, for [sun] csv and sun_kwh."),
    ] = None,
    full: Full = False,
    as_json: AsJson = False,
) -> None:
    """Work out the sun of a year from weather: by month and hour, and what is lost where.

    Needs the extra: pip install 'tou-dispatch[solar]'. Exit code 2 if strings, place or weather cannot be used.
    """
    with refusals(file), promised({"--out": out}, inputs=[file]):
        from dispatch import door

        made = door.sun(file, weather=weather, year=year)
        if out is not None:
            made.write_series(out)
        deliver(made, as_json=as_json, full=full)


def generator(scenario: ScenarioPath, as_json: AsJson = False) -> None:
    """Hold the scenario's generator against its charger: the input limit to set, hours and litres for a full charge.

    Exit code 1 if it must not feed the charger, 2 if the scenario has none.
    """
    with refusals(scenario):
        from dispatch import door

        deliver(door.generator(scenario), as_json=as_json, keep=scenario)


def care(scenario: ScenarioPath, as_json: AsJson = False) -> None:
    """Print the care card of the packs: temperatures, resting, room around them, and how long they may rest.

    It defers to the maker's manual and to local code. Exit code 2 if the scenario cannot be used.
    """
    with refusals(scenario):
        from dispatch import door

        deliver(door.care(scenario), as_json=as_json)


def register(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    app.command(
        short_help="What the parts do: charging, runtimes, one more pack.",
        epilog="Example: dispatch hardware scenarios/cinder-flat",
    )(hardware)
    app.command(
        short_help="Check panel strings, or list the ways to wire N modules.",
        epilog="Example: dispatch strings scenarios/cinder-flat/panels.toml --modules 14",
    )(strings)
    app.command(
        short_help="What a DC cable loses, and how long each size may be.",
        epilog="Example: dispatch cable --amps 9.5 --volts 96 --length-m 18 --awg 10",
    )(cable)
    app.command(
        short_help="The year's sun from weather, and what is lost where.",
        epilog="Example: dispatch sun scenarios/cinder-flat/panels.toml --weather clear-sky",
    )(sun)
    app.command(
        short_help="The generator on the charger: limit to set, hours, litres.",
        epilog="Example: dispatch generator scenarios/cinder-flat",
    )(generator)
    app.command(
        short_help="The care card: temperatures, resting, room around the packs.",
        epilog="Example: dispatch care scenarios/cinder-flat",
    )(care)
