"""What the program makes of a tariff: the bill's money, the true optimum, and nothing for nothing."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
from homes.generators import repeatable
from homes.tariff_homes import changed, home, random_home
from homes.tariff_shapes import cases
from hypothesis import given
from hypothesis import strategies as st
from oracles.tariff_oracle import least_cost

import tariffs
from dispatch import ScenarioError
from dispatch.errors import NoProgram
from dispatch.program.program import Program
from dispatch.program.self_trading import PAYS, burn_gain, trade_gain
from dispatch.program.solver import Gap
from dispatch.strategies.solve import solve
from dispatch.strategies.table import STRATEGIES
from tariffs.terms.slopes import views_of

if TYPE_CHECKING:
    from homes.tariff_shapes import Case as Drawn

    from dispatch.case.case import Case
    from dispatch.strategies.solved import Solved

EXACT = Gap(1e-6, 1e-6)  # these cases are short and cheap: held to far less than a household would notice
LEAST_COST = STRATEGIES["least-cost"]
HEAD = 'name = "by hand"\ncurrency = "EUR"\n'
FLAT = (
    HEAD + "[bands.all]\nimport_price_per_kwh = {price}\n[[windows]]\nband = 'all'\nhours = '00:00-24:00'\n"
)


def hours(count: int, first: str = "2025-06-02") -> pd.DatetimeIndex:
    return pd.date_range(first, periods=count, freq="h", tz="UTC")


def solved(case: Case, strategy: str = "least-cost") -> Solved:
    return solve(Program(case, EXACT), STRATEGIES[strategy])


def burden(case: Case, found: Solved) -> float:
    """Bill and wear by the program's account."""
    return found.money + found.flows.wear + case.prices.fixed_total


def assert_money_is_the_bill(case: Case, found: Solved) -> None:
    bill = tariffs.bill(case.tariff, case.times, case.dt_hours, found.flows["import"], found.flows["export"])
    money = found.money + case.prices.fixed_total
    size = sum(abs(float(line.amount)) for period in bill.periods for line in period.lines)
    assert money == pytest.approx(float(bill.total_unrounded), rel=1e-6, abs=1e-6 * max(1.0, size))


def both_ways(found: Solved) -> tuple[float, float]:
    """Most that any step imports and exports at once, and charges and discharges at once. [kWh]."""
    flows = found.flows
    into = flows["grid_to_battery"] + flows["sun_to_battery"]
    out = flows["battery_to_load"] + flows["battery_to_grid"]
    return float(np.minimum(flows["import"], flows["export"]).max()), float(np.minimum(into, out).max())


# ---- every shape: the money is the bill's, the optimum is scipy's ------------------------------------------------


@repeatable(12)
@given(drawn=cases(), seed=st.integers(0, 10**6))
def test_money_is_the_bill_in_every_strategy(drawn: Drawn, seed: int) -> None:
    case = random_home(drawn.tariff(), drawn.times[: 2 * round(24 / drawn.dt_hours)], seed)
    try:
        program = Program(case, EXACT)
    except ScenarioError:
        return
    for strategy in STRATEGIES.values():
        found = solve(program, strategy)
        assert_money_is_the_bill(case, found)
        assert found.gap is None or found.gap <= EXACT.relative or found.gap * abs(burden(case, found)) < 1e-5


@repeatable(15)
@given(drawn=cases(), seed=st.integers(0, 10**6))
def test_least_cost_is_what_scipy_finds(drawn: Drawn, seed: int) -> None:
    case = random_home(drawn.tariff(), drawn.times[:24], seed)
    if case.limits.bypass_kw is not None:
        return  # a full bypass allows charging and discharging at once, which the oracle forbids everywhere
    try:
        found = solved(case)
    except ScenarioError:
        return
    if any(found.stage_values[name] > 1e-9 for name in ("floor_shortfall", "closing_shortfall")):
        return
    assert burden(case, found) == pytest.approx(least_cost(case), rel=2e-6, abs=4e-6)


BLOCKS = """[[blocks]]
name = "b"
{more}
steps = [{{ up_to_kwh = {limit}, price_per_kwh = {low} }}, {{ price_per_kwh = {high} }}]
"""
WHOLE = "[billing]\npart_periods = 'whole'\n"
READS = "[billing]\nread_dates = [2025-06-01, 2025-06-02, 2025-06-03, 2025-06-04]\n"
TWO = """[bands.night]
import_price_per_kwh = {night}
export_price_per_kwh = {sold}
[bands.day]
import_price_per_kwh = {day}
export_price_per_kwh = {sold}
[[windows]]
band = "night"
hours = "21:00-09:00"
[[windows]]
band = "day"
hours = "09:00-21:00"
"""
NETTED = TWO.replace("export_price_per_kwh = {sold}\n", "")


def two(night: float = 0.1, day: float = 0.3, sold: float = 0.05) -> str:
    return HEAD + TWO.format(night=night, day=day, sold=sold)


def netted(night: float, day: float, across: str, surplus: str, *more: str) -> str:
    order = '\norder = ["night", "day"]' if across != "same-band" else ""
    text = HEAD + NETTED.format(night=night, day=day) + READS
    return f'{text}[netting]\nacross = "{across}"\nsurplus = "{surplus}"{order}\n' + "\n".join(more)


RISING_DAY = "[[versions]]\nvalid_from = 2025-06-03\n[versions.bands.day]\nimport_price_per_kwh = 0.9\n"
SHAPES = {
    "rising": two() + READS + BLOCKS.format(limit=9, low=0.0, high=0.2, more=""),
    "falling": two() + READS + BLOCKS.format(limit=9, low=0.2, high=0.0, more=""),
    "falling inside one band": two()
    + READS
    + BLOCKS.format(limit=4, low=0.2, high=0.0, more="bands = ['day']"),
    "whole-band": two() + READS + BLOCKS.format(limit=9, low=0.0, high=0.2, more="whole_band = true"),
    "whole-band that falls": two()
    + READS
    + BLOCKS.format(limit=12, low=0.3, high=0.05, more="whole_band = true"),
    "class by past use": two()
    + READS
    + BLOCKS.format(
        limit=8, low=0.05, high=0.25, more="whole_band = true\npast_use = { months = 1, past_each_kwh = 3 }"
    ),
    "class by past use, with the bill's own and tiers inside": two()
    + READS
    + "[[blocks]]\nwhole_band = true\npast_use = { months = 2, past_each_kwh = 3, with_this_bill = true }\n"
    "steps = [{ up_to_kwh = 6, price_per_kwh = 0.02 }, { fixed_per_month = 1, inside = ["
    "{ up_to_kwh = 4, price_per_kwh = 0.05 }, { price_per_kwh = 0.3 }] }]\n[minimum]\nper_day = 2\n",
    "credit in money": two(sold=0.25) + READS + "[export_credit]\n",
    "credit in money against tiers whose first kWh are cheaper": two(sold=0.25)
    + READS
    + BLOCKS.format(limit=5, low=-0.08, high=0.0, more="")
    + "[export_credit]\n",
    "credit in money against all but the meter, with a tax, settled": two(sold=0.2)
    + READS
    + "[[charges]]\nper_day = 1\n[[adjustments]]\nname = 'tax'\npercent = 10\n[export_credit]\nopening_amount = 0.3\n"
    "applies_to = ['energy', 'tax']\nsettlement = '06-02'\nsettlement_percent = 50\n",
    "credit in money for the next bill, of blocks that rise": two(sold=0.05)
    + READS
    + BLOCKS.format(limit=3, low=0.1, high=0.4, more="of = 'export'")
    + "[export_credit]\nfirst_use = 'next-bill'\n",
    "rebate below the mean of a day": two()
    + "[[rebates]]\nname = 'r'\nprice_per_kwh = 0.5\ndates = 2025-06-03\nhours = '06:00-11:00'\nlike_days = 1\n",
    "rebate below the highest of two days": two()
    + "[[rebates]]\nname = 'r'\nprice_per_kwh = 0.5\ndates = 2025-06-04\nhours = '05:00-09:00'\nlike_days = 2\n"
    "highest_days = 1\nlike = 'any-day'\n",
    "rebate below a told baseline, and a minimum": two()
    + "[[rebates]]\nname = 'r'\nprice_per_kwh = 0.4\ndates = [2025-06-02, 2025-06-03]\nhours = '06:00-10:00'\n"
    "known_baseline_kwh = { '2025-06-02' = 2.5, '2025-06-03' = 0.2 }\n[minimum]\nper_day = 2\n"
    "applies_to = ['energy', 'credits']\n",
    "rising credit": two() + READS + BLOCKS.format(limit=3, low=0.0, high=0.2, more="of = 'export'"),
    "whole-band credit": two()
    + READS
    + BLOCKS.format(limit=3, low=0.0, high=0.2, more="of = 'export'\nwhole_band = true"),
    "negative block": two() + READS + BLOCKS.format(limit=5, low=-0.2, high=0.1, more=""),
    "falling demand": two()
    + "[[demand]]\nsteps = [{ up_to_kw = 1, price_per_kw = 5 }, { price_per_kw = 1 }]\n",
    "demand of days": two() + "[[demand]]\nprice_per_kw = 2\nhighest_days = 2\n",
    "highest hours on any day, half at night": two()
    + "[[demand]]\nprice_per_kw = 2\nhighest_intervals = 2\nwindows = [{ hours = '06:00-22:00' }, "
    "{ hours = '22:00-06:00', counted_percent = 50 }]\n",
    "called hours in kVA": two()
    + "[[demand]]\nprice_per_kva = 3\npower_factor = 0.9\nhighest_intervals = 'all'\n"
    "called_hours = ['2025-06-02 18:00', '2025-06-02 21:00', '2025-06-03 07:00']\n",
    "mean of months": two()
    + READS
    + "[[demand]]\nprice_per_kw = 9\nrolling_mean = { months = 4, each_at_least_kw = 0.4, past_each_kw = 1.1 }\n",
    "ratchet": two()
    + READS
    + "[[demand]]\nprice_per_kw = 2\nratchet = { percent = 80, past_highest_kw = 1.0 }\n",
    "minimum": two() + READS + "[minimum]\nper_day = 2.5\n",
    "minimum before a rebate": two()
    + READS
    + "[minimum]\nper_day = 4\n[[adjustments]]\nname = 'rebate'\npercent = -30\napplies_to = ['energy']\n",
    "minimum without exports": two() + READS + "[minimum]\nper_day = 4\napplies_to = ['energy']\n",
    "same band, carried": netted(0.1, 0.3, "same-band", "carry", RISING_DAY),
    "any band, carried": netted(0.1, 0.3, "any-band", "carry", RISING_DAY),
    "same band first, paid": netted(0.1, 0.3, "same-band-first", "paid", "surplus_price_per_kwh = 0.04"),
    "any band, lost": netted(0.1, 0.3, "any-band", "lost"),
    "yearly tiers": two()
    + READS
    + BLOCKS.format(limit=12, low=0.0, high=0.2, more="yearly_from = '01-01'\nused_kwh = 4"),
    "yearly tiers that fall": two()
    + READS
    + BLOCKS.format(limit=12, low=0.2, high=0.0, more="yearly_from = '01-01'\nused_kwh = 4"),
    "yearly tiers whose price changes, under a minimum": two()
    + READS
    + BLOCKS.format(limit=12, low=0.0, high=0.2, more="yearly_from = '01-01'\nused_kwh = 4")
    + "[[versions]]\nvalid_from = 2025-06-03\nblocks = [{ name = 'b', steps = ["
    "{ up_to_kwh = 12, price_per_kwh = 0.1 }, "
    "{ price_per_kwh = 0.15 }] }]\n[minimum]\nper_day = 2\n",
    "tiers of one band after another": two() + READS + "[[blocks]]\nshared = ['day', 'night']\nsteps = ["
    "{ up_to_kwh = 8, price_by_band = { day = -0.1, night = -0.02 } }, "
    "{ price_by_band = { day = 0.2, night = 0.05 } }]\n",
    "a rebate of so much at most": two()
    + READS
    + "[[adjustments]]\nname = 'rebate'\npercent = -40\nat_most = 0.9\n",
    "a tax of so much at most": two()
    + READS
    + "[[adjustments]]\nname = 'tax'\npercent = 60\nat_most = 0.9\n",
    "a tax by tiers of money, and one on it": two()
    + READS
    + "[[adjustments]]\nname = 'tax'\nsteps = [{ up_to_amount = 1.2, percent = 10 }, { percent = 90 }]\n"
    "[[adjustments]]\nname = 'more'\nwhole_band = true\nsteps = [{ up_to_amount = 2, percent = 0 }, { percent = 5 }]\n",
    "kWh minimum in tiers": two()
    + READS
    + BLOCKS.format(limit=9, low=0.05, high=0.2, more="")
    + "[minimum]\nkwh_per_day = 10\nband = 'night'\n",
    "two minimums, one of the other": two()
    + READS
    + "[[minimum]]\nname = 'a'\nper_day = 1.5\napplies_to = ['energy']\n[[minimum]]\nname = 'b'\nper_day = 2.1\n"
    "applies_to = ['a', 'energy', 'export']\n",
    "losses at the last tier": two()
    + READS
    + BLOCKS.format(limit=9, low=0.05, high=0.2, more="")
    + "[losses]\nloss_factor = 1.2\ntiers = 'last'\napplies_to = ['b']\n",
    "negative nights": two(night=-0.2, sold=-0.1),
    "negative nights before which the cells are best empty": two(night=-0.3, sold=0.02),
    "sold dearer than bought": two(sold=0.2),
}


UNSTATABLE = {
    "bands that share tiers in proportion": two()
    + "[[blocks]]\nshared = 'in-proportion'\nsteps = [{ up_to_kwh = 8, percent_of_band = 1 }, "
    "{ percent_of_band = 5 }]\n",
    "its tiers are of energy while it is of money": two()
    + "[[adjustments]]\nname = 'tax'\nsteps = [{ up_to_kwh = 8, percent = 1 }, { percent = 9 }]\n",
    "it is set against can be less than nothing": two()
    + BLOCKS.format(limit=5, low=-0.12, high=0.0, more="")
    + "[export_credit]\n",
    "limits change within the year": two()
    + READS
    + BLOCKS.format(limit=12, low=0.0, high=0.2, more="yearly_from = '01-01'\nused_kwh = 4")
    + "[[versions]]\nvalid_from = 2025-06-03\nblocks = [{ name = 'b', steps = [{ up_to_kwh = 9, price_per_kwh = 0.1 }, "
    "{ price_per_kwh = 0.3 }] }]\n",
}


@pytest.mark.parametrize("why", UNSTATABLE)
def test_what_cannot_be_stated_says_why(why: str) -> None:
    with pytest.raises(NoProgram, match=why):
        Program(sunny(UNSTATABLE[why]))


HARD = {
    "minimum before a rebate": 14,
    "negative nights": 24,
    "negative nights before which the cells are best empty": 24,
    "minimum without exports": 24,
    "rebate below the highest of two days": 58,
}
"""Steps of shapes in which wasting would pay in every step alike, which no bound can tell apart."""


def sunny(text: str, count: int = 36) -> Case:
    """A home with more sun than load by day, and a battery that may feed in."""
    tariff, times = tariffs.parse_tariff(text, "tariff.toml"), hours(count)
    hour = times.hour.to_numpy()
    sun = 2.2 * np.maximum(0.0, np.sin((hour - 6.5) / 12 * np.pi)) * (1 - 0.5 * (np.arange(count) > 23))
    load = 0.3 + 0.5 * (hour > 17) + 0.05 * np.sin(np.arange(count))
    return home(tariff, times, load_kwh=load, other_kwh=np.full(count, 0.1), sun_kwh=sun)


@pytest.mark.parametrize("shape", SHAPES)
def test_each_shape_by_name_is_priced_and_optimal(shape: str) -> None:
    case = sunny(SHAPES[shape], HARD.get(shape, 36))
    program = Program(case, EXACT)
    for name, strategy in STRATEGIES.items():
        found = solve(program, strategy)
        assert_money_is_the_bill(case, found)
        assert max(both_ways(found)) < 1e-6
        if name == "least-cost":
            assert burden(case, found) == pytest.approx(least_cost(case), rel=2e-6, abs=4e-6)


# ---- solved by hand -----------------------------------------------------------------------------------------------

IDEAL: dict[str, dict[str, Any]] = {
    "battery": {
        "pack_kwh": 2.0,
        "charger_efficiency_fraction": 1.0,
        "solar_charge_efficiency_fraction": 1.0,
        "discharge_efficiency_fraction": 1.0,
        "start": {"kwh": 2.0},
        "closing": {"kwh": 2.0},
    },
    "inverter": {"continuous_w": 5000.0, "efficiency_fraction": 1.0, "idle_on_w": 0.0},
    "charging": {"grid_w": 5000.0, "solar_w": 5000.0, "combined_w": 5000.0},
}


def test_a_demand_charge_alone_cuts_the_peak_by_the_battery() -> None:
    # derived: 28 kWh at 0.10 and the peak at 10 per kW; 2 kWh cut it from 5 to 3 kW
    tariff = tariffs.parse_tariff(FLAT.format(price=0.1) + "[[demand]]\nprice_per_kw = 10\n", "tariff.toml")
    load = [1.0] * 12 + [5.0] + [1.0] * 11
    case = home(tariff, hours(24, "2025-06-30"), changed(**IDEAL), load_kwh=load)
    without = tariffs.bill(tariff, case.times, 1.0, case.load_kwh, np.zeros(24))
    found = solved(case)
    # one day of June: demand charges are owed in full only where part periods are whole
    share = case.prices.demand[0].schedules[0](1.0) / 10
    assert float(without.total_unrounded) == pytest.approx(2.8 + 50.0 * share)
    assert burden(case, found) == pytest.approx(2.8 + 30.0 * share)
    assert found.flows["import"].max() == pytest.approx(3.0)


def test_the_same_demand_charge_owed_for_a_whole_month() -> None:
    text = FLAT.format(price=0.1) + "[[demand]]\nprice_per_kw = 10\n[billing]\npart_periods = 'whole'\n"
    load = [1.0] * 12 + [5.0] + [1.0] * 11
    case = home(tariffs.parse_tariff(text, "t"), hours(24), changed(**IDEAL), load_kwh=load)
    without = tariffs.bill(case.tariff, case.times, 1.0, case.load_kwh, np.zeros(24))
    assert float(without.total_unrounded) == pytest.approx(52.80)
    assert burden(case, solved(case)) == pytest.approx(32.80)


@pytest.mark.parametrize(
    ("low", "high", "more", "money"),
    [
        # 8 kWh bought whatever is done, 4 of them in each block
        (0.1, 0.3, "", 4 * 0.1 + 4 * 0.3),
        (0.3, 0.1, "", 4 * 0.3 + 4 * 0.1),
        (0.1, 0.3, "whole_band = true", 8 * 0.3),
    ],
)
def test_blocks_of_a_load_that_cannot_be_moved(low: float, high: float, more: str, money: float) -> None:
    text = FLAT.format(price=0.0) + WHOLE + BLOCKS.format(limit=4, low=low, high=high, more=more)
    case = home(
        tariffs.parse_tariff(text, "t"),
        hours(8),
        changed(**IDEAL | {"battery": IDEAL["battery"] | {"start": {"kwh": 0.0}, "closing": {"kwh": 0.0}}}),
        load_kwh=[1.0] * 8,
    )
    assert burden(case, solved(case)) == pytest.approx(money)


def test_whole_band_that_falls_is_not_reached_by_burning_energy() -> None:
    # 8 kWh at 0.30 cost 2.40; 10 kWh at 0.05 would cost 0.50, but nothing useful takes 2 kWh more in one period
    # except the losses of cycling, which happen between steps and never within one
    text = (
        FLAT.format(price=0.0)
        + WHOLE
        + BLOCKS.format(limit=9.5, low=0.3, high=0.05, more="whole_band = true")
    )
    settings = changed(**IDEAL | {"battery": IDEAL["battery"] | {"charger_efficiency_fraction": 0.9}})
    case = home(tariffs.parse_tariff(text, "t"), hours(8), settings, load_kwh=[1.0] * 8)
    found = solved(case)
    assert max(both_ways(found)) < 1e-6
    assert burden(case, found) == pytest.approx(least_cost(case), rel=2e-6, abs=4e-6)


# ---- nothing is exploited ------------------------------------------------------------------------------------------


def hourly(bought: list[float], sold: list[float]) -> str:
    bands = "".join(
        f"[bands.h{hour}]\nimport_price_per_kwh = {b}\nexport_price_per_kwh = {s}\n"
        f"[[windows]]\nband = 'h{hour}'\nhours = '{hour:02d}:00-{hour + 1:02d}:00'\n"
        for hour, (b, s) in enumerate(zip(bought, sold, strict=True))
    )
    return HEAD + bands


BOUGHT = [-0.3, -0.2, 0.1, 0.1, -0.05, 0.2, 0.3, 0.3] * 3
SOLD = [0.1, -0.25, 0.2, 0.05, -0.1, 0.25, 0.1, 0.35] * 3


@pytest.fixture(scope="module")
def tempting() -> Case:
    """Prices below zero, and sold dearer than bought, in the same steps and in others."""
    return sunny(hourly(BOUGHT, SOLD), 24)


def test_binaries_stand_on_exactly_the_steps_where_it_would_pay(tempting: Case) -> None:
    views, limits = views_of(tempting.prices), tempting.limits
    bought, sold = np.array(BOUGHT), np.array(SOLD)
    assert np.array_equal(trade_gain(tempting.prices, views) > PAYS, sold > bought)
    assert np.array_equal(burn_gain(tempting, views) > PAYS, bought < 0)
    columns = Program(tempting).columns
    assert columns["trade"].stop - columns["trade"].start == (sold > bought).sum()
    assert columns["burn"].stop - columns["burn"].start == (bought < 0).sum()
    assert limits.wear_per_kwh == 0
    plain = Program(sunny(two()))
    assert len(plain.warm.integers) == 0


def test_nothing_is_gained_by_trading_or_burning_and_it_would_have_been(tempting: Case) -> None:
    program = Program(tempting, EXACT)
    for name, strategy in STRATEGIES.items():
        found = solve(program, strategy)
        assert max(both_ways(found)) < 1e-9, name
        assert_money_is_the_bill(tempting, found)
    found = solve(program, LEAST_COST)
    assert burden(tempting, found) == pytest.approx(least_cost(tempting), rel=1e-6)
    free = program.bounds()
    program.warm.restart(free)
    relaxed = program.warm.minimise(
        program.cost
    ).objective  # the same rows, binaries anywhere between 0 and 1
    assert relaxed < found.stage_values["cost"] - 0.01
    assert found.gap is not None
    assert found.gap <= EXACT.relative


def test_a_load_wider_than_its_bypass_is_served_through_the_battery_at_prices_below_zero() -> None:
    settings = changed(inverter={"bypass_w": 500.0}, grid={"battery_feed_in": False})
    tariff = tariffs.parse_tariff(hourly([-0.1] * 24, [-0.2] * 24), "t")
    case = home(tariff, hours(24), settings, load_kwh=[1.2] * 24)
    found = solved(case)
    assert found.flows["unserved_load"].sum() == 0
    assert both_ways(found)[1] > 0.1  # the only way to the load


@pytest.mark.parametrize("grid", [{"export_limit_kw": 0.2}, {"feed_in": "house"}])
def test_cells_are_not_emptied_in_a_circle_before_an_hour_that_pays_for_filling_them(
    grid: dict[str, Any],
) -> None:
    tariff, times = tariffs.parse_tariff(two(night=-0.3, sold=0.02), "t"), hours(14, "2025-06-02T12:00")
    settings = changed(battery={"start": {"kwh": 4.0}}, grid=grid)
    case = home(tariff, times, settings, load_kwh=[0.1] * 14)
    found = solved(case)
    assert max(both_ways(found)) < 1e-9
    assert burden(case, found) == pytest.approx(least_cost(case), rel=2e-6, abs=4e-6)
    program = Program(case, EXACT)
    program.warm.restart(program.bounds())
    assert program.warm.minimise(program.cost).objective < found.stage_values["cost"] - 1e-3


def test_credits_are_spent_in_the_tariffs_order_not_when_it_suits() -> None:
    # 2 kWh more sold than bought on the first day, then 1 kWh bought a day at prices that rise
    text = FLAT.format(price=0.1) + READS.replace("2025-06-04", "2025-06-04, 2025-06-05")
    text += "[netting]\nacross = 'same-band'\nsurplus = 'carry'\n"
    for day, price in (("2025-06-03", 0.2), ("2025-06-04", 0.8)):
        text += f"[[versions]]\nvalid_from = {day}\n[versions.bands.all]\nimport_price_per_kwh = {price}\n"
    empty = {"pack_kwh": 1e-6, "start": {"kwh": 0.0}, "closing": {"kwh": 0.0}}
    still = IDEAL | {"battery": IDEAL["battery"] | empty}
    sun, load = np.zeros(72), np.zeros(72)
    sun[12], load[30], load[60] = 1.5, 1.0, 1.0
    case = home(tariffs.parse_tariff(text, "t"), hours(72), changed(**still), load_kwh=load, sun_kwh=sun)
    found = solved(case)
    # 1.5 kWh: the first kWh is set off at 0.20, half a kWh is left for 0.80; not the other way round
    assert burden(case, found) == pytest.approx(0.5 * 0.8)
    assert_money_is_the_bill(case, found)
    relaxed = Program(case, EXACT)
    relaxed.warm.restart(relaxed.bounds())
    assert relaxed.warm.minimise(relaxed.cost).objective + relaxed.cost_constant < 0.35  # 0.1 if it suited


# ---- refused -------------------------------------------------------------------------------------------------------


REFUSED = {
    "hours of demand": """[[demand]]
name = "d"
price_per_kw = 1
[[blocks]]
name = "b"
demand = "d"
steps = [{ up_to_hours = 100, price_per_kwh = 0.1 }, { price_per_kwh = 0.05 }]
""",
    "'d': one more kW can lower the bill": "[[demand]]\nname = 'd'\nprice_per_kw = -1\n",
    "drops at a limit": """[[demand]]
name = "d"
whole_band = true
steps = [{ up_to_kw = 3, price_per_kw = 9 }, { price_per_kw = 1 }]
""",
    "'after the minimum': one more kW can lower the bill": """[[demand]]
name = "after the minimum"
price_per_kw = 2
[minimum]
per_day = 4
[[adjustments]]
name = "rebate"
percent = -50
applies_to = ["demand"]
""",
    "falling short of it would pay": """[minimum]
per_day = 4
[[adjustments]]
name = "a"
percent = -150
applies_to = ["minimum"]
""",
}


@pytest.mark.parametrize("why", REFUSED)
def test_what_no_program_can_state_is_refused_with_its_reason(why: str) -> None:
    case = sunny(two() + REFUSED[why])
    with pytest.raises(ScenarioError, match=why):
        Program(case, EXACT)
    bill = tariffs.bill(case.tariff, case.times, 1.0, case.load_kwh, np.zeros(len(case.times)))
    assert math.isfinite(float(bill.total))
