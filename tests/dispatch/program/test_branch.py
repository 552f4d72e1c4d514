"""The tree of warm solves against HiGHS's own mixed-integer solver on the same program."""

from __future__ import annotations

import heapq
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from homes.small_home import small_home

from dispatch.errors import SolveError
from dispatch.program import branch, whole
from dispatch.program.arrays import Bounds, Gap
from dispatch.program.program import Program
from dispatch.strategies.solve import solve
from dispatch.strategies.table import STRATEGIES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dispatch.case.case import Case

EXACT = Gap(1e-6, 1e-6)


def home(*, whole_band: bool, prices: tuple[float, ...], **features: Any) -> Case:  # noqa: ANN401 - a tariff's
    """Twenty days across three months, with two kinds of blocks whose limits lie where the energy does."""
    draft = small_home(days=40, first="2025-09-25", **features)
    limits = (60, 90, 350)
    steps: list[dict[str, float]] = [
        {"up_to_kwh": kwh, "price_per_kwh": price} for kwh, price in zip(limits, prices[:-1], strict=True)
    ]
    block = {"name": "all", "whole_band": whole_band, "steps": [*steps, {"price_per_kwh": prices[-1]}]}
    tariff = {**draft.tariff, "blocks": [block], "billing": {"part_periods": "whole"}}
    return type(draft)(draft.settings, tariff, draft.times, draft.columns, draft.clock).case()


CASES: dict[str, dict[str, Any]] = {
    "falling": {"whole_band": False, "prices": (0.5, 0.3, 0.12, 0.0)},
    "up and down": {"whole_band": False, "prices": (0.1, 0.4, 0.05, 0.3)},
    "slabs": {"whole_band": True, "prices": (0.1, 0.3, 0.32, 0.5)},
    "falling slabs": {
        "whole_band": True,
        "prices": (0.5, 0.3, 0.12, 0.0),
    },  # wasting energy would pay in every step
}


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("strategy", ["least-cost", "off-peak-first"])
def test_the_tree_finds_what_the_general_solver_finds(
    name: str, strategy: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    case = home(**CASES[name])
    nodes: list[int] = []
    add = branch.Tree._add  # noqa: SLF001 - to count

    def counted(*given: Any) -> None:  # noqa: ANN401 - passed on
        nodes.append(1)
        add(*given)

    monkeypatch.setattr(branch.Tree, "_add", counted)
    by_tree = solve(Program(case, EXACT), STRATEGIES[strategy])
    monkeypatch.setattr(whole, "MOST_BINARIES", -1)
    nodes_by_tree = len(nodes)
    assert nodes_by_tree > 0
    by_general = solve(Program(case, EXACT), STRATEGIES[strategy])
    assert len(nodes) == nodes_by_tree
    assert by_tree.stage_values["cost"] == pytest.approx(by_general.stage_values["cost"], rel=2e-6, abs=2e-6)
    assert by_tree.gap is not None
    assert by_tree.gap <= 1e-6
    assert not by_tree.stopped


class Sheet:
    """Stands for a program of two binaries; what a solve comes to is set by each test."""

    integers = np.array([0, 1], dtype=np.int32)

    def loosen(self, bounds: Bounds) -> None:
        pass

    def fix(self, columns: Any, values: Any) -> None:  # noqa: ANN401 - as the solver's
        pass


def tree_of(monkeypatch: pytest.MonkeyPatch, found: list[Any], **fields: Any) -> branch.Tree:  # noqa: ANN401
    """A tree whose solves come to these amounts, one after the other, both binaries nearer to 1 than to 0."""
    amounts = iter(found)
    relaxed = np.array([0.9, 0.6])

    def attempt(_warm: Any, _costs: Any) -> Any:  # noqa: ANN401
        amount = next(amounts)
        if amount == "fails":
            raise SolveError("the solver ended with 'Unknown'")
        return None if amount == "empty" else SimpleNamespace(objective=amount, values=relaxed)

    monkeypatch.setattr(branch, "attempt", attempt)
    free = Bounds(np.zeros(2), np.ones(2), np.empty(0), np.empty(0))
    usual = {"warm": Sheet(), "costs": np.zeros(2), "asked": Gap(0.05, 0.0), "best": None, "among": BOTH}
    return branch.Tree(stated=free, **{**usual, **fields})


BOTH, NEITHER = np.ones(2, dtype=bool), np.zeros(2, dtype=bool)


@pytest.mark.parametrize(
    ("waiting", "closed", "best", "bound"),
    [
        ([], np.inf, None, np.inf),
        ([4.0, 3.0], np.inf, None, 3.0),
        ([4.0, 3.0], 2.5, 9.0, 2.5),
        ([4.0, 3.0], 3.5, 2.8, 2.8),
        ([], 2.5, 2.8, 2.5),
        ([], np.inf, 2.8, 2.8),
    ],
)
def test_nothing_can_cost_less_than_the_least_of_what_waits_what_was_closed_and_the_best(
    waiting: list[float], closed: float, best: float | None, bound: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    tree = tree_of(monkeypatch, [], closed=closed, best=None if best is None else (best, np.zeros(2)))
    for order, least in enumerate(waiting):
        heapq.heappush(tree.open, branch.Node(least, order, np.zeros(2), np.ones(2), 0, 1.0))
    assert tree.bound == bound
    assert tree.near_enough == (best is not None and best - bound <= 0.05 * best)


@pytest.mark.parametrize(
    ("found", "undecided", "among", "best", "closed"),
    [
        ([10.0], BOTH, BOTH, 10.4, 10.0),  # not worth opening: the best is within a twentieth
        ([10.0], BOTH, BOTH, 9.0, 10.0),
        ([10.0, 10.0], NEITHER, BOTH, None, 10.0),  # a leaf
        (
            [10.0, 12.0],
            NEITHER,
            NEITHER,
            None,
            10.0,
        ),  # rounding costs money, and there is nothing to branch on
        ([10.0], BOTH, BOTH, 11.0, np.inf),
        ([10.0, 12.0], NEITHER, BOTH, None, np.inf),  # rounding costs money, and there is more to find
    ],
)
def test_a_node_is_closed_at_its_bound_or_stays_open(  # noqa: PLR0917 - a table
    found: list[float],
    undecided: NDArray[np.bool_],
    among: NDArray[np.bool_],
    best: float | None,
    closed: float,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    first = None if best is None else (best, np.zeros(2))
    tree = tree_of(monkeypatch, found, best=first, among=among)
    monkeypatch.setattr(branch, "whole", lambda _warm, _values: (np.ones(2), undecided.copy()))
    tree._add(np.zeros(2), np.ones(2))  # noqa: SLF001 - one node of a tree
    assert tree.closed == closed
    assert tree.bound == min(10.0, np.inf if best is None else best)
    if closed == np.inf:
        (node,) = tree.open
        assert (node.bound, node.pick, node.toward) == (10.0, 1, 1.0)  # the one that is less decided
    else:
        assert tree.open == []


@pytest.mark.parametrize(
    ("found", "undecided", "among", "best"),
    [
        ([10.0], BOTH, BOTH, 10.4),
        ([10.0, 10.0], NEITHER, BOTH, 10.4),
        ([10.0, 12.0], NEITHER, NEITHER, 10.4),
        (["fails"], BOTH, BOTH, 10.4),
    ],
)
def test_what_is_closed_later_does_not_raise_what_was_closed_before(
    found: list[Any],
    undecided: NDArray[np.bool_],
    among: NDArray[np.bool_],
    best: float,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    tree = tree_of(monkeypatch, found, best=(best, np.zeros(2)), among=among, closed=9.5)
    monkeypatch.setattr(branch, "whole", lambda _warm, _values: (np.ones(2), undecided.copy()))
    tree._add(np.zeros(2), np.ones(2), 9.8)  # noqa: SLF001
    assert tree.closed == 9.5


@pytest.mark.parametrize(
    ("share", "found", "bound", "lost"),
    [
        # the first node may come to 10, its likelier side to 10.3, whole
        (
            0.05,
            [10.0, 10.3, 10.3],
            10.0,
            False,
        ),  # near enough: nothing is known of the other side but the node's 10
        (1e-6, [10.0, 10.3, 10.3, "empty"], 10.3, False),
        (1e-6, [10.0, 10.3, 10.3, 10.2, 10.2], 10.2, False),
        (1e-6, [10.0, 10.3, 10.3, "fails"], 10.0, True),
    ],
)
def test_what_a_grown_tree_has_proved(
    share: float, found: list[Any], bound: float, *, lost: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    tree = tree_of(monkeypatch, found, asked=Gap(share, 0.0))
    undecided = iter([BOTH, NEITHER, NEITHER])
    monkeypatch.setattr(branch, "whole", lambda _warm, _values: (np.ones(2), next(undecided).copy()))
    tree.grow(SimpleNamespace(look=lambda _bound, _best: False))  # type: ignore[arg-type]
    assert (tree.bound, tree.lost) == (bound, lost)
    assert tree.best is not None
    assert tree.best[0] == min(amount for amount in found[1:] if isinstance(amount, float))


def test_the_two_steps_beside_an_undecided_one_are_asked_as_well() -> None:
    undecided = np.zeros(12, dtype=bool)
    undecided[[0, 6]] = True
    asked = whole._with_neighbours(undecided)  # noqa: SLF001
    assert np.flatnonzero(asked).tolist() == [0, 1, 2, 4, 5, 6, 7, 8]
    assert np.flatnonzero(undecided).tolist() == [0, 6]


@pytest.mark.parametrize(
    ("sides", "others", "asked"),
    [(100, 50, (100, 50)), (101, 50, (0, 50)), (1, 150, (0, 150)), (0, 151, (0, 0))],
)
def test_a_tree_takes_all_binaries_if_they_are_few_else_those_that_are_no_sides(
    sides: int, others: int, asked: tuple[int, int]
) -> None:
    is_side = np.arange(sides + others) < sides
    found = whole._to_branch_on(is_side)  # noqa: SLF001
    assert (int(found[is_side].sum()), int(found[~is_side].sum())) == asked


@pytest.mark.parametrize(
    ("reached", "bound", "gap", "money"),
    [
        (10.0, 9.0, 0.1, 1.0),
        (-10.0, -11.0, 0.1, 1.0),
        (0.0, -0.02, 0.4, 0.02),  # a share of nothing says nothing: of the least amount that is noticed
        (10.0, 10.0 + 1e-9, 0.0, 0.0),
    ],
)
def test_the_gap_told_is_a_share_of_what_was_found(
    reached: float, bound: float, gap: float, money: float
) -> None:
    search = SimpleNamespace(
        proven=True, best=(reached, np.ones(2)), warm=Sheet(), bound=bound, asked=Gap(1e-4, 0.05)
    )
    settled = whole._Search._end(search)  # type: ignore[arg-type]  # noqa: SLF001
    assert [settled.gap, settled.money] == pytest.approx([gap, money])
    assert not settled.hard
