"""A program begun from longer steps ends where one begun from nothing ends, whatever the tariff and the step."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from homes.generators import drafts, repeatable
from homes.small_home import small_home
from hypothesis import given

from dispatch.errors import SolveError
from dispatch.program import longer
from dispatch.program.longer import in_longer_steps, lengthened, lifted, longer_of
from dispatch.program.program import Program
from dispatch.program.solver import Warm
from dispatch.strategies.solve import prepare, solve
from dispatch.strategies.table import STRATEGIES

if TYPE_CHECKING:
    from homes.drafts import Draft

    from dispatch.case.case import Case
    from dispatch.program.arrays import Start
    from dispatch.strategies.solved import Solved

TIERS = {
    "blocks": [
        {
            "name": "all energy",
            "steps": [{"up_to_kwh": 20, "price_per_kwh": 0.01}, {"price_per_kwh": 0.05}],
        }
    ]
}
DEMAND = {
    "demand": [
        {
            "name": "evening peak",
            "price_per_kw": 4.2,
            "windows": [{"days": ["weekday"], "hours": "16:00-21:00"}],
        },
        {"name": "highest", "price_per_kw": 1.1, "highest_days": 2},
    ],
    "adjustments": [
        {"name": "tax", "percent": 5},
        {"name": "levy", "percent": 9.975},
    ],
}
TAPER = {"taper_hours": 0.6}
HOMES = {
    "quarter hours": small_home(step_minutes=15),
    "quarter hours, demand": small_home(step_minutes=15),
    "ten minutes, tiers": small_home(days=2, step_minutes=10, battery=TAPER),
    "five minutes, demand and tiers": small_home(days=2, step_minutes=5),
    "hours that four does not divide": small_home(days=5, step_minutes=60, first="2025-11-01"),
    "no sun": small_home(step_minutes=15, sun=False),
    "a long taper": small_home(step_minutes=15, battery=TAPER),
    "a load beyond the bypass": small_home(step_minutes=15, inverter={"bypass_w": 900, "continuous_w": 500}),
    "a start below the floor": small_home(step_minutes=15, battery={"start": {"percent": 20}}),
}


def case_of(name: str) -> Case:
    draft = HOMES[name]
    tables = {**(TIERS if "tiers" in name else {}), **(DEMAND if "demand" in name else {})}
    return type(draft)(draft.settings, {**draft.tariff, **tables}, draft.times, draft.columns).case()


def solved(case: Case, *, long_enough: int, monkeypatch: pytest.MonkeyPatch) -> dict[str, Solved]:
    monkeypatch.setattr(longer, "LONG_ENOUGH", long_enough)
    program = Program(case)
    return {name: solve(program, strategy) for name, strategy in STRATEGIES.items()}


@pytest.mark.parametrize("name", HOMES)
def test_every_strategy_ends_where_it_ends_without(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    begun: list[int] = []
    begin_at = Warm.begin_at

    def seen(warm: Warm, start: Start) -> None:
        begun.append(len(start.columns))
        begin_at(warm, start)

    monkeypatch.setattr(Warm, "begin_at", seen)
    case = case_of(name)
    plain = solved(case, long_enough=10**9, monkeypatch=monkeypatch)
    assert not begun
    from_longer = solved(case, long_enough=8, monkeypatch=monkeypatch)
    assert len(set(begun)) >= 2  # steps four times as long begin from steps sixteen times as long
    for strategy, one in plain.items():
        other = from_longer[strategy]
        assert other.stage_values == pytest.approx(one.stage_values, rel=1e-9, abs=1e-7), strategy
        assert other.money == pytest.approx(one.money, rel=1e-9, abs=1e-9)
        difference = (other.flows.frame - one.flows.frame).abs().max()
        assert difference.fillna(0.0).max() < 1e-6, (strategy, difference)


@repeatable(30)
@given(draft=drafts(((1, 30), (2, 60), (3, 60), (4, 60))))
def test_stages_of_any_home_come_to_the_same(draft: Draft) -> None:
    case = draft.case()
    with pytest.MonkeyPatch.context() as patch:
        plain = solved(case, long_enough=10**9, monkeypatch=patch)
        from_longer = solved(case, long_enough=8, monkeypatch=patch)
    for name, one in plain.items():
        assert from_longer[name].stage_values == pytest.approx(one.stage_values, rel=1e-6, abs=2e-6), name


def test_a_home_in_longer_steps_has_the_same_energy_and_span() -> None:
    case = small_home(days=5, step_minutes=60, first="2025-11-01").case()  # 121 hours: the clocks go back
    wide = in_longer_steps(case)
    assert len(case.times) == 121
    assert len(wide.times) == 31
    for name in ("load_kwh", "other_kwh", "sun_kwh", "idle_kwh"):
        assert getattr(wide, name).sum() == pytest.approx(getattr(case, name).sum(), rel=1e-12), name
    assert wide.floor_kwh[-1] == case.floor_kwh[-1]


def test_the_tariffs_rows_say_the_same_of_equal_steps() -> None:
    """A schedule that is even within each longer step costs and measures the same in both."""
    program = Program(case_of("five minutes, demand and tiers"))
    wide = lengthened(program, None)
    random = np.random.default_rng(3)
    even = random.uniform(0.0, 1.0, wide.columns["tariff"].stop)
    fine = np.zeros(program.columns["tariff"].stop)
    fine[program.columns["tariff"]] = even[wide.columns["tariff"]]
    first = np.arange(0, program.steps, longer.TIMES_AS_LONG)
    for family in ("import", "export"):
        if family in program.columns:
            share = even[wide.columns[family]] / np.diff([*first, program.steps])
            fine[program.columns[family]] = np.repeat(share, longer.TIMES_AS_LONG)[: program.steps]
    ours, theirs = (each.warm.matrix.times(values) for each, values in ((program, fine), (wide, even)))
    rows = [name for name in program.rows if name.startswith(("demand", "block"))]
    assert rows
    for name in rows:
        assert theirs[wide.rows[name]] == pytest.approx(ours[program.rows[name]], rel=1e-12), name
    money = [
        float((each.cost * values)[span].sum())
        for each, values in ((program, fine), (wide, even))
        for span in (each.columns["import"], each.columns["tariff"])
    ]
    assert money[2:] == pytest.approx(money[:2], rel=1e-12)


def test_a_start_has_a_status_for_every_column_and_row() -> None:
    program = Program(case_of("quarter hours, demand"))
    wide = lengthened(program, None)
    prepare(wide)
    start = wide.warm.reference_start()
    assert start is not None
    found = lifted(program, wide, start)
    assert len(found.columns) == len(program.warm.base.lower)
    assert len(found.rows) == len(program.warm.base.row_lower)
    assert set(found.columns) <= set(start.columns)
    own, of = program.columns["stored"], wide.columns["stored"]
    assert list(found.columns[own][:: longer.TIMES_AS_LONG]) == list(start.columns[of])


def test_longer_steps_that_cannot_be_solved_are_done_without(monkeypatch: pytest.MonkeyPatch) -> None:
    case = case_of("quarter hours")
    plain = solved(case, long_enough=10**9, monkeypatch=monkeypatch)
    minimise = Warm.minimise

    def fails(warm: Warm, costs: np.ndarray) -> object:
        if len(costs) < len(Program(case).warm.base.lower):
            raise SolveError("no answer")
        return minimise(warm, costs)

    monkeypatch.setattr(Warm, "minimise", fails)
    without = solved(case, long_enough=8, monkeypatch=monkeypatch)
    for name, one in plain.items():
        assert without[name].stage_values == pytest.approx(one.stage_values, rel=1e-9, abs=1e-7), name


def test_a_twin_begins_from_the_same_reference_in_longer_steps(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(longer, "LONG_ENOUGH", 8)
    program = Program(case_of("quarter hours"))
    prepare(program)
    twin = program.twin()
    twin.adopt_reference(program)
    ours, theirs = longer_of(program), longer_of(twin)
    assert ours is not None
    assert theirs is not None
    assert theirs.warm is not ours.warm
    one, other = ours.warm.reference_start(), theirs.warm.reference_start()
    assert one is not None
    assert other is not None
    assert np.array_equal(one.columns, other.columns)
