"""What the parts of a home do: what limits charging, time to full and runtimes for each number of packs.

::

    runtime = usable·η_discharge·η_inverter / (watts + idle)        0 where the inverter does not carry it

With two units in series each leg lives on its own packs: a 120 V appliance draws on half of them, a load spread over
the legs lasts until the more loaded one is empty.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dispatch.case.transfer import TransferGap, transfer_gap
from dispatch.equipment.strings import Verdict, judge_strings
from dispatch.errors import ScenarioError
from dispatch.sizing.bench import ToFull, bench, to_full, with_packs
from tariffs.reading.refusals import problem_report

if TYPE_CHECKING:
    from dispatch.case.case import Case
    from dispatch.case.limits import Limits
    from dispatch.scenario.model import Appliance


MOST_ROWS = 12
"""Numbers of packs looked at."""

HOURS_PER_DAY = 24.0

MOST_HOURS = 8760.0
"""No runtime beyond a year is told."""


@dataclass(frozen=True)
class AtPacks:
    """The device with one number of packs.

    Attributes
    ----------
    count : int
    usable_kwh : float
    charge_w : dict of str to float
        Power at the inputs by source: "grid", "sun", "grid and sun". [W]
    limited_by : dict of str to str
        What limits it, in the file's names.
    full : tuple of ToFull
        Charging from empty, by source.
    is_beyond_table : bool
        The charging table ends before this number: its last entry is a lower bound.
    """

    count: int
    usable_kwh: float
    charge_w: dict[str, float]
    limited_by: dict[str, str]
    full: tuple[ToFull, ...]
    is_beyond_table: bool


@dataclass(frozen=True)
class Runtime:
    """How long something runs from a full battery, by number of packs.

    Attributes
    ----------
    name : str
    watts : float
        While it runs, all of its kind. [W]
    mean_w : float
        Over the day, as used. [W]
    starting_w : float or None
        Most it draws for a moment as it starts, all else of it running; None = not stated. [W]
    is_carried : bool
        Whether the inverter holds it.
    starts : bool or None
        Whether the inverter's surge starts it; None = not known.
    one_leg_is_too_small : bool
        With two units: more than one of them holds, so only a 240 V appliance runs.
    hours, hours_as_used : dict of int to float
        By number of packs: running all the time, and with its daily hours. [h]
    """

    name: str
    watts: float
    mean_w: float
    starting_w: float | None
    is_carried: bool
    starts: bool | None
    one_leg_is_too_small: bool
    hours: dict[int, float]
    hours_as_used: dict[int, float]


@dataclass(frozen=True)
class Hardware:
    """The whole of ``dispatch hardware``.

    Attributes
    ----------
    name : str
    limits : Limits
        With the packs there are.
    pack_count, unit_count : int
    most_packs_count : int or None
    packs : tuple of AtPacks
        Rising number of packs, those there are among them.
    strings : tuple of Verdict
    sun_kw : float
        Sun the charging times are worked out with: the strings in full sun, else the best step of the data. [kW]
    runtimes : tuple of Runtime
        Appliances, combinations asked for, everything critical at once, everything listed at once.
    transfer : TransferGap or None
        What the time to take over does; None where it is not stated.
    dc_inputs : tuple of (str, float, float, float)
        Name, volts, watts, hours to full from it alone.
    outputs_off_saves_kwh_per_day : float
    """

    name: str
    limits: Limits
    pack_count: int
    unit_count: int
    most_packs_count: int | None
    packs: tuple[AtPacks, ...]
    strings: tuple[Verdict, ...]
    sun_kw: float
    runtimes: tuple[Runtime, ...]
    transfer: TransferGap | None
    dc_inputs: tuple[tuple[str, float, float, float], ...]
    outputs_off_saves_kwh_per_day: float

    def at(self, count: int) -> AtPacks | None:
        """Return the device with this number of packs, if it was looked at."""
        return next((row for row in self.packs if row.count == count), None)


def hardware(case: Case) -> Hardware:
    """Work out what the parts of a case do.

    Parameters
    ----------
    case : Case

    Raises
    ------
    ScenarioError
        If a combination names an appliance there is not, or the strings are dangerous.
    """
    solar = case.scenario.solar
    strings = judge_strings(solar, case.path) if solar is not None else ()
    sun_kw = sum(v.used_w for v in strings) / 1000.0
    if not strings and case.sun_kwh.size:
        sun_kw = float(case.sun_kwh.max()) / case.dt_hours
    cases = _by_packs(case)
    usable = {count: _usable_ac_kwh(one.limits) for count, one in cases.items()}
    limits = case.limits
    into_kwh = (limits.ceiling_kwh - limits.empty_kwh) / limits.eta_dc
    dc_inputs, table = case.scenario.charging.dc_inputs, case.scenario.charging.combined_w
    return Hardware(
        name=case.name,
        limits=limits,
        pack_count=case.scenario.battery.pack_count,
        unit_count=case.scenario.units.count,
        most_packs_count=case.scenario.units.most_packs_count,
        packs=tuple(_at_packs(one, count, sun_kw, table) for count, one in cases.items()),
        strings=strings,
        sun_kw=sun_kw,
        runtimes=tuple(_runtimes(case, usable)),
        transfer=transfer_gap(case),
        dc_inputs=tuple(
            (one.name, one.input_v, one.most_w, into_kwh / one.most_w * 1000.0) for one in dc_inputs
        ),
        outputs_off_saves_kwh_per_day=(limits.idle_on_kw - limits.idle_off_kw) * HOURS_PER_DAY,
    )


def _by_packs(case: Case) -> dict[int, Case]:
    """Make cases by number of packs: from the fewest the units take to the most, and at least one more than now."""
    scenario = case.scenario
    units, now = scenario.units, scenario.battery.pack_count
    table = scenario.charging.combined_w
    known = len(table) * units.count if isinstance(table, tuple) else now + units.count
    most = units.most_packs_count * units.count if units.most_packs_count else max(known, now + units.count)
    counts = list(range(units.count, most + 1, units.count))
    if len(counts) > MOST_ROWS:
        place = counts.index(now)
        first = min(max(place - MOST_ROWS // 2, 0), len(counts) - MOST_ROWS)
        counts = counts[first : first + MOST_ROWS]
    return {count: case if count == now else with_packs(case, count) for count in counts}


def _usable_ac_kwh(limits: Limits) -> float:
    """AC energy a full battery gives. [kWh]."""
    return (limits.ceiling_kwh - limits.empty_kwh) * limits.eta_discharge * limits.eta_inverter


def _at_packs(case: Case, count: int, sun_kw: float, table: float | tuple[float, ...] | None) -> AtPacks:
    limits = case.limits
    inputs = {
        "grid": min(limits.grid_charge_kw, limits.ac_input_kw or np.inf, limits.import_limit_kw or np.inf),
        "sun": min(sun_kw, limits.solar_input_kw),
    }
    inputs["grid and sun"] = inputs["grid"] + inputs["sun"]
    names = {
        "grid": min(
            (limits.grid_charge_kw, "charging.grid_w"),
            (limits.ac_input_kw or np.inf, "charging.ac_input_w"),
            (limits.import_limit_kw or np.inf, "grid.import_limit_kw"),
        )[1],
        "sun": "the panels" if sun_kw <= limits.solar_input_kw else "charging.solar_w",
        "grid and sun": "both together",
    }
    sources = ["grid"] if inputs["sun"] <= 0 else list(inputs)
    power = {source: min(inputs[source], limits.total_charge_kw) for source in sources}
    named = {
        source: names[source] if inputs[source] <= limits.total_charge_kw + 1e-12 else "charging.combined_w"
        for source in sources
    }
    on_bench = bench(case, sun_kw=sun_kw)
    return AtPacks(
        count=count,
        usable_kwh=limits.ceiling_kwh - limits.empty_kwh,
        charge_w={source: 1000.0 * kw for source, kw in power.items()},
        limited_by=named,
        full=tuple(to_full(on_bench, source) for source in sources),
        is_beyond_table=isinstance(table, tuple) and count > len(table) * case.scenario.units.count,
    )


# ---- runtimes ----------------------------------------------------------------------------------------------
def _runtimes(case: Case, usable_kwh: dict[int, float]) -> list[Runtime]:
    critical = _appliances(case, critical_only=True)
    known = {appliance.name: appliance for appliance in _appliances(case)}
    found = [_runtime(case, usable_kwh, appliance.name, (appliance,)) for appliance in known.values()]
    problems = []
    for at, combination in enumerate(case.scenario.combinations, 1):
        missing = [name for name in combination.appliances if name not in known]
        if missing:
            have = ", ".join(known) or "none: list appliances under [load] or [critical_load]"
            problems.append(f"combinations[{at}].appliances: no appliance '{missing[0]}'; there are {have}")
            continue
        chosen = tuple(known[name] for name in combination.appliances)
        found.append(_runtime(case, usable_kwh, combination.name, chosen))
    if problems:
        raise ScenarioError(problem_report(case.path, problems))
    if len(critical) > 1:
        found.append(_runtime(case, usable_kwh, "all critical at once", tuple(critical)))
    elif not critical:
        found.append(_mean_critical(case, usable_kwh))
    if len(known) > max(len(critical), 1):
        found.append(_runtime(case, usable_kwh, "everything at once", tuple(known.values())))
    return found


def _appliances(case: Case, *, critical_only: bool = False) -> list[Appliance]:
    scenario = case.scenario
    loads = [scenario.critical_load] if critical_only else [scenario.critical_load, scenario.load]
    listed = [appliance for load in loads if load is not None for appliance in load.appliances or ()]
    return list({appliance.name: appliance for appliance in reversed(listed)}.values())[::-1]


def _runtime(case: Case, usable_kwh: dict[int, float], name: str, chosen: tuple[Appliance, ...]) -> Runtime:
    watts = sum(a.watts * a.count for a in chosen)
    mean_w = sum(a.watts * a.count * a.hours_per_day / HOURS_PER_DAY for a in chosen)
    steps_up = [max(a.starting_w - a.watts, 0.0) for a in chosen if a.starting_w is not None]
    starting_w = watts + max(steps_up) if steps_up else None
    starts = None if starting_w is None else _starts(case, chosen, watts)
    largest_w = max(a.watts for a in chosen)
    one_leg = case.scenario.units.count > 1 and largest_w > case.scenario.inverter.continuous_w
    drawn = _Drawn(name, watts, mean_w, _leg_share(case, chosen))
    return _lasting(case, usable_kwh, drawn, starting_w=starting_w, starts=starts, one_leg=one_leg)


def _starts(case: Case, chosen: tuple[Appliance, ...], watts: float) -> bool | None:
    """Tell whether every appliance starts while all the others run: on its own leg where there are two."""
    inverter, units = case.scenario.inverter, case.scenario.units
    if inverter.surge_w is None:
        return None
    for one in chosen:
        if one.starting_w is None:
            continue
        on_leg_w = one.starting_w
        if units.count > 1 and one.watts > inverter.continuous_w:
            on_leg_w = one.starting_w / units.count  # a 240 V appliance stands on both
        beside_w = (watts - one.watts) / units.carried_count
        if on_leg_w + beside_w + inverter.idle_on_w > inverter.surge_w + 1e-9:
            return False
    return True


@dataclass(frozen=True)
class _Drawn:
    """What a runtime is asked for: power while all of it runs and over the day, and its share of the legs."""

    name: str
    watts: float
    mean_w: float
    leg_share: float


def _mean_critical(case: Case, usable_kwh: dict[int, float]) -> Runtime:
    powers_w = 1000.0 * case.critical_kwh / case.dt_hours
    drawn = _Drawn("critical load", float(powers_w.max()), float(powers_w.mean()), _leg_share(case, ()))
    return _lasting(case, usable_kwh, drawn, starting_w=None, starts=None, one_leg=False)


def _lasting(  # noqa: PLR0913 - what is known of it
    case: Case,
    usable_kwh: dict[int, float],
    drawn: _Drawn,
    *,
    starting_w: float | None,
    starts: bool | None,
    one_leg: bool,
) -> Runtime:
    idle_w = 1000.0 * case.limits.idle_on_kw
    is_carried = drawn.watts + idle_w <= 1000.0 * case.limits.inverter_kw + 1e-9

    def hours(watts: float) -> dict[int, float]:
        if not is_carried:
            return dict.fromkeys(usable_kwh, 0.0)
        draw_w = drawn.leg_share * watts + idle_w
        most = MOST_HOURS if draw_w <= 0 else min(MOST_HOURS, 1000.0 * min(usable_kwh.values()) / draw_w)
        if most >= MOST_HOURS:
            return dict.fromkeys(usable_kwh, MOST_HOURS)
        return {n: 1000.0 * kwh / draw_w for n, kwh in usable_kwh.items()}

    return Runtime(
        name=drawn.name,
        watts=drawn.watts,
        mean_w=drawn.mean_w,
        starting_w=starting_w,
        is_carried=is_carried,
        starts=starts,
        one_leg_is_too_small=one_leg,
        hours=hours(drawn.watts),
        hours_as_used=hours(drawn.mean_w),
    )


def _leg_share(case: Case, chosen: tuple[Appliance, ...]) -> float:
    """Tell how many times a load spread over the legs as stated would draw as much as this: 1 with one unit."""
    units = case.scenario.units
    if units.count > 1 and len(chosen) == 1 and chosen[0].watts <= case.scenario.inverter.continuous_w:
        return units.carried_count  # a 120 V appliance stands on one leg
    return 1.0
