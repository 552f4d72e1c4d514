"""Everything ``dispatch backup`` tells about one strategy: when its hours are few, why, and what more would cost."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from dispatch.arrays import quiet
from dispatch.backup.expected_loss import ExpectedLoss, Rates, expected_loss, rates_of
from dispatch.backup.recharge import FULL_FRACTION, Recharge, recharges
from dispatch.errors import ScenarioError
from dispatch.safety.levels import AtReserve, level_for_hours, most_hours, solve_at
from dispatch.strategies.table import STRATEGIES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dispatch.arrays import Floats, Progress
    from dispatch.case.case import Case
    from dispatch.comparison.compare import Comparison
    from dispatch.outcome import StrategyResult
    from dispatch.program.program import Program


PERCENTILES = (0, 1, 5, 25, 50, 75, 95, 100)


WORST = 10


MORE_HOURS = (1.0, 2.0, 4.0)


NEAR_KWH = 1e-3


DEAR_FRACTION = 1.15
"""A load this far above its mean is called heavy."""


YEAR_DAYS = (360, 370)


@dataclass(frozen=True)
class Picture:
    """Backup hours by month (January first) and hour of the local day at which the grid fails.

    ``least`` and ``median`` have shape (12, 24); NaN where the data hold no such instant. [h]
    """

    least: Floats
    median: Floats


@dataclass(frozen=True)
class WorstMoment:
    """One of the instants with the fewest hours, at most one a day.

    Attributes
    ----------
    at : Timestamp
    hours, hours_with_sun : float
    stored_kwh, floor_kwh : float
        Level and reserve floor at that instant. [kWh]
    following_kw : float
        Mean critical load with idle draw while the battery lasts. [kW]
    why : str
    """

    at: pd.Timestamp
    hours: float
    hours_with_sun: float
    stored_kwh: float
    floor_kwh: float
    following_kw: float
    why: str


@dataclass(frozen=True)
class Inverter:
    """Whether the inverter carries the critical load: all power in kW, idle draw included in ``peak_kw``.

    ``together_kw`` is every critical appliance running at once, ``largest_kw`` the largest of them (None without a
    list); ``surge_kw`` what the inverter gives for a moment (None if not stated).
    """

    continuous_kw: float
    surge_kw: float | None
    peak_kw: float
    carries_peak: bool
    together_kw: float | None
    largest_kw: float | None


@dataclass(frozen=True)
class More:
    """More hours at every instant, and what they cost.

    ``at`` is the strategy's optimum under the reserve that keeps ``hours``, None where the battery cannot;
    ``percent`` the constant reserve that keeps them; ``cost`` the rise of bill + wear over the data.
    """

    extra_hours: float
    hours: float
    percent: float
    at: AtReserve | None
    cost: float | None


@dataclass(frozen=True)
class BackupDetail:
    """What one strategy leaves for outages; see the classes of its parts."""

    comparison: Comparison
    result: StrategyResult
    chosen_by: str
    percentiles: dict[int, tuple[float, float]]
    picture: Picture
    worst: tuple[WorstMoment, ...]
    days_as_bad: int
    inverter: Inverter
    recharges: tuple[Recharge, ...]
    more: tuple[More, ...]
    most_hours: float
    rates: Rates | None
    losses: tuple[ExpectedLoss, ...]


def require_carried(case: Case) -> None:
    """Refuse a stated critical load that the inverter can never carry.

    Raises
    ------
    ScenarioError
        A critical load left to its default is the served load: then the screens warn instead.
    """
    if case.scenario.critical_load is None:
        return
    power_kw = (case.critical_kwh + case.idle_kwh) / case.dt_hours
    worst = int(np.argmax(power_kw))
    if power_kw[worst] > case.limits.inverter_kw + 1e-9:
        lacking_w = (power_kw[worst] - case.limits.inverter_kw) * 1000.0
        raise ScenarioError(
            f"{case.path}: critical_load: at {case.times[worst].isoformat(timespec='minutes')} it is, with idle draw, "
            f"{power_kw[worst]:.4g} kW, more than inverter.continuous_w = {case.limits.inverter_kw * 1000:,.6g} W can "
            f"give in an outage; take circuits out of critical_load or raise inverter.continuous_w by at least "
            f"{np.ceil(lacking_w - 1e-6):,.0f} W"
        )


def picture_of(case: Case, hours: Floats) -> Picture:
    """Sort backup hours by the month and hour in which the grid fails."""
    instants = case.times + pd.Timedelta(hours=case.dt_hours)
    frame = pd.DataFrame({"month": instants.month, "hour": instants.hour, "hours": hours})
    grouped = frame.groupby(["month", "hour"])["hours"]
    places = pd.MultiIndex.from_product([range(1, 13), range(24)])
    least, median = (
        table.reindex(places).to_numpy().reshape(12, 24) for table in (grouped.min(), grouped.median())
    )
    return Picture(least, median)


def worst_moments(case: Case, result: StrategyResult, count: int = WORST) -> tuple[WorstMoment, ...]:
    """Find the days whose worst instant leaves the fewest hours, and say why it is bad."""
    if result.backup is None:
        return ()
    hours, with_sun = result.backup.hours, result.backup.hours_with_sun
    instants = case.times + pd.Timedelta(hours=case.dt_hours)
    order = np.lexsort((np.arange(len(hours)), np.round(with_sun, 2), np.round(hours, 2)))
    seen, chosen = set(), []
    for at in order.tolist():
        day = case.times[at].date()
        if day not in seen:
            seen.add(day)
            chosen.append(at)
        if len(chosen) == count:
            break
    return tuple(_moment(case, result, at, instants[at]) for at in chosen)


def days_as_bad(case: Case, hours: Floats) -> int:
    """Count the local days that come within 0.05 h of the fewest hours."""
    return len(np.unique(case.times[hours <= hours.min() + 0.05].normalize()))


def _moment(case: Case, result: StrategyResult, at: int, instant: pd.Timestamp) -> WorstMoment:
    backup = result.backup
    assert backup is not None  # noqa: S101 - the caller left out strategies without a battery
    need_kw = (case.critical_kwh + case.idle_kwh) / case.dt_hours
    count = max(int(np.ceil(backup.hours[at] / case.dt_hours)), 1)
    following = need_kw[(at + 1 + np.arange(count)) % len(need_kw)]
    stored, floor = float(result.flows["stored"][at]), float(case.floor_kwh[at])
    return WorstMoment(
        at=instant,
        hours=float(backup.hours[at]),
        hours_with_sun=float(backup.hours_with_sun[at]),
        stored_kwh=stored,
        floor_kwh=floor,
        following_kw=float(following.mean()),
        why=_why(
            stored, floor, case.limits.ceiling_kwh, _ratio(float(following.mean()), float(need_kw.mean()))
        ),
    )


def _ratio(value: float, mean: float) -> float:
    return value / mean if mean > 0 else 1.0


def _why(stored_kwh: float, floor_kwh: float, ceiling_kwh: float, load_ratio: float) -> str:
    if stored_kwh < floor_kwh - NEAR_KWH:
        level = "below the reserve: it could not be held"
    elif stored_kwh >= FULL_FRACTION * ceiling_kwh:
        level = "battery full"
    elif stored_kwh <= floor_kwh + NEAR_KWH:
        level = "drawn down to the reserve"
    else:
        level = "above the reserve"
    if load_ratio > DEAR_FRACTION:
        return f"{level}; heavy load ahead"
    if load_ratio > 1 / DEAR_FRACTION:
        return f"{level}; usual load"
    return level  # a light load ahead is no reason for few hours


def inverter_of(case: Case, result: StrategyResult) -> Inverter:
    """Compare the inverter's ratings with the critical load, hour by hour and all appliances at once."""
    critical = case.scenario.critical_load
    appliances = (critical.appliances if critical is not None else None) or ()
    watts = [one.watts * one.count for one in appliances]
    backup = result.backup
    return Inverter(
        continuous_kw=case.limits.inverter_kw,
        surge_kw=case.limits.surge_kw,
        peak_kw=backup.critical_peak_kw if backup is not None else 0.0,
        carries_peak=backup is not None and backup.carries_critical_peak,
        together_kw=sum(watts) / 1000.0 if watts else None,
        largest_kw=max(watts) / 1000.0 if watts else None,
    )


def refill_after_worst(case: Case, result: StrategyResult) -> tuple[Recharge, ...]:
    """Recharge from empty, from the instant at which the worst moment's outage has emptied the battery."""
    if result.backup is None:
        return ()
    at = int(np.argmin(np.round(result.backup.hours, 6)))
    passed = (at + 1) * case.dt_hours + float(result.backup.hours[at])
    first = int(passed / case.dt_hours + 1e-9)
    return recharges(case, first, case.limits.empty_kwh, passed - first * case.dt_hours)


def price_of_more(
    program: Program, result: StrategyResult, extras: Sequence[float] = MORE_HOURS
) -> tuple[More, ...]:
    """Price more hours at every instant, on top of the least a strategy leaves now.

    A reserve in hours keeps exactly what is asked for at each instant, so it is the cheapest way to it.

    Parameters
    ----------
    program : Program
        Of the case the result is for.
    result : StrategyResult
    extras : sequence of float
        Hours on top. [h]
    """
    case, found = program.case, []
    if result.backup is None or result.name not in STRATEGIES:
        return ()
    for extra in extras:
        hours = result.backup.minimum + extra
        if hours > case.limits.backup_horizon_hours or hours > len(case.times) * case.dt_hours:
            continue
        percent = 100.0 * level_for_hours(case, hours) / case.limits.full_kwh
        at = None if hours > most_hours(case) + 1e-9 else solve_at(program, result.name, "hours", hours)
        cost = None if at is None else at.burden - result.burden
        found.append(More(extra, hours, percent, at, cost))
    return tuple(found)


def losses_of(comparison: Comparison) -> tuple[Rates | None, tuple[ExpectedLoss, ...]]:
    """Expect a year of outages under every strategy that can be judged; nothing where no statistics are stated."""
    case = comparison.case
    outages = case.scenario.outages
    if outages is None:
        return None, ()
    judged = [r for r in comparison.strategies if r.backup is not None or not r.flows.has_system]
    return rates_of(outages), tuple(expected_loss(case, result.flows, outages) for result in judged)


def backup_detail(
    comparison: Comparison, program: Program, strategy: str | None = None, progress: Progress | None = None
) -> BackupDetail:
    """Work out everything ``dispatch backup`` shows.

    Parameters
    ----------
    comparison : Comparison
    program : Program
        Of the same case.
    strategy : str, optional
        Default: the recommended one, or the safest where none is recommended.
    progress : callable, optional
    """
    case, tell = comparison.case, progress or quiet
    name, chosen_by = _chosen(comparison, strategy)
    result = comparison[name]
    backup = result.backup
    if backup is None:
        raise ScenarioError(
            f"{case.path}: --strategy: {name} leaves the battery alone; choose another strategy"
        )
    tell(1, 3, "price of more hours")
    more = price_of_more(program, result)
    tell(2, 3, "outages of a year")
    rates, losses = losses_of(comparison)
    tell(3, 3, "done")
    return BackupDetail(
        comparison=comparison,
        result=result,
        chosen_by=chosen_by,
        percentiles={
            p: (float(np.percentile(backup.hours, p)), float(np.percentile(backup.hours_with_sun, p)))
            for p in PERCENTILES
        },
        picture=picture_of(case, backup.hours),
        worst=worst_moments(case, result),
        days_as_bad=days_as_bad(case, backup.hours),
        inverter=inverter_of(case, result),
        recharges=refill_after_worst(case, result),
        more=more,
        most_hours=most_hours(case),
        rates=rates,
        losses=losses,
    )


def _chosen(comparison: Comparison, strategy: str | None) -> tuple[str, str]:
    if strategy is not None:
        return strategy, "as asked"
    if comparison.recommendation.strategy is not None:
        return comparison.recommendation.strategy, "recommended"
    safest = max(
        (r for r in comparison.strategies if r.backup is not None and r.name != "least-cost"),
        key=lambda r: r.backup.minimum if r.backup else 0.0,
    )
    return safest.name, "none is recommended, this is the safest"
