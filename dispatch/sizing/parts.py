"""The case a home would be with other parts: read afresh, as a scenario written with them would be."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from dispatch.case.case import build_case
from dispatch.case.limits import resolve_limits
from dispatch.case.panels import sun_in_device
from dispatch.case.series import read_series
from dispatch.errors import ScenarioError
from dispatch.sizing.bench import charging_for

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dispatch.case.case import Case
    from dispatch.case.series import Series
    from dispatch.scenario.model import Scenario
    from dispatch.scenario.sizing import PanelsChoice
    from dispatch.scenario.solar import String


MOST_PACKS = 8
"""Packs looked at where nobody says how many."""

FACTORS = (0.0, 1.0, 1.5, 2.0)

_ROUNDING = 1e-9


@dataclass(frozen=True)
class Panels:
    """One amount of panels.

    Attributes
    ----------
    name : str
    factor : float
        Rated power over that of the scenario's panels; where it has none, 1 for each choice but "no panels".
    strings : tuple of String or None
        What is wired; None: the scenario's own wiring, its series times the factor.
    price : float or None
        For all of them; None where it is not stated. [currency]
    """

    name: str
    factor: float
    strings: tuple[String, ...] | None
    price: float | None


@dataclass(frozen=True)
class Parts:
    """What a cell of the grid is made of."""

    pack_count: int
    unit_count: int
    panels: Panels


NO_PANELS = Panels("none", 0.0, (), 0.0)


def rated_w(scenario: Scenario, strings: Sequence[String]) -> float:
    """Rated power of what is wired. [W]."""
    solar = scenario.solar
    if solar is None:
        return 0.0
    return sum(
        each.series_count * each.parallel_count * solar.module_named(each.module).stc_w for each in strings
    )


def panel_choices(case: Case, factors: Sequence[float] | None = None) -> tuple[Panels, ...]:
    """List the amounts of panels to look at, none first; those of the scenario are always among them.

    Parameters
    ----------
    case : Case
    factors : sequence of float, optional
        Multiples of the scenario's panels, instead of what the scenario asks for.

    Raises
    ------
    ScenarioError
        If panels are asked for that the scenario tells nothing of, or strings name what is not there.
    """
    scenario = case.scenario
    asked = () if factors is not None else scenario.sizing.panels
    if scenario.sun is None:
        if asked or any(factors or ()):
            where = "--panels" if factors else "sizing.panels"
            raise ScenarioError(
                f"{case.path}: {where}: needs a series of sun to work from; add [sun], from a CSV or from weather"
            )
        return (NO_PANELS,)
    if any(choice.strings for choice in asked):
        _check_strings(case, asked)
        found = [_wired(case, choice) for choice in asked]
    elif asked:
        found = [_multiple(case, choice.panels_factor or 0.0, choice) for choice in asked]
    else:
        # wired panels do not multiply by themselves: strings must be named
        usual = FACTORS if scenario.solar is None or not scenario.solar.strings else (0.0, 1.0)
        found = [_multiple(case, factor) for factor in (usual if factors is None else factors)]
    now = scenario.solar.strings if scenario.solar is not None else ()
    if not any(_is_now(choice, now) for choice in found):
        found.append(_multiple(case, 1.0))
    more = [choice for choice in found if choice.factor > 0]
    given = next((choice for choice in found if choice.factor <= 0), NO_PANELS)
    return given, *sorted(more, key=lambda choice: choice.factor)


def _is_now(choice: Panels, now: tuple[String, ...]) -> bool:
    if choice.strings is None:
        return abs(choice.factor - 1.0) < _ROUNDING
    return choice.strings == now


def _multiple(case: Case, factor: float, choice: PanelsChoice | None = None) -> Panels:
    scenario = case.scenario
    stated = choice.price if choice is not None else None
    whole = scenario.sizing.panels_price
    price = whole * factor if stated is None and whole is not None else stated
    if factor <= 0:
        return replace(NO_PANELS, name=(choice and choice.name) or NO_PANELS.name)
    from_weather = scenario.sun is not None and scenario.sun.weather is not None
    if from_weather and abs(factor - 1.0) > _ROUNDING:
        raise ScenarioError(
            f"{case.path}: sizing.panels: {factor:g} times the panels has no wiring, and the sun from weather follows "
            "the wiring; name strings instead of panels_factor"
        )
    return Panels((choice and choice.name) or f"x{factor:g}", factor, None, price)


def _wired(case: Case, choice: PanelsChoice) -> Panels:
    scenario, strings = case.scenario, choice.strings or ()
    watts = rated_w(scenario, strings)
    now_w = rated_w(scenario, scenario.solar.strings if scenario.solar else ())
    factor = watts / now_w if now_w else 1.0
    price = choice.price
    if price is None and scenario.sizing.panels_price is not None and now_w:
        price = scenario.sizing.panels_price * factor
    return Panels(choice.name or f"{watts:,.0f} W", factor, strings, price)


def _check_strings(case: Case, asked: Sequence[PanelsChoice]) -> None:
    solar, sun = case.scenario.solar, case.scenario.sun
    if solar is None:
        raise ScenarioError(
            f"{case.path}: sizing.panels: strings need [solar] with modules and inputs; add it"
        )
    if not solar.strings and sun is not None and sun.weather is None:
        raise ScenarioError(
            f"{case.path}: sizing.panels: strings need [[solar.strings]] that the series of [sun] belongs to; add it"
        )
    modules, inputs = {one.name for one in solar.modules}, {one.name for one in solar.inputs}
    for at, choice in enumerate(asked, 1):
        for each in choice.strings or ():
            for key, name, known in (("module", each.module, modules), ("input", each.input, inputs)):
                if name not in known:
                    raise ScenarioError(
                        f"{case.path}: sizing.panels[{at}].strings.{key}: '{name}' is none of [[solar.{key}s]]: "
                        f"{', '.join(sorted(known))}"
                    )


def pack_counts(case: Case, unit_count: int, most: int | None) -> tuple[int, ...]:
    """Numbers of packs to look at with so many units: each unit as many, from one each on.

    Raises
    ------
    ScenarioError
        If more are asked for than the units take.
    """
    scenario = case.scenario
    units, asked = scenario.units, most or scenario.sizing.most_packs_count
    takes = None if units.most_packs_count is None else units.most_packs_count * unit_count
    largest = max(unit_counts(case))
    if asked is not None and takes is not None and unit_count == largest and asked > takes:
        where = "--packs" if most is not None else "sizing.most_packs_count"
        raise ScenarioError(
            f"{case.path}: {where}: {asked} packs, but {unit_count} unit{'s' if unit_count > 1 else ''} of "
            f"units.most_packs_count = {units.most_packs_count} take {takes}; lower it, or state unit_count = [1, 2]"
        )
    now = scenario.battery.pack_count
    known = max(takes or 0, now) if takes is not None else max(now + 2 * unit_count, 4 * unit_count)
    last = max(asked, now) if asked is not None else max(min(known, MOST_PACKS), now)
    last = min(last, takes) if takes is not None else last
    return tuple(range(unit_count, last + 1, unit_count))


def unit_counts(case: Case) -> tuple[int, ...]:
    """Numbers of units to look at; those of the scenario are always among them."""
    stated = case.scenario.sizing.unit_count or ()
    return tuple(sorted({*stated, case.scenario.units.count}))


class Workshop:
    """Puts homes together from parts; the household's own series are read once.

    Parameters
    ----------
    case : Case
        The home as it is.
    """

    def __init__(self, case: Case) -> None:
        self.case = case
        scenario = case.scenario
        from_weather = scenario.sun is not None and scenario.sun.weather is not None
        bare = {"solar": None, "sun": None if from_weather else scenario.sun}
        self._series = read_series(scenario.model_copy(update=bare), case.path)
        self._sun: dict[Panels, tuple[Series, Scenario]] = {}

    def build(self, parts: Parts) -> Case:
        """Build the home with these parts.

        Raises
        ------
        ScenarioError, SeriesError
            If the parts do not fit together, or cannot carry the load.
        """
        now = self.case.scenario
        series, scenario = self._with_panels(parts.panels)
        battery, units = now.battery, now.units
        if parts.pack_count != battery.pack_count:
            # levels in kWh are those of the packs there are
            kept = {
                name: level if level is None or level.kwh is None else None
                for name in ("start", "closing", "ceiling")
                for level in (getattr(battery, name),)
            }
            battery = battery.model_copy(update={"pack_count": parts.pack_count, **kept})
        if parts.unit_count != units.count:
            legs = units.larger_leg_fraction if parts.unit_count > 1 else None
            units = units.model_copy(update={"count": parts.unit_count, "larger_leg_fraction": legs})
        charging = charging_for(now.charging, parts.pack_count, parts.unit_count)
        scenario = scenario.model_copy(update={"battery": battery, "units": units, "charging": charging})
        path = self.case.path
        return build_case(scenario, resolve_limits(scenario, path), self.case.tariff, series, path)

    def _with_panels(self, panels: Panels) -> tuple[Series, Scenario]:
        if panels not in self._sun:
            self._sun[panels] = self._sun_of(panels)
        return self._sun[panels]

    def _sun_of(self, panels: Panels) -> tuple[Series, Scenario]:
        scenario, series = self.case.scenario, self._series
        if panels.factor <= 0 or scenario.sun is None:
            solar = scenario.solar
            bare = solar.model_copy(update={"strings": ()}) if solar is not None else None
            nothing = np.zeros(len(series.times))
            return replace(series, sun_kwh=nothing), scenario.model_copy(update={"sun": None, "solar": bare})
        if panels.strings is not None and scenario.solar is not None:
            wired = scenario.solar.model_copy(update={"strings": panels.strings})
            scenario = scenario.model_copy(update={"solar": wired})
        notes = list(series.notes)
        panels_kwh = np.asarray(series.sun_kwh * panels.factor)
        sun_kwh = sun_in_device(scenario, self.case.path, panels_kwh, series.times, series.dt_hours, notes)
        return replace(series, sun_kwh=sun_kwh, notes=tuple(notes)), scenario
