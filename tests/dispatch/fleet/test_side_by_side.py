"""Homes side by side get what each gets alone, whoever their neighbours are."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
from homes.fleet_homes import different_homes
from homes.small_home import small_home
from homes.tariff_rich import rich_home

from dispatch.advice.recommend import recommend
from dispatch.errors import Infeasible
from dispatch.fleet import side_by_side
from dispatch.fleet.side_by_side import Advised, advise
from dispatch.flows import COLUMNS

if TYPE_CHECKING:
    from dispatch.case.case import Case


@pytest.fixture(scope="module")
def cases() -> dict[str, Case]:
    return {name: draft.case() for name, draft in different_homes().items()}


@pytest.fixture(scope="module")
def advised(cases: dict[str, Case]) -> dict[str, Advised]:
    found = advise(list(cases.values()))
    assert all(isinstance(one, Advised) for one in found), found
    return dict(zip(cases, found, strict=True))  # type: ignore[arg-type]


@pytest.mark.parametrize("name", list(different_homes()))
def test_a_home_in_a_batch_gets_what_it_gets_alone(
    name: str, cases: dict[str, Case], advised: dict[str, Advised]
) -> None:
    alone, beside = recommend(cases[name]), advised[name]
    assert beside.chosen.name == alone.strategy
    assert [reason.kind for reason in beside.reasons] == [
        reason.kind for reason in alone.reasons if reason.kind != "file's reserve"
    ]
    assert beside.outcomes.keys() == alone.outcomes.keys()
    for strategy, run in beside.outcomes.items():
        other = alone.outcomes[strategy]
        assert run.reserve_percent == other.reserve_percent
        assert run.compared_cost == pytest.approx(other.compared_cost, rel=1e-9)
        assert run.bill.total == other.bill.total
        pd.testing.assert_frame_equal(run.flows.frame, other.flows.frame, rtol=0, atol=1e-9)


def test_most_of_them_did_go_side_by_side(cases: dict[str, Case], monkeypatch: pytest.MonkeyPatch) -> None:
    """Else the test above would compare a home with itself."""
    went: list[str] = []
    monkeypatch.setattr(side_by_side, "alone", lambda case: went.append(case.name))
    advise(list(cases.values()))
    assert went == [cases["raised"].name]


def test_neither_order_nor_neighbours_matter(cases: dict[str, Case], advised: dict[str, Advised]) -> None:
    names = list(cases)[::-1]
    backwards = [one for part in (names[:5], names[5:]) for one in advise([cases[name] for name in part])]
    for name, found in zip(names, backwards, strict=True):
        assert isinstance(found, Advised)
        run, before = found.chosen, advised[name].chosen
        assert (run.name, run.reserve_percent) == (before.name, before.reserve_percent)
        assert run.compared_cost == pytest.approx(before.compared_cost, rel=1e-9)
        for column in COLUMNS:
            np.testing.assert_allclose(run.flows.frame[column], before.flows.frame[column], rtol=0, atol=1e-9)


def test_blocks_and_demand_go_through_the_single_door(cases: dict[str, Case]) -> None:
    case = rich_home().case()
    assert not case.prices.is_plain
    found, neighbour = advise([case, cases["plain"]])
    assert isinstance(found, Advised)
    assert isinstance(neighbour, Advised)
    alone = recommend(case)
    assert found.chosen.name == alone.strategy
    assert found.chosen.compared_cost == pytest.approx(alone.chosen.compared_cost, rel=1e-9)


def test_a_home_nothing_can_be_said_of_does_not_spoil_its_neighbours(cases: dict[str, Case]) -> None:
    # a battery that empties itself faster than its charger fills it: no setting can run
    broken = small_home(
        battery={"self_discharge_per_hour_fraction": 0.3}, charging={"grid_w": 1, "combined_w": 1}, sun=False
    ).case()
    good, bad, also_good = advise([cases["plain"], broken, cases["yen"]])
    assert isinstance(bad, Infeasible)
    assert isinstance(good, Advised)
    assert isinstance(also_good, Advised)
    assert good.chosen.compared_cost == pytest.approx(
        recommend(cases["plain"]).chosen.compared_cost, rel=1e-9
    )
