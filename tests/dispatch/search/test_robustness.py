"""Other years: drawn from like days only, the same for the same seed, and each what it would be alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from homes.small_home import small_home

from dispatch.cards.plain import plain_card
from dispatch.cards.space import device_space
from dispatch.cards.tables import Tables
from dispatch.outages.hours import backup_hours
from dispatch.rules.replay import replay
from dispatch.search.other_years import REACH_DAYS, DrawnYears, drawn_steps, robustness


def test_every_day_is_replaced_by_a_like_one() -> None:
    case = small_home(days=70, first="2025-09-20").case()
    steps = drawn_steps(case, 20, 7)
    times = case.times
    for year in range(20):
        drawn = times[steps[:, year]]
        assert (drawn.day_of_week == times.day_of_week).all()
        assert (drawn.hour == times.hour).all()
        assert np.abs(np.asarray(drawn.day_of_year) - np.asarray(times.day_of_year)).max() <= REACH_DAYS
        assert (case.prices.season[steps[:, year]] == case.prices.season).all()
    assert len(np.unique(steps[5])) > 1  # days are drawn, not copied


def test_the_same_seed_gives_the_same_years() -> None:
    case = small_home(days=28).case()
    assert np.array_equal(drawn_steps(case, 5, 3), drawn_steps(case, 5, 3))
    assert not np.array_equal(drawn_steps(case, 5, 3), drawn_steps(case, 5, 4))


def test_each_year_is_what_it_would_be_alone() -> None:
    case = small_home(days=28).case()
    space = device_space(case)
    card = plain_card(case, space, "off-peak-first", space.reserves[0])
    orders = Tables(case, space).orders([card])
    drawn = DrawnYears(case, years=4, seed=11)
    run = drawn.run(card, orders, case.limits.start_kwh)
    result = robustness(drawn, run, run)
    steps = drawn_steps(case, 4, 11)
    prices = case.prices
    for year in range(4):
        where = steps[:, year]
        alone = replace(
            case,
            load_kwh=case.load_kwh[where],
            other_kwh=case.other_kwh[where],
            sun_kwh=case.sun_kwh[where],
            critical_kwh=case.critical_kwh[where],
        )
        flows = replay(alone, orders, ("alone",))[0]
        bought = float(flows["import"] @ prices.import_price_per_kwh)
        bill = bought - float(flows["export"] @ prices.export_price_per_kwh) + prices.fixed_total
        without = float((alone.load_kwh + alone.other_kwh) @ prices.import_price_per_kwh) + prices.fixed_total
        assert result.savings[year] == pytest.approx(without - bill, abs=1e-8)
        hours = backup_hours(alone, flows["stored"], with_sun=False).min()
        assert result.minimums[year] == pytest.approx(hours, abs=1e-8)
    assert result.saving.low <= result.saving.median <= result.saving.high
