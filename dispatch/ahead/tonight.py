"""Tonight: what to enter for the next day or two, from today's level and what is known now."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from dispatch.ahead.desk import DAYLIGHT_FROM_HOUR, Desk, Left, Run, SoFar
from dispatch.ahead.given import read_level, read_moment
from dispatch.ahead.now import case_around
from dispatch.errors import ScenarioError

if TYPE_CHECKING:
    import datetime as dt
    from pathlib import Path

    from dispatch.arrays import Floats
    from dispatch.case.case import Case


PLAN_HOURS_FROM, PLAN_HOURS_TO = 12.0, 72.0
_MOST_SO_FAR = 1e6


@dataclass(frozen=True)
class Tonight:
    """The plan for the coming hours.

    Attributes
    ----------
    case : Case
        Laid around the moment.
    first : int
        Its first planned step.
    at : Timestamp
        Start of that step.
    level_kwh : float
        Stored then.
    times : DatetimeIndex, shape (h,)
    expected : dict of str to array, shape (h,)
        Mean of the paths, or the forecast: load, other, sun. [kWh]
    source : str
        What the forecast rests on, in words.
    run, half : Run
        As expected, and with half the sun on ``half_date``.
    half_date : date
    left : tuple of Left
        If the grid fails now, at 20:00, and at dawn.
    value_per_kwh : float
        What the last kWh stored is worth when the load may draw after the first charge; without a charge: now.
    import_price_per_kwh : array, shape (h,)
        At the margin of the month.
    band : tuple of str
    floor_kwh : array, shape (h,)
    full_enough_at : Timestamp or None
        Where the level is below the reserve: when it is back; None otherwise, or where it is not in this plan.
    notes : tuple of str
    """

    case: Case
    first: int
    at: pd.Timestamp
    level_kwh: float
    times: pd.DatetimeIndex
    expected: dict[str, Floats]
    source: str
    run: Run
    half: Run
    half_date: dt.date
    left: tuple[Left, ...]
    value_per_kwh: float
    import_price_per_kwh: Floats
    band: tuple[str, ...]
    floor_kwh: Floats
    full_enough_at: pd.Timestamp | None
    notes: tuple[str, ...]

    @property
    def below_reserve(self) -> bool:
        """Whether the level is below what is to be kept."""
        return self.level_kwh < float(self.floor_kwh[0]) - 1e-6


def tonight(  # noqa: PLR0913 - one per option of the command
    case: Case,
    at: str,
    level: str,
    *,
    forecast: Path | None = None,
    recent: Path | None = None,
    reserve_percent: float | None = None,
    so_far: SoFar | None = None,
    hours: float = 36.0,
) -> Tonight:
    """Plan from a moment and a level.

    Parameters
    ----------
    case : Case
    at : str
        ISO date and time, on the site's clock unless it carries an offset; in the data or after them.
    level : str
        ``62%`` of nominal, or ``6.5kWh``; anything from nothing to full.
    forecast, recent : Path, optional
        CSV with ``time`` and columns ``load_…``, ``sun_…``, ``other_…`` (unit by suffix): the coming steps, and the
        last weeks'.
    reserve_percent : float, optional
        A reserve for now, in place of the scenario's.
    so_far : SoFar, optional
    hours : float
        How far to plan.

    Raises
    ------
    ScenarioError
        If time, level, reserve or hours cannot be used.
    SeriesError
        If the forecast does not cover the plan, or the readings have gaps.
    """
    if not PLAN_HOURS_FROM <= hours <= PLAN_HOURS_TO:
        raise ScenarioError(
            f"--hours: {hours:g} is no length for a plan; choose {PLAN_HOURS_FROM:g} to {PLAN_HOURS_TO:g}"
        )
    so_far = so_far or SoFar()
    for option, value in (("--so-far-kwh", so_far.bought_kwh), ("--so-far-kw", so_far.highest_kw)):
        if value is not None and not 0.0 <= value <= _MOST_SO_FAR:
            raise ScenarioError(
                f"{option}: {value:g} is nothing a home takes; write 0 to {_MOST_SO_FAR:,.0f}"
            )
    level_kwh = read_level(case, level)
    now = case_around(case, read_moment(case, "--at", at), hours, recent, reserve_percent)
    desk = Desk(now, level_kwh, hours, so_far)
    if forecast is not None:
        desk.take_forecast(forecast)
    return _answer(desk)


def _answer(desk: Desk) -> Tonight:
    """Answer everything."""
    outlook, at = desk.outlook(), desk.now.at
    run = desk.run(outlook, desk.series)
    day = at.date() if at.hour < DAYLIGHT_FROM_HOUR else (at + pd.Timedelta(days=1)).date()
    dim = np.array([moment.date() == day for moment in desk.times])
    dull = {**desk.series, "sun": np.where(dim, 0.5, 1.0)[None] * desk.series["sun"]}
    half = desk.run(outlook, dull)
    stored = np.flatnonzero(run.flows["stored"] >= outlook.promised_kwh - 1e-6)
    below = desk.level_kwh < float(desk.case.floor_kwh[desk.first]) - 1e-6
    step = pd.Timedelta(hours=desk.case.dt_hours)
    ahead = slice(desk.first, desk.first + desk.steps)
    prices = desk.case.prices
    return Tonight(
        case=desk.case,
        first=desk.first,
        at=at,
        level_kwh=desk.level_kwh,
        times=desk.times,
        expected={name: desk.paths.weights @ values for name, values in desk.series.items()},
        source=desk.source,
        run=run,
        half=half,
        half_date=day,
        left=desk.left(run),
        value_per_kwh=desk.worth(run),
        import_price_per_kwh=outlook.money.import_per_kwh,
        band=tuple(prices.band_names[i] for i in prices.band[ahead].tolist()),
        floor_kwh=desk.case.floor_kwh[ahead],
        full_enough_at=desk.times[int(stored[0])] + step if below and len(stored) else None,
        notes=(*desk.now.notes, *desk.month_notes(outlook)),
    )
