"""Hours of backup: the trade's rules, hand-worked cases, and a plain loop over random cases."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from oracles.blackout import follow

from dispatch.outages.hours import backup_hours, backup_summary, hours_at

if TYPE_CHECKING:
    from dispatch.case.case import Case

DEFAULTS: dict[str, float] = {
    "full_kwh": 10.0,
    "empty_kwh": 0.0,
    "ceiling_kwh": 10.0,
    "eta_inverter": 1.0,
    "eta_discharge": 1.0,
    "eta_dc": 1.0,
    "eta_charger": 1.0,
    "grid_charge_kw": 0.0,
    "total_charge_kw": 5.0,
    "self_discharge_per_hour": 0.0,
    "inverter_kw": 5.0,
    "taper_hours": 0.0,
    "backup_horizon_hours": 168.0,
}


def outage_case(
    critical_kw: list[float],
    sun_kw: list[float] | None = None,
    idle_kw: float = 0.0,
    dt_hours: float = 1.0,
    load_kw: list[float] | None = None,
    **limits: float,
) -> Case:
    """Build the part of a case the backup calculation reads; everything is mean power per step."""
    n = len(critical_kw)
    return cast(
        "Case",
        SimpleNamespace(
            times=pd.date_range(
                "2025-01-01", periods=n, freq=pd.Timedelta(hours=dt_hours), tz="Atlantic/Azores"
            ),
            dt_hours=dt_hours,
            critical_kwh=np.array(critical_kw, dtype=float) * dt_hours,
            load_kwh=np.array(critical_kw if load_kw is None else load_kw, dtype=float) * dt_hours,
            idle_kwh=np.full(n, idle_kw * dt_hours),
            sun_kwh=np.array(sun_kw or [0.0] * n, dtype=float) * dt_hours,
            may_charge=np.ones(n, dtype=bool),
            limits=SimpleNamespace(**{**DEFAULTS, **limits}),
        ),
    )


def by_hand(case: Case, stored_kwh: float, begin: int, *, with_sun: bool) -> float:
    """Follow one outage step by step, as one would on paper."""
    lim, dt = case.limits, case.dt_hours
    level = stored_kwh
    hours = 0.0
    step = begin
    while hours < lim.backup_horizon_hours - 1e-9:
        step = (step + 1) % len(case.times)
        load = case.critical_kwh[step] + case.idle_kwh[step]
        if load / dt > lim.inverter_kw + 1e-9:
            return hours  # the inverter trips: not one minute of this step is carried
        from_sun = min(load, lim.eta_inverter * case.sun_kwh[step]) if with_sun else 0.0
        sun = (case.sun_kwh[step] - from_sun / lim.eta_inverter) / dt if with_sun else 0.0
        drawn = (load - from_sun) / (lim.eta_inverter * lim.eta_discharge)
        if drawn > 1e-9:
            if level - drawn < lim.empty_kwh - 1e-9:
                return float(min(hours + (level - lim.empty_kwh) / drawn * dt, lim.backup_horizon_hours))
            level = max(level - drawn, lim.empty_kwh)
        elif sun > 0.0:
            level = follow(vars(lim), level, min(sun, lim.total_charge_kw), 0, 0, dt)[0]
        hours += dt
    return lim.backup_horizon_hours


@pytest.mark.parametrize(
    ("packs", "load_w", "self_consumption_w", "hours"),
    [
        # common practice, no source: hours = capacity x 0.9 x 0.9 / (load + self-consumption), 3,072 Wh packs,
        # self-consumption 50 W with the outputs on
        (1, 200, 50, 9.953),
        (4, 200, 50, 39.813),
        (1, 1_000, 50, 2.370),
    ],
)
def test_runtime_by_the_trades_rule(
    packs: int, load_w: float, self_consumption_w: float, hours: float
) -> None:
    full_kwh = 3.072 * packs
    case = outage_case(
        [load_w / 1000] * 24,
        idle_kw=self_consumption_w / 1000,
        full_kwh=full_kwh,
        ceiling_kwh=full_kwh,
        empty_kwh=0.1 * full_kwh,
        eta_inverter=0.9,
        inverter_kw=3.0,
    )
    runtime_hours = backup_hours(case, np.full(24, full_kwh), with_sun=False)
    assert runtime_hours == pytest.approx(hours, abs=5e-4)
    assert backup_hours(case, np.full(24, full_kwh), with_sun=True) == pytest.approx(runtime_hours)


def test_runtime_identity_six_hours() -> None:
    # common practice, no source: h = Wh x DoD x eta / W; 1,000 Wh, DoD 1, 0.9, 150 W
    case = outage_case([0.15] * 24, eta_inverter=0.9, full_kwh=1.0, ceiling_kwh=1.0)
    assert backup_hours(case, np.full(24, 1.0), with_sun=False) == pytest.approx(6.0, abs=1e-12)


def test_discharge_and_inverter_losses_multiply() -> None:
    case = outage_case([0.4] * 48, idle_kw=0.1, eta_inverter=0.9, eta_discharge=0.8, empty_kwh=1.0)
    assert backup_hours(case, np.full(48, 6.0), with_sun=False) == pytest.approx(5.0 * 0.72 / 0.5)


def test_the_outage_begins_where_the_step_ends_and_wraps_to_the_datas_start() -> None:
    case = outage_case([1.0, 2.0, 4.0])
    # end of step 0: 2 kWh in step 1, then 1 of 4 in step 2; end of step 2, the last: 1 in step 0, 2 in step 1
    assert backup_hours(case, np.array([3.0, 3.0, 3.0]), with_sun=False) == pytest.approx([1.25, 0.75, 2.0])


def test_hours_do_not_depend_on_the_length_of_a_step() -> None:
    hourly = outage_case([1.0, 2.0, 4.0, 0.5], [0.0, 3.0, 0.0, 0.0], taper_hours=0.0)
    quarters = outage_case(
        list(np.repeat([1.0, 2.0, 4.0, 0.5], 4)), list(np.repeat([0.0, 3.0, 0.0, 0.0], 4)), dt_hours=0.25
    )
    for with_sun in (False, True):
        coarse = backup_hours(hourly, np.full(4, 4.5), with_sun=with_sun)
        fine = backup_hours(quarters, np.full(16, 4.5), with_sun=with_sun)
        assert fine[3::4] == pytest.approx(coarse)


def test_empty_battery_carries_nothing_and_no_load_runs_to_the_horizon() -> None:
    assert backup_hours(outage_case([1.0] * 5), np.zeros(5), with_sun=False).tolist() == [0.0] * 5
    assert (
        backup_hours(outage_case([0.0] * 5, backup_horizon_hours=9.5), np.zeros(5), with_sun=True).tolist()
        == [9.5] * 5
    )


def test_horizon_longer_than_the_data_and_not_a_whole_number_of_steps() -> None:
    case = outage_case([0.1] * 7, backup_horizon_hours=40.25)
    hours = backup_hours(case, np.array([1.0, 2.0, 3.0, 4.0, 4.1, 9.0, 0.5]), with_sun=False)
    assert hours == pytest.approx([10.0, 20.0, 30.0, 40.0, 40.25, 40.25, 5.0])


def test_sun_serves_first_then_charges_within_every_limit() -> None:
    # one sunny step after the start: 0.5 of 6 kW serves the load (0.5/0.8 DC), 5.375 is left, 2 may charge
    day: dict[str, Any] = {"eta_inverter": 0.8, "eta_dc": 0.9, "total_charge_kw": 2.0}
    case = outage_case([0.5] * 40, [0.0, 6.0] + [0.0] * 38, **day)
    stored = np.full(40, 1.0)
    assert backup_hours(case, stored, with_sun=True)[0] == pytest.approx(1 + (1.0 + 1.8) * 0.8 / 0.5)
    assert backup_hours(case, stored, with_sun=False)[0] == pytest.approx(1.6)
    low_ceiling = outage_case([0.5] * 40, [0.0, 6.0] + [0.0] * 38, ceiling_kwh=1.25, **day)
    assert backup_hours(low_ceiling, stored, with_sun=True)[0] == pytest.approx(1 + 1.25 * 0.8 / 0.5)
    tapered = outage_case([0.5] * 40, [0.0, 6.0] + [0.0] * 38, full_kwh=2.0, taper_hours=1.0, **day)
    # room of 1 kWh, 1.8 kW offered: the taper binds at once and leaves exp(-1) of the room
    taken = (2.0 - 1.0) * (1 - math.exp(-1.0))
    assert backup_hours(tapered, stored, with_sun=True)[0] == pytest.approx(1 + (1.0 + taken) * 0.8 / 0.5)
    later = outage_case([0.5] * 40, [0.0, 6.0] + [0.0] * 38, full_kwh=2.0, taper_hours=0.25, **day)
    # 1.8 kW until 0.45 kWh are left to full, after 0.55/1.8 h; then an exponential
    taken = 1.0 - 0.45 * math.exp(-(1 - 0.55 / 1.8) / 0.25)
    assert backup_hours(later, stored, with_sun=True)[0] == pytest.approx(1 + (1.0 + taken) * 0.8 / 0.5)


# ---- what the inverter cannot carry ------------------------------------------------------------------------


def test_a_load_above_the_inverter_has_no_hours_however_much_sun_and_energy_there_are() -> None:
    case = outage_case([2.0] * 12, [10.0] * 12, inverter_kw=1.5, full_kwh=100.0, ceiling_kwh=100.0)
    for with_sun in (False, True):
        assert backup_hours(case, np.full(12, 100.0), with_sun).tolist() == [0.0] * 12
    assert backup_hours(outage_case([1.5] * 12, inverter_kw=1.5), np.full(12, 3.0)) == pytest.approx(2.0)


def test_hours_end_where_an_overload_begins() -> None:
    # 1 kW all day, and 3 kW in the sixth step, of an inverter that holds 2
    case = outage_case([1.0] * 5 + [3.0] + [1.0] * 6, [0.0, 4.0] + [0.0] * 10, inverter_kw=2.0)
    dark, sunny = (backup_hours(case, np.full(12, 9.0), with_sun) for with_sun in (False, True))
    assert dark.tolist() == [4.0, 3.0, 2.0, 1.0, 0.0, *[9.0] * 3, 8.0, 7.0, 6.0, 5.0]
    assert sunny[:5].tolist() == [4.0, 3.0, 2.0, 1.0, 0.0]
    assert np.all(backup_hours(case, np.full(12, 2.5))[:5] == [2.5, 2.5, 2.0, 1.0, 0.0])


def test_nothing_switched_off_is_another_figure() -> None:
    case = outage_case([0.5] * 6, load_kw=[1.0, 1.0, 1.0, 2.5, 1.0, 1.0], inverter_kw=2.0)
    stored = np.full(6, 4.0)
    assert backup_hours(case, stored, load="critical") == pytest.approx(8.0)
    assert backup_hours(case, stored, load="all") == pytest.approx([2.0, 1.0, 0.0, 4.0, 4.0, 3.0])
    summary = backup_summary(case, stored)
    assert summary.overload is None
    assert summary.all_overload is not None
    assert summary.all_overload.at == case.times[3]
    assert summary.all_overload.over_w == pytest.approx(500.0)
    assert summary.all_overload.hours == 1.0
    assert (summary.all_minimum, summary.all_median) == pytest.approx((0.0, 2.5))


def test_one_moment_says_whether_the_inverter_trips_and_when() -> None:
    case = outage_case([0.5] * 6, load_kw=[1.0, 1.0, 1.0, 2.5, 1.0, 1.0], inverter_kw=2.0)
    now = hours_at(case, 4.0, 2, 0.25)
    assert (now.hours, now.all_hours) == pytest.approx((8.0, 0.75))
    assert (now.trip, now.trips_at_once) == (None, False)
    assert now.all_trip is not None
    assert now.all_trip.at == case.times[3]
    assert now.all_trip.load_w == pytest.approx(2500.0)
    assert (now.need_w, now.all_need_w) == pytest.approx((500.0, 1000.0))
    assert hours_at(case, 4.0, 3).trips_at_once
    assert hours_at(case, 0.5, 4).all_trip is None  # empty before the overload comes
    wrapped = hours_at(case, 9.0, 4).all_trip
    assert wrapped is not None
    assert wrapped.at == case.times[5] + pd.Timedelta(hours=4)


kilowatts = st.floats(0.0, 3.0).map(lambda value: round(value, 3))


@st.composite
def cases(draw: st.DrawFn) -> tuple[Case, np.ndarray[Any, np.dtype[np.float64]]]:
    n = draw(st.integers(1, 30))
    full = draw(st.floats(1.0, 12.0))
    empty = draw(st.floats(0.0, 0.4)) * full
    ceiling = empty + draw(st.floats(0.2, 1.0)) * (full - empty)
    case = outage_case(
        draw(st.lists(kilowatts, min_size=n, max_size=n)),
        draw(st.lists(kilowatts, min_size=n, max_size=n)),
        idle_kw=draw(st.sampled_from([0.0, 0.02, 0.3])),
        dt_hours=draw(st.sampled_from([0.25, 0.5, 1.0])),
        full_kwh=full,
        empty_kwh=empty,
        ceiling_kwh=ceiling,
        eta_inverter=draw(st.floats(0.7, 1.0)),
        eta_discharge=draw(st.floats(0.7, 1.0)),
        eta_dc=draw(st.floats(0.7, 1.0)),
        total_charge_kw=draw(st.floats(0.0, 4.0)),
        inverter_kw=draw(st.floats(0.5, 4.0)),
        taper_hours=draw(st.sampled_from([0.0, 0.1, 0.7])),
        backup_horizon_hours=draw(st.sampled_from([3.0, 7.3, 40.0])),
    )
    shares = draw(st.lists(st.floats(0.0, 1.0), min_size=n, max_size=n))
    return case, empty + np.array(shares) * (ceiling - empty)


@settings(max_examples=200, deadline=None)
@given(cases())
def test_all_starts_at_once_equal_one_outage_at_a_time(
    drawn: tuple[Case, np.ndarray[Any, np.dtype[np.float64]]],
) -> None:
    case, stored_kwh = drawn
    for with_sun in (False, True):
        expected = [by_hand(case, float(level), t, with_sun=with_sun) for t, level in enumerate(stored_kwh)]
        found = backup_hours(case, stored_kwh, with_sun=with_sun)
        assert found == pytest.approx(expected, abs=1e-6)
        alone = [hours_at(case, float(level), t + 1) for t, level in enumerate(stored_kwh)]
        assert [one.hours_with_sun if with_sun else one.hours for one in alone] == pytest.approx(
            expected, abs=1e-6
        )


@settings(max_examples=100, deadline=None)
@given(cases(), st.floats(0.0, 1.0))
def test_sun_and_stored_energy_never_shorten_the_backup(
    drawn: tuple[Case, np.ndarray[Any, np.dtype[np.float64]]], share: float
) -> None:
    case, stored_kwh = drawn
    lower_kwh = case.limits.empty_kwh + share * (stored_kwh - case.limits.empty_kwh)
    dark = backup_hours(case, stored_kwh, with_sun=False)
    sunny = backup_hours(case, stored_kwh, with_sun=True)
    assert np.all(sunny >= dark - 1e-6)
    assert np.all(backup_hours(case, lower_kwh, with_sun=False) <= dark + 1e-6)
    assert np.all(backup_hours(case, lower_kwh, with_sun=True) <= sunny + 1e-6)


def test_summary_names_the_end_of_the_first_worst_step() -> None:
    stored = np.array([5.0, 2.0, 2.0, 8.0, 10.0])
    case = outage_case([1.0] * 5, [0.0, 0.0, 0.0, 4.0, 0.0], idle_kw=0.25, inverter_kw=1.25)
    summary = backup_summary(case, stored)
    assert summary.hours == pytest.approx(stored / 1.25)
    assert (summary.minimum, summary.median) == pytest.approx((1.6, 4.0))
    assert summary.p05 == pytest.approx(1.6)
    assert summary.worst_at == pd.Timestamp("2025-01-01 02:00", tz="Atlantic/Azores")
    # end of step 1: step 2 takes 1.25 of 2.0; step 3 serves 1.25 and stores 2.75, which lasts beyond the night
    assert summary.hours_with_sun[1] > summary.hours[1]
    assert summary.with_sun_minimum == pytest.approx(summary.hours_with_sun.min())
    assert summary.critical_peak_kw == pytest.approx(1.25)
    assert summary.carries_critical_peak
    over = backup_summary(outage_case([1.0] * 5, idle_kw=0.25, inverter_kw=1.2), stored)
    assert not over.carries_critical_peak
    assert over.hours.tolist() == [0.0] * 5
    assert over.overload is not None
    assert over.overload.over_w == pytest.approx(50.0)


def test_the_fifth_percentile_is_the_fifth_with_and_without_sun() -> None:
    levels = np.arange(101.0)  # the k-th percentile of 0 … 100 is k
    summary = backup_summary(
        outage_case([1.0] * 101, backup_horizon_hours=500.0, full_kwh=500.0, ceiling_kwh=500.0), levels
    )
    assert (summary.p05, summary.median, summary.all_p05) == pytest.approx((5.0, 50.0, 5.0))
    sunny = [2.0 if step % 2 else 0.0 for step in range(102)]
    case = outage_case([1.0] * 102, sunny, backup_horizon_hours=9.0)
    summary = backup_summary(case, np.linspace(0.0, 1.0, 102))
    by_rank = np.sort(summary.hours_with_sun)
    assert by_rank[5] > np.sort(summary.hours)[5]  # else nothing would tell the two apart
    assert summary.with_sun_p05 == pytest.approx(by_rank[5] + 0.05 * (by_rank[6] - by_rank[5]))


def test_a_level_that_lasts_a_horizon_longer_than_its_energy_stops_at_the_horizon() -> None:
    """A light load would carry the search far beyond the horizon; hours are cut there, part of a step included."""
    case = outage_case([0.001] * 4 + [5.0] * 4, backup_horizon_hours=2.5)
    assert backup_hours(case, np.full(8, 9.0)).tolist()[-1] == 2.5
    assert (
        backup_hours(outage_case([0.0] * 8, backup_horizon_hours=2.5), np.full(8, 9.0)).tolist() == [2.5] * 8
    )


def test_an_exactly_sufficient_charge_reaches_the_end_of_its_step_in_spite_of_rounding() -> None:
    # three times 0.1 is more than 0.3 in binary; the load then stops for ever
    case = outage_case([0.0, 0.1, 0.1, 0.1] + [0.0] * 20, backup_horizon_hours=20.0)
    for with_sun in (False, True):
        assert backup_hours(case, np.full(24, 0.3), with_sun)[0] == 20.0
        assert backup_hours(case, np.full(24, 0.3 - 1e-12), with_sun)[0] == 20.0
        assert backup_hours(case, np.full(24, 0.3 - 1e-6), with_sun)[0] < 3.0


def test_a_tie_broken_only_by_rounding_still_names_the_first_instant() -> None:
    summary = backup_summary(outage_case([0.5] * 4), np.array([3.0, 2.0 + 1e-10, 2.0, 2.5]))
    assert summary.worst_at == pd.Timestamp("2025-01-01 02:00", tz="Atlantic/Azores")


def test_an_overload_to_come_is_told_by_the_clock_whatever_the_step() -> None:
    kilowatts = [1.0] * 5 + [3.0] + [1.0] * 2  # the sixth half hour, from 02:30
    case = outage_case(kilowatts, dt_hours=0.5, inverter_kw=2.0)
    soon = hours_at(case, 9.0, 1, 0.25)  # at 00:45
    assert soon.trip is not None
    assert (soon.hours, soon.trip.at) == (1.75, pd.Timestamp("2025-01-01 02:30", tz="Atlantic/Azores"))
    assert soon.trip.hours == 0.5
    later = hours_at(case, 9.0, 6)  # at 03:00: the data end at 04:00 and begin again
    assert later.trip is not None
    assert (later.hours, later.trip.at) == (3.5, pd.Timestamp("2025-01-01 06:30", tz="Atlantic/Azores"))
