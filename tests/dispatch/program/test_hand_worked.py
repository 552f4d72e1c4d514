"""Cases small enough to solve on paper, through the real program.

Each is first checked without the product (by the independent program, or by trying out every plan), so that a
wrong expectation cannot hide behind a wrong program.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise, product
from typing import TYPE_CHECKING

import numpy as np
import pytest
from homes.drafts import Draft, plain_draft
from homes.generators import random_household, repeatable
from hypothesis import given
from hypothesis import strategies as st
from oracles.charge_grid import least_cost_on_grid
from oracles.household import household_of
from oracles.oracle import optimum

from dispatch.program.program import Program
from dispatch.strategies.solve import solve
from dispatch.strategies.table import STRATEGIES

if TYPE_CHECKING:
    from dispatch.program.arrays import Optimum
    from dispatch.strategies.solved import Solved


def least_cost(draft: Draft) -> tuple[Solved, Optimum, Program]:
    """Solve through the real program; return the schedule and what it says of the cost stage."""
    program = Program(draft.case())
    stages: dict[str, Optimum] = {}
    solved = solve(program, STRATEGIES["least-cost"], stages.__setitem__)
    return solved, stages["cost"], program


# --- Dantzig's warehouse --------------------------------------------------------------------------------------

# G. B. Dantzig, Linear Programming and Extensions, Princeton University Press, 1963, section 3.6 (data seen in a
# public copy of the model, huggingface.co/datasets/nvidia/Nemotron-CC-Math-v1; the optimum -600 is from memory
# and was solved again): stock 50, room for 100, and in each quarter one price for buying and selling, holding
# costs 1 per unit of the quarter's closing stock.
QUARTER_PRICES = (10.0, 12.0, 8.0, 9.0)
STOCK, ROOM, PROFIT = 50.0, 100.0, 600.0
# A unit bought in quarter q is held at the end of q and of every quarter after it until sold, so the cost of
# holding it can be put on the price at which it is bought, and taken off again at the price at which it is sold.
FOLDED_PRICES = tuple(price + 4 - quarter for quarter, price in enumerate(QUARTER_PRICES))
HOLDING_THE_FIRST_STOCK = 4 * STOCK


def test_holding_cost_folds_into_the_prices() -> None:
    assert FOLDED_PRICES == (14.0, 15.0, 10.0, 10.0)
    best = math.inf
    for stocks in product(np.linspace(0, ROOM, 11), repeat=4):  # every plan in steps of 10 units
        bought = [after - before for before, after in pairwise((STOCK, *stocks))]
        with_holding = np.dot(QUARTER_PRICES, bought) + sum(stocks)
        assert np.dot(FOLDED_PRICES, bought) + HOLDING_THE_FIRST_STOCK == pytest.approx(
            with_holding, abs=1e-9
        )
        best = min(best, with_holding)
    assert best == pytest.approx(-PROFIT, abs=1e-9)


def warehouse() -> Draft:
    """Tell it as a battery of 100 kWh without losses or limits that may sell all it holds."""
    return plain_draft(
        list(FOLDED_PRICES),
        export_price=list(FOLDED_PRICES),
        battery={"pack_kwh": ROOM, "start": {"kwh": STOCK}, "closing": {"kwh": 0.0}},
        grid={"battery_feed_in": True},
    )


def test_dantzigs_warehouse() -> None:
    assert optimum(household_of(warehouse().case()), "least-cost").cost == pytest.approx(
        -PROFIT - 200, abs=1e-6
    )
    solved, cost, program = least_cost(warehouse())
    assert solved.stage_values["cost"] + HOLDING_THE_FIRST_STOCK == pytest.approx(-PROFIT, abs=1e-6)
    frame = solved.flows.frame
    # his plan: fill up in the first quarter, sell everything in the second
    assert frame["import_kwh"].to_list()[:2] == pytest.approx([50.0, 0.0], abs=1e-6)
    assert frame["export_kwh"].to_list()[:2] == pytest.approx([0.0, 100.0], abs=1e-6)
    # what a kWh is worth at the meter is the quarter's price, whatever is done
    assert np.abs(cost.duals[program.rows["meter"]]) == pytest.approx(FOLDED_PRICES, abs=1e-9)


# --- closed forms ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class ByHand:
    """A draft, and the money it costs at best."""

    name: str
    draft: Draft
    money: float
    import_kwh: tuple[float, ...] | None = None
    marginal_price_per_kwh: tuple[float, ...] | None = None
    """What one more kWh of load would cost in each step."""


def lossy(pack_kwh: float, efficiency: float, out: float | None = None, **more: float) -> dict[str, float]:
    """A battery with one loss on the way in, whatever the way, and one on the way out."""
    return {
        "pack_kwh": pack_kwh,
        "charger_efficiency_fraction": efficiency,
        "solar_charge_efficiency_fraction": efficiency,
        "discharge_efficiency_fraction": efficiency if out is None else out,
        **more,
    }


CASES = [
    # derived: charging at 0.19 to save 0.20 needs a return of 0.95, and only 0.95 x 0.95 = 0.9025 comes back
    ByHand(
        "beyond break-even",
        plain_draft([0.19] * 12 + [0.20] * 12, load_kw=1.0, battery=lossy(5.0, 0.95)),
        money=12 * 0.19 + 12 * 0.20,
    ),
    # derived: 0.18 / 0.20 = 0.90 < 0.9025, so the battery is filled once: 4.75 kWh less at 0.20, 5 / 0.95 more at 0.18
    ByHand(
        "within break-even",
        plain_draft([0.18] * 12 + [0.20] * 12, load_kw=1.0, battery=lossy(5.0, 0.95)),
        money=12 * 0.18 + 12 * 0.20 - 0.00263158,
    ),
    # derived: 8 h 0.10, 8 h 0.20, 4 h 0.40, 4 h 0.20; 4.75 kWh come back, 4 at 0.40 and 0.75 at 0.20
    ByHand(
        "three prices",
        plain_draft(
            [0.10] * 8 + [0.20] * 8 + [0.40] * 4 + [0.20] * 4,
            load_kw=1.0,
            battery=lossy(5.0, 0.95),
            charging={"grid_w": 2500.0},
            inverter={"continuous_w": 2500.0},
        ),
        money=3.57631579,
    ),
    # derived: 8 kWh of sun are left over; 5 / 0.9 of it are stored and save 5 kWh at 0.30, the rest sells at 0.05
    ByHand(
        "sun, stored or sold",
        plain_draft(
            [0.30] * 24,
            load_kw=1.0,
            sun_kw=[0.0] * 9 + [3.0] * 4 + [0.0] * 11,
            export_price=[0.05] * 24,
            battery=lossy(5.0, 0.9, out=1.0),
        ),
        money=4.37777778,
    ),
    # derived: 2 + 2 kWh stored at 0.9 and returned at 0.9 displace 3.24 kWh of the 4 dear ones
    ByHand(
        "two-rate evening",
        plain_draft([0.08, 0.08, 0.40, 0.40], load_kw=[1.0, 1.0, 2.0, 2.0], battery=lossy(3.6, 0.9)),
        money=0.784,
        marginal_price_per_kwh=(0.08, 0.08, 0.40, 0.40),
    ),
    # derived: the same with 2 kW of charger; now the schedule itself is unique in the cheap hours
    ByHand(
        "two-rate evening, narrow charger",
        plain_draft(
            [0.08, 0.08, 0.40, 0.41],
            load_kw=[1.0, 1.0, 2.0, 2.0],
            battery=lossy(9.0, 0.9),
            charging={"grid_w": 2000.0},
        ),
        money=6 * 0.08 + 0.76 * 0.40,
        import_kwh=(3.0, 3.0, 0.76, 0.0),
        marginal_price_per_kwh=(0.08, 0.08, 0.40, 0.40),
    ),
]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_closed_form(case: ByHand) -> None:
    assert optimum(household_of(case.draft.case()), "least-cost").cost == pytest.approx(case.money, abs=1e-8)
    solved, cost, program = least_cost(case.draft)
    assert solved.stage_values["cost"] == pytest.approx(case.money, abs=1e-8)
    if case.import_kwh is not None:
        assert solved.flows.frame["import_kwh"].to_list() == pytest.approx(case.import_kwh, abs=1e-6)
    if case.marginal_price_per_kwh is not None:
        marginal = np.abs(cost.duals[program.rows["load"]])
        assert marginal == pytest.approx(case.marginal_price_per_kwh, abs=1e-9)


def test_saving_within_break_even_is_the_rule_of_thumb() -> None:
    """Value of a kWh drawn from the store: dear price x way out, less cheap price / way in (derived)."""
    eta, cheap, dear, pack = 0.95, 0.18, 0.20, 5.0
    per_kwh = dear * eta - cheap / eta
    assert pack * per_kwh == pytest.approx(0.00263158, abs=5e-9)
    solved, _, _ = least_cost(CASES[1].draft)
    assert 12 * cheap + 12 * dear - solved.stage_values["cost"] == pytest.approx(pack * per_kwh, abs=1e-8)


@pytest.mark.parametrize(
    ("grid_w", "combined_w", "kwh"), [(900, 500, 0.5), (500, 900, 0.5), (900, 2000, 0.9)]
)
def test_one_cheap_hour_fills_what_the_narrower_charging_limit_lets_in(
    grid_w: float, combined_w: float, kwh: float
) -> None:
    charging = {"grid_w": grid_w, "combined_w": combined_w}
    solved, _, _ = least_cost(plain_draft([0.1, 0.4], load_kw=[0.0, 1.0], charging=charging))
    assert solved.flows["grid_to_battery"].tolist() == pytest.approx([kwh, 0.0])
    assert solved.stage_values["cost"] == pytest.approx(0.1 * kwh + 0.4 * (1.0 - kwh))


def test_sun_and_grid_together_fill_no_more_than_the_combined_limit() -> None:
    draft = plain_draft(
        [0.1, 0.4],
        load_kw=[0.0, 1.0],
        sun_kw=[0.4, 0.0],
        charging={"grid_w": 900, "combined_w": 700},
    )
    solved, _, _ = least_cost(draft)
    assert solved.flows["sun_to_battery"].tolist() == pytest.approx([0.4, 0.0])
    assert solved.flows["grid_to_battery"].tolist() == pytest.approx([0.3, 0.0])


# --- no linear program at all ---------------------------------------------------------------------------------


@repeatable(25)
@given(seed=st.integers(0, 2**32 - 1))
def test_dynamic_programming_never_beats_the_program_and_closes_in_on_it(seed: int) -> None:
    house = random_household(seed)
    best = optimum(house, "least-cost", through="cost").cost
    gaps = [least_cost_on_grid(house, intervals) - best for intervals in (8, 32, 128)]
    assert gaps[-1] >= -1e-9, "cheaper than the optimum"
    assert gaps == sorted(gaps, reverse=True), "every grid holds the levels of the coarser one"
    energy = float(np.sum(house.load + house.other + house.idle) * house.import_price.max())
    assert gaps[-1] <= 0.01 * energy


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_dynamic_programming_agrees_on_the_closed_forms(case: ByHand) -> None:
    solved, _, program = least_cost(case.draft)
    house = household_of(program.case)
    gap = least_cost_on_grid(house, 120) - solved.stage_values["cost"]
    assert -1e-9 <= gap <= 0.01 * case.money


def test_dynamic_programming_can_tell_a_dearer_hardware() -> None:
    """The oracle above would be idle if it did not see a limit."""
    house = random_household(4)
    narrow = replace(house, hardware=replace(house.hardware, grid_charge_kw=0.0, total_charge_kw=0.0))
    assert least_cost_on_grid(narrow, 32) > least_cost_on_grid(house, 32) + 1e-3
