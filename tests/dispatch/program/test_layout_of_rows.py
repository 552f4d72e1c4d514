"""The rows laid out in numpy are those that PuLP states step by step, for every part and every tariff."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from homes.drafts import Draft, plain_draft
from homes.generators import drafts, repeatable
from homes.tariff_homes import random_home
from homes.tariff_shapes import cases
from hypothesis import given
from hypothesis import strategies as st

import tariffs
from dispatch.errors import ScenarioError
from dispatch.program.algebra import Algebra
from dispatch.program.program import Program
from dispatch.program.schedules import TermWriter
from dispatch.program.solver import Statement
from dispatch.program.tariff_rows import TariffRows
from dispatch.strategies.solve import solve
from dispatch.strategies.table import STRATEGIES

if TYPE_CHECKING:
    from homes.tariff_shapes import Case as Drawn
    from numpy.typing import NDArray

    from dispatch.case.case import Case
    from dispatch.program.arrays import Bounds, Matrix

Line = tuple[dict[str, float], float, float]


def stated_by_pulp(case: Case) -> Statement:
    """Every step and every row of the tariff, one by one, as PuLP's objects."""
    statement = Statement("all")
    families = Algebra(case).state(statement, len(case.times))
    TariffRows(TermWriter(statement, case, families))
    return statement


def names_of(families: dict[str, slice], count: int) -> list[str]:
    names = [""] * count
    for family, span in families.items():
        for place in range(span.start, span.stop):
            names[place] = f"{family}_{place - span.start}"
    return names


def lines_of(columns: list[str], matrix: Matrix, bounds: Bounds, rows: list[str]) -> dict[str, Line]:
    starts, indices, values = matrix.starts, matrix.indices, matrix.values
    low, high = bounds.row_lower, bounds.row_upper
    found: dict[str, Line] = {}
    for at, name in enumerate(rows):
        span = slice(starts[at], starts[at + 1])
        terms = {
            columns[i]: v for i, v in zip(indices[span].tolist(), values[span].tolist(), strict=True) if v
        }
        found[name] = (terms, float(low[at]), float(high[at]))
    return found


def assert_laid_out_as_stated(case: Case) -> None:
    statement, program = stated_by_pulp(case), Program(case)
    warm, bounds = program.warm, program.bounds()
    spans = {name: span for name, span in program.columns.items() if name != "tariff"}
    columns, rows = names_of(spans, len(bounds.lower)), names_of(program.rows, len(bounds.row_lower))
    stated_columns = names_of(statement.columns, statement.column_count)
    assert columns == stated_columns
    assert sorted(columns) == sorted(variable.name for variable in statement.problem.variables())
    stated_rows = [row.name for row in statement.problem.constraints()]
    assert rows == stated_rows
    laid = lines_of(columns, warm.matrix, bounds, rows)
    assert laid == lines_of(stated_columns, statement.matrix(), statement.bounds(), stated_rows)

    def by_name(names: list[str], values: NDArray[np.float64]) -> dict[str, float]:
        return dict(zip(names, values.tolist(), strict=True))

    stated = statement.bounds()
    assert by_name(columns, bounds.lower) == by_name(stated_columns, stated.lower)
    assert by_name(columns, bounds.upper) == by_name(stated_columns, stated.upper)
    assert {columns[i] for i in warm.integers} == {stated_columns[i] for i in statement.integers()}


@repeatable(40)
@given(draft=drafts(((1, 60), (1, 30), (2, 60))))
def test_every_part_is_laid_out_as_stated(draft: Draft) -> None:
    assert_laid_out_as_stated(draft.case())


@repeatable(40)
@given(drawn=cases(), seed=st.integers(0, 10**6))
def test_every_tariff_is_laid_out_as_stated(drawn: Drawn, seed: int) -> None:
    try:
        case = random_home(drawn.tariff(), drawn.times[: 2 * round(24 / drawn.dt_hours)], seed)
        Program(case)
    except (ScenarioError, tariffs.TariffError):
        return  # refused, as other tests hold
    assert_laid_out_as_stated(case)


@pytest.mark.parametrize("steps", [2, 3, 4, 5])
def test_fewer_steps_than_the_pattern_and_a_few_more(steps: int) -> None:
    draft = plain_draft(
        [0.1, 0.4, 0.2, 0.3, 0.1][:steps],
        load_kw=[0.2, 0.5, 0.6, 0.1, 0.3][:steps],
        sun_kw=[0.0, 0.3, 0.0, 0.9, 0.1][:steps],
        battery={"taper_hours": 0.4, "self_discharge_per_hour_fraction": 0.01},
        charging={"ac_input_w": 2500},
        grid={"import_limit_kw": 3.0},
    )
    assert_laid_out_as_stated(draft.case())


def test_a_wrong_coefficient_would_be_seen() -> None:
    case = plain_draft([0.1, 0.4, 0.4, 0.1], load_kw=[0.2, 0.5, 0.6, 0.1]).case()
    program = Program(case)
    program.warm.matrix.values[-3] += 1e-9
    names = names_of({n: s for n, s in program.columns.items() if n != "tariff"}, len(program.cost))
    rows = names_of(program.rows, len(program.warm.base.row_lower))
    statement = stated_by_pulp(case)
    wrong = lines_of(names, program.warm.matrix, program.bounds(), rows)
    assert wrong != lines_of(
        names_of(statement.columns, statement.column_count), statement.matrix(), statement.bounds(), rows
    )


# ---- another case on the same program -------------------------------------------------------------------------


def first() -> Draft:
    return plain_draft(
        [0.1] * 6 + [0.4] * 12 + [0.2] * 6,
        load_kw=[0.3] * 24,
        sun_kw=[0.0] * 8 + [0.6, 0.9, 1.1, 0.8] + [0.0] * 12,
        battery={"taper_hours": 0.4},
        grid={"import_limit_kw": 4.0},
    )


def second() -> Draft:
    return plain_draft(
        [0.3] * 9 + [0.12] * 6 + [0.5] * 9,
        load_kw=[0.2, 0.4, 0.9] * 8,
        sun_kw=[0.0] * 7 + [0.4, 0.2, 1.8, 1.2, 0.3] + [0.0] * 12,
        battery={
            "taper_hours": 0.4,
            "pack_count": 2,
            "wear_per_kwh": 0.03,
            "start": {"percent": 40},
            "closing": {"percent": 70},
        },
        inverter={"continuous_w": 700},
        charging={"grid_w": 900},
        grid={"import_limit_kw": 1.5},
        reserve={"percent": 30},
    )


@pytest.mark.parametrize("name", STRATEGIES)
def test_another_home_on_the_same_program_is_the_home_on_its_own(name: str) -> None:
    """Another load, sun, tariff, size, reserve: only bounds, right-hand sides and prices are written over."""
    case = second().case()
    template = Program(first().case())
    solve(template, STRATEGIES["least-cost"])
    there, alone = solve(template.under(case), STRATEGIES[name]), solve(Program(case), STRATEGIES[name])
    assert there.stage_values == pytest.approx(alone.stage_values, rel=1e-7, abs=1e-7)
    for family in (
        "import",
        "export",
        "stored",
    ):  # by what way within a step is open where parts lose nothing
        np.testing.assert_allclose(there.flows[family], alone.flows[family], atol=1e-6)


def test_bounds_are_those_of_a_program_of_its_own() -> None:
    case = second().case()
    written, own = Program(first().case()).under(case).bounds(), Program(case).bounds()
    assert written.equal(own)


def test_other_efficiencies_need_a_program_of_their_own() -> None:
    program, case = Program(first().case()), second().case()
    other = replace(case, limits=replace(case.limits, eta_charger=0.5))
    with pytest.raises(ScenarioError, match="program of its own"):
        program.under(other)


def test_only_where_a_load_is_wider_than_the_bypass_may_the_bypass_be_full() -> None:
    case = plain_draft(
        [-0.2] * 4,
        load_kw=[0.4, 0.8, 0.5, 0.0],
        battery={"pack_kwh": 2.0, "discharge_efficiency_fraction": 0.8},
        inverter={"continuous_w": 1000, "bypass_w": 500},
    ).case()
    columns = Program(case).columns
    assert columns["burn"].stop - columns["burn"].start == 4  # wasting energy would pay in every hour
    assert columns["burn_full"].stop - columns["burn_full"].start == 1
