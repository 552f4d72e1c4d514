"""The cheapest hours of each local day, by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from homes.drafts import plain_draft
from homes.small_home import small_home

from dispatch.case.cheap_hours import cheapest_steps, hours_to_full, sun_to_load_first

if TYPE_CHECKING:
    from dispatch.case.case import Case


def by_the_hour(step_minutes: int = 60, hours: float | None = None) -> Case:
    """The small home, 31 October to 3 November, its three prices taken as prices of each hour."""
    strategies = {} if hours is None else {"cheapest_hours_per_day": hours}
    case = small_home(step_minutes=step_minutes, strategies=strategies).case()
    return replace(case, prices=replace(case.prices, hourly=True))


@pytest.mark.parametrize("step_minutes", [60, 30, 15])
def test_the_first_of_equal_hours_until_there_are_as_many_as_wanted(step_minutes: int) -> None:
    case = by_the_hour(step_minutes, 5.0)
    cheap = cheapest_steps(case)
    # nine hours cost the night's price: five from midnight on, four on the day that has 01:00 twice
    until = np.where(case.times.day == 2, 4, 5)
    assert cheap.tolist() == (case.times.hour < until).tolist()
    assert cheap.sum() == 4 * 5 * 60 // step_minutes


def test_a_cheap_hour_late_in_the_day_comes_before_a_dearer_one() -> None:
    case = by_the_hour(hours=11.0)
    cheap = cheapest_steps(case)
    # the nights' hours, nine and on the long day ten; then the first of the day's price
    first = case.times[case.times.day == 31]
    assert first[cheap[:24]].hour.tolist() == [*range(9), 22, 23]


def test_where_nothing_is_stated_the_charge_to_full_decides() -> None:
    case = by_the_hour()
    # 4.6 kWh of which 93 % at 900 W x 0.94: 5.06 hours, whole ones
    assert hours_to_full(case) == 6
    assert np.bincount(case.times.day[cheapest_steps(case)]).max() == 6


def test_named_windows_count_whole() -> None:
    case = small_home().case()
    night = (case.times.hour < 7) | (case.times.hour >= 22)
    assert cheapest_steps(case).tolist() == night.tolist()


@pytest.mark.parametrize(
    ("pack_kwh", "depth", "grid_w", "combined_w", "hours"),
    [
        (1.1, 1.0, 100, 1e6, 11),  # 11.000000000000002 as floats
        (1.1, 1.0, 1e6, 100, 11),
        (1.2, 0.75, 100, 1e6, 9),  # the lowest quarter is never empty
        (1.105, 1.0, 100, 1e6, 12),
        (1.1, 1.0, 0, 1e6, 0),  # it cannot charge
    ],
)
def test_whole_hours_to_full(
    pack_kwh: float, depth: float, grid_w: float, combined_w: float, hours: int
) -> None:
    case = plain_draft(
        [0.1] * 2,
        battery={
            "pack_kwh": pack_kwh,
            "depth_of_discharge_fraction": depth,
            "start": {"kwh": 1.0},
            "closing": {"kwh": 1.0},
        },
        charging={"grid_w": grid_w, "combined_w": combined_w},
    ).case()
    assert hours_to_full(case) == hours


def test_sun_that_serves_first_is_what_sun_need_and_inverter_allow() -> None:
    draft = small_home(
        days=1, step_minutes=30, inverter={"continuous_w": 1000, "efficiency_fraction": 0.8, "idle_on_w": 100}
    )
    sun, load = np.zeros(48), np.full(48, 0.3)
    sun[20:24], load[20:24] = [0.2, 2.0, 2.0, 1.5], [0.3, 0.3, 2.0, 1.1]
    case = replace(draft, columns={**draft.columns, "sun_kw": sun, "load_kw": load}).case()
    # kWh (DC) of half an hour: all the sun; 0.4 kW of load and idle draw; 1 kW of inverter, twice; each over 0.8
    assert sun_to_load_first(case)[19:25] == pytest.approx([0.0, 0.1, 0.25, 0.625, 0.625, 0.0])
