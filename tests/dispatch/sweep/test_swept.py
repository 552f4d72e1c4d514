"""The sweep against the program: the same in every stage, or left to the program; and its proof."""

from __future__ import annotations

import os
import subprocess
import sys
from collections import Counter
from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from homes.fleet_homes import different_homes
from homes.generators import drafts, repeatable
from homes.shipped import NAMES
from homes.small_home import small_home
from hypothesis import given

import dispatch.strategies.swept as module
from dispatch.advice.recommend import recommend
from dispatch.comparison.compare import bounds_of, plan_of
from dispatch.errors import SolveError
from dispatch.program.program import Program
from dispatch.safety.frontier import ladder, trace
from dispatch.strategies.solve import solve
from dispatch.strategies.swept import Sweep, applies
from dispatch.strategies.table import STRATEGIES
from dispatch.sweep import backward, compiled

if TYPE_CHECKING:
    from pathlib import Path

    from homes.drafts import Draft
    from homes.shipped import Year

    from dispatch.strategies.solved import Solved

SWEPT = ("least-cost", "off-peak-first", "reserve-first", "solar-first")
LEAST = STRATEGIES["least-cost"]


def assert_same(ours: Solved, theirs: Solved) -> None:
    """Hold every stage, the money and the schedule against each other."""
    assert ours.stage_values.keys() == theirs.stage_values.keys()
    for name, value in theirs.stage_values.items():
        assert ours.stage_values[name] == pytest.approx(value, rel=1e-8, abs=1e-7), name
    assert ours.money == pytest.approx(theirs.money, rel=1e-9, abs=1e-8)
    assert ours.flows.wear == pytest.approx(theirs.flows.wear, rel=1e-9, abs=1e-8)
    np.testing.assert_allclose(ours.flows["stored"], theirs.flows["stored"], rtol=0, atol=1e-5)


@cache
def compared() -> Counter[str]:
    """Hold random homes against the program; tell what there was of each kind."""
    tally: Counter[str] = Counter()

    @repeatable(100)
    @given(draft=drafts())
    def compare_all(draft: Draft) -> None:
        program = Program(draft.case())
        for name in SWEPT:
            sweep, strategy = Sweep(), STRATEGIES[name]
            ours = sweep.attempt(program, strategy)
            tally[f"{name}, {'swept' if ours else 'left'}"] += 1
            if ours is None:
                continue
            theirs = solve(program, strategy)
            assert_same(ours, theirs)
            tally["tapers"] += bool(program.case.limits.taper_hours)
            tally["breaks a promise"] += sum(list(theirs.stage_values.values())[:4]) > 1e-6
            if name == "least-cost":
                cost, bound = ours.stage_values["cost"], sweep.least_money(program)
                assert bound <= theirs.stage_values["cost"] + 1e-7 * max(1.0, abs(cost))
                tally["proved"] += cost - bound <= 1e-7 * max(1.0, abs(cost))

    compare_all()
    return tally


def test_the_sweep_agrees_with_the_program_in_every_stage() -> None:
    tally = compared()
    for name in SWEPT:
        assert tally[f"{name}, swept"] >= 20, tally
    assert tally["tapers"] >= 10
    assert tally["breaks a promise"] >= 5


def test_plans_of_least_cost_are_proved_by_the_programs_own_rows() -> None:
    tally = compared()
    assert tally["proved"] >= 0.98 * tally["least-cost, swept"], tally


@pytest.mark.parametrize("year", NAMES, indirect=True)
def test_a_shipped_year_is_swept_to_the_certified_plan(year: Year) -> None:
    program = Program(year.comparison.advice.case_to_run)
    sweep = Sweep()
    ours = sweep.attempt(program, LEAST)
    assert ours is not None
    theirs = solve(program, LEAST)
    assert_same(ours, theirs)
    cost = theirs.stage_values["cost"]
    assert sweep.least_money(program) == pytest.approx(cost, rel=1e-9)


def test_reserves_of_one_home_share_their_curves() -> None:
    program, sweep = Program(small_home().case()), Sweep()
    found = []
    for percent in (20.0, 45.0, 70.0):
        under = program.under(program.case.at_reserve("percent", percent))
        ours = sweep.attempt(under, LEAST)
        assert ours is not None
        assert_same(ours, solve(Program(under.case), LEAST))
        found.append(sweep.last)
    assert found[0] is found[1] is found[2]


@pytest.mark.parametrize("name", sorted(different_homes()))
def test_bounds_are_the_plans_of_each_home(name: str) -> None:
    advice = recommend(different_homes()[name].case())
    sweep = Sweep()
    for strategy, plan in bounds_of(advice.outcomes, sweep).items():
        theirs = plan_of(advice.outcomes[strategy], "least-cost")
        # a program that starts from another of its bases differs by the solver's own tolerance
        assert plan.compared_cost == pytest.approx(
            theirs.compared_cost, rel=1e-7 if sweep.found is None else 1e-9, abs=1e-8
        )
        assert plan.least_hours == pytest.approx(theirs.least_hours, abs=1e-6)


def test_a_frontier_is_the_same_either_way() -> None:
    program = Program(small_home(days=3, step_minutes=30).case())
    rungs = ladder(program.case, "hours")
    swept = trace(program, rungs, 0.0)
    solved = trace(program, rungs, 0.0, record=lambda _amount, _stage, _optimum: None)
    for ours, theirs in zip(swept, solved, strict=True):
        assert ours.plan.bill_and_wear == pytest.approx(theirs.plan.bill_and_wear, rel=1e-9, abs=1e-8)
        assert ours.least_hours == pytest.approx(theirs.least_hours, abs=1e-6)


# ---- doubt -------------------------------------------------------------------------------------------------
def tiered() -> Draft:
    draft = small_home()
    bands = {name: {**band, "import_price_per_kwh": -0.2} for name, band in draft.tariff["bands"].items()}
    return replace(draft, tariff={**draft.tariff, "bands": bands})


def test_prices_below_nothing_are_left_to_the_program() -> None:
    program = Program(tiered().case())
    assert len(program.warm.integers) > 0
    assert not applies(program, LEAST)
    assert Sweep().attempt(program, LEAST) is None
    assert Sweep().solve(program, LEAST).gap is not None


def test_a_tapering_promise_to_be_nearly_full_is_left_to_the_program() -> None:
    draft = small_home(battery={"taper_hours": 0.5}, reserve={"percent": 99.95})
    program = Program(draft.case())
    assert Sweep().attempt(program, LEAST) is None
    assert Sweep().attempt(Program(draft.changed(battery={"taper_hours": 0.0}).case()), LEAST) is not None


def test_idle_cells_and_own_stages_under_a_taper_are_left_to_the_program() -> None:
    program = Program(small_home(battery={"taper_hours": 0.5}).case())
    assert not applies(program, STRATEGIES["sun-only"])
    assert not applies(program, STRATEGIES["solar-first"])
    assert applies(program, LEAST)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda levels, flows: (levels + 1e-3, flows),  # levels that the flows do not make
        lambda levels, flows: (levels, flows * (1 + 1e-4)),  # flows that the rows do not allow
        lambda levels, flows: (levels, np.full_like(flows, np.nan)),
    ],
)
def test_a_schedule_that_breaks_a_row_is_not_taken(monkeypatch: pytest.MonkeyPatch, spoil: Any) -> None:  # noqa: ANN401
    program, schedule = Program(small_home().case()), backward.schedule
    monkeypatch.setattr(backward, "schedule", lambda *given: spoil(*schedule(*given)))
    assert Sweep().attempt(program, LEAST) is None
    theirs = solve(program, LEAST)
    assert Sweep().solve(program, LEAST).money == pytest.approx(theirs.money, rel=1e-12)


def test_a_schedule_dearer_than_the_value_of_its_start_is_not_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    program, swept = Program(small_home().case()), backward.swept

    def lazy(*given: Any) -> Any:  # noqa: ANN401
        stops, value = swept(*given) or (None, None)
        assert stops is not None
        return np.maximum(stops, given[1].start_kwh), value  # never draws below the start: keeps every row

    monkeypatch.setattr(backward, "swept", lazy)
    assert Sweep().attempt(program, LEAST) is None


def test_a_plan_that_is_not_the_best_cannot_be_proved(monkeypatch: pytest.MonkeyPatch) -> None:
    """Both passes led astray alike, so that all else agrees: the program's own rows tell."""
    program = Program(small_home().case())
    best = solve(program, LEAST)
    costs = program.cost.copy()

    class Astray(Sweep):
        def _curves(self, program: Program, step: Any, bounds: Any, costs: Any) -> Any:  # noqa: ANN401
            dearer = costs.copy()
            dearer[0, program.columns["battery_to_load"]] += 10.0  # never discharges
            return super()._curves(program, step, bounds, dearer)

    monkeypatch.setattr(module, "HELD_TOLERANCE", 1e3)  # the value of the start is not asked
    astray = Astray()
    found = astray.attempt(program, LEAST)
    assert found is not None
    assert found.stage_values["cost"] > best.stage_values["cost"] + 0.05
    assert astray.least_money(program) < best.stage_values["cost"] + 1e-9
    monkeypatch.setattr(module, "HELD_TOLERANCE", 1e-6)
    monkeypatch.setattr(astray, "attempt", lambda *_given: found)
    assert astray.solve(program, LEAST).money == pytest.approx(best.money, rel=1e-9)
    assert astray.proved is False
    np.testing.assert_array_equal(program.cost, costs)


def test_nothing_is_proved_before_anything_is_swept() -> None:
    with pytest.raises(SolveError, match="nothing has been swept"):
        Sweep().least_money(Program(small_home(days=1).case()))


# ---- with and without a compiler ---------------------------------------------------------------------------
def test_without_a_compiler_the_program_solves(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "IS_COMPILED", False)
    program, sweep = Program(small_home(days=1).case()), Sweep()
    assert sweep.solve(program, LEAST).iterations > 0
    assert sweep.found is None
    monkeypatch.setattr(compiled, "IS_COMPILED", False)
    assert compiled.compiled(len) is len


def test_compiled_and_interpreted_loops_say_the_same() -> None:
    code = (
        "from homes.small_home import small_home\n"
        "from dispatch.program.program import Program\n"
        "from dispatch.strategies.swept import Sweep\n"
        "from dispatch.strategies.table import STRATEGIES\n"
        "found = Sweep().attempt(Program(small_home(days=2).case()), STRATEGIES['least-cost'])\n"
        "print([value.hex() for value in found.flows['stored'].tolist()])\n"
    )
    printed = {
        subprocess.run(
            [sys.executable, "-c", code],
            env={**os.environ, "NUMBA_DISABLE_JIT": off, "PYTHONPATH": os.pathsep.join(sys.path)},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for off in ("0", "1")
    }
    levels = [np.array([float.fromhex(each) for each in eval(text)]) for text in printed]  # noqa: S307 - our own print
    assert all(len(each) == 48 for each in levels)
    np.testing.assert_allclose(levels[0], levels[-1], rtol=0, atol=1e-12)


def test_machine_code_stands_under_a_digest_of_the_sources(tmp_path: Path) -> None:
    (tmp_path / "sweep-of-another-make").mkdir()
    (tmp_path / "something-else").mkdir()
    compiled._place.cache_clear()  # noqa: SLF001
    place = compiled._place(str(tmp_path))  # noqa: SLF001
    assert place is not None
    assert {path.name for path in tmp_path.iterdir()} == {place.name, "something-else"}
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    assert compiled._place(str(tmp_path / "file")) is None  # noqa: SLF001
    compiled._place.cache_clear()  # noqa: SLF001
