"""A mixed-integer solve is never silent for long, and one that is stopped keeps its best answer, marked so."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from homes.small_home import small_home

import tariffs
from dispatch.errors import StoppedEarly
from dispatch.program import watch as watching
from dispatch.program.arrays import Gap
from dispatch.program.program import Program
from dispatch.program.watch import Watch, what_is_hard
from dispatch.strategies.solve import solve
from dispatch.strategies.table import STRATEGIES

if TYPE_CHECKING:
    from collections.abc import Iterator

    from dispatch.case.case import Case

EXACT = Gap(1e-6, 1e-6)


@pytest.fixture(autouse=True)
def _nobody_watches() -> Iterator[None]:
    yield
    Watch.stop.clear()
    Watch.say = None


def falling() -> Case:
    """Ten days whose blocks fall steeply where the month's energy lies: no rounding of the relaxation is optimal."""
    draft = small_home(days=10)
    steps = [{"up_to_kwh": kwh, "price_per_kwh": price} for kwh, price in ((60, 0.5), (90, 0.3), (130, 0.12))]
    tariff = {
        **draft.tariff,
        "blocks": [{"name": "all", "steps": [*steps, {"price_per_kwh": 0.0}]}],
        "billing": {"part_periods": "whole"},
    }
    return type(draft)(draft.settings, tariff, draft.times, draft.columns, draft.clock).case()


def test_a_stopped_solve_keeps_the_best_schedule_and_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    case = falling()
    whole = solve(Program(case, EXACT), STRATEGIES["least-cost"])
    assert not whole.stopped
    # the bound of the first relaxation is not near enough, and nobody waits for a better one
    monkeypatch.setattr(Gap, "holds", lambda _gap, _reached, _bound: False)
    Watch.stop.set()
    found = solve(Program(case, EXACT), STRATEGIES["least-cost"])
    assert found.stopped
    assert found.gap is not None
    cost, best = found.stage_values["cost"], whole.stage_values["cost"]
    assert best - 1e-6 <= cost <= best + found.gap * abs(cost) + 1e-6  # the gap told is a true one
    bill = tariffs.bill(case.tariff, case.times, case.dt_hours, found.flows["import"], found.flows["export"])
    assert found.money + case.prices.fixed_total == pytest.approx(float(bill.total_unrounded), rel=1e-6)


def test_a_stop_without_any_schedule_is_no_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    Watch.stop.set()
    for module in ("whole", "branch"):
        monkeypatch.setattr(f"dispatch.program.{module}.attempt", lambda _warm, _costs: None)
    with pytest.raises(StoppedEarly, match="before it had found a schedule"):
        solve(Program(falling(), EXACT), STRATEGIES["least-cost"])


def test_a_long_solve_tells_how_far_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    said: list[str] = []
    Watch.say = staticmethod(said.append)
    watch = Watch(["block", "block", "trade"], seconds=600.0)
    assert not watch.look(10.0, np.inf)
    assert said == []  # not before a minute
    monkeypatch.setattr(watching, "QUIET_SECONDS", -1.0)
    watch = Watch(["block", "block", "trade"], seconds=600.0)
    assert not watch.look(10.0, 12.5)
    assert not watch.look(11.0, 12.5)  # and not again at once
    assert len(said) == 1
    assert "best so far 12.50, none can cost less than 10.00" in said[0]
    assert "3 yes-or-no decisions (2 for blocks whose price falls" in said[0]


def test_time_ends_a_solve() -> None:
    assert Watch(["trade"], seconds=0.0).look(1.0, 2.0)
    assert what_is_hard(["netting"] * 1200).startswith(
        "1,200 yes-or-no decisions (1,200 for sums of exported"
    )


def test_the_first_interrupt_stops_what_is_under_way_the_second_leaves() -> None:
    assert not Watch.interrupt()  # nothing is being solved: an ordinary Ctrl-C
    with Watch(["trade"], seconds=600.0) as watch:
        assert not watch.over
        assert Watch.interrupt()
        assert watch.over
        assert not Watch.interrupt()


def test_what_is_over_is_no_longer_under_way() -> None:
    with Watch(["trade"], seconds=600.0):
        with Watch(["burn"], seconds=600.0):
            assert Watch.is_searching()
        assert Watch.is_searching()  # the outer one
    assert not Watch.is_searching()
    assert not Watch.interrupt()
    assert not Watch.stop.is_set()


def test_two_kinds_of_decisions_are_named_and_no_more() -> None:
    said = what_is_hard(["trade"] * 3 + ["burn"] * 2 + ["block"])
    assert said.startswith("6 yes-or-no decisions (3 for steps in which buying")
    assert "2 for steps in which wasting" in said
    assert "blocks" not in said
