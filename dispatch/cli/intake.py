"""The commands that bring a household's own data in: import, import-tariff, profile, new."""

# ruff: noqa: PLC0415, PLR0913, PLR0917 - imports inside functions are the point; options are arguments
from __future__ import annotations

import enum
from pathlib import Path  # noqa: TC003 - typer reads the annotations when it runs
from typing import Annotated

import typer

from dispatch.cli.terminal import BAD_INPUT, AsJson, promised, refusals, show, stop, write


class ClockKind(enum.StrEnum):
    """What a time without offset is on."""

    WALL = "wall"
    STANDARD = "standard"
    UTC = "utc"


class DateOrder(enum.StrEnum):
    """Order of day and month."""

    DAY_FIRST = "day-first"
    MONTH_FIRST = "month-first"


class TimesAre(enum.StrEnum):
    """What a single time per row labels."""

    START = "start"
    END = "end"


class DecimalMark(enum.StrEnum):
    """The decimal mark."""

    POINT = "point"
    COMMA = "comma"


class Repeats(enum.StrEnum):
    """What becomes of readings that stand there twice."""

    REFUSE = "refuse"
    DROP = "drop"


Columns = list[str] | None


def _column(option: str, what: str) -> object:
    return typer.Option(f"--{option}", metavar="COLUMN", help=f"Column of {what}; repeat to add several up.")


def import_meter(
    file: Annotated[
        Path, typer.Argument(help="The meter file: a table as text, or ESPI XML (NAESB REQ.21).")
    ],
    out: Annotated[Path, typer.Option(metavar="FILE.csv", dir_okay=False, help="Where to write the series.")],
    time_zone: Annotated[
        str | None,
        typer.Option(metavar="ZONE", help="The home's clock (IANA name), where the file names none."),
    ] = None,
    production: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="What the panels made, in a file of its own: the load is rebuilt from it."
        ),
    ] = None,
    gaps: Annotated[
        str | None,
        typer.Option(metavar="HOW", help="Fill gaps: interpolate:2h, or same-weekday, or same-weekday:48h."),
    ] = None,
    step: Annotated[
        int | None,
        typer.Option(min=1, max=1440, metavar="MIN", help="Length of the steps to write; energy is kept."),
    ] = None,
    bought: Annotated[Columns, _column("import", "what was bought")] = None,
    sold: Annotated[Columns, _column("export", "what was fed in")] = None,
    net: Annotated[Columns, _column("net", "bought minus fed in, signed")] = None,
    made: Annotated[Columns, _column("made", "what the panels made, in the same file")] = None,
    unit: Annotated[
        str | None, typer.Option(help="kWh, Wh, MWh (energy in the step), kW or W (mean power).")
    ] = None,
    clock: Annotated[
        ClockKind | None, typer.Option(help="What times without offset are on: the wall clock if left out.")
    ] = None,
    dates: Annotated[
        DateOrder | None, typer.Option(help="Order of day and month, where it cannot be told.")
    ] = None,
    times: Annotated[
        TimesAre | None, typer.Option(help="Whether a time is a reading's start or end.")
    ] = None,
    decimal: Annotated[
        DecimalMark | None, typer.Option(help="The decimal mark, where it cannot be told.")
    ] = None,
    repeats: Annotated[
        Repeats, typer.Option(help="Readings that stand there twice, with equal values.")
    ] = Repeats.REFUSE,
    usage_point: Annotated[
        str | None, typer.Option(metavar="NUMBER", help="Which meter of an ESPI file, or all.")
    ] = None,
    parquet: Annotated[
        Path | None, typer.Option(metavar="FILE", dir_okay=False, help="Also write the series as Parquet.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Read a meter file as utilities send them, say what was understood, and write a series to use.

    Nothing is filled, cut or dropped unless you ask for it. Exit code 2 if the file cannot be used, or has gaps.
    """
    with refusals(file), promised({"--out": out, "--parquet": parquet}, inputs=[file, production]):
        from dispatch.exports.files import json_text
        from dispatch.exports.intake import import_document
        from dispatch.intake.gaps import parse_filling, refuse_gaps
        from dispatch.intake.intervals import Asked
        from dispatch.intake.read import understand
        from dispatch.intake.write import csv_text
        from dispatch.report.intake import import_report
        from dispatch.writing import together
        from dispatch.writing import write as write_whole

        named = {"import": bought, "export": sold, "net": net, "production": made}
        asked = Asked(
            time_zone=time_zone,
            clock=None if clock is None else clock.value,
            day_first=None if dates is None else dates is DateOrder.DAY_FIRST,
            label=None if times is None else times.value,
            decimal=None if decimal is None else {"point": ".", "comma": ","}[decimal],
            unit=_unit(unit),
            columns={flow: tuple(names) for flow, names in named.items() if names},  # type: ignore[misc]
            usage_point=usage_point,
            drop_repeats=repeats is Repeats.DROP,
        )
        filling = None if gaps is None else parse_filling(gaps)
        found = understand(file, asked, production, step, filling)
        holes = bool(found.grid.missing.any())
        if not holes:
            with together():
                write_whole({out: csv_text(found.grid.times, found.columns).encode()})
                if parquet is not None:
                    from dispatch.exports.parquet import write_parquet

                    write_parquet(parquet, found.grid.times, found.columns)
        if as_json:
            write(json_text(import_document(found, None if holes else str(out))))
        else:
            show(import_report(found, None if holes else str(out)))
        refuse_gaps(found.grid, file)


def _unit(text: str | None) -> str | None:
    from dispatch.intake.units import UNITS

    if text is not None and text.lower() not in UNITS:
        stop(
            f"--unit: not a unit of energy or power (got {text!r}); write kWh, Wh, MWh, kW, W or MW",
            BAD_INPUT,
        )
    return text


def import_tariff(
    file: Annotated[Path, typer.Argument(help="The record's JSON file.")],
    out: Annotated[
        Path, typer.Option(metavar="FILE.toml", dir_okay=False, help="Where to write the tariff.")
    ],
    record: Annotated[
        str | None, typer.Option(metavar="LABEL", help="Which record of several: its label or number.")
    ] = None,
    time_zone: Annotated[
        str | None, typer.Option(metavar="ZONE", help="The tariff's clock (IANA name); records hold none.")
    ] = None,
) -> None:
    """Make a tariff file of a record of the public-domain US utility rate database.

    What could not be carried over is named line by line, here and in the file. Exit code 2 if the record's price of
    energy cannot be written.
    """
    with refusals(file), promised({"--out": out}, inputs=[file]):
        from dispatch.intake.read import check_zone
        from dispatch.report.intake import record_report
        from dispatch.writing import write as write_whole
        from tariffs.records.convert import import_record

        check_zone(time_zone)
        made = import_record(file, record, time_zone)
        write_whole({out: made.text.encode()})
        show(record_report(made, str(out)))


class Household(enum.StrEnum):
    """Kinds of households that a typical load is made for."""

    SINGLE = "single"
    COUPLE = "couple"
    FAMILY = "family"
    RETIRED = "retired"
    BDEW_H0 = "bdew-h0"


YearKwh = Annotated[
    float | None, typer.Option("--kwh", metavar="KWH", help="Energy of the year, from the bills.")
]

Kind = Annotated[
    Household | None, typer.Option(help="Kind of household; bdew-h0 is the published mean of many homes.")
]

Seed = Annotated[int, typer.Option(help="Another seed gives other days of the same kind.")]


def profile(
    kwh: Annotated[float, typer.Option("--kwh", metavar="KWH", help="Energy of the year, from the bills.")],
    time_zone: Annotated[str, typer.Option(metavar="ZONE", help="The home's clock (IANA name).")],
    out: Annotated[Path, typer.Option(metavar="FILE.csv", dir_okay=False, help="Where to write the series.")],
    household: Annotated[
        Household, typer.Option(help="Kind of household; bdew-h0 is the published mean of many homes.")
    ] = Household.FAMILY,
    year: Annotated[int, typer.Option(metavar="YEAR", help="Calendar year.")] = 2025,
    step: Annotated[int, typer.Option(metavar="MIN", help="15, 30 or 60 minutes.")] = 60,
    seed: Seed = 1,
) -> None:
    """Make a year of a typical load, where there are no readings at hand.

    It is no home's own load: every screen of a scenario that uses it says so. Import your own readings as soon as you
    have them.
    """
    with refusals(out), promised({"--out": out}):
        from dispatch.intake.profile import COLUMN, typical_load
        from dispatch.intake.read import check_zone
        from dispatch.intake.write import csv_text
        from dispatch.report.intake import profile_report
        from dispatch.writing import write as write_whole

        check_zone(time_zone)
        times, load_kwh = typical_load(kwh, household.value, year, time_zone, step, seed)
        write_whole({out: csv_text(times, {COLUMN: load_kwh}).encode()})
        show(profile_report(times, load_kwh, household.value, str(out)))


def new(
    folder: Annotated[Path, typer.Argument(help="A new folder, or one without a scenario in it.")],
    name: Annotated[str | None, typer.Option(help="What reports call the home.")] = None,
    time_zone: Annotated[str | None, typer.Option(metavar="ZONE", help="Its clock (IANA name).")] = None,
    currency: Annotated[str | None, typer.Option(metavar="CODE", help="ISO 4217 code of the money.")] = None,
    load: Annotated[
        Path | None, typer.Option(metavar="FILE.csv", dir_okay=False, help="Its load, from dispatch import.")
    ] = None,
    kwh: YearKwh = None,
    household: Kind = None,
    pack_kwh: Annotated[
        float | None, typer.Option(metavar="KWH", help="Nominal energy of one battery pack.")
    ] = None,
    packs: Annotated[int | None, typer.Option(metavar="N", help="Battery packs.")] = None,
    inverter_w: Annotated[
        float | None, typer.Option(metavar="W", help="AC output the inverter can hold.")
    ] = None,
    charge_w: Annotated[float | None, typer.Option(metavar="W", help="Grid charger.")] = None,
    critical_w: Annotated[
        float | None, typer.Option(metavar="W", help="What must run in an outage, mean.")
    ] = None,
    target_hours: Annotated[float | None, typer.Option(metavar="H", help="Hours of backup wanted.")] = None,
    cheap_price: Annotated[
        float | None, typer.Option(metavar="PRICE", help="Price of a kWh in the cheap hours.")
    ] = None,
    dear_price: Annotated[
        float | None, typer.Option(metavar="PRICE", help="Price of a kWh in the others.")
    ] = None,
    cheap_hours: Annotated[str | None, typer.Option(metavar="HH:MM-HH:MM", help="The cheap hours.")] = None,
    per_month: Annotated[
        float | None, typer.Option(metavar="AMOUNT", help="Standing charge a month.")
    ] = None,
    year: Annotated[int, typer.Option(metavar="YEAR", help="Year of a typical load.")] = 2025,
    seed: Seed = 1,
) -> None:
    """Write a commented scenario and tariff into a folder, ready to run and to be corrected.

    What no option says is asked for in a terminal; elsewhere the usual value is taken, and what has none is named.
    Without --load the load is a typical one.
    """
    with refusals(folder):
        from dispatch.cli.new_home import make_home

        said = {
            "name": name,
            "time_zone": time_zone,
            "currency": currency,
            "kwh": kwh,
            "household": None if household is None else household.value,
            "pack_kwh": pack_kwh,
            "packs": packs,
            "inverter_w": inverter_w,
            "charge_w": charge_w,
            "critical_w": critical_w,
            "target_hours": target_hours,
            "cheap_price": cheap_price,
            "dear_price": dear_price,
            "cheap_hours": cheap_hours,
            "per_month": per_month,
        }
        make_home(folder, said, load, year, seed)


def register(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    app.command(
        name="import",
        short_help="Read a utility's meter file into a series to use.",
        epilog="\b\nExample: dispatch import usage.xml --out load.csv\n"
        "         dispatch import usage.csv --time-zone America/Toronto --out load.csv",
    )(import_meter)
    app.command(
        name="import-tariff",
        short_help="Make a tariff file of a US rate-database record.",
        epilog="Example: dispatch import-tariff record.json --time-zone America/Chicago --out tariff.toml",
    )(import_tariff)
    app.command(
        short_help="Make a typical load, where there are no readings.",
        epilog="Example: dispatch profile --kwh 3600 --time-zone Europe/Lisbon --out load.csv",
    )(profile)
    app.command(
        short_help="Write a commented scenario and tariff, ready to run.",
        epilog="\b\nExample: dispatch new my-home --time-zone America/Toronto --currency CAD \\\n"
        "    --kwh 9000 --household family",
    )(new)
