"""The commands about parts: hardware, strings, cable, sun, generator, care."""

# ruff: noqa: PLC0415, PLR0913, PLR0917 - imports inside functions are the point; options are arguments
from __future__ import annotations

import enum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dispatch.cli.terminal import NO_ANSWER, AsJson, Full, ScenarioPath, refusals, show, stop, write

if TYPE_CHECKING:
    from dispatch.equipment.cable import CableLoss
    from dispatch.scenario.parts import Parts
    from dispatch.scenario.solar import Module


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
    off when away saves. Exit code 2 if the parts do not fit together.
    """
    with refusals(scenario):
        from dispatch.door import load
        from dispatch.sizing.hardware import hardware as study

        found = study(load(scenario))
        if as_json:
            _write_json(found)
        else:
            from dispatch.report.hardware import hardware_report

            show(hardware_report(found, full=full))


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
        parts = _parts(file)
        if modules is None and parts.solar.strings and module is None:
            _show_strings(file, parts, as_json=as_json)
            return
        if modules is None:
            _show_how_many(parts, _module(file, parts, module), full=full, as_json=as_json)
            return
        from dispatch.equipment.arrangements import arrangements
        from dispatch.exports.equipment import arrangements_document

        found = arrangements(parts.solar, _module(file, parts, module), modules)
        if as_json:
            _write_json(arrangements_document(found))
        else:
            from dispatch.report.solar import arrangements_report

            show(arrangements_report(parts.name, parts.solar, found, full=full))
        if not found.legal:
            most = f"at most {found.most_legal_count} can" if found.most_legal_count else "none can"
            stop(f"{file}: {modules} modules cannot be wired to these inputs; {most}", NO_ANSWER, keep=file)


def _show_how_many(parts: Parts, module: Module, *, full: bool, as_json: bool) -> None:
    from dispatch.equipment.arrangements import how_many

    found = how_many(parts.solar, module)
    if as_json:
        best = [
            {"modules": count, "used_w": way.used_w, "parts": _plain(way.parts)}
            for count, way in found.best.items()
        ]
        _write_json({"module": module.name, "fills_count": found.fills_count, "best": best})
    else:
        from dispatch.report.solar import how_many_report

        show(how_many_report(parts.name, parts.solar, found, full=full))


def _show_strings(file: Path, parts: Parts, *, as_json: bool) -> None:
    from dispatch.equipment.strings import judge_strings

    verdicts = judge_strings(parts.solar, file)
    if as_json:
        _write_json({"strings": [{**_plain(v), "is_legal": v.is_legal} for v in verdicts]})
    else:
        from dispatch.report.solar import strings_report

        show(strings_report(parts.name, parts.solar, verdicts))


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
        from dispatch.equipment.cable import choices

        if file is not None:
            name, asked = _cables_of(file)
        else:
            stated = {
                "awg": awg,
                "area_mm2": mm2,
                "length_m": length_m,
                "length_ft": length_ft,
                "strands": strands.value,
                "metal": metal.value,
                "conductor_c": conductor_c,
            }
            name, asked = "Cable", [("", _one_cable(stated, amps, volts))]
        first = asked[0][1]
        sizes = choices(first.cable, first.amps, first.volts)
        if as_json:
            cables = [{"input": label.strip(", "), **_plain(loss)} for label, loss in asked]
            _write_json({"cables": cables, "sizes": sizes})
        else:
            from dispatch.report.solar import cable_report

            show(cable_report(name, asked, sizes))


def _one_cable(stated: dict[str, Any], amps: float | None, volts: float | None) -> CableLoss:
    from dispatch.equipment.cable import cable_loss
    from dispatch.errors import ScenarioError
    from dispatch.scenario.solar import Cable
    from tariffs.reading.models import validated

    if amps is None or volts is None or not (amps > 0 and volts > 0):
        raise ScenarioError("cable: name a FILE, or --amps and --volts above 0 with a size and a length")
    given = {key: value for key, value in stated.items() if value is not None}
    cable = validated(Cable, given, "cable", ScenarioError)
    return cable_loss(cable, amps, volts)


def _cables_of(file: Path) -> tuple[str, list[tuple[str, CableLoss]]]:
    from dispatch.equipment.cable import cable_loss
    from dispatch.equipment.strings import judge_strings
    from dispatch.errors import ScenarioError

    parts = _parts(file)
    judge_strings(parts.solar, file)
    asked = []
    for string in parts.solar.strings:
        if string.cable is None:
            continue
        module = parts.solar.module_named(string.module)
        one = parts.solar.input_named(string.input)
        amps = min(string.parallel_count * module.imp_a, one.operating_a)
        asked.append(
            (f", {string.input}", cable_loss(string.cable, amps, string.series_count * module.vmp_v))
        )
    if not asked:
        raise ScenarioError(
            f"{file}: solar.strings: no cable is stated; add cable = {{ awg = 10, length_m = 12 }}"
        )
    return parts.name, asked


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
    with refusals(file):
        from dispatch.equipment.sun import SunYear  # noqa: TC001
        from dispatch.exports.equipment import sun_csv, sun_document

        parts = _parts(file)
        found: SunYear = _sun_of(file, parts, weather, year)
        if out is not None:
            sun_csv(found, out)
        if as_json:
            _write_json(sun_document(found))
        else:
            from dispatch.report.solar import sun_report

            show(sun_report(parts.name, found, full=full))


def _sun_of(file: Path, parts: Parts, weather: str | None, year: int | None) -> Any:  # noqa: ANN401 - a heavy type
    from dispatch.equipment.span import span_of_sun
    from dispatch.equipment.strings import judge_strings
    from dispatch.equipment.sun import place_of, sun_from_weather
    from dispatch.errors import ScenarioError

    path = _scenario_file(file)
    times, dt_hours, stated = span_of_sun(path, parts.site, year)
    source = weather or stated
    if source is None:
        raise ScenarioError(f"{path}: sun.weather: none is stated; name --weather FILE, or clear-sky")
    folder = Path.cwd() if weather is not None else path.parent
    judge_strings(parts.solar, path)
    try:
        return sun_from_weather(parts.solar, source, folder, place_of(parts.site), times, dt_hours)
    except ScenarioError as error:
        raise ScenarioError(f"{path}: {error}") from None


def generator(scenario: ScenarioPath, as_json: AsJson = False) -> None:
    """Hold the scenario's generator against its charger: the input limit to set, hours and litres for a full charge.

    Exit code 1 if it must not feed the charger, 2 if the scenario has none.
    """
    with refusals(scenario):
        from dispatch.door import load
        from dispatch.sizing.generator import generator_study

        found = generator_study(load(scenario))
        if as_json:
            _write_json(found)
        else:
            from dispatch.report.hardware import generator_report

            show(generator_report(found))
        if found.fit.problems:
            stop(f"{scenario}: generator: must not feed the charger", NO_ANSWER, keep=scenario)


def care(scenario: ScenarioPath, as_json: AsJson = False) -> None:
    """Print the care card of the packs: temperatures, resting, room around them, and how long they may rest.

    It defers to the maker's manual and to local code. Exit code 2 if the scenario cannot be used.
    """
    with refusals(scenario):
        from dispatch.door import load
        from dispatch.equipment.care import care_card

        case = load(scenario)
        card = care_card(case.scenario, case.limits.full_kwh, case.limits.self_discharge_per_hour)
        if as_json:
            _write_json(card)
        else:
            from dispatch.report.care import care_report

            show(care_report(card))


def _scenario_file(file: Path) -> Path:
    return file / "scenario.toml" if file.is_dir() else file


def _parts(file: Path) -> Parts:
    from dispatch.scenario.parts import read_parts

    return read_parts(_scenario_file(file))


def _module(file: Path, parts: Parts, name: str | None) -> Module:
    from dispatch.errors import ScenarioError

    if name is None:
        return parts.solar.modules[0]
    known = [module.name for module in parts.solar.modules]
    if name not in known:
        raise ScenarioError(f"{file}: solar.modules: no module '{name}'; there are {', '.join(known)}")
    return parts.solar.module_named(name)


def _plain(value: Any) -> Any:  # noqa: ANN401 - a study
    from dispatch.exports.files import plain

    return plain(value)


def _write_json(study: Any) -> None:  # noqa: ANN401 - a study or a document
    from dispatch.exports.files import json_text

    write(json_text(_plain(study)))


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
