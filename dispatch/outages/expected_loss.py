"""Outages in the terms of IEEE 1366, and the critical load expected not to be served in a year.

::

    SAIFI = Σ customers interrupted / customers served            interruptions a year
    SAIDI = Σ duration · customers interrupted / customers served  hours a year
    CAIDI = SAIDI / SAIFI                                          hours an interruption
    ASAI  = 1 - SAIDI / hours of the period

Only sustained interruptions count: longer than five minutes.

An outage begins at the end of step t with the probability its month and hour have (or any step alike), and lasts
D. What it leaves unserved follows one path whatever D turns out to be, so with u the critical power not served s
hours after it began and S(s) = P(D > s)::

    E[unserved] = ∫ u(s)·S(s) ds        exactly: u is constant on every stretch of a step

All starts are followed together, a step of the outage at a time. With exponential durations the integral beyond
the horizon has a closed form: what the battery then holds carries the load that follows (no more sun, no
generator, no self-discharge, no shedding), and after that all critical load is unserved. Both are sums over the
periodic year, discounted by exp(-dt/mean) a step. Only what can be delivered counts as served: while more is wanted
than the inverter holds, what :mod:`dispatch.outages.island` then leaves dark is lost.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from dispatch.outages.island import Island
from dispatch.outages.level import DUST_KWH
from dispatch.outages.overload import DUST_KW
from dispatch.scenario.outages import SUSTAINED_MINUTES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from dispatch.arrays import Floats
    from dispatch.case.case import Case
    from dispatch.flows import Flows
    from dispatch.outages.island import Stretch
    from dispatch.scenario.outages import Outages


HORIZON_HOURS = 72.0
MEANS_FOLLOWED = 12.0
"""Beyond twelve mean durations 6 in a million exponential outages go on."""

HOURS_PER_YEAR = 8760.0


@dataclass(frozen=True)
class Indices:
    """IEEE 1366 indices of a set of interruptions; durations in hours."""

    saifi: float
    saidi_hours: float
    caidi_hours: float
    asai_fraction: float


def indices(
    minutes: Sequence[float], customers: Sequence[int], served: int, period_hours: float = HOURS_PER_YEAR
) -> Indices:
    """Work out the indices of a list of interruptions.

    Parameters
    ----------
    minutes : sequence of float
        Duration of each; those of five minutes and less are momentary and left out. [min]
    customers : sequence of int
        Customers each interrupted.
    served : int
        Customers served in all.
    period_hours : float
        Length of the period they were counted in. [h]

    References
    ----------
    .. [1] IEEE Std 1366, "IEEE Guide for Electric Power Distribution Reliability Indices".
    """
    counted = [(m / 60.0, c) for m, c in zip(minutes, customers, strict=True) if m > SUSTAINED_MINUTES]
    saifi = sum(c for _, c in counted) / served
    saidi = sum(h * c for h, c in counted) / served
    return Indices(saifi, saidi, saidi / saifi if saifi else 0.0, 1.0 - saidi / period_hours)


@dataclass(frozen=True)
class Rates:
    """How often and how long, for one home.

    Attributes
    ----------
    saifi_per_year, caidi_hours : float
        Sustained outages a year, and their mean length. [h]
    fixed_hours : tuple of float
        The lengths, equally likely; empty: exponential around the mean. [h]
    momentary : int
        Outages of the list that were too short to count.
    """

    saifi_per_year: float
    caidi_hours: float
    fixed_hours: tuple[float, ...]
    momentary: int = 0

    @property
    def saidi_hours(self) -> float:
        """Hours without the grid in a year."""
        return self.saifi_per_year * self.caidi_hours

    def held(self, begin: Floats, end: Floats) -> Floats:
        """Integrate the chance that an outage still lasts, P(D > s), from begin to end, elementwise. [h]."""
        if not self.fixed_hours:
            mean = self.caidi_hours
            return mean * (np.exp(-begin / mean) - np.exp(-end / mean))
        total = np.zeros(np.broadcast(begin, end).shape)
        for hours in self.fixed_hours:
            total += np.clip(np.minimum(end, hours) - begin, 0.0, None)
        return total / len(self.fixed_hours)


def rates_of(outages: Outages) -> Rates:
    """Resolve the scenario's outage statistics."""
    if outages.past is not None:
        hours = tuple(o.minutes / 60.0 for o in outages.past if o.minutes > SUSTAINED_MINUTES)
        mean = sum(hours) / len(hours)
        fixed = {"exponential": (), "fixed": (mean,)}.get(outages.durations or "past", hours)
        years = outages.years_observed or 1.0
        return Rates(len(hours) / years, mean, fixed, len(outages.past) - len(hours))
    mean = outages.caidi_hours or 0.0
    return Rates(outages.saifi_per_year or 0.0, mean, (mean,) if outages.durations == "fixed" else ())


@dataclass(frozen=True)
class ExpectedLoss:
    """What a year of outages is expected to cost one strategy.

    Attributes
    ----------
    strategy : str
    unserved_kwh, unserved_hours : float
        Critical energy not served (what is shed on purpose included), and hours in which some of it is missing
        (what is shed not counted), in a year.
    per_outage_kwh, per_outage_hours : float
        The same for one outage.
    beyond_horizon_kwh : float
        Share of ``unserved_kwh`` that lies beyond the horizon, where neither sun nor generator is counted.
    money : float or None
        ``unserved_kwh`` at the stated value of lost load; None where none is stated.
    """

    strategy: str
    unserved_kwh: float
    unserved_hours: float
    per_outage_kwh: float
    per_outage_hours: float
    beyond_horizon_kwh: float
    money: float | None


def start_weights(case: Case, outages: Outages) -> Floats:
    """Tell how likely an outage begins at the end of each step, shape (n,), adding up to 1."""
    steps = len(case.times)
    if outages.start_weights is None:
        return np.full(steps, 1.0 / steps)
    begins = case.times + pd.Timedelta(hours=case.dt_hours)
    table = np.array(outages.start_weights, dtype=np.float64)
    weights = table[begins.month.to_numpy() - 1, begins.hour.to_numpy()]
    total = float(weights.sum())
    return weights / total if total > 0 else np.full(steps, 1.0 / steps)


def horizon_of(outages: Outages, rates: Rates) -> float:
    """Tell how far outages are followed: as stated, else 72 h or 12 means; to the end of fixed ones. [h]."""
    longest = max(rates.fixed_hours, default=0.0)
    if longest:
        return longest
    return outages.horizon_hours or max(HORIZON_HOURS, MEANS_FOLLOWED * rates.caidi_hours)


def expected_loss(
    case: Case, flows: Flows, outages: Outages, *, sun: bool = True, weights: Floats | None = None
) -> ExpectedLoss:
    """Expect over all starts and durations what a strategy's battery leaves unserved.

    Parameters
    ----------
    case : Case
    flows : Flows
        The strategy's schedule; a household without a system serves nothing.
    outages : Outages
        The scenario's statistics.
    sun : bool
        Whether the panels work in an outage.
    weights : array, shape (n,), optional
        How likely an outage begins at the end of each step, adding up to 1; default: as the scenario states.
    """
    rates = rates_of(outages)
    weights = start_weights(case, outages) if weights is None else weights
    steps = len(case.times)
    stored = flows["stored"] if flows.has_system else np.full(steps, case.limits.empty_kwh)
    system = flows.has_system
    island = Island(case, sun=sun and system, generator=system, sheds=system)
    state = island.start(stored)
    starts = np.arange(steps)
    lost = np.zeros((2, steps))
    count = math.ceil(horizon_of(outages, rates) / case.dt_hours - 1e-9)
    for step in range(count):
        add = partial(_add_stretch, rates, step * case.dt_hours, lost)
        island.step(state, (starts + 1 + step) % steps, visit=add)
    (kwh, hours), beyond = lost, np.zeros(steps)
    if not rates.fixed_hours:
        beyond, beyond_hours = _tail(island, state.stored, (starts + count) % steps, rates.caidi_hours)
        discount = math.exp(-count * case.dt_hours / rates.caidi_hours)
        beyond *= discount
        hours += beyond_hours * discount
    each_kwh, each_hours = float(weights @ (kwh + beyond)), float(weights @ hours)
    a_year = rates.saifi_per_year
    value = outages.value_of_lost_load_per_kwh
    return ExpectedLoss(
        strategy=flows.name,
        unserved_kwh=a_year * each_kwh,
        unserved_hours=a_year * each_hours,
        per_outage_kwh=each_kwh,
        per_outage_hours=each_hours,
        beyond_horizon_kwh=a_year * float(weights @ beyond),
        money=None if value is None else value * a_year * each_kwh,
    )


def _add_stretch(rates: Rates, begin: float, lost: Floats, stretch: Stretch) -> None:
    """Add a stretch of some outages to (kWh, hours), weighted with the chance that they still last."""
    dark = stretch.unserved_kw > DUST_KW
    missing = stretch.unserved_kw * dark + stretch.shed_kw  # left off on purpose, and not served all the same
    some = np.flatnonzero(missing > 0.0)
    if not some.size:
        return
    start = begin + stretch.begin_hours[some]
    held, rows = rates.held(start, start + stretch.hours[some]), stretch.rows[some]
    lost[0, rows] += missing[some] * held
    lost[1, rows] += np.where(dark[some], held, 0.0)


def _tail(island: Island, stored: Floats, at: NDArray[np.intp], mean_hours: float) -> tuple[Floats, Floats]:
    """Expect, in closed form, what exponential outages lose from the end of step ``at`` on.

    Returns kWh and hours per outage that is still going on then, shape (n,).
    """
    case, limits, dt = island.case, island.limits, island.dt_hours
    lacking_kw, draw_kw = island.carried()
    over = lacking_kw * dt  # not served even while the battery lasts
    q = math.exp(-dt / mean_hours)
    whole = mean_hours * (1.0 - q) / dt  # ∫ over a step of exp(-s/mean), per hour of step
    lost, always = _discounted(np.asarray(case.critical_kwh * whole), q), _discounted(over * whole, q)
    some_lost = np.asarray((case.critical_kwh > DUST_KWH) * dt, dtype=np.float64)
    some_over = np.asarray((over > DUST_KWH) * dt, dtype=np.float64)
    lost_hours, always_hours = _discounted(some_lost * whole, q), _discounted(some_over * whole, q)

    draw = draw_kw * dt
    reached, part = _lasting(draw, np.maximum(stored - limits.empty_kwh, 0.0), at)
    in_step = (at + 1 + reached) % len(draw)
    before_step = (in_step - 1) % len(draw)
    passed: Floats = np.exp(-reached * dt / mean_hours)
    to_turn, to_end = np.exp(-part * dt / mean_hours), q
    rest: Floats = mean_hours * (to_turn - to_end) / dt  # of the step in which it runs out

    def after(series: Floats, sums: Floats) -> Floats:
        total: Floats = passed * (series[in_step] * rest + q * sums[in_step])
        return total

    def before(series: Floats, sums: Floats) -> Floats:
        turned: Floats = passed * (series[in_step] * (whole - rest) - sums[before_step])
        return sums[at] + turned

    kwh = before(over, always) + after(case.critical_kwh, lost)
    return kwh, before(some_over, always_hours) + after(some_lost, lost_hours)


def _discounted(values: Floats, q: float) -> Floats:
    """Return Σ_{i≥0} q^i·values[t+1+i] for every t, the values repeating for ever, shape (n,)."""
    count = len(values)
    powers = q ** np.arange(count)
    total = float(values @ powers) / (1.0 - q**count) if q < 1.0 else math.inf
    sums = np.empty(count)
    sums[count - 1] = total  # after the last step comes the first
    for t in range(count - 2, -1, -1):
        total = values[t + 1] + q * total
        sums[t] = total
    return sums


def _lasting(draw: Floats, above_kwh: Floats, at: NDArray[np.intp]) -> tuple[NDArray[np.intp], Floats]:
    """Whole steps a level lasts from the end of step ``at``, and the fraction of the next one."""
    count = len(draw)
    once = float(draw.sum())
    if once <= 0.0:  # nothing is ever drawn: lasts for ever, which no discount can see
        return np.full(len(at), 10**9), np.zeros(len(at))
    laps = np.floor(above_kwh / once)
    rest = above_kwh - laps * once
    total = np.concatenate([[0.0], np.cumsum(np.resize(draw, 2 * count + 1))])
    first = at + 1
    reach = total[first] + rest
    found = np.searchsorted(total, reach + DUST_KWH, side="right") - 1
    found = np.minimum(found, 2 * count)
    in_next = draw[found % count]
    left = np.maximum(reach - total[found], 0.0)
    part = np.divide(left, in_next, out=np.zeros_like(left), where=in_next > 0.0)
    whole = (found - first + laps * count).astype(np.intp)
    return whole, np.minimum(part, 1.0)
