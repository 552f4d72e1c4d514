"""The tree of warm solves against HiGHS's own mixed-integer solver on the same program."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from homes.small_home import small_home

from dispatch.program import branch, whole
from dispatch.program.arrays import Gap
from dispatch.program.program import Program
from dispatch.strategies.solve import solve
from dispatch.strategies.table import STRATEGIES

if TYPE_CHECKING:
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
