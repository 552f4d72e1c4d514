"""Outage statistics: published indices, expected loss against brute force and against closed forms."""

from __future__ import annotations

import math
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
from homes.generators import drafts, repeatable
from homes.small_home import small_home
from hypothesis import given
from hypothesis import strategies as st
from oracles.blackout import black_out, plain, plan
from oracles.outage_homes import random_home, told

from dispatch.outages.expected_loss import expected_loss, indices, rates_of, start_weights
from dispatch.scenario.outages import Outages

if TYPE_CHECKING:
    from homes.drafts import Draft

    from dispatch.case.case import Case

SMALL = ((1, 60), (1, 30), (2, 60), (3, 60))


# ---- indices -----------------------------------------------------------------------------------------------


def test_the_standards_worked_example() -> None:
    # from memory: IEEE Std 1366-2003, "IEEE Guide for Electric Power Distribution Reliability Indices", annex,
    # worked example with 2,000 customers: SAIFI 1.61, SAIDI 86.11 min, CAIDI 53.57 min, ASAI 0.999836
    minutes = (8.175, 71.3, 30.3, 267.2, 120, 10, 40)
    customers = (200, 600, 25, 90, 700, 1500, 100)
    found = indices(minutes, customers, 2000)
    assert found.saifi == pytest.approx(1.6075, abs=1e-12)
    assert found.saidi_hours * 60 == pytest.approx(86.11, abs=0.005)
    assert found.caidi_hours * 60 == pytest.approx(53.57, abs=0.005)
    assert found.asai_fraction == pytest.approx(0.999836, abs=5e-7)


def test_only_interruptions_longer_than_five_minutes_are_sustained() -> None:
    # U.S. Energy Information Administration, "Today in Energy", eia.gov/todayinenergy/detail.php?id=37652
    assert indices((5.0, 5.1), (100, 100), 100).saifi == 1.0


@pytest.mark.parametrize(
    ("customer_hours", "customers", "saidi"),
    [(224747, 24102, 9.32), (98559, 36059, 2.73), (74544, 39296, 1.90)],
)
def test_a_utilitys_published_durations(customer_hours: float, customers: int, saidi: float) -> None:
    # Paschim Gujarat Vij Company Ltd, reliability indices 2009-10, first quarter, sheet010, pgvcl.com (SAIDI rows)
    found = indices((customer_hours * 60 / customers,), (customers,), customers)
    assert found.saidi_hours == pytest.approx(saidi, abs=0.006)


@pytest.mark.parametrize(
    ("year", "minutes", "saifi", "caidi_minutes"),
    [
        # U.S. Energy Information Administration, US averages with major events: 2017 470 min and 1.4 interruptions
        # (eia.gov/todayinenergy/detail.php?id=37652); 2022 5.6 h and 1.4 (copy of the 2022 article)
        (2017, 470, 1.4, 336),
        (2022, 336, 1.4, 240),
    ],
)
def test_national_averages(year: int, minutes: float, saifi: float, caidi_minutes: float) -> None:
    rates = rates_of(Outages(saifi_per_year=saifi, caidi_hours=caidi_minutes / 60))
    assert rates.saidi_hours * 60 == pytest.approx(minutes, abs=0.5), year


def test_345_minutes_are_the_5_8_hours_of_2018() -> None:
    # U.S. Energy Information Administration, Electric Power Monthly, 2018: 5.8 h (345 min)
    assert round(Outages(saifi_per_year=1.0, caidi_hours=345 / 60).caidi_hours or 0, 1) == 5.8


def test_past_outages() -> None:
    past = [{"minutes": 3.0}, {"minutes": 120.0}, {"minutes": 240.0}]
    rates = rates_of(Outages.model_validate({"past": past, "years_observed": 4.0}))
    assert (rates.saifi_per_year, rates.caidi_hours, rates.momentary) == (0.5, 3.0, 1)
    assert rates.fixed_hours == (2.0, 4.0)


# ---- expected loss against brute force ---------------------------------------------------------------------


def brute_force(case: Case, stored: list[float], hours: float, survival: Any) -> tuple[float, float]:  # noqa: ANN401
    """Loop over every start: kWh and hours lost per outage, all starts alike."""
    hardware, series = plain(case)
    count = len(case.times)
    steps = math.ceil(hours / case.dt_hours - 1e-9)
    kwh = dark = 0.0
    for start in range(count):
        parts = [((start + 1 + k) % count, 1.0) for k in range(steps)]
        lost = black_out(hardware, series, case.dt_hours, stored[start], parts).expected(survival)
        kwh, dark = kwh + lost[0] / count, dark + lost[1] / count
    return kwh, dark


def fixed(length: float) -> Any:  # noqa: ANN401
    return lambda begin, end: max(min(end, length) - begin, 0.0)


def exponential(mean: float) -> Any:  # noqa: ANN401
    return lambda begin, end: mean * (math.exp(-begin / mean) - math.exp(-end / mean))


@repeatable(25)
@given(draft=drafts(SMALL), data=st.data())
def test_expected_loss_is_the_mean_over_every_start(draft: Draft, data: st.DataObject) -> None:
    case = draft.case()
    low, high = case.limits.empty_kwh, case.limits.ceiling_kwh
    count = len(case.times)
    shares = data.draw(st.lists(st.sampled_from((0.0, 0.1, 0.4, 1.0)), min_size=count, max_size=count))
    stored = [low + share * (high - low) for share in shares]
    length = data.draw(st.sampled_from((0.25, 1.0, 2.6, 5.0, 9.0)))
    for durations, survival, reach in (
        ("fixed", fixed(length), length),
        ("exponential", exponential(length), 30 * length),
    ):
        # the brute force follows thirty mean lengths: beyond lies one outage in ten million million
        stated = Outages(
            saifi_per_year=2.0, caidi_hours=length, durations=durations, horizon_hours=30 * length
        )
        found = expected_loss(case, plan(case, stored), stated)
        kwh, dark = brute_force(case, stored, reach, survival)
        assert found.per_outage_kwh == pytest.approx(kwh, rel=1e-7, abs=1e-8), durations
        assert found.per_outage_hours == pytest.approx(dark, rel=1e-7, abs=1e-7), durations
        assert found.unserved_kwh == pytest.approx(2 * found.per_outage_kwh)


@repeatable(20)
@given(draft=drafts(SMALL), data=st.data())
def test_the_closed_tail_continues_what_was_followed(draft: Draft, data: st.DataObject) -> None:
    """Without sun and self-discharge the horizon is immaterial: the closed form takes over exactly."""
    draft = draft.changed(battery={"self_discharge_per_hour_fraction": 0.0})
    case = draft.case()
    low, high = case.limits.empty_kwh, case.limits.ceiling_kwh
    stored = [low + share * (high - low) for share in np.linspace(0.1, 1, len(case.times))]
    mean = data.draw(st.sampled_from((1.0, 4.0, 30.0)))
    losses = [
        expected_loss(
            case,
            plan(case, stored),
            Outages(saifi_per_year=1.0, caidi_hours=mean, horizon_hours=hours),
            sun=False,
        )
        for hours in (case.dt_hours, 7.0, 12.0 * mean)
    ]
    for loss in losses[1:]:
        assert loss.unserved_kwh == pytest.approx(losses[0].unserved_kwh, rel=1e-7, abs=1e-9)
        assert loss.unserved_hours == pytest.approx(losses[0].unserved_hours, rel=1e-7, abs=1e-9)


# ---- closed forms ------------------------------------------------------------------------------------------


def constant_home(**battery: Any) -> Case:  # noqa: ANN401
    """400 W of critical load, no idle draw, no losses, no sun."""
    battery = {
        "discharge_efficiency_fraction": 1.0,
        "depth_of_discharge_fraction": 1.0,
        "self_discharge_per_hour_fraction": 0.0,
        **battery,
    }
    inverter = {"efficiency_fraction": 1.0, "idle_on_w": 0}
    return small_home(sun=False, critical_load={"watts": 400}, battery=battery, inverter=inverter).case()


@pytest.mark.parametrize(
    ("mean", "stored"),
    [*product((0.7, 3.0, 12.0, 60.0), (0.0, 0.3, 2.0, 4.6))],
    ids=lambda value: f"{value:g}",
)
def test_constant_load_and_exponential_lengths(mean: float, stored: float) -> None:
    # derived: P(D > h) = exp(-h/m); memoryless, so what is lost is power x mean x that chance
    case = constant_home()
    loss = expected_loss(
        case, plan(case, [stored] * len(case.times)), Outages(saifi_per_year=1.4, caidi_hours=mean)
    )
    lasting = stored / 0.4
    assert loss.unserved_hours == pytest.approx(1.4 * mean * math.exp(-lasting / mean), rel=1e-9)
    assert loss.unserved_kwh == pytest.approx(0.4 * loss.unserved_hours, rel=1e-9)


@pytest.mark.parametrize(("length", "lost"), [(3.0, 0.0), (5.0, 0.0), (6.5, 0.6), (12.0, 2.8)])
def test_constant_load_and_fixed_lengths(length: float, lost: float) -> None:
    case = constant_home()  # 2 kWh last five hours
    stated = Outages(saifi_per_year=1.0, caidi_hours=length, durations="fixed")
    loss = expected_loss(case, plan(case, [2.0] * len(case.times)), stated)
    assert loss.unserved_kwh == pytest.approx(lost, abs=1e-9)


def test_a_list_of_past_outages_is_the_mean_over_its_lengths() -> None:
    case = constant_home()
    past = [{"minutes": 60.0 * hours} for hours in (3.0, 6.5, 12.0)]
    stated = Outages.model_validate({"past": past, "years_observed": 1.5})
    loss = expected_loss(case, plan(case, [2.0] * len(case.times)), stated)
    assert loss.per_outage_kwh == pytest.approx((0.0 + 0.6 + 2.8) / 3, abs=1e-9)
    assert loss.unserved_kwh == pytest.approx((0.0 + 0.6 + 2.8) / 1.5, abs=1e-9)


def test_without_a_system_every_hour_is_lost() -> None:
    case = constant_home()
    stated = Outages(saifi_per_year=1.3, caidi_hours=2.5, value_of_lost_load_per_kwh=8.0)
    loss = expected_loss(case, plan(case, [0.0] * len(case.times), has_system=False), stated)
    assert loss.unserved_hours == pytest.approx(1.3 * 2.5)
    assert loss.money == pytest.approx(8.0 * 0.4 * 1.3 * 2.5)


def heavy_evening(**sections: Any) -> Case:  # noqa: ANN401
    """0.5 kW of critical load and, from 19:00 to 20:00, 2 kW more than the inverter holds; no losses."""
    appliances = [
        {"name": "lamps", "watts": 500.0, "hours_per_day": 24.0, "priority": 1},
        {"name": "oven", "watts": 2000.0, "hours_per_day": 1.0, "starts_at": "19:00", "priority": 2},
    ]
    draft = small_home(
        sun=False,
        battery={
            "discharge_efficiency_fraction": 1.0,
            "depth_of_discharge_fraction": 1.0,
            "self_discharge_per_hour_fraction": 0.0,
        },
        inverter={"efficiency_fraction": 1.0, "idle_on_w": 0, "continuous_w": 2000},
        critical_load=None,
        **sections,
    )
    return draft.changed(critical_load={"appliances": appliances}).case()


def test_a_step_the_inverter_cannot_carry_is_lost() -> None:
    case = heavy_evening()
    only = [[0.0] * 24 for _ in range(12)]
    only[9][18] = 1.0  # the last day of October, 18:00
    stated = {"saifi_per_year": 1.0, "caidi_hours": 3.0, "durations": "fixed", "start_weights": only}
    loss = expected_loss(case, plan(case, [4.0] * len(case.times)), Outages.model_validate(stated))
    # 18 to 21: the oven is left off for its hour, which is then not fully served; the lamps stay on
    assert (loss.per_outage_kwh, loss.per_outage_hours) == pytest.approx((2.0, 1.0))
    whole = small_home(
        sun=False, inverter={"efficiency_fraction": 1.0, "idle_on_w": 0, "continuous_w": 200}
    ).case()  # 240 W, unranked: nothing at all is carried
    stated = {"saifi_per_year": 1.0, "caidi_hours": 3.0}
    loss = expected_loss(whole, plan(whole, [4.0] * len(whole.times)), Outages.model_validate(stated))
    assert (loss.per_outage_kwh, loss.per_outage_hours) == pytest.approx((0.24 * 3.0, 3.0))


def test_overload_is_lost_in_the_tail_too() -> None:
    """The horizon is immaterial: what the closed form takes over it counts as the played hours do."""
    case = heavy_evening()
    stored = [0.2 + 4.0 * share for share in np.linspace(0, 1, len(case.times))]
    losses = [
        expected_loss(
            case,
            plan(case, stored),
            Outages(saifi_per_year=1.0, caidi_hours=5.0, horizon_hours=hours),
        )
        for hours in (1.0, 9.0, 80.0)
    ]
    for loss in losses[1:]:
        assert loss.unserved_kwh == pytest.approx(losses[0].unserved_kwh, rel=1e-7)
        assert loss.unserved_hours == pytest.approx(losses[0].unserved_hours, rel=1e-7)


@pytest.mark.parametrize("seed", range(12))
def test_expected_loss_with_ranks_and_generator_is_the_mean_over_every_start(seed: int) -> None:
    case, random = random_home(1000 + seed)
    count = len(case.times)
    low, high = case.limits.empty_kwh, case.limits.ceiling_kwh
    stored = (low + random.uniform(0, 1, count) * (high - low)).tolist()
    length = float(random.choice([1.0, 2.6, 7.0]))
    things, engine = told(case)
    steps = math.ceil(length / case.dt_hours - 1e-9)
    chosen = range(0, count, 7)
    kwh = dark = 0.0
    for start in chosen:
        parts = [((start + 1 + k) % count, 1.0) for k in range(steps)]
        hand = black_out(*plain(case), case.dt_hours, stored[start], parts, things, engine)
        lost = hand.expected(fixed(length))
        kwh, dark = kwh + lost[0] / len(chosen), dark + lost[1] / len(chosen)
    weights = np.zeros(count)
    weights[list(chosen)] = 1.0 / len(chosen)
    stated = Outages(saifi_per_year=2.0, caidi_hours=length, durations="fixed")
    found = expected_loss(case, plan(case, stored), stated, weights=weights)
    assert found.per_outage_kwh == pytest.approx(kwh, abs=1e-6)
    assert found.per_outage_hours == pytest.approx(dark, abs=1e-6)


def test_what_is_shed_on_purpose_is_not_served_all_the_same() -> None:
    appliances = [{"name": "heater", "watts": 400.0, "hours_per_day": 24.0, "shed_below_percent": 50.0}]
    draft = small_home(sun=False, inverter={"efficiency_fraction": 1.0, "idle_on_w": 0})
    draft = draft.changed(critical_load=None).changed(critical_load={"appliances": appliances})
    case = draft.case()
    stated = Outages(saifi_per_year=1.0, caidi_hours=3.0, durations="fixed")
    loss = expected_loss(case, plan(case, [0.4 * case.limits.full_kwh] * len(case.times)), stated)
    assert [loss.unserved_kwh, loss.unserved_hours] == pytest.approx([1.2, 0.0])


# ---- weights -----------------------------------------------------------------------------------------------


def test_weights_of_month_and_hour_choose_the_starts() -> None:
    case = constant_home()
    only = [[0.0] * 24 for _ in range(12)]
    only[10][18] = 3.0  # November, from 18:00 to 19:00
    stated = Outages.model_validate({"saifi_per_year": 1.0, "caidi_hours": 2.0, "start_weights": only})
    weights = start_weights(case, stated)
    begins = case.times + pd.Timedelta(hours=1)
    chosen = (begins.month == 11) & (begins.hour == 18)
    assert weights[~chosen].sum() == 0.0
    assert weights[chosen].sum() == pytest.approx(1.0)
    # full at those instants, empty at all others: only what those starts leave counts
    stored = np.where(chosen, 4.6, 0.0).tolist()
    loss = expected_loss(case, plan(case, stored), stated)
    assert loss.unserved_hours == pytest.approx(2.0 * math.exp(-4.6 / 0.4 / 2.0), rel=1e-9)


def test_what_is_lost_beyond_the_horizon_is_a_part_of_what_is_lost() -> None:
    case = constant_home()
    full = plan(case, [2.0] * len(case.times))
    loss = expected_loss(case, full, Outages(saifi_per_year=1.4, caidi_hours=60.0))
    # derived: memoryless, so beyond h hours lies what follows them, once the five hours of the battery are over
    after = loss.beyond_horizon_kwh / (1.4 * 0.4 * 60.0)
    assert 0.0 < after < math.exp(-5.0 / 60.0)
    assert loss.beyond_horizon_kwh < loss.unserved_kwh
    fixed = Outages(saifi_per_year=1.4, caidi_hours=12.0, durations="fixed")
    assert expected_loss(case, full, fixed).beyond_horizon_kwh == 0.0
