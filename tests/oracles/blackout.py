# ruff: noqa: C901, PLR0912, PLR0915, PLR0917 - one story told in order, as one would on paper
"""An outage followed by hand: plain Python from "How an outage is played" in dispatch/README.md.

Written so that it can be checked against paper: one home, one number at a time, sharing no line with the product. Where
the product solves for the moment at which something is switched, this searches for it by halving.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple, cast

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from dispatch.case.case import Case
    from dispatch.flows import Flows


class Missing(NamedTuple):
    """Between two times after the outage began [h], this much critical power was missing [kW]."""

    begin: float
    end: float
    kw: float


class Thing(NamedTuple):
    """A critical appliance: power in every step [kW], rank (1 first), level below which it is off [kWh]."""

    name: str
    kw: list[float]
    rank: float
    below: float


class Engine(NamedTuple):
    """A generator whose fuel is idle + slope x load."""

    kw: float
    idle: float
    slope: float
    tank: float
    start: float
    stop: float


@dataclass
class Blackout:
    """What a naive run came to. Energies in kWh, AC except the sun."""

    level: float
    served: float = 0.0
    sun: float = 0.0
    shed: float = 0.0
    litres: float = 0.0
    running: float = 0.0
    tripped: float = 0.0
    missing: list[Missing] = field(default_factory=list)
    left_off: list[Missing] = field(default_factory=list)
    without: dict[str, float] = field(default_factory=dict)

    @property
    def unserved(self) -> float:
        return sum((m.end - m.begin) * m.kw for m in self.missing)

    @property
    def dark_hours(self) -> float:
        return sum(m.end - m.begin for m in self.missing)

    def expected(self, survival_integral: Callable[[float, float], float]) -> tuple[float, float]:
        """Expected kWh and hours with ∫ P(D > s) ds over each stretch; what is shed is lost energy, not dark hours."""
        dark = [(survival_integral(m.begin, m.end), m.kw) for m in self.missing]
        shed = [survival_integral(m.begin, m.end) * m.kw for m in self.left_off]
        return sum(h * kw for h, kw in dark) + sum(shed), sum(h for h, _ in dark)


class Gone(NamedTuple):
    """Where a battery stands after a while: level, sun (DC) and AC charged, energy out of the cells. [kWh]."""

    level: float
    sun: float
    plug: float
    out: float


def follow(hw: Mapping[str, Any], level: float, sun: float, plug: float, draw: float, hours: float) -> Gone:
    """Let a battery run for a while under even powers [kW]: one phase after the other."""
    loss, tau = hw["self_discharge_per_hour"], hw["taper_hours"]
    by_sun, by_plug = hw["eta_dc"] * sun, hw["eta_charger"] * plug
    took_sun = took_plug = out = 0.0
    while hours > 1e-13:
        room = (hw["full_kwh"] - level) / tau if tau > 0 else math.inf
        tight = room < by_sun + by_plug - 1e-9 / max(tau, 1.0)
        into = min(by_sun + by_plug, room)
        net, given = into - loss * level - draw, draw
        if level >= hw["ceiling_kwh"] - 1e-9 and net > 0:
            into, net = loss * level + draw, 0.0
        elif level <= hw["empty_kwh"] + 1e-9 and net < 0:
            given, net = min(draw, into), 0.0
        if net == 0.0:
            mean_sun = min(by_sun, into)
            took_sun += mean_sun * hours
            took_plug += min(into - mean_sun, by_plug) * hours
            return Gone(level, took_sun / hw["eta_dc"], took_plug / hw["eta_charger"], out + given * hours)
        if not tight and net > 0 and tau > 0 and level >= hw["full_kwh"] - tau * (by_sun + by_plug) - 1e-9:
            tight = by_sun + by_plug > 0
        pull = loss + (1 / tau if tight else 0.0)

        def at(t: float, level: float = level, net: float = net, pull: float = pull) -> float:
            return level + (net * t if pull == 0 else net / pull * (1 - math.exp(-pull * t)))

        ends = [hw["empty_kwh"], hw["ceiling_kwh"]]
        if tau > 0:
            ends += [hw["full_kwh"] - tau * (by_sun + by_plug), hw["full_kwh"] - tau * by_sun]
        length = hours
        for end in ends:
            if (net > 0 and level + 1e-9 < end <= at(length)) or (
                net < 0 and level - 1e-9 > end >= at(length)
            ):
                low, high = 0.0, length
                for _ in range(70):
                    middle = (low + high) / 2
                    low, high = (middle, high) if (at(middle) - end) * net < 0 else (low, middle)
                length = high
        new = at(length)
        if tight:  # ∫ (full - level)/tau dt, from the equation of the level itself
            total = (new - level) + draw * length
            if loss > 0:
                area = (level + net / pull) * length - (new - level) / pull
                total += loss * area
            half = (at(length / 2) + level) / 2
            only_sun = (hw["full_kwh"] - half) / tau <= by_sun or by_plug == 0
            mean_sun = total if only_sun else by_sun * length
            took_sun, took_plug = took_sun + mean_sun, took_plug + total - mean_sun
        else:
            took_sun, took_plug = took_sun + by_sun * length, took_plug + by_plug * length
        out, level, hours = out + draw * length, new, hours - length
    return Gone(level, took_sun / hw["eta_dc"], took_plug / hw["eta_charger"], out)


@dataclass
class Powers:
    """What is wanted and given in a stretch. [kW]."""

    wanted: float
    shed: float
    cut: float
    tripped: bool
    from_engine: float
    sun_ac: float
    sun_left: float
    plug: float
    draw: float


def powers(
    hw: Mapping[str, Any],
    things: list[Thing],
    step: int,
    given: tuple[float, float, float],
    off: set[str],
    engine_kw: float,
) -> Powers:
    """Share out a stretch: critical load, idle draw and sun of the step are ``given``."""
    critical, idle, sun = given
    eta, most, inf = hw["eta_inverter"], hw["inverter_kw"], math.inf
    bypass = inf if hw["bypass_kw"] is None else hw["bypass_kw"]
    cord = inf if hw["ac_input_kw"] is None else hw["ac_input_kw"]
    shed = sum(one.kw[step] for one in things if one.name in off)
    wanted, cut = critical - shed, 0.0

    def share(need: float) -> tuple[float, float]:
        through = min(engine_kw, bypass, cord)
        if engine_kw == 0:
            return 0.0, need
        if hw["switches_whole_load"]:
            return (need, 0.0) if need <= through + 1e-9 else (0.0, need)
        direct = min(need, most, eta * sun)
        return min(need - direct, through), need - min(need - direct, through)

    from_engine, rest = share(wanted + idle)
    if rest > most + 1e-9 and any(one.rank < inf for one in things):
        for one in reversed(things[1:]):
            if rest > most + 1e-9 and one.name not in off:
                cut += one.kw[step]
                from_engine, rest = share(wanted + idle - cut)
    tripped = rest > most + 1e-9
    if tripped:
        from_engine = rest = 0.0
    sun_ac = min(rest, eta * sun)
    left = max(sun - sun_ac / eta, 0.0)
    sun_in = min(left, hw["total_charge_kw"])
    plug = min(hw["grid_charge_kw"], hw["total_charge_kw"] - sun_in, min(engine_kw, cord) - from_engine)
    draw = (rest - sun_ac) / eta / hw["eta_discharge"]
    return Powers(wanted, shed, cut, tripped, from_engine, sun_ac, sun_in, max(plug, 0.0), draw)


def black_out(
    hardware: Mapping[str, Any],
    series: Mapping[str, list[float]],
    dt: float,
    level: float,
    parts: list[tuple[int, float]],
    things: list[Thing] | None = None,
    engine: Engine | None = None,
) -> Blackout:
    """Follow one outage through ``parts``: (step of the data, fraction of it)."""
    hw, things, out = hardware, things or [], Blackout(level)
    fuel, clock, on = engine.tank if engine else 0.0, 0.0, False
    out.without = {one.name: 0.0 for one in things}
    for step, fraction in parts:
        given = tuple(series[name][step] / dt for name in ("critical", "idle", "sun"))
        critical, idle, sun = given
        off = {one.name for one in things if out.level < one.below - 1e-9}
        left, served_before = dt * fraction, out.served
        shed_here = {one.name: 0.0 for one in things}
        for _ in range(500):
            if left <= 1e-12:
                break
            shed = sum(one.kw[step] for one in things if one.name in off)
            need = critical - shed + idle
            dry = out.level <= hw["empty_kwh"] + 1e-9
            able = min(hw["eta_inverter"] * sun, hw["inverter_kw"])
            dark = need > hw["inverter_kw"] + 1e-9 or (dry and need > able + 1e-9)
            if engine:
                low = out.level <= engine.start + 1e-9
                on = (dark or low or (on and out.level < engine.stop - 1e-9)) and fuel > 1e-9
            p = powers(hw, things, step, given, off, engine.kw if engine and on else 0.0)  # type: ignore[arg-type]

            def gone(t: float, p: Powers = p) -> Gone:
                return follow(hw, out.level, p.sun_left, p.plug, p.draw, t)

            falling = gone(min(left, 1e-4)).level < out.level
            now = {one.name for one in things if falling and abs(out.level - one.below) <= 1e-9} - off
            if now:
                off |= now
                continue
            length = left
            heights = [one.below for one in things if one.name not in off]
            if engine:
                heights.append(engine.stop if on else engine.start)
            for height in [*heights, hw["empty_kwh"]]:
                if not math.isfinite(height) or abs(height - out.level) <= 1e-9:
                    continue
                way = 1 if out.level < height else -1

                def met(t: float, height: float = height, way: int = way) -> bool:
                    return (gone(t).level - height) * way >= -1e-13

                if met(length):
                    length = first_time(met, length)
            if engine and on:

                def burnt(t: float, p: Powers = p) -> float:
                    return engine.idle * t + engine.slope * (p.from_engine * t + gone(t).plug)

                def empties(t: float, left: float = fuel) -> bool:
                    return burnt(t) >= left

                if empties(length):
                    length = first_time(empties, length)
                used = min(burnt(length), fuel)
                fuel = 0.0 if fuel - used < 1e-9 else fuel - used
                out.litres, out.running = out.litres + used, out.running + length
            end = gone(length)
            lacking = max(p.draw - end.out / length, 0.0) * hw["eta_inverter"] * hw["eta_discharge"]
            lack = p.wanted if p.tripped else min(p.wanted, p.cut + (lacking if lacking > 1e-9 else 0.0))
            if lack > 1e-9:
                out.missing.append(Missing(clock, clock + length, lack))
            if p.shed > 0:
                out.left_off.append(Missing(clock, clock + length, p.shed))
            for one in things:
                shed_here[one.name] += one.kw[step] * length if one.name in off else 0.0
            out.tripped += length if p.tripped else 0.0
            out.shed += p.shed * length
            out.served += (p.wanted - lack) * length
            out.sun += end.sun + p.sun_ac / hw["eta_inverter"] * length
            snapped = [h for h in [*heights, hw["empty_kwh"]] if abs(h - end.level) < 1e-8]
            out.level = snapped[0] if snapped else end.level
            clock, left = clock + length, left - length
        hand_out(out, things, step, dt * fraction, out.served - served_before, shed_here)
    return out


def hand_out(
    out: Blackout, things: list[Thing], step: int, hours: float, served: float, shed: Mapping[str, float]
) -> None:
    """Give what a step served to the appliances in order of rank; those of one rank share alike."""
    for rank in sorted({one.rank for one in things}):
        group = [one for one in things if one.rank == rank]
        asked = sum(one.kw[step] * hours - shed[one.name] for one in group)
        share = min(served / asked, 1.0) if asked > 1e-9 else 0.0
        served -= asked * share
        for one in group:
            want = one.kw[step] * hours
            lacking = want - (want - shed[one.name]) * share
            out.without[one.name] += lacking / want * hours if lacking > 1e-9 * want and want > 1e-9 else 0.0


def first_time(happens: Callable[[float], bool], latest: float) -> float:
    """Halve until the moment something has happened is known to a billionth."""
    low, high = 0.0, latest
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (low, middle) if happens(middle) else (middle, high)
    return high


def plain(case: Case) -> tuple[dict[str, Any], dict[str, list[float]]]:
    """A case as plain numbers."""
    series = {
        "critical": case.critical_kwh.tolist(),
        "idle": case.idle_kwh.tolist(),
        "sun": case.sun_kwh.tolist(),
    }
    return dict(vars(case.limits)), series


def parts_of(count: int, dt: float, first: int, offset: float, hours: float) -> list[tuple[int, float]]:
    """Cut an outage of ``hours`` that begins ``offset`` hours into a step along the steps of the data."""
    found, left, step, room = [], hours, first, dt - offset
    while left > 1e-9:
        taken = min(room, left)
        found.append((step % count, taken / dt))
        left, step, room = left - taken, step + 1, dt
    return found


class Plan:
    """Stands in for a strategy's flows: a name and a level at the end of every step."""

    def __init__(
        self, case: Case, stored: list[float], name: str = "plan", *, has_system: bool = True
    ) -> None:
        self.case, self.name, self.has_system = case, name, has_system
        self._stored = np.array(stored, dtype=float)

    def __getitem__(self, name: str) -> np.ndarray[Any, np.dtype[np.float64]]:
        assert name == "stored"
        return self._stored

    def stored_before_kwh(self) -> np.ndarray[Any, np.dtype[np.float64]]:
        return np.concatenate([[self.case.limits.start_kwh], self._stored[:-1]])


def plan(case: Case, stored: list[float], **more: Any) -> Flows:  # noqa: ANN401 - passed on
    return cast("Flows", Plan(case, stored, **more))


def instant(case: Case, first: int, offset: float) -> str:
    """Name an instant of the data so that no clock change can confuse it."""
    moment = case.times[first] + pd.Timedelta(seconds=round(offset * 3600))
    return str(moment.isoformat())
