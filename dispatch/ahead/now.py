"""A case around a moment: the weeks before it, and the days to come, of which nothing is known but the calendar.

What lies before the moment is the data's, or a file's of recent readings. For days without readings another day
stands in: the same weekday a whole number of weeks earlier, 52 where the data reach that far back, else as few as are
known. Prices are the tariff's own on the real calendar.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

import tariffs
from dispatch.ahead.calendar import PATHS, Calendar
from dispatch.ahead.given import read_recent
from dispatch.case.floor import Ground, floor_of
from dispatch.case.series import appliances_kwh
from dispatch.errors import ScenarioError
from tariffs.meter import OtherReadings

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from dispatch.arrays import Flags, Floats
    from dispatch.case.case import Case
    from dispatch.case.limits import Limits


PAST_DAYS = PATHS + 24  # as far back as paths reach, and some evenings to learn from
AFTER_DAYS = 33  # the rest of a billing month, so that its limits are not taken for a part's
YEAR_DAYS = 364  # 52 weeks: the same weekday, the same season


@dataclass(frozen=True)
class Now:
    """A case around a moment.

    Attributes
    ----------
    case : Case
        History before step ``first``, stand-ins from it on.
    first : int
        The step that begins at (or holds) the moment.
    at : Timestamp
        Its start.
    notes : tuple of str
        What stood in for what.
    """

    case: Case
    first: int
    at: pd.Timestamp
    notes: tuple[str, ...]


def case_around(
    case: Case,
    moment: pd.Timestamp,
    hours: float,
    recent: Path | None = None,
    reserve_percent: float | None = None,
) -> Now:
    """Lay a case around a moment in the data or after them.

    Parameters
    ----------
    case : Case
    moment : Timestamp
    hours : float
        How far ahead it must reach at least.
    recent : Path, optional
        CSV of the last weeks' readings.
    reserve_percent : float, optional
        A reserve in place of the scenario's.

    Raises
    ------
    ScenarioError, SeriesError
        If the reserve or the readings cannot be used.
    tariffs.TariffError
        If the tariff does not tell the prices of the coming steps.
    """
    step = pd.Timedelta(hours=case.dt_hours)
    at = case.times[0] + ((moment - case.times[0]) // step) * step
    per_day = max(1, round(24 / case.dt_hours))
    first = PAST_DAYS * per_day
    ahead = round(hours / case.dt_hours) + 1
    times = pd.date_range(at - first * step, periods=first + ahead + AFTER_DAYS * per_day, freq=step)
    prices, count = _prices(case, times, first, ahead)
    times = times[:count]
    series, notes = _series(case, times, first, recent)
    limits = replace(case.limits, closing_kwh=case.limits.empty_kwh)
    critical = _critical(case, times, first, series)
    floor = _floor(case, limits, times, critical, series["sun"], reserve_percent)
    if at != moment:
        notes.append(f"the plan begins with the step that holds the moment, at {at:%H:%M}")
    around = replace(
        case,
        limits=limits,
        prices=prices,
        times=times,
        load_kwh=series["load"],
        other_kwh=series["other"],
        critical_kwh=critical,
        sun_kwh=series["sun"],
        idle_kwh=np.full(count, case.limits.idle_on_kw * case.dt_hours),
        floor_kwh=floor,
        floor_capped_steps=np.zeros(count, dtype=bool),
        may_charge=_warm(case, times),
    )
    return Now(around, first, at, tuple(notes))


_NO_REGISTERS = OtherReadings(leave_out_registers=True)
"""What other meters count no plan changes."""


def _warm(case: Case, times: pd.DatetimeIndex) -> Flags:
    """Tell where the packs may be charged: as in the data, which go on with their beginning."""
    places = np.asarray((times - case.times[0]) // pd.Timedelta(hours=case.dt_hours)) % len(case.times)
    return np.asarray(case.may_charge[places])


def _prices(case: Case, times: pd.DatetimeIndex, first: int, ahead: int) -> tuple[tariffs.PricedSteps, int]:
    """Price the steps as far as the tariff reaches; how many of them there are then."""
    spans = [(0, len(times)), (0, first + ahead), (first, len(times)), (first, first + ahead)]
    for begin, end in spans[:-1]:
        try:
            return _padded(
                tariffs.price_steps(case.tariff, times[begin:end], case.dt_hours, _NO_REGISTERS), begin
            ), end
        except tariffs.TariffError:
            continue
    begin, end = spans[-1]
    try:
        prices = tariffs.price_steps(case.tariff, times[begin:end], case.dt_hours, _NO_REGISTERS)
    except tariffs.TariffError as error:
        text = f"the plan prices {times[begin]:%Y-%m-%d} to {times[end - 1]:%Y-%m-%d} alone"
        raise tariffs.TariffError(
            f"{error} ({text}; months before it are as the tariff file tells)"
        ) from None
    return _padded(prices, begin), end


def _padded(prices: tariffs.PricedSteps, before: int) -> tariffs.PricedSteps:
    """Put steps without a price of their own before the priced ones: they are over, and only their energy counts."""
    if not before:
        return prices

    def pad(values: NDArray[np.generic]) -> NDArray[np.generic]:
        return np.concatenate([np.repeat(values[:1], before), values])

    per_step = (
        "band",
        "season",
        "day_type",
        "period",
        "event",
        "import_price_per_kwh",
        "export_price_per_kwh",
    )
    changed: dict[str, Any] = {name: pad(getattr(prices, name)) for name in per_step}
    freq = prices.times[1] - prices.times[0]
    times = pd.date_range(prices.times[0] - before * freq, periods=before + len(prices.times), freq=freq)
    return replace(
        prices,
        times=times,
        **changed,
        blocks=tuple(replace(term, steps=term.steps + before) for term in prices.blocks),
        demand=tuple(replace(term, steps=term.steps + before) for term in prices.demand),
        minimums=(),
        percentages=(),
        kwh_minimums=tuple(replace(term, steps=term.steps + before) for term in prices.kwh_minimums),
        netting=tuple(
            replace(term, groups=tuple(replace(group, steps=group.steps + before) for group in term.groups))
            for term in prices.netting
        ),
        rebates=tuple(
            replace(term, steps=term.steps + before, like=tuple(steps + before for steps in term.like))
            for term in prices.rebates
        ),
        credits=tuple(replace(term, steps=term.steps + before) for term in prices.credits),
    )


def _series(
    case: Case, times: pd.DatetimeIndex, first: int, recent: Path | None
) -> tuple[dict[str, Floats], list[str]]:
    """Load, rest of the house and sun of every step: readings before the moment, stand-ins for all else."""
    place = pd.Index(case.times).get_indexer(times)
    known = (place >= 0) & (np.arange(len(times)) < first)
    stand_in = _stand_ins(case, times, first)
    series = {
        name: np.asarray(getattr(case, f"{name}_kwh")[np.where(known, place, stand_in)])
        for name in ("load", "other", "sun")
    }
    notes = []
    own = known.copy()
    if recent is not None:
        read, columns = read_recent(case, recent, times[first])
        at = pd.Index(times).get_indexer(read)
        inside = at >= 0
        for name, values in columns.items():
            series[name][at[inside]] = values[inside]
        own[at[inside]] = True
        days = len(read) * case.dt_hours / 24
        notes.append(f"{recent.name}: {days:.3g} days of readings, {', '.join(columns)}")
        series = _weeks_before(case, series, own, first, columns)
    if not own[max(first - round(168 / case.dt_hours), 0) : first].any():
        notes.append(
            "no readings of the last week: days of the data with the same weekday and time of year stand in; "
            "--recent FILE brings them"
        )
    return series, notes


def _weeks_before(
    case: Case, series: dict[str, Floats], own: Flags, first: int, columns: dict[str, Floats]
) -> dict[str, Floats]:
    """Let the newest readings of the same weekday stand for the coming days."""
    week = round(168 / case.dt_hours)
    for name in columns:
        values = series[name].copy()
        for t in range(first, len(values)):
            back = t - week
            while back >= 0 and not own[back]:
                back -= week
            if back >= 0:
                values[t] = values[back]
        series[name] = values
    return series


def _stand_ins(case: Case, times: pd.DatetimeIndex, first: int) -> NDArray[np.intp]:
    """For each step one of the data: same weekday and clock time, 52 weeks away if there is one, else the nearest."""
    data, mine = Calendar(case.times), Calendar(times)
    day_zero = case.times[0].tz_localize(None).normalize()
    offset = int((times[0].tz_localize(None).normalize() - day_zero).days)
    slots = np.searchsorted(data.minutes, mine.minutes)
    slots = np.minimum(slots, len(data.minutes) - 1)
    last_known = int(mine.day[first]) + offset - 1  # of the days that are over
    usable_to = min(data.days - 1, max(last_known, 0))
    found = np.empty(mine.days, dtype=np.int64)
    for day in range(mine.days):
        number = day + offset
        found[day] = _day_for(number, usable_to, data.days)
    return np.asarray(data.step[found[mine.day], slots[mine.slot]])


def _day_for(number: int, usable_to: int, days: int) -> int:
    """Return a day of the data with the same weekday as day ``number``, which may lie outside them."""
    for back in range(YEAR_DAYS, 40 * YEAR_DAYS, YEAR_DAYS):
        if 0 <= number - back <= usable_to:
            return number - back
        if number - back < 0:
            break
    known = usable_to + 1 if usable_to >= 6 else days  # in the data's first week their end must stand in
    if 0 <= number < known:
        return number
    latest = number - -(-(number - known + 1) // 7) * 7  # the last known day with that weekday
    if number >= known and latest >= 0:
        return latest
    return number % (known // 7 * 7 if known >= 7 else known)


def _critical(case: Case, times: pd.DatetimeIndex, first: int, series: dict[str, Floats]) -> Floats:
    stated = case.scenario.critical_load
    if stated is None:
        return series["load"]
    if stated.watts is not None:
        return np.full(len(times), stated.watts / 1000 * case.dt_hours)
    if stated.appliances is not None:
        return np.asarray(appliances_kwh(stated.appliances, times, case.dt_hours))
    place = pd.Index(case.times).get_indexer(times)
    known = (place >= 0) & (np.arange(len(times)) < first)
    return np.asarray(case.critical_kwh[np.where(known, place, _stand_ins(case, times, first))])


def _floor(  # noqa: PLR0913, PLR0917 - all that a floor is made of
    case: Case,
    limits: Limits,
    times: pd.DatetimeIndex,
    critical: Floats,
    sun: Floats,
    reserve_percent: float | None,
) -> Floats:
    """Work the reserve out on the coming days; dated raises that lie elsewhere say nothing here."""
    if reserve_percent is not None:
        level = reserve_percent / 100 * limits.full_kwh
        if not 0 <= level <= limits.ceiling_kwh + 1e-9:
            top = 100 * limits.ceiling_kwh / limits.full_kwh
            raise ScenarioError(
                f"--reserve: {reserve_percent:g} % is no reserve; write 0 to {top:g}, in percent"
            )
        return np.full(len(times), max(level, limits.empty_kwh))
    reserve = case.scenario.reserve
    if reserve is not None and reserve.raised:
        begin, end = times[0].date().isoformat(), times[-1].date().isoformat()
        raised = []
        for rule in reserve.raised:
            dates = rule.dates
            if dates is not None:
                dates = tuple(date for date in dates if begin <= date <= end)
                if not dates:
                    continue
            raised.append(rule.model_copy(update={"dates": dates}))
        reserve = reserve.model_copy(update={"raised": tuple(raised)})
    ground = Ground(limits, times, case.dt_hours, critical, sun)
    return floor_of(reserve, ground, case.path).level_kwh
