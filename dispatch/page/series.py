"""A year of steps and of outages as whole numbers, small enough to stand inside the page.

Energy is in Wh, hours in hundredths rounded down, prices in units of ``price_scale``. Steps too many for a page are
summed to the hours of the clock, and the page says so.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dispatch.arrays import Floats, Ints
    from dispatch.case.case import Case
    from dispatch.outcome import Outcome


MOST_STEPS = 40_000
"""More are summed to hours: a page of four years of hours, or of one of quarter hours, stays below 4 MB."""

WH = 1000.0

UNKNOWN = -1


def slot_starts(case: Case, *, hours: bool) -> Ints:
    """Find the steps that begin a slot: every step, or the first of each hour of the clock.

    The offset from UTC tells the two 01:00 of an autumn night apart.
    """
    count = len(case.times)
    if not hours:
        return np.arange(count)
    local = case.times.tz_localize(None)
    offset = local.asi8 - case.times.tz_convert(None).asi8
    keys = (np.asarray(local.normalize().asi8), np.asarray(local.hour), offset)
    new = np.any([np.diff(key) != 0 for key in keys], axis=0)
    return np.concatenate([[0], np.flatnonzero(new) + 1]).astype(np.int64)


def calendar(case: Case, starts: Ints) -> dict[str, Any]:
    """Tell which day and clock time each slot begins at.

    Returns
    -------
    dict
        ``days``: date and first slot of each; ``usual``: the clock times of an ordinary day; ``odd``: those of the days
        that have others (clock changes, a first or last day that is cut).
    """
    times = case.times[starts]
    dates = times.strftime("%Y-%m-%d").to_numpy()
    clocks = times.strftime("%H:%M").to_numpy()
    first = np.concatenate([[0], np.flatnonzero(dates[1:] != dates[:-1]) + 1])
    lists: list[list[str]] = [
        clocks[a:b].tolist() for a, b in zip(first, [*first[1:], len(dates)], strict=True)
    ]
    counted: dict[tuple[str, ...], int] = {}
    for each in lists:
        counted[tuple(each)] = counted.get(tuple(each), 0) + 1
    most = max(counted, key=lambda each: counted[each])
    usual = list(most)
    return {
        "days": [[str(dates[at]), int(at)] for at in first],
        "usual": usual,
        "odd": {str(dates[at]): each for at, each in zip(first, lists, strict=True) if each != usual},
        "slots": len(dates),
    }


def day_series(run: Outcome) -> dict[str, Any]:
    """Pack the steps of a run for the picture of a day.

    Parameters
    ----------
    run : Outcome
        With a battery.

    Returns
    -------
    dict
        The calendar; per slot energies in Wh, the level at its end, the reserve's there, mean price and its name.
    """
    case, flows = run.case, run.flows
    summed = len(case.times) > MOST_STEPS
    starts = slot_starts(case, hours=summed)
    last = np.concatenate([starts[1:], [len(case.times)]]) - 1
    sums: Mapping[str, Floats] = {
        "load": case.load_kwh + case.other_kwh + flows.idle_kwh,
        "sun": case.sun_kwh,
        "bought": flows["import"],
        "sold": flows["export"],
        "charged": flows["grid_to_battery"] + flows["sun_to_battery"],
        "given": flows["battery_to_load"] + flows["battery_to_grid"],
    }
    price = case.prices.import_price_per_kwh
    counts = last - starts + 1
    scale = price_scale(price)
    return {
        **calendar(case, starts),
        "summed": summed,
        "dt_hours": None if summed else float(case.dt_hours),
        "price_scale": scale,
        "start": _whole(np.array([case.limits.start_kwh]), WH)[0],
        "ceiling": _whole(np.array([case.limits.ceiling_kwh]), WH)[0],
        **{name: _whole(np.add.reduceat(values, starts), WH) for name, values in sums.items()},
        "level": _whole(flows["stored"][last], WH),
        "reserve": _whole(case.floor_kwh[last], WH),
        "price": _whole(np.add.reduceat(price, starts) / counts, scale),
        "band": case.prices.band[starts].tolist(),
        "bands": list(case.prices.band_names),
    }


def price_scale(price_per_kwh: Floats) -> float:
    """Choose whole units for prices: hundred-thousandths of a currency, or hundredths where a kWh costs tens."""
    return 100_000.0 if float(np.abs(price_per_kwh).max(initial=0.0)) < 10 else 100.0


def outage_series(run: Outcome) -> dict[str, Any]:
    """Pack how long the lights stay on if the grid fails at any hour of the data.

    Parameters
    ----------
    run : Outcome
        With a battery.

    Returns
    -------
    dict
        The calendar of hours; at each its level in Wh and the hours in hundredths, rounded down: critical load without
        and with sun, and everything without and with sun. -1 where it is not known: at the very start of a period that
        does not repeat.
    """
    case, backup = run.case, run.backup
    assert backup is not None  # noqa: S101 - only runs with a battery are put on a page
    starts = slot_starts(case, hours=True)
    named = {
        "critical": backup.hours,
        "critical_sun": backup.hours_with_sun,
        "all": backup.all_hours,
        "all_sun": backup.all_hours_with_sun,
    }
    # the hours at the end of the step before are those at the start of the slot
    packed = {
        name: np.floor(values[starts - 1] * 100 + 1e-6).astype(np.int64) for name, values in named.items()
    }
    if not case.scenario.repeats:
        for values in packed.values():
            values[0] = UNKNOWN
    return {
        **calendar(case, starts),
        "worst": worst_slot(starts, backup.hours),
        "level": _whole(run.flows.stored_before_kwh()[starts], WH),
        "horizon": float(case.limits.backup_horizon_hours),
        **{name: values.tolist() for name, values in packed.items()},
    }


def worst_slot(starts: Ints, hours: Floats) -> int:
    """Find the slot that holds the first instant with the fewest hours: what a page opens with."""
    step = (int(np.argmax(hours <= hours.min() + 1e-6)) + 1) % len(hours)
    return int(np.searchsorted(starts, step, side="right")) - 1


def _whole(values: Floats, scale: float) -> list[int]:
    whole: list[int] = np.rint(np.nan_to_num(values) * scale).astype(np.int64).tolist()
    return whole
