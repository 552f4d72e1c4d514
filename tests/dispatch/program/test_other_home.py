"""A program written over for another home gives what a program of its own gives, or refuses."""

from __future__ import annotations

from typing import Any

import pytest
from homes.small_home import small_home

from dispatch.errors import ScenarioError
from dispatch.outcome import bill_of
from dispatch.program.program import Program
from dispatch.strategies.solve import prepare, solve
from dispatch.strategies.table import STRATEGIES

LEAST = STRATEGIES["least-cost"]


@pytest.mark.parametrize(
    "sections",
    [
        {"battery": {"pack_count": 1}},
        {"battery": {"pack_count": 2, "ceiling": {"percent": 80}}},
        {"inverter": {"continuous_w": 1300.0}},
        {"charging": {"grid_w": 400.0}},
        {"sun": None},
    ],
)
def test_other_parts(sections: dict[str, Any]) -> None:
    home = small_home()
    program = Program(home.case())
    prepare(program)
    other = home.changed(**sections).case()
    over, own = solve(program.under(other), LEAST), solve(Program(other), LEAST)
    assert over.money == pytest.approx(own.money, abs=1e-7)
    assert float(bill_of(over.flows).total) == float(bill_of(own.flows).total)


@pytest.mark.parametrize(
    "sections",
    [
        {"inverter": {"efficiency_fraction": 0.7}},
        {"battery": {"charger_efficiency_fraction": 0.6}},
        {"battery": {"taper_hours": 1.5}},
        {"charging": {"ac_input_w": 5000.0}},
        {"grid": {"import_limit_kw": 8.0}},
        {"grid": {"feed_in": "grid"}},
    ],
)
def test_what_stands_in_the_matrix_must_be_the_same(sections: dict[str, Any]) -> None:
    home = small_home()
    program = Program(home.case())
    with pytest.raises(ScenarioError, match="build a program of its own"):
        program.under(home.changed(**sections).case())


def test_a_program_that_sells_does_not_serve_a_home_that_must_not() -> None:
    home = small_home(grid={"feed_in": "grid"})
    program = Program(home.case())
    with pytest.raises(ScenarioError, match="build a program of its own"):
        program.under(home.changed(grid={"feed_in": "none"}).case())
