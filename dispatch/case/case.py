"""A scenario resolved to arrays: what every later layer takes.

``load_scenario`` reads the scenario, its series and its tariff, and refuses everything that can be known
to be wrong before a program is solved.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

import tariffs
from dispatch.case.floor import Ground, floor_of
from dispatch.case.limits import Limits, clip_sun, resolve_limits, serving_limit_kw, usable_share
from dispatch.case.origin import inputs_of
from dispatch.case.series import Series, read_series
from dispatch.case.slips import slips_of
from dispatch.equipment.cold import cold_notes, may_charge, monthly_temperature_c, usable_fraction
from dispatch.errors import ScenarioError, SeriesError
from dispatch.formats import format_kwh
from dispatch.scenario.fields import TYPICAL
from dispatch.scenario.load import read_scenario
from dispatch.scenario.model import Reserve
from tariffs.meter import NONE_BESIDE, OtherReadings
from tariffs.reading.refusals import missing_file

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from dispatch.arrays import Floats
    from dispatch.scenario.model import Scenario
    from tariffs.slips import Slip


_ROUNDING_KWH = 1e-9
"""Energies of one step closer than this are equal."""

Measure = Literal["percent", "hours", "kwh"]
"""What a reserve is counted in."""


@dataclass(frozen=True)
class Case:
    """One home over one span, ready to be solved.

    Attributes
    ----------
    path : Path
        The scenario file.
    name, currency : str
        What the report calls the home; ISO 4217 code of its money.
    scenario : Scenario
        The file as written.
    limits : Limits
        What the hardware allows.
    tariff : tariffs.Tariff
        The tariff as written.
    prices : tariffs.PricedSteps
        The tariff on this grid.
    times : pandas.DatetimeIndex, shape (n,)
        Start of each step, tz-aware on the site's clock, regular in real time.
    dt_hours : float
        Length of a step. [h]
    load_kwh, other_kwh, critical_kwh, idle_kwh : ndarray of float, shape (n,)
        Energy drawn in each step by the served circuits, the rest of the house, the circuits that must
        run in an outage, and the system itself (AC). [kWh]
    sun_kwh : ndarray of float, shape (n,)
        What the panels can deliver in each step (DC), after clipping to the solar input. [kWh]
    floor_kwh : ndarray of float, shape (n,)
        Level to be kept at the end of each step: the reserve, at least ``limits.empty_kwh``. [kWh]
    clipped_sun_kwh : float
        Sun lost to the limit of the solar input, over the whole span. [kWh]
    floor_capped_steps : ndarray of bool, shape (n,)
        Where a reserve in hours asks for more than the ceiling and was capped there.
    may_charge : ndarray of bool, shape (n,)
        Where the packs are warm enough to be charged. Elsewhere nothing charges them but what self-discharge takes
        from an empty battery.
    notes : tuple of str
        What was left out, clipped, capped or wrapped, to be told to the reader.
    others : OtherReadings
        What the tariff's registers beside the main meter count; no strategy changes it.
    slips : tuple of Slip
        What looks wrong in the files as they were read.
    inputs : str
        SHA-256 of what was read: see :func:`dispatch.case.origin.inputs_of`.

    Notes
    -----
    The arrays are read-only.
    """

    path: Path
    name: str
    currency: str
    scenario: Scenario
    limits: Limits
    tariff: tariffs.Tariff
    prices: tariffs.PricedSteps
    times: pd.DatetimeIndex
    dt_hours: float
    load_kwh: Floats
    other_kwh: Floats
    critical_kwh: Floats
    sun_kwh: Floats
    idle_kwh: Floats
    floor_kwh: Floats
    clipped_sun_kwh: float
    floor_capped_steps: NDArray[np.bool_]
    may_charge: NDArray[np.bool_]
    notes: tuple[str, ...]
    others: OtherReadings = NONE_BESIDE
    slips: tuple[Slip, ...] = ()
    inputs: str = ""

    def at_reserve(self, measure: Measure, amount: float) -> Case:
        """Return the case as the file would give it with this reserve, the file's raised times on top.

        Parameters
        ----------
        measure : {"percent", "hours", "kwh"}
        amount : float
            Percent of nominal, hours of critical load (no sun counted), or kWh.

        Raises
        ------
        ScenarioError
            If the reserve is more than the battery may hold.
        """
        stated = self.scenario.reserve
        raised = stated.raised if stated is not None else ()
        none_wanted = measure == "hours" and amount <= 0
        reserve = (
            Reserve(kwh=0.0, raised=raised) if none_wanted else Reserve(raised=raised, **{measure: amount})
        )
        floor = floor_of(reserve, self.ground, self.path)
        limits = start_on_floor(self.scenario, self.hardware, float(floor.level_kwh[0]))
        return replace(
            self,
            scenario=self.scenario.model_copy(update={"reserve": reserve}),
            limits=limits,
            floor_kwh=floor.level_kwh,
            floor_capped_steps=floor.capped,
        )

    def starting_at(self, level_kwh: float) -> Case:
        """Return the case begun, and meant to be closed, at a level. [kWh]."""
        return replace(self, limits=replace(self.limits, start_kwh=level_kwh, closing_kwh=level_kwh))

    def under(self, tariff: tariffs.Tariff) -> Case:
        """Put the household under another tariff.

        Raises
        ------
        TariffError
            If its currency is another, or it does not cover the data.
        """
        if tariff is self.tariff:
            return self
        if tariff.currency != self.currency:
            raise tariffs.TariffError(
                f"{tariff.source}: currency: is in '{tariff.currency}', the household's money in '{self.currency}'"
            )
        return replace(
            self, tariff=tariff, prices=tariffs.price_steps(tariff, self.times, self.dt_hours, self.others)
        )

    @property
    def ground(self) -> Ground:
        """What a floor is computed from."""
        return Ground(self.limits, self.times, self.dt_hours, self.critical_kwh, self.sun_kwh)

    @property
    def hardware(self) -> Limits:
        """The limits as the file states them, before a reserve or a start was changed."""
        return resolve_limits(self.scenario, self.path, usable_share(self.scenario, self.limits))

    def __post_init__(self) -> None:
        """Lock the arrays: a case is shared by all strategies."""
        for name, array in list(vars(self).items()):
            if isinstance(array, np.ndarray):
                locked = array.view()
                locked.flags.writeable = False
                object.__setattr__(self, name, locked)


def load_scenario(path: str | Path) -> Case:
    """Read a scenario file and everything it names.

    Parameters
    ----------
    path : str or Path
        The scenario's TOML file; the files it names are relative to it.

    Raises
    ------
    ScenarioError
        If the scenario file or a setting cannot be used.
    SeriesError
        If a series does not fit the grid, or the load is more than the system can ever carry.
    tariffs.TariffError
        If the tariff file cannot be used or does not price every step.
    """
    path = Path(path)
    scenario = read_scenario(path)
    limits = resolve_limits(scenario, path)
    tariff = _read_tariff(scenario, path)
    series = read_series(scenario, path)
    return build_case(scenario, limits, tariff, series, path)


def build_case(
    scenario: Scenario, limits: Limits, tariff: tariffs.Tariff, series: Series, path: Path
) -> Case:
    """Put scenario, tariff and series together; see :func:`load_scenario` for what is refused.

    Parameters
    ----------
    scenario : Scenario
    limits : Limits
        Of that scenario.
    tariff : tariffs.Tariff
    series : Series
        Loads and unclipped sun, kWh per step.
    path : Path
        What messages call the scenario.
    """
    times, dt_hours = series.times, series.dt_hours
    battery_c, place = _battery_c(scenario, series), scenario.surroundings
    if place is not None:
        coldest = float(usable_fraction(place, battery_c.min())[0])
        limits = resolve_limits(scenario, path, coldest)
    idle_kwh = np.full(len(times), limits.idle_on_kw * dt_hours)
    sun_kwh = clip_sun(series.sun_kwh, limits, dt_hours)
    if limits.self_discharge_per_hour * dt_hours >= 1.0:
        field = "battery.self_discharge_per_hour_fraction"
        raise ScenarioError(f"{path}: {field}: empties the battery within one step; lower it")
    _check_load_can_be_carried(series, idle_kwh, limits, path)
    ground = Ground(limits, times, dt_hours, series.critical_kwh, sun_kwh)
    floor = floor_of(scenario.reserve, ground, path)
    limits = start_on_floor(scenario, limits, float(floor.level_kwh[0]))
    clipped_sun_kwh = float((series.sun_kwh - sun_kwh).sum())
    others = OtherReadings(registers=series.registers)
    return Case(
        path=path,
        name=_title(scenario),
        currency=scenario.site.currency,
        scenario=scenario,
        limits=limits,
        tariff=tariff,
        prices=tariffs.price_steps(tariff, times, dt_hours, others),
        times=times,
        dt_hours=dt_hours,
        load_kwh=series.load_kwh,
        other_kwh=series.other_kwh,
        critical_kwh=series.critical_kwh,
        sun_kwh=sun_kwh,
        idle_kwh=idle_kwh,
        floor_kwh=floor.level_kwh,
        clipped_sun_kwh=clipped_sun_kwh,
        floor_capped_steps=floor.capped,
        may_charge=np.ones(len(times), dtype=bool) if place is None else may_charge(place, battery_c),
        others=others,
        notes=(
            *series.notes,
            *([] if place is None else cold_notes(place, battery_c, dt_hours)),
            *_clock_notes(scenario, tariff),
            *_sun_notes(series, sun_kwh, limits),
            *floor.notes,
            *_level_notes(limits, floor.level_kwh),
            *_leg_notes(scenario),
        ),
        slips=slips_of(scenario, tariff, series),
        inputs=inputs_of(scenario, tariff, series),
    )


def _title(scenario: Scenario) -> str:
    """Return the home's name as every screen shows it: one that rests on a typical load says so."""
    typical = (scenario.load.column or "").startswith(TYPICAL)
    return f"{scenario.name} (typical load, not measured)" if typical else scenario.name


def _battery_c(scenario: Scenario, series: Series) -> Floats:
    """Temperature of the packs in each step, shape (n,); mild where the scenario says nothing. [C]."""
    place = scenario.surroundings
    if series.battery_c is not None:
        return series.battery_c
    if place is None or place.monthly_c is None:
        return np.full(len(series.times), 20.0)
    return monthly_temperature_c(place, series.times)


def start_on_floor(scenario: Scenario, limits: Limits, first_floor_kwh: float) -> Limits:
    """Raise a start that the file leaves open to the reserve, and an open closing level with it.

    Parameters
    ----------
    scenario : Scenario
    limits : Limits
        As resolved from the hardware alone.
    first_floor_kwh : float
        Reserve at the end of the first step. [kWh]
    """
    battery = scenario.battery
    if battery.start is not None or limits.start_kwh >= first_floor_kwh:
        return limits
    closing_kwh = first_floor_kwh if battery.closing is None else limits.closing_kwh
    return replace(limits, start_kwh=first_floor_kwh, closing_kwh=closing_kwh)


def _read_tariff(scenario: Scenario, path: Path) -> tariffs.Tariff:
    tariff_path = path.parent / scenario.tariff
    if not tariff_path.is_file():
        raise ScenarioError(f"{path}: tariff: '{scenario.tariff}': {missing_file(tariff_path)}")
    tariff = tariffs.load_tariff(tariff_path)
    if tariff.currency != scenario.site.currency:
        raise ScenarioError(
            f"{path}: site.currency: '{scenario.site.currency}', but the tariff {tariff_path} is in "
            f"'{tariff.currency}'; write the same currency in both, or name another tariff"
        )
    return tariff


def _check_load_can_be_carried(series: Series, idle_kwh: Floats, limits: Limits, path: Path) -> None:
    """Refuse a load that bypass and inverter cannot carry whatever battery and sun do."""
    most_kw = serving_limit_kw(limits)
    power_kw = (series.load_kwh + idle_kwh) / series.dt_hours
    over = np.flatnonzero(power_kw > most_kw + _ROUNDING_KWH / series.dt_hours)
    if not len(over):
        return
    at = int(over[np.argmax(power_kw[over])])
    source = str(path)
    where = f"load at {series.times[at].isoformat(timespec='minutes')}"
    if series.load_path is not None and series.load_lines is not None:
        source = str(series.load_path)
        where = f"line {series.load_lines[at]} ({series.times[at].isoformat(timespec='minutes')})"
    how = "or" if limits.switches_whole_load else "and"
    raise SeriesError(
        f"{source}: {where}: load and idle draw together are {power_kw[at]:.4g} kW, more than the "
        f"{most_kw:.4g} kW that bypass {how} inverter can carry ({len(over):,} such steps, this is the "
        f"largest); {_raise_what(limits, float(power_kw[at]))}, or move circuits to other_load"
    )


def _raise_what(limits: Limits, needed_kw: float) -> str:
    """Say to what the inverter, or the way around it, would have to rise to carry a load."""
    ways = {"inverter.bypass_w": limits.bypass_kw, "charging.ac_input_w": limits.ac_input_kw}
    through_kw = min(kw for kw in ways.values() if kw is not None)
    inverter_kw, way_kw = needed_kw, needed_kw
    if not limits.switches_whole_load:
        inverter_kw, way_kw = needed_kw - through_kw, needed_kw - limits.inverter_kw
    narrow = " and ".join(name for name, kw in ways.items() if kw is not None and kw < way_kw)
    rise_kw = inverter_kw - limits.inverter_kw
    return (
        f"raise inverter.continuous_w by {_watts_up(rise_kw)} W to {_watts_up(inverter_kw)} W, or {narrow} "
        f"to {_watts_up(way_kw)} W"
    )


def _watts_up(power_kw: float) -> str:
    """Write a power in whole watts, rounded up, so that entering it is enough."""
    return f"{np.ceil(power_kw * 1000.0 - 1e-6):,.0f}"


def _sun_notes(series: Series, sun_kwh: Floats, limits: Limits) -> list[str]:
    clipped = series.sun_kwh > sun_kwh
    if not clipped.any():
        return []
    lost_kwh, all_kwh = float((series.sun_kwh - sun_kwh).sum()), float(series.sun_kwh.sum())
    note = (
        f"sun: {format_kwh(lost_kwh)} of {format_kwh(all_kwh)} lie above the solar input "
        f"({limits.solar_input_kw * 1000:,.6g} W) and are lost, in {clipped.sum() * series.dt_hours:,.6g} h"
    )
    return [note]


def _level_notes(limits: Limits, floor_kwh: Floats) -> list[str]:
    notes = []
    for name, level_kwh, floor in (
        ("start", limits.start_kwh, floor_kwh[0]),
        ("closing", limits.closing_kwh, floor_kwh[-1]),
    ):
        if level_kwh < floor - _ROUNDING_KWH:
            notes.append(
                f"battery.{name}: {level_kwh:.4g} kWh is below the reserve of {floor:.4g} kWh at that moment"
            )
    return notes


def _clock_notes(scenario: Scenario, tariff: tariffs.Tariff) -> list[str]:
    if tariff.time_zone is None or tariff.time_zone == scenario.site.time_zone:
        return []
    return [f"tariff: its windows follow the clock of {tariff.time_zone}, not of {scenario.site.time_zone}"]


def _leg_notes(scenario: Scenario) -> list[str]:
    """Say what two units in series take for granted."""
    units = scenario.units
    if units.count == 1:
        return []
    percent = 100.0 / units.carried_count
    legs = f"two legs with packs of their own; {percent:.3g} % of the load is taken to stand on one leg"
    return [f"units: two in series make {legs}, and when that leg is empty the battery counts as empty"]
