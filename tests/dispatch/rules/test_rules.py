"""Rules: flows an independent inverter agrees with, and money that no rule can save beyond the optimum."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
from homes.drafts import plain_draft
from homes.generators import drafts
from hypothesis import given, settings
from hypothesis import strategies as st
from oracles.foresight import bound, money
from oracles.naive_inverter import run
from oracles.stepcheck import broken_rules

from dispatch.cards.card import Card, ChargeWindow, DayPlan, DischargeWindow, Raise
from dispatch.cards.card_file import card_document
from dispatch.cards.space import Space, device_space
from dispatch.cards.tables import Tables
from dispatch.case.limits import step_limits
from dispatch.rules.conditions import conditions
from dispatch.rules.replay import flows_of, replay
from dispatch.rules.score import Scorer
from dispatch.rules.walk import Orders, simulate

if TYPE_CHECKING:
    from dispatch.case.case import Case
    from dispatch.flows import Flows


SPANS = ((1, 60), (1, 30), (1, 15), (2, 60), (3, 30), (7, 60))


def limits_of(case: Case) -> dict[str, Any]:
    """The limits by the names of the JSON document."""
    return {name: getattr(case.limits, name) for name in case.limits.__dataclass_fields__}


@st.composite
def cards(draw: st.DrawFn, case: Case, space: Space) -> Card:
    """Any card, sensible or not: up to two windows of each kind, overlaps included."""
    grains = 1440 // space.grain_minutes
    edge = st.integers(0, grains - 1).map(lambda i: i * space.grain_minutes)
    level = st.sampled_from(space.levels)

    def windows(kind: str) -> tuple[Any, ...]:
        found: list[ChargeWindow | DischargeWindow] = []
        for _ in range(draw(st.integers(0, 2))):
            start, end = draw(edge), draw(edge) + space.grain_minutes
            if kind == "charge":
                found.append(ChargeWindow(start, end, draw(level)))
            else:
                found.append(DischargeWindow(start, end, draw(st.none() | level)))
        return tuple(found)

    plans = tuple(DayPlan(windows("charge"), windows("discharge"), draw(level)) for _ in space.groups)
    sells = case.limits.battery_feed_in and draw(st.booleans())
    begin = st.integers(0, len(case.times) - 1).map(lambda i: case.times[i].tz_localize(None).to_pydatetime())
    raises = tuple(
        Raise(first, first + dt.timedelta(hours=draw(st.integers(1, 30))), draw(level))
        for first in draw(st.lists(begin, max_size=2))
    )
    return Card(plans, draw(st.sampled_from(("load", "battery"))), sells, tuple(sorted(raises)))


def followed(case: Case, card: Card) -> Flows:
    """Flows of a card by the product's rules."""
    orders = Tables(case, device_space(case)).orders([card])
    return replay(case, orders, ("as set",), sells=card.sells)[0]


def naive(case: Case, space: Space, card: Card) -> dict[str, np.ndarray]:
    """Flows of the same card by the inverter written in the tests."""
    rows = [
        {"load_kwh": a, "idle_kwh": b, "other_kwh": c, "sun_kwh": d}
        for a, b, c, d in zip(
            case.load_kwh.tolist(),
            case.idle_kwh.tolist(),
            case.other_kwh.tolist(),
            case.sun_kwh.tolist(),
            strict=True,
        )
    ]
    seasons = [case.prices.season_names[i] for i in case.prices.season.tolist()]
    moments = [moment.to_pydatetime() for moment in case.times]
    flows = run(card_document(card, space.groups), limits_of(case), rows, moments, seasons, case.dt_hours)
    return {name: np.array([row[name] for row in flows]) for name in flows[0]}


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_an_independent_inverter_does_the_same(data: st.DataObject) -> None:
    case = data.draw(drafts(spans=SPANS)).case()
    space = device_space(case)
    card = data.draw(cards(case, space))
    flows = followed(case, card)
    for name, expected in naive(case, space, card).items():
        assert flows[name] == pytest.approx(expected, abs=1e-8), name


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_rule_flows_pass_the_step_by_step_judgement(data: st.DataObject) -> None:
    case = data.draw(drafts(spans=SPANS)).case()
    card = data.draw(cards(case, device_space(case)))
    flows = followed(case, card)
    given_columns = {
        f"{name}_kwh": getattr(case, f"{name}_kwh") for name in ("load", "other", "idle", "sun", "floor")
    }
    table = pd.DataFrame(given_columns, index=case.times).join(flows.frame)
    assert (
        broken_rules(
            table,
            limits_of(case),
            "as set",
            dt_hours=case.dt_hours,
            closing_shortfall_kwh=flows.closing_shortfall_kwh,
        )
        == []
    )


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_no_rule_is_cheaper_than_the_optimum_with_its_own_levels(data: st.DataObject) -> None:
    case = data.draw(drafts(spans=SPANS)).case()
    card = data.draw(cards(case, device_space(case)))
    flows = followed(case, card)
    assert bound(case, flows) <= money(case, flows) + 1e-6


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_many_candidates_at_once_are_each_alone(data: st.DataObject) -> None:
    case = data.draw(drafts(spans=SPANS)).case()
    space = device_space(case)
    first = data.draw(cards(case, space))
    deck = [
        first,
        *(
            replace(data.draw(cards(case, space)), sun_first=first.sun_first, raises=first.raises)
            for _ in range(3)
        ),
    ]
    tally = Scorer.of(case).tally(Tables(case, space).orders(deck))
    for index, card in enumerate(deck):
        flows = followed(case, replace(card, sells=False))
        assert tally.money[index] + tally.wear[index] == pytest.approx(money(case, flows), abs=1e-7)
        assert tally.unserved_kwh[index] == pytest.approx(flows["unserved_load"].sum(), abs=1e-7)
        assert tally.excess_kwh[index] == pytest.approx(flows["import_excess"].sum(), abs=1e-7)
        short = flows["floor_shortfall"]
        assert tally.short_kwh[index] == pytest.approx(short[short > 1e-6].sum(), abs=1e-6)
        assert tally.end_kwh[index] == pytest.approx(flows["stored"][-1], abs=1e-9)


# ---- equal to the optimum, exactly --------------------------------------------------------------------------


def one_plan(case: Case, charge: tuple[ChargeWindow, ...], discharge: tuple[DischargeWindow, ...]) -> Flows:
    """Flows of one plan on every day, the reserve exactly at the scenario's floor."""
    space = device_space(case)
    floor = 100 * float(case.floor_kwh.max()) / case.limits.full_kwh
    card = Card(tuple(DayPlan(charge, discharge, floor) for _ in space.groups))
    return followed(case, card)


@settings(max_examples=40, deadline=None)
@given(
    low=st.sampled_from((0.05, 0.1, 0.14)),
    high=st.sampled_from((0.3, 0.45)),
    eta=st.sampled_from((1.0, 0.95, 0.9)),
    capacity=st.sampled_from((2.0, 5.0)),
    cheap_hours=st.integers(6, 10),
    seed=st.integers(0, 1000),
)
def test_with_two_prices_and_no_sun_the_rule_is_the_optimum(  # noqa: PLR0917 - one per drawn figure
    low: float, high: float, eta: float, capacity: float, cheap_hours: int, seed: int
) -> None:
    """Ratio beyond break-even, dear load at least the usable energy, start = closing = empty at the day's start."""
    assert low / high < eta * eta
    random = np.random.default_rng(seed)
    dear = 24 - cheap_hours
    load = random.uniform(0.2, 1.0, 24)
    load[cheap_hours:] *= max(1.0, 1.05 * capacity * eta / load[cheap_hours:].sum())
    case = plain_draft(
        [low] * cheap_hours + [high] * dear,
        load_kw=load.tolist(),
        battery={
            "pack_kwh": capacity,
            "charger_efficiency_fraction": eta,
            "discharge_efficiency_fraction": eta,
        },
        charging={"grid_w": 1100.0 * capacity / cheap_hours / eta, "solar_w": 1.0, "combined_w": 1e6},
    ).case()
    top = ChargeWindow(0, 60 * cheap_hours, 100.0)
    flows = one_plan(case, (top,), (DischargeWindow(60 * cheap_hours, 1440),))
    saving = capacity * (high * eta - low / eta)
    without = float(case.load_kwh @ case.prices.import_price_per_kwh)
    assert money(case, flows) == pytest.approx(without - saving, rel=1e-12)
    assert money(case, flows) == pytest.approx(bound(case, flows), abs=1e-7)
    assert flows["stored"][-1] == pytest.approx(0.0, abs=1e-12)


# 1 kW for 24 h; price 8 h 0.10, 8 h 0.20, 4 h 0.40, 4 h 0.20; 5 kWh, 2.5 kW, 0.95 each way, start = end = empty.
# Derived, no outside publisher: bill 4.80 -> 4.80 - (4·0.40 + 0.75·0.20 - 5/0.95·0.10) = 3.57631579.
THREE_PRICES = [0.10] * 8 + [0.20] * 8 + [0.40] * 4 + [0.20] * 4


def three_prices() -> Case:
    return plain_draft(
        THREE_PRICES,
        load_kw=1.0,
        battery={"pack_kwh": 5.0, "charger_efficiency_fraction": 0.95, "discharge_efficiency_fraction": 0.95},
        inverter={"continuous_w": 2500.0, "efficiency_fraction": 1.0, "idle_on_w": 0.0},
        charging={"grid_w": 2500.0, "solar_w": 1.0, "combined_w": 2500.0},
    ).case()


def test_opened_at_the_dearest_hours_the_rule_is_the_optimum() -> None:
    case = three_prices()
    flows = one_plan(case, (ChargeWindow(0, 480, 100.0),), (DischargeWindow(960, 1440),))
    assert money(case, flows) == pytest.approx(3.57631579, abs=1e-8)
    assert money(case, flows) == pytest.approx(bound(case, flows), abs=1e-7)


def test_the_naive_window_spends_the_energy_before_the_dear_hours() -> None:
    """Opened at every dearer hour, 4.75 kWh go at 0.20: 4.80 - 4.75·0.20 + 5/0.95·0.10 = 4.37631579, 0.80 more."""
    case = three_prices()
    flows = one_plan(case, (ChargeWindow(0, 480, 100.0),), (DischargeWindow(480, 1440),))
    assert money(case, flows) == pytest.approx(4.37631579, abs=1e-8)
    assert money(case, flows) - 3.57631579 == pytest.approx(0.80, abs=1e-8)


# ---- what the rule does at the edges ------------------------------------------------------------------------


def test_below_the_reserve_the_grid_charges_at_any_hour() -> None:
    case = plain_draft(
        [0.5] * 4,
        battery={"pack_kwh": 4.0, "start": {"kwh": 1.0}},
        charging={"grid_w": 500.0, "combined_w": 500.0},
    ).case()
    card = Card(tuple(DayPlan((), (DischargeWindow(0, 1440),), 50.0) for _ in device_space(case).groups))
    flows = followed(case, card)
    assert flows["stored"].tolist() == pytest.approx([1.5, 2.0, 2.0, 2.0])


def test_the_battery_helps_where_the_bypass_is_too_small_even_below_the_reserve() -> None:
    case = plain_draft(
        [0.1] * 3,
        load_kw=[1.0, 3.0, 1.0],
        battery={"pack_kwh": 4.0, "start": {"kwh": 2.0}},
        inverter={"bypass_w": 2000.0},
        charging={"grid_w": 800.0, "combined_w": 800.0},
    ).case()
    card = Card(tuple(DayPlan((), (), 50.0) for _ in device_space(case).groups))
    flows = followed(case, card)
    assert flows["battery_to_load"].tolist() == pytest.approx([0.0, 1.0, 0.0])
    assert flows["unserved_load"].sum() == 0.0
    assert flows["stored"].tolist() == pytest.approx([2.0, 1.0, 1.8])  # and is brought back to the reserve


def test_dust_of_the_arithmetic_is_nothing_but_a_level_is_as_it_is() -> None:
    case = plain_draft([0.1] * 2, load_kw=1.0, sun_kw=[0.0, 0.0]).case()
    groups = len(device_space(case).groups)
    idle = followed(case, Card((DayPlan((), (), 0.0),) * groups))
    table = {name: idle.frame[name].to_numpy(copy=True) for name in idle.frame.columns}
    table["spill_kwh"] += 9e-11
    table["unserved_load_kwh"] += [9e-11, -1.1e-10]
    table["stored_kwh"] += 9e-11
    found = flows_of(case, "dusty", table)
    assert found["spill"].tolist() == [0.0, 0.0]
    assert found["unserved_load"].tolist() == [0.0, -1.1e-10]
    assert found["stored"].tolist() == [9e-11, 9e-11]
    assert found["import"].tolist() == [1.0, 1.0]


@pytest.mark.parametrize(("closing_kwh", "short_kwh"), [(0.5, 0.0), (0.8, 0.3)])
def test_what_lacks_at_the_end_is_told_and_what_is_beyond_it_is_not(
    closing_kwh: float, short_kwh: float
) -> None:
    levels = {"start": {"kwh": 0.5}, "closing": {"kwh": closing_kwh}}
    case = plain_draft([0.1] * 2, load_kw=1.0, battery=levels).case()
    groups = len(device_space(case).groups)
    assert followed(case, Card((DayPlan((), (), 0.0),) * groups)).closing_shortfall_kwh == pytest.approx(
        short_kwh
    )


def test_sun_that_charges_first_still_serves_the_load_once_the_battery_is_full() -> None:
    case = plain_draft(
        [0.3] * 3,
        load_kw=1.0,
        sun_kw=[2.0, 2.0, 2.0],
        battery={"pack_kwh": 3.0, "start": {"kwh": 0.0}},
    ).case()
    groups = len(device_space(case).groups)
    waiting = followed(case, Card((DayPlan((), (), 0.0),) * groups, sun_first="battery"))
    assert waiting["sun_to_battery"].tolist() == pytest.approx([2.0, 1.0, 0.0])
    assert waiting["sun_to_load"].tolist() == pytest.approx([0.0, 1.0, 1.0])
    assert waiting["spill"].tolist() == pytest.approx([0.0, 0.0, 1.0])
    serving = followed(case, Card((DayPlan((), (), 0.0),) * groups, sun_first="load"))
    assert serving["sun_to_load"].tolist() == pytest.approx([1.0, 1.0, 1.0])
    assert serving["sun_to_battery"].tolist() == pytest.approx([1.0, 1.0, 1.0])


@pytest.mark.parametrize(
    ("grid_w", "combined_w", "taken_kwh"), [(200.0, 900.0, 0.2), (900.0, 300.0, 0.3), (900.0, 900.0, 0.5)]
)
def test_an_empty_battery_takes_no_more_from_the_grid_than_the_charger_gives(
    grid_w: float, combined_w: float, taken_kwh: float
) -> None:
    """Self-discharge of 0.4 kWh wants 0.5 kWh at the plug; a full cord does not stop it, the charger's limits do.

    Where they do, the level falls below empty and the result table refuses it; so this asks the walk itself.
    """
    case = plain_draft(
        [0.2] * 2,
        load_kw=1.0,
        battery={"pack_kwh": 4.0, "charger_efficiency_fraction": 0.8},
        charging={"ac_input_w": 1000.0},
    ).case()
    limits = replace(
        case.limits,
        empty_kwh=4.0,
        start_kwh=4.0,
        self_discharge_per_hour=0.1,
        grid_charge_kw=grid_w / 1000,
        total_charge_kw=combined_w / 1000,
    )
    nothing, one = np.full((1, 1), -np.inf), np.zeros(1)
    found = conditions(step_limits(limits, 1.0), np.ones(1), one, one)
    seen: list[float] = []
    orders = Orders(np.zeros(1, dtype=np.intp), nothing, -nothing)
    left = simulate(found, orders, 4.0, lambda block: seen.append(float(block.grid_to_battery[0, 0])))
    assert seen == pytest.approx([taken_kwh])
    assert left == pytest.approx([3.6 + 0.8 * taken_kwh])


def test_years_of_their_own_give_what_each_year_gives_alone() -> None:
    case = plain_draft(
        [0.1] * 8 + [0.4] * 16,
        load_kw=[0.5 + 0.1 * (h % 5) for h in range(24)],
        sun_kw=[max(0.0, 3 - abs(h - 12)) for h in range(24)],
        battery={"pack_kwh": 5.0},
    ).case()
    space = device_space(case)
    plan = DayPlan((ChargeWindow(0, 480, 60.0),), (DischargeWindow(480, 1440),), 0.0)
    orders = Tables(case, space).orders([Card((plan,) * len(space.groups))])
    factors = np.array([0.5, 1.0, 1.7])
    wide = conditions(
        step_limits(case.limits, 1.0),
        case.load_kwh[:, None] * factors,
        case.other_kwh[:, None] * np.ones(3),
        case.sun_kwh[:, None] * factors[::-1],
    )
    repeated = Orders(
        orders.row, np.repeat(orders.fill_kwh, 3, axis=1), np.repeat(orders.drain_kwh, 3, axis=1)
    )
    together = Scorer(case, wide, None).tally(repeated)
    for index in range(3):
        alone = conditions(
            step_limits(case.limits, 1.0),
            case.load_kwh * factors[index],
            case.other_kwh,
            case.sun_kwh * factors[::-1][index],
        )
        single = Scorer(case, alone, None).tally(orders)
        assert together.money[index] == pytest.approx(single.money[0], rel=1e-12)
        assert together.end_kwh[index] == pytest.approx(single.end_kwh[0], rel=1e-12)


@pytest.mark.parametrize(("sun_kw", "fed_in_kwh", "spilled_kwh"), [(5.0, 2.0, 2.5), (1.5, 1.0, 0.0)])
def test_sun_is_fed_in_with_what_load_and_battery_leave_of_the_inverter(
    sun_kw: float, fed_in_kwh: float, spilled_kwh: float
) -> None:
    case = plain_draft(
        [0.2] * 2,
        load_kw=0.4,
        sun_kw=[sun_kw] * 2,
        export_price=[0.1] * 2,
        battery={"start": {"kwh": 1.0}, "closing": {"kwh": 1.0}},
        inverter={"continuous_w": 2000, "efficiency_fraction": 0.8},
    ).case()
    plan = DayPlan((), (), 100.0)
    flows = followed(case, Card((plan,) * len(device_space(case).groups)))
    # 0.4 kW of load take 0.5 kW of sun; 2 kW of inverter take 2.5 kW in all
    assert flows["sun_to_load"] == pytest.approx([0.5] * 2)
    assert flows["sun_to_grid"] == pytest.approx([fed_in_kwh] * 2)
    assert flows["spill"] == pytest.approx([spilled_kwh] * 2)
