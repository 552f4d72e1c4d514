"""The commands about panels as functions: strings, cable, sun."""

# ruff: noqa: PLC0415 - imports inside the functions: a command loads only what it needs

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dispatch.door.base import Result

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dispatch.equipment.arrangements import Arrangements, HowMany
    from dispatch.equipment.cable import CableLoss
    from dispatch.equipment.strings import Verdict
    from dispatch.equipment.sun import SunYear
    from dispatch.scenario.parts import Parts
    from dispatch.scenario.solar import Module


_MOST_AMPS, _MOST_VOLTS = 10_000, 2_000  # no home's circuit carries more


@dataclass(frozen=True, kw_only=True)
class StringsJudged(Result):
    """What ``strings`` found of the strings a file states: ``verdicts``."""

    parts: Parts
    verdicts: tuple[Verdict, ...]

    def document(self) -> dict[str, Any]:
        """Return every figure of every input."""
        from dispatch.exports.files import plain

        return {"strings": [{**plain(v), "is_legal": v.is_legal} for v in self.verdicts]}

    def screen(self) -> object:
        """Return the screen of ``dispatch strings``."""
        from dispatch.report.solar import strings_report

        return strings_report(self.parts.name, self.parts.solar, self.verdicts)


@dataclass(frozen=True, kw_only=True)
class Arranged(Result):
    """What ``strings`` found for a number of modules: ``ways``."""

    path: Path
    parts: Parts
    count: int
    ways: Arrangements

    def document(self) -> dict[str, Any]:
        """Return the legal ways, best first, and why others are not."""
        from dispatch.exports.equipment import arrangements_document

        return arrangements_document(self.ways)

    def screen(self) -> object:
        """Return the screen of ``dispatch strings --modules``."""
        from dispatch.report.solar import arrangements_report

        return arrangements_report(self.parts.name, self.parts.solar, self.ways, full=self.full)

    def no_answer(self) -> str | None:
        """Say how many can be wired where so many cannot."""
        if self.ways.legal:
            return None
        most = f"at most {self.ways.most_legal_count} can" if self.ways.most_legal_count else "none can"
        return f"{self.path}: {self.count} modules cannot be wired to these inputs; {most}"


@dataclass(frozen=True, kw_only=True)
class HowManyFit(Result):
    """What ``strings`` found of how many modules the inputs take: ``fit``."""

    parts: Parts
    module: Module
    fit: HowMany

    def document(self) -> dict[str, Any]:
        """Return the best way for each number of modules."""
        from dispatch.exports.files import plain

        best = [
            {"modules": count, "used_w": way.used_w, "parts": plain(way.parts)}
            for count, way in self.fit.best.items()
        ]
        return {"module": self.module.name, "fills_count": self.fit.fills_count, "best": best}

    def screen(self) -> object:
        """Return the screen of ``dispatch strings --module``."""
        from dispatch.report.solar import how_many_report

        return how_many_report(self.parts.name, self.parts.solar, self.fit, full=self.full)


def strings(
    file: str | Path, *, modules: int | None = None, module: str | None = None
) -> StringsJudged | Arranged | HowManyFit:
    """Judge the strings of a file, list the ways to wire so many modules, or tell how many of a module fit.

    Parameters
    ----------
    file : str or Path
        A scenario, or a file with [solar] alone.
    modules : int, optional
        List every way to wire so many, best first, instead.
    module : str, optional
        Name of the module; default: the first. Alone: how many of it fit.

    Examples
    --------
    >>> from dispatch import strings
    >>> strings("scenarios/cinder-flat/panels.toml", modules=14).ways.legal[0].used_w > 4000
    True
    """
    path = _scenario_file(Path(file))
    parts = _parts(path)
    if modules is None and parts.solar.strings and module is None:
        from dispatch.equipment.strings import judge_strings

        return StringsJudged(parts=parts, verdicts=tuple(judge_strings(parts.solar, path)))
    kind = _module(path, parts, module)
    if modules is None:
        from dispatch.equipment.arrangements import how_many

        return HowManyFit(parts=parts, module=kind, fit=how_many(parts.solar, kind))
    from dispatch.equipment.arrangements import arrangements

    ways = arrangements(parts.solar, kind, modules)
    return Arranged(path=path, parts=parts, count=modules, ways=ways)


@dataclass(frozen=True, kw_only=True)
class CableJudged(Result):
    """What ``cable`` found: ``losses`` by the input they belong to, and the usual ``sizes`` for the first."""

    name: str
    losses: tuple[tuple[str, CableLoss], ...]
    sizes: tuple[CableLoss, ...]

    def document(self) -> dict[str, Any]:
        """Return loss and drop of every cable, and the lengths each size may have."""
        from dispatch.exports.files import plain

        cables = [{"input": label.strip(", "), **plain(loss)} for label, loss in self.losses]
        return {"cables": cables, "sizes": plain(self.sizes)}

    def screen(self) -> object:
        """Return the screen of ``dispatch cable``."""
        from dispatch.report.solar import cable_report

        return cable_report(self.name, self.losses, self.sizes)


def cable(
    file: str | Path | None = None,
    *,
    amps: float | None = None,
    volts: float | None = None,
    **stated: Any,  # noqa: ANN401 - the fields of a cable, which its model checks
) -> CableJudged:
    """Tell what two-wire DC cables lose: those of a file's strings, or one for a current and a voltage.

    Parameters
    ----------
    file : str or Path, optional
        A scenario, or a file with [solar]: its strings' cables.
    amps, volts : float, optional
        Without a file: current and voltage of the circuit. [A, V]
    stated
        Without a file: the fields of ``[solar.strings.cable]``, such as ``awg=10, length_m=18``.

    Examples
    --------
    >>> from dispatch import cable
    >>> round(cable(amps=20, volts=240, awg=12, length_ft=100).losses[0][1].drop_v, 1)
    7.9
    """
    from dispatch.equipment.cable import choices

    if file is not None:
        name, losses = _cables_of(_scenario_file(Path(file)))
    else:
        name, losses = "Cable", (("", _one_cable(stated, amps, volts)),)
    first = losses[0][1]
    return CableJudged(name=name, losses=losses, sizes=tuple(choices(first.cable, first.amps, first.volts)))


def _one_cable(stated: Mapping[str, Any], amps: float | None, volts: float | None) -> CableLoss:
    from dispatch.equipment.cable import cable_loss
    from dispatch.errors import ScenarioError
    from dispatch.scenario.solar import Cable
    from tariffs.reading.models import validated

    if amps is None or volts is None or not (0 < amps <= _MOST_AMPS and 0 < volts <= _MOST_VOLTS):
        raise ScenarioError(
            "cable: name a FILE, or --amps and --volts above 0 with a size and a length (at most "
            f"{_MOST_AMPS:,} A and {_MOST_VOLTS:,} V)"
        )
    given = {key: value for key, value in stated.items() if value is not None}
    return cable_loss(validated(Cable, given, "cable", ScenarioError), amps, volts)


def _cables_of(path: Path) -> tuple[str, tuple[tuple[str, CableLoss], ...]]:
    from dispatch.equipment.cable import cable_loss
    from dispatch.equipment.strings import judge_strings
    from dispatch.errors import ScenarioError

    parts = _parts(path)
    judge_strings(parts.solar, path)
    asked = []
    for string in parts.solar.strings:
        if string.cable is None:
            continue
        module = parts.solar.module_named(string.module)
        one = parts.solar.input_named(string.input)
        amps = min(string.parallel_count * module.imp_a, one.operating_a)
        loss = cable_loss(string.cable, amps, string.series_count * module.vmp_v)
        asked.append((f", {string.input}", loss))
    if not asked:
        raise ScenarioError(
            f"{path}: solar.strings: no cable is stated; add cable = {{ awg = 10, length_m = 12 }}"
        )
    return parts.name, tuple(asked)


@dataclass(frozen=True, kw_only=True)
class SunMade(Result):
    """What ``sun`` found: ``year``."""

    name: str
    year: SunYear

    def document(self) -> dict[str, Any]:
        """Return sums in all, by month and by hour, and what was lost where. [kWh]."""
        from dispatch.exports.equipment import sun_document

        return sun_document(self.year)

    def screen(self) -> object:
        """Return the screen of ``dispatch sun``."""
        from dispatch.report.solar import sun_report

        return sun_report(self.name, self.year, full=self.full)

    def write_series(self, path: Path) -> None:
        """Write the series, for [sun] csv and sun_kwh."""
        from dispatch.exports.equipment import sun_csv

        sun_csv(self.year, path)


def sun(file: str | Path, *, weather: str | None = None, year: int | None = None) -> SunMade:
    """Work out the sun of a year from weather; needs the extra ``solar``.

    Parameters
    ----------
    file : str or Path
        A scenario, or a file with [solar] alone.
    weather : str, optional
        TMY3, EPW or CSV weather, or ``clear-sky``; default: the scenario's.
    year : int, optional
        Year to lay the weather over; default: the scenario's period, or 2025.

    Examples
    --------
    >>> from dispatch import sun
    >>> made = sun("scenarios/cinder-flat/panels.toml", weather="clear-sky")
    >>> bool(made.year.delivered_kwh.sum() > 5000)
    True
    """
    from dispatch.equipment.span import span_of_sun
    from dispatch.equipment.strings import judge_strings
    from dispatch.equipment.sun import place_of, sun_from_weather
    from dispatch.errors import ScenarioError

    path = _scenario_file(Path(file))
    parts = _parts(path)
    times, dt_hours, stated = span_of_sun(path, parts.site, year)
    source = weather or stated
    if source is None:
        raise ScenarioError(f"{path}: sun.weather: none is stated; name --weather FILE, or clear-sky")
    folder = Path.cwd() if weather is not None else path.parent
    judge_strings(parts.solar, path)
    try:
        made = sun_from_weather(parts.solar, source, folder, place_of(parts.site), times, dt_hours)
    except ScenarioError as error:
        raise ScenarioError(f"{path}: {error}") from None
    return SunMade(name=parts.name, year=made)


def _scenario_file(file: Path) -> Path:
    return file / "scenario.toml" if file.is_dir() else file


def _parts(path: Path) -> Parts:
    from dispatch.scenario.parts import read_parts

    return read_parts(path)


def _module(path: Path, parts: Parts, name: str | None) -> Module:
    from dispatch.errors import ScenarioError

    if name is None:
        return parts.solar.modules[0]
    known = [module.name for module in parts.solar.modules]
    if name not in known:
        raise ScenarioError(f"{path}: solar.modules: no module '{name}'; there are {', '.join(known)}")
    return parts.solar.module_named(name)
